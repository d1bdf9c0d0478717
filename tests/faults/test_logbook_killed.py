"""A writer that is killed at any moment loses nothing it had been told was recorded."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from companion.record.logbook import Logbook

TRIES = 40
WRITER = Path(__file__).with_name("logbook_writer.py")


def test_forty_kills_lose_no_committed_event(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    record_property("tries", TRIES)
    path = tmp_path / "logbook.db"
    run = subprocess.run(
        [sys.executable, str(WRITER), str(path), str(TRIES), "20261003"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    reported = {f"try {n}": int(line) for n, line in enumerate(run.stdout.split())}
    assert len(reported) == TRIES
    # The kills must fall into the writing, not all before it.
    assert sum(number > 0 for number in reported.values()) > TRIES / 2
    with Logbook(path) as book:
        assert book.tables.faults() == []
        kept = {trip.name: trip for trip in book.trips()}
        for name, number in reported.items():
            if number == 0 and name not in kept:
                continue
            assert_all_there(book, kept[name].id, number)
            assert not kept[name].closed


def assert_all_there(book: Logbook, trip: int, number: int) -> None:
    """The events up to `number` are there, in order, and of what came after it at most a beginning."""
    logged = book.logged(trip)
    assert len(logged) - number in (0, 1)
    assert [entry.event.number for entry in logged] == list(range(1, len(logged) + 1))
    reported = logged[:number]
    assert [entry.undone for entry in reported] == [
        entry.event.number % 5 == 0 for entry in reported
    ]
    said = [event.text for event in book.events(trip) if type(event).__name__ == "Said"]
    assert said[:number] == [f"said {n}" for n in range(1, number + 1)]
    assert len(list(book.readings(trip))) >= number
