"""The logbook beside the engine: locked, slow, removed or replaced, it holds nothing up and loses nothing."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path

import pytest

from companion.events import AnyEvent, Logged, Said
from companion.live import disk, keeping
from companion.live.disk import Disk
from companion.record.logbook import Logbook


def events_kept(path: Path) -> list[AnyEvent]:
    with Logbook(path) as book:
        assert book.tables.faults() == []
        return book.events(book.trips()[-1].id)


@pytest.fixture
def boat(launch, tools, wire, talker):  # noqa: ARG001
    """A boat under way, and what it speaks, in the order in which it does."""
    spoken: list[AnyEvent] = []
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)), tell=spoken.append
    )
    boat.spoken = spoken
    boat.wait_for_text("ready")
    return boat


def bites(events: list[AnyEvent]) -> int:
    return sum(isinstance(e, Logged) for e in list(events))


def test_while_it_is_locked_all_goes_on_and_then_it_is_written(boat, tmp_path):
    other = sqlite3.connect(tmp_path / "logbook.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    for n in range(1, 4):
        assert boat.live.tapped("log bite")
        boat.wait_for(lambda me, n=n: bites(me.spoken) == n)
    boat.wait_for(
        lambda me: any(
            "logbook not written" in getattr(e, "text", "") for e in me.spoken
        )
    )
    assert boat.live.tapped("log fish")
    boat.wait_for(lambda me: bites(me.spoken) == 4)
    other.execute("COMMIT")
    other.close()
    boat.wait_for(
        lambda me: any(
            "logbook written again" in getattr(e, "text", "") for e in me.spoken
        )
    )
    live = boat.stop()
    assert boat.spoken == live
    assert events_kept(tmp_path / "logbook.db") == live


def test_a_lock_that_is_soon_gone_is_not_worth_a_word(boat, tmp_path):
    other = sqlite3.connect(tmp_path / "logbook.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    boat.live.tapped("log bite")
    boat.wait_for(lambda me: bites(me.spoken) == 1)
    threading.Event().wait(3 * keeping.BUSY_S)
    assert bites(boat.events) == 0  # what is printed is on the disk
    other.execute("COMMIT")
    other.close()
    boat.wait_for(lambda me: bites(me.events) == 1)
    assert bites(events_kept(tmp_path / "logbook.db")) == 1
    live = boat.stop()
    assert not any("logbook" in getattr(e, "text", "") for e in live)


@pytest.mark.parametrize("ends", [("",), ("", "-wal", "-shm")])
def test_a_logbook_that_is_removed_is_made_anew_with_all_that_was_in_it(
    boat, tmp_path, ends
):
    path = tmp_path / "logbook.db"
    for n in range(1, 4):
        boat.live.tapped("log bite")
        boat.wait_for(lambda me, n=n: bites(me.events) == n)
    with Logbook(path) as book:
        book.keep_calibration("rod", "from another day", {"kept": True})
    for end in ends:
        path.with_name(path.name + end).unlink()
    boat.live.tapped("log fish")
    boat.wait_for_text("logbook was gone, written anew")
    boat.live.tapped("log fish")
    boat.wait_for(lambda me: bites(me.events) == 5)
    live = boat.stop()
    assert events_kept(path) == live
    with Logbook(path) as book:
        assert len(book.calibrations("rod", "from another day")) == 1
    assert sorted(p.name for p in tmp_path.glob("logbook*")) == ["logbook.db"]


def test_a_logbook_that_is_replaced_gets_the_trip_again(boat, tmp_path):
    path, other = tmp_path / "logbook.db", tmp_path / "other.db"
    with Logbook(other) as book, book.begin_trip("2020-01-01 000000") as trip:
        trip.record(Said(t=1.0, text="another day", about="answer"))
    boat.live.tapped("log bite")
    boat.wait_for(lambda me: bites(me.events) == 1)
    other.replace(path)
    boat.wait_for_text("logbook was replaced, trip written again")
    boat.live.tapped("log fish")
    boat.wait_for(lambda me: bites(me.events) == 2)
    live = boat.stop()
    assert events_kept(path) == live
    with Logbook(path) as book:
        assert [trip.closed for trip in book.trips()] == [True, True]
        assert [e.text for e in book.events(1)] == ["another day"]


def test_something_that_is_no_logbook_in_its_place_is_moved_aside(boat, tmp_path):
    path = tmp_path / "logbook.db"
    boat.live.tapped("log bite")
    boat.wait_for(lambda me: bites(me.events) == 1)
    (tmp_path / "junk").write_bytes(os.urandom(8192))
    (tmp_path / "junk").replace(path)
    boat.wait_for_text("logbook was replaced, trip written again")
    live = boat.stop()
    assert (tmp_path / "logbook-damaged-1.db").exists()
    assert events_kept(path) == live


def test_a_disk_that_hangs_holds_nothing_up_and_is_told_of(boat, monkeypatch):
    monkeypatch.setattr(disk, "SLOW_AFTER_S", 0.5)
    freed = threading.Event()
    true = os.fdatasync

    def hang(file: int) -> None:
        freed.wait(600)
        true(file)

    monkeypatch.setattr(os, "fdatasync", hang)
    boat.live.tapped("log bite")
    boat.wait_for(
        lambda me: any(getattr(e, "text", "") == "disk is stuck" for e in me.spoken)
    )
    boat.live.tapped("log fish")
    boat.wait_for(lambda me: bites(me.spoken) == 2)
    assert bites(boat.events) == 0
    freed.set()
    live = boat.stop()
    assert boat.spoken == live


class Hand:
    t = 0.0

    def now(self) -> float:
        return self.t


def test_what_waits_for_the_disk_is_bounded_and_done_in_order(monkeypatch):
    monkeypatch.setattr(disk, "MOST_JOBS", 5)
    told: list[str] = []
    done: list[int | str] = []
    made = Disk(lambda: done.append("commit"), lambda: None, Hand(), told.append)
    for n in range(8):
        made.enqueue(lambda n=n: done.append(n))
    assert told == ["disk does not keep up, something is lost"]
    made.start()
    assert made.end()
    assert [n for n in done if n != "commit"] == [0, 1, 2, 3, 4]
    assert done[-1] == "commit"


def test_one_job_that_fails_costs_no_other():
    told: list[str] = []
    done: list[int] = []
    made = Disk(lambda: None, lambda: None, Hand(), told.append)
    for n in (1, 0, 2, 0, 3):
        made.enqueue(lambda n=n: done.append(10 // n))
    made.start()
    assert made.end()
    assert done == [10, 5, 3]
    assert told == ["error while writing, see the log"]
