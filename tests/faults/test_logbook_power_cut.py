"""The power goes while the logbook is written: whatever part of the write-ahead log
reached the disk, the logbook opens, is sound, and has every event whose commit had
reached it.

A commit is on the disk before `record` returns, so after a cut the log has at least
that many bytes; what follows them may be missing, cut anywhere, or not yet overwritten.
"""

import random
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from companion.events import Fix, Logged
from companion.record.logbook import Logbook

EVENTS = 12
WAL_HEADER, FRAME = 32, 24 + 4096
"""Sizes in bytes: SQLite's documentation, "Database File Format", sections 4.1 and 4.2."""


class Cut:
    """A logbook caught in the middle of a trip: its two files, and the log's size after each commit."""

    def __init__(self, folder: Path, *, earlier_trip: bool) -> None:
        live = folder / "live.db"
        if earlier_trip:
            with Logbook(live) as book, book.begin_trip("yesterday") as trip:
                trip.record(Logged(t=1.0, number=1, what="fish"))
        self.earlier = int(earlier_trip)
        self.sizes: list[int] = []
        with Logbook(live) as book:
            trip = book.begin_trip("today")
            wal = live.with_name("live.db-wal")
            for number in range(1, EVENTS + 1):
                trip.reading(float(number), None, Fix(35.0, -84.0), 5.0)
                trip.record(
                    Logged(
                        t=float(number), number=number, what="bite", detail="x" * 400
                    )
                )
                self.sizes.append(wal.stat().st_size)
            self.database, self.log = live.read_bytes(), wal.read_bytes()

    def reopened(self, path: Path, log: bytes) -> Logbook:
        path.write_bytes(self.database)
        path.with_name(path.name + "-wal").write_bytes(log)
        path.with_name(path.name + "-shm").unlink(missing_ok=True)
        return Logbook(path)

    def committed(self, log: bytes) -> int:
        """How many commits are whole in a damaged log."""
        return sum(log[:end] == self.log[:end] for end in self.sizes)


@pytest.fixture(params=[True, False], ids=["second trip", "new file"])
def cut(tmp_path: Path, request: pytest.FixtureRequest) -> Cut:
    return Cut(tmp_path, earlier_trip=request.param)


def offsets(log: bytes) -> list[int]:
    """Every edge of a frame, one byte to each side, inside its header, and some anywhere."""
    edges = range(WAL_HEADER, len(log) + 1, FRAME)
    near = {edge + step for edge in (0, *edges) for step in (-1, 0, 1, 12)}
    anywhere = random.Random(4).sample(range(len(log)), 40)
    return sorted(offset for offset in near.union(anywhere) if 0 <= offset <= len(log))


def assert_sound(book: Logbook, cut: Cut, committed: int) -> None:
    assert book.tables.faults() == []
    today = [trip for trip in book.trips() if trip.name == "today"]
    numbers = (
        [entry.event.number for entry in book.logged(today[0].id)] if today else []
    )
    assert numbers == list(range(1, committed + 1))
    assert (
        len([trip for trip in book.trips() if trip.name == "yesterday"]) == cut.earlier
    )
    with book.begin_trip("tomorrow") as trip:
        trip.record(Logged(t=1.0, number=1, what="touch"))
    assert len(book.logged(trip.id)) == 1


def test_the_log_grows_with_each_commit(cut: Cut) -> None:
    assert all(later > earlier for earlier, later in pairwise(cut.sizes))
    assert cut.sizes[-1] == len(cut.log)
    assert (len(cut.log) - WAL_HEADER) % FRAME == 0


def test_a_log_cut_anywhere(
    cut: Cut, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    record_property("tries", len(offsets(cut.log)))
    for size in offsets(cut.log):
        with cut.reopened(tmp_path / "cut.db", cut.log[:size]) as book:
            assert_sound(book, cut, cut.committed(cut.log[:size]))


def test_a_log_whose_end_is_noise(
    cut: Cut, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    record_property("tries", len(offsets(cut.log)[::7]))
    noise = random.Random(5)
    for size in offsets(cut.log)[::7]:
        log = cut.log[:size] + noise.randbytes(len(cut.log) - size)
        with cut.reopened(tmp_path / "cut.db", log) as book:
            assert_sound(book, cut, cut.committed(log))


def test_a_log_whose_end_was_never_written(
    cut: Cut, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    record_property("tries", len(offsets(cut.log)[::7]))
    for size in offsets(cut.log)[::7]:
        log = cut.log[:size].ljust(len(cut.log), b"\0")
        with cut.reopened(tmp_path / "cut.db", log) as book:
            assert_sound(book, cut, cut.committed(log))


def test_the_log_lost_whole_keeps_the_trips_before(cut: Cut, tmp_path: Path) -> None:
    path = tmp_path / "cut.db"
    path.write_bytes(cut.database)
    with Logbook(path) as book:
        assert_sound(book, cut, 0)
