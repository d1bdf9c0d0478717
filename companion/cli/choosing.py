"""Which trip a command means that works on one afterwards: by number, replayed day or logbook file."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import click

from companion.record.logbook import Logbook
from companion.voice.model import data_folder


class Chosen(NamedTuple):
    """A trip in a logbook, and the folder of its recording when one is known."""

    logbook: Path
    trip: int
    folder: Path | None


def choose(trip: str | None, logbook: Path | None) -> Chosen:
    """Return the trip that was meant: of a logbook its last one; without either, of the one written last.

    Raises:
        click.UsageError: there is no such trip or logbook.
    """
    folder = number = None
    if trip is not None and trip.isdecimal():
        number = int(trip)
    elif trip is not None:
        named = Path(trip)
        if named.is_file() and named.suffix == ".db":
            logbook = named
        else:
            folder = named if named.is_dir() else None
            logbook = (
                logbook or data_folder() / "replays" / f"{named.resolve().name}.db"
            )
            if not logbook.is_file():
                what = "no trip, no logbook and no replayed day"
                raise click.UsageError(
                    f"{trip}: {what}; replay it first: companion replay {trip}"
                )
    logbook = logbook or _last_written()
    if not logbook.is_file():
        raise click.UsageError(f"{logbook}: there is no such logbook")
    with Logbook(logbook) as book:
        trips = [entry.id for entry in book.trips()]
    if not trips or (number is not None and number not in trips):
        raise click.UsageError(f"{logbook}: there is no trip {number or 'in it'}")
    return Chosen(logbook, number or trips[-1], folder)


def _last_written() -> Path:
    """Return the logbook that was written last, of live trips or of replays."""
    books = [*data_folder().glob("*.db"), *(data_folder() / "replays").glob("*.db")]
    if not books:
        raise click.UsageError(
            "there is no logbook yet; replay a day first: companion replay replay_logs/DAY"
        )
    return max(books, key=lambda book: (_written(book), book.name))


def _written(book: Path) -> float:
    beside = book.with_name(f"{book.name}-wal")
    return max(path.stat().st_mtime for path in (book, beside) if path.is_file())


def entry_name(book: Logbook, trip: int) -> str:
    """Return what a trip is called: its recording, or its own name."""
    return next(
        entry.recording or entry.name for entry in book.trips() if entry.id == trip
    )


def recording(name: str) -> Path | None:
    """Return the folder of a recording, if it lies where recordings usually lie."""
    usual = (Path("replay_logs") / name, Path(name))
    return next((folder for folder in usual if (folder / "clips").is_dir()), None)
