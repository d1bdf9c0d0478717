"""Any file at any door: `python tests/fuzz/doors.py gpx -max_total_time=600` (atheris, x86).

The doors are where files of others come in: settings (toml), charts (csv, geojson, gpx), logs (nmea), clips
(flac), backups (zip) and logbooks (db). Each has one kind of error; whatever else is raised is a fault. What
is tried is `one`, which the test in CI tries too, with files that hypothesis makes up by their grammar.
"""

from __future__ import annotations

import contextlib
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from companion import config
from companion.lakebed.bed import Bed
from companion.record.backup import BackupError, restore
from companion.record.lakes import Lakes
from companion.record.learning import Conditions, learn
from companion.record.logbook import Logbook, LogbookError
from companion.record.salvage import salvage
from companion.voice.clips import ClipError, read_clip


def settings(path: Path) -> None:
    with contextlib.suppress(config.ConfigError):
        config.load(path)


def chart(path: Path) -> None:
    """What cannot be read is a line of the outcome; nothing is raised."""
    with Logbook(path.with_name("lake.db")) as book:
        lakes = Lakes(book)
        outcome = learn(path, lakes, Bed(lakes.areas()), Conditions(), lambda _: None)
    assert outcome.problems or not outcome.useless
    assert all(len(line) < 1000 for line in outcome.problems)


def clip(path: Path) -> None:
    with contextlib.suppress(ClipError):
        read_clip(path)


def backup(path: Path) -> None:
    into = path.with_name("restored")
    with contextlib.suppress(BackupError):
        restore(path, into, path.with_name("config.toml"))
    assert {p.name for p in path.parent.iterdir()} <= {path.name, "restored", "config.toml"}


def logbook(path: Path) -> None:
    copy = path.with_name("copy.db")
    copy.write_bytes(path.read_bytes())
    with contextlib.suppress(BackupError, LogbookError):
        salvage(copy, path.with_name("salvaged.db"))
    with contextlib.suppress(LogbookError), Logbook(path) as book:
        for trip in book.trips():
            list(book.readings(trip.id))
            book.events(trip.id)
            book.corrected(trip.id)
        book.beliefs()
        book.faults()
        for area in Lakes(book).areas():
            area.surface.sounded()


DOORS: dict[str, Callable[[Path], None]] = {
    "toml": settings,
    "csv": chart,
    "geojson": chart,
    "gpx": chart,
    "nmea": chart,
    "flac": clip,
    "zip": backup,
    "db": logbook,
}


def one(door: str, data: bytes) -> None:
    """Bring a file to a door; raise when anything but that door's own kind of error comes out."""
    with tempfile.TemporaryDirectory(prefix="door-") as folder:
        path = Path(folder) / f"file.{door}"
        path.write_bytes(data)
        DOORS[door](path)


def seed_logbook() -> bytes:
    """Return a small logbook with a trip in it, in one file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "logbook.db"
        from companion.events import Logged

        with Logbook(path) as book, book.begin_trip("2026-11-29 100000") as trip:
            trip.record(Logged(t=1.0, number=1, what="bite"))
            trip.reading(2.0, None, None, 5.0)
        db = sqlite3.connect(path)
        db.execute("PRAGMA journal_mode = delete")
        db.close()
        return path.read_bytes()


if __name__ == "__main__":
    import atheris

    atheris.instrument_all()
    atheris.Setup(sys.argv[:1] + sys.argv[2:], lambda data: one(sys.argv[1], data))
    atheris.Fuzz()
