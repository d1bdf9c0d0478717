"""The writer of the logbook: how long it waits, when it tries again, and when it says so."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pytest

from companion.events import AnyEvent, Logged, Said
from companion.lakebed.bed import Bed
from companion.lakebed.share import Share, ShareChanges
from companion.live import keeping
from companion.live.keeping import (
    BUSY_FOR_S,
    LOGBOOK_RETRY_S,
    LOOK_AT_FILE_S,
    WRITING_SURE_S,
    Keeper,
    LogbookWriter,
)
from companion.record.lakes import Lakes, LearnedFile
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError
from companion.trip import wording
from tests.clocks import MovedClock

NOT_WRITTEN = "logbook not written"


def said(n: int) -> Said:
    return Said(t=float(n), text=f"word {n}", about="answer")


class Desk:
    """A writer in the test's own thread, its clock, what it told and gave out."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = MovedClock(1000.0)
        self.told: list[str] = []
        self.out: list[AnyEvent] = []
        self.before: list[str] = []
        self.writer = LogbookWriter(
            path,
            self.clock,
            self.told.append,
            lambda: self.before.append("synced"),
            self.out.append,
        )
        self._count = 0

    def write(self, *, is_new: bool = True) -> Said:
        event = said(self._count)
        self._count += 1
        self.writer.record(event, is_new=is_new)
        self.writer.commit()
        return event

    def later(self, seconds: float) -> None:
        self.clock.move_to(self.clock.now() + seconds)

    def kept(self) -> list[AnyEvent]:
        with Logbook(self.path) as book:
            return book.events(book.trips()[-1].id)

    def lock(self) -> sqlite3.Connection:
        other = sqlite3.connect(self.path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        return other


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.setattr(keeping, "BUSY_S", 0.01)
    made = Desk(tmp_path / "logbook.db")
    made.writer.begin("2031-05-04 030201")
    yield made
    made.writer.close()


def test_what_is_given_out_is_on_the_disk_and_what_it_rests_on_before_it(desk):
    event = desk.write()
    assert desk.out == desk.kept() == [event]
    assert desk.before == ["synced"]
    assert desk.told == []


def test_one_that_is_not_new_is_kept_but_not_given_out_again(desk):
    event = desk.write(is_new=False)
    assert desk.kept() == [event]
    assert desk.out == []


def test_a_short_lock_is_waited_for_without_a_word(desk):
    other = desk.lock()
    event = desk.write()
    desk.later(BUSY_FOR_S - 0.1)
    desk.writer.commit()
    assert desk.out == []
    other.execute("COMMIT")
    desk.writer.commit()
    assert desk.out == desk.kept() == [event]
    assert desk.told == []


def test_a_lock_that_was_waited_for_does_not_count_against_the_next(desk):
    for _ in range(2):
        other = desk.lock()
        desk.write()
        desk.later(BUSY_FOR_S - 1.0)
        desk.writer.commit()
        other.execute("COMMIT")
        desk.writer.commit()
        desk.later(60.0)
    assert desk.told == []


def test_a_long_lock_is_told_of_once_events_are_given_out_and_written_later(desk):
    other = desk.lock()
    events = [desk.write()]
    desk.later(BUSY_FOR_S)
    events += [desk.write(), desk.write()]
    assert [text.startswith(NOT_WRITTEN) for text in desk.told] == [True]
    assert desk.out == events
    other.execute("COMMIT")
    other.close()
    desk.writer.commit()
    assert desk.kept() == events
    assert len(desk.told) == 1  # crumbs are no proof
    desk.later(WRITING_SURE_S)
    desk.writer.commit()
    assert len(desk.told) == 1
    desk.later(0.1)
    desk.writer.commit()
    desk.writer.commit()
    assert desk.told[1:] == [wording.LOGBOOK_WRITTEN_AGAIN]


def test_a_logbook_that_cannot_be_had_is_tried_every_twenty_seconds(tmp_path):
    folder = tmp_path / "in the way"
    folder.write_text("a file where a folder should be")
    desk = Desk(folder / "logbook.db")
    desk.writer.begin("2031-05-04 030201")
    event = desk.write()
    assert desk.out == [event]
    assert len(desk.told) == 1
    folder.unlink()
    folder.mkdir()
    desk.later(LOGBOOK_RETRY_S - 0.1)
    desk.writer.commit()
    assert not desk.path.exists()
    desk.later(0.1)
    desk.writer.commit()
    assert desk.kept() == [event]
    desk.writer.close()
    with Logbook(desk.path) as book:
        assert [trip.closed for trip in book.trips()] == [True]


def test_the_file_is_looked_at_every_two_seconds(desk):
    event = desk.write()
    for end in ("", "-wal", "-shm"):
        desk.path.with_name(desk.path.name + end).unlink()
    desk.later(LOOK_AT_FILE_S - 0.1)
    desk.writer.look_after()
    assert not desk.path.exists()
    desk.later(0.1)
    desk.writer.look_after()
    assert desk.kept() == [event]
    assert desk.told == [wording.LOGBOOK_WAS_GONE]
    again = desk.write()
    assert desk.kept() == [event, again]


def test_a_trip_in_a_replaced_file_loses_nothing_that_waited(desk, tmp_path):
    written = desk.write()
    with Logbook(tmp_path / "other.db"):
        pass
    waits = said(99)
    desk.writer.record(waits)
    (tmp_path / "other.db").replace(desk.path)
    desk.later(LOOK_AT_FILE_S)
    desk.writer.look_after()
    desk.writer.commit()
    assert desk.told == [wording.LOGBOOK_WAS_REPLACED]
    assert desk.kept() == [written, waits]
    assert not list(tmp_path.glob("*rescued*"))


def test_without_a_trip_nothing_is_begun(tmp_path):
    desk = Desk(tmp_path / "logbook.db")
    desk.writer.commit()
    desk.writer.look_after()
    assert not desk.path.exists()
    desk.writer.close()


def test_the_end_waits_for_another_program_that_is_writing(desk):
    other = desk.lock()
    event = said(0)
    desk.writer.record(event)
    tries = []

    def let_go_at_the_third_try() -> None:
        tries.append("synced")
        if len(tries) == 3:
            other.execute("COMMIT")

    desk.writer._book.before_commit = let_go_at_the_third_try
    desk.writer.close()
    assert desk.kept() == desk.out == [event]
    assert desk.told == []
    with Logbook(desk.path) as book:
        assert [trip.closed for trip in book.trips()] == [True]


def test_the_end_writes_closes_and_gives_out_what_is_left(desk):
    event = said(1)
    desk.writer.record(event)
    desk.writer.close()
    assert desk.out == desk.kept() == [event]
    with Logbook(desk.path) as book:
        assert [trip.closed for trip in book.trips()] == [True]


class TestKeeper:
    """What the engine's thread sees of the logbook."""

    @pytest.fixture
    def keeper(self, tmp_path):
        told: list[str] = []
        desk = Desk(tmp_path / "logbook.db")
        made = Keeper(desk.path, desk.writer, lambda job: job(), told.append)
        made.told, made.desk = told, desk
        yield made
        made.close()
        desk.writer.close()

    def test_only_live_trips_that_were_cut_off_are_gone_on_with(self, keeper):
        with Logbook(keeper.path) as book:
            for name, recording in (("closed", None), ("a replay", "x")):
                with book.begin_trip(name, recording=recording):
                    pass
            book.begin_trip("replayed in part", recording="y")
            book.leave_trip()
            book.begin_trip("cut off")
        assert [trip.name for trip in keeper.interrupted()] == ["cut off"]

    def test_a_trip_is_gone_on_with_where_it_was(self, keeper):
        first, second = said(1), said(2)
        with Logbook(keeper.path) as book:
            book.begin_trip("cut off").record(first)
        (last,) = keeper.interrupted()
        assert keeper.events_of(last) == [first]
        keeper.resume(last)
        keeper.record(second)
        keeper.desk.writer.commit()
        assert keeper.desk.kept() == [first, second]
        assert keeper.desk.out == [second]

    def test_those_not_gone_on_with_are_closed(self, keeper):
        with Logbook(keeper.path) as book:
            book.begin_trip("cut off")
        keeper.close_interrupted(keeper.interrupted())
        assert keeper.interrupted() == []

    def test_a_logbook_that_cannot_be_read_is_told_of_and_nothing_is_known(
        self, tmp_path
    ):
        told: list[str] = []
        (tmp_path / "no").write_text("a file where a folder should be")
        keeper = Keeper(
            tmp_path / "no" / "logbook.db", None, lambda job: job(), told.append
        )
        assert keeper.interrupted() == []
        assert keeper.known(tmp_path).beliefs == {}
        assert [text.startswith("logbook not read") for text in told] == [True]

    def test_a_damaged_one_is_moved_aside_and_told_of(self, keeper, tmp_path):
        keeper.path.write_bytes(b"SQLite format 3\0" + b"junk" * 2000)
        assert keeper.interrupted() == []
        assert len(keeper.told) == 1
        (aside,) = tmp_path.glob("*damaged*")
        assert aside.name in keeper.told[0]

    def test_what_the_engine_hands_over_is_written(self, keeper, tmp_path):
        keeper.begin("2031-05-04 030201")
        keeper.belief("deep diver", "a belief")
        assert keeper.desk.writer._beliefs == {"deep diver": "a belief"}
        keeper.desk.writer._beliefs.clear()
        event = said(1)
        keeper.record(event)
        keeper.record(said(2), is_new=False)
        keeper.desk.writer.commit()
        assert keeper.desk.kept() == [event, said(2)]
        assert keeper.desk.out == [event]
        assert keeper.known(tmp_path).beliefs == {}

    def test_a_lakebed_is_handed_over_when_it_is_due_or_asked_for(self, keeper):
        taken: list[object] = []
        keeper.desk.writer.lakebed = lambda changes, learned, came: taken.append(
            (changes, learned.name, learned.done, came)
        )
        due = [False]
        share = SimpleNamespace(take_changed=lambda: "came")
        bed = SimpleNamespace(kept=12, share=share)
        keeper.lakebed(5.0, bed, now=True)
        assert taken == [], "before it is known what is kept"
        keeper._name = "2031-05-04 030201"
        keeper._lakes = SimpleNamespace(
            is_due=lambda t: due[0] and t == 5.0, take_changes=lambda of: [of]
        )
        keeper.lakebed(5.0, bed)
        assert taken == []
        due[0] = True
        keeper.lakebed(5.0, bed)
        due[0] = False
        keeper.lakebed(5.0, bed, now=True)
        keeper.lakebed(5.0, bed, over=True)
        name = "2031-05-04 030201"
        assert taken == [
            ([bed], name, False, "came"),
            ([bed], name, False, "came"),
            ([bed], name, True, "came"),
        ]


def test_what_came_from_a_trip_can_be_taken_out_of_the_lake_again(desk, tmp_path):
    """Also what it sounded before its level was told; the other days' and its marks stay."""
    keeper = Keeper(desk.path, desk.writer, lambda job: job(), desk.told.append)
    desk.writer.close()
    before = None
    for name, level, deeper in (
        ("2031-05-04 030201", 0.0, 0.0),
        ("2031-05-05 030201", 0.5, 20.0),
    ):
        keeper.begin(name)
        bed = Bed(keeper.known(tmp_path / name).areas)
        bed.begin_trip(share=Share())
        for i in range(60):
            bed.add(-47.2, -126.4 + 1e-5 * i, 6.0 + deeper)
            if i == 30:
                keeper.lakebed(5.0, bed, now=True)
                bed.water_level(level)
        bed.mark("stump", -47.2, -126.4)
        keeper.lakebed(9.0, bed, over=True)
        desk.writer.close()
        keeper.close()
        with Logbook(desk.path) as book:
            lakes = Lakes(book)
            (area,) = Bed(lakes.areas()).areas
            if before is None:
                before = area.surface.sounded()
            else:
                assert area.surface.sounded()[:, 2] == pytest.approx(15.75)
                wrong = lakes.learned()[-1]
                assert (wrong.name, wrong.soundings, wrong.apart) == (name, 60, True)
                lakes.forget(Bed(lakes.areas()), wrong)
                (area,) = Bed(lakes.areas()).areas
                np.testing.assert_allclose(area.surface.sounded(), before, atol=1e-4)
                assert [mark.kind for mark in area.marks] == ["stump"]
    assert desk.told == []


class Marks(NamedTuple):
    """What has changed of a lake, as far as the writer looks at it."""

    number: int
    tiles: dict[str, str]
    marks: str | None = None


def test_what_changes_of_a_lake_before_it_is_written_is_put_together(desk):
    learned = LearnedFile("trip X", "X", 12, 0, done=False)

    def take(changes, tiles=()):
        desk.writer.lakebed(changes, learned, ShareChanges({1: dict(tiles)}, {}))

    take([Marks(1, {"a": "old", "b": "old"}, "marks")], {"a": "o", "b": "o"})
    take([Marks(1, {"b": "new", "c": "new"}), Marks(2, {})], {"b": "n"})
    assert desk.writer._share.tiles == {1: {"a": "o", "b": "n"}}
    assert desk.writer._lakes[1] == Marks(
        1, {"a": "old", "b": "new", "c": "new"}, "marks"
    )
    take([Marks(1, {}, "newer")])
    assert desk.writer._lakes[1].marks == "newer"
    assert desk.writer._learned == learned._replace(apart=True)
    desk.writer._keeps_lakes = False
    take([Marks(3, {})])
    assert set(desk.writer._lakes) == {1, 2}
    desk.writer._lakes, desk.writer._learned = {}, None


def test_a_trip_whose_logbook_goes_while_it_is_gone_on_with_keeps_its_name(tmp_path):
    with Logbook(tmp_path / "logbook.db") as book:
        book.begin_trip("cut off").record(said(0))
        (last,) = [trip for trip in book.trips() if not trip.closed]
    desk = Desk(tmp_path / "logbook.db")
    (tmp_path / "logbook.db").rename(tmp_path / "elsewhere.db")
    (tmp_path / "logbook.db").mkdir()
    desk.writer.resume(last)
    event = desk.write()
    assert desk.out == [event]
    assert len(desk.told) == 1
    (tmp_path / "logbook.db").rmdir()
    desk.later(LOGBOOK_RETRY_S)
    desk.writer.commit()
    with Logbook(desk.path) as book:
        assert [trip.name for trip in book.trips()] == ["cut off"]
    assert desk.kept() == [event]
    desk.writer.close()


def test_a_number_that_is_taken_stands_there_already(desk):
    bite = Logged(t=1.0, number=1, what="bite")
    for _ in range(2):
        desk.writer.record(bite)
        desk.writer.commit()
    assert [event for event in desk.kept() if isinstance(event, Logged)] == [bite]
    assert desk.told == []


def test_what_cannot_be_saved_of_a_lost_logbook_is_told_with_its_reason(
    desk, monkeypatch
):
    event = desk.write()
    waits = said(77)
    desk.writer.record(waits)
    for end in ("", "-wal", "-shm"):
        desk.path.with_name(desk.path.name + end).unlink()

    def fails(*_args, **_how):
        raise LogbookError(desk.path, "no room", "make some")

    monkeypatch.setattr(desk.writer._book, "leave_trip", fails)
    monkeypatch.setattr(desk.writer._book.tables, "copy_to", fails)
    desk.writer._lost(desk.writer._book, keeping._File.under(desk.path))
    assert desk.told == [wording.logbook_lost("no room")]
    desk.writer.commit()
    assert waits in desk.kept()
    assert event in desk.out
