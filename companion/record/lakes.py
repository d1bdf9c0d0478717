"""The lakebed in the logbook: what was sounded and marked, on all days, on all waters.

Only what has changed is written, each time in one transaction of the logbook, so a
battery switched off costs at most what was sounded since the last `Lakes.save`, and
what is read back always belongs together.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from companion.lakebed.bed import Bed
from companion.lakebed.cells import Tile, TileKey
from companion.lakebed.marks import Mark, Marks
from companion.lakebed.share import Share, ShareChanges
from companion.lakebed.surface import Surface
from companion.lakebed.waters import Area
from companion.record.logbook import Logbook

SAVE_EVERY = 60.0
"""How much logic time may pass between two saves of a trip under way, s."""


class LearnedFile(NamedTuple):
    """A file of others, or a trip, taken into the lake.

    It is known by its digest and name, with its soundings and marks, and whether it is all `done`.
    `apart` tells that all that came from it is known, so that it can be forgotten.
    """

    digest: str
    name: str
    soundings: int
    marks: int
    done: bool
    apart: bool = False


def of_trip(name: str) -> str:
    """Return what a live trip goes by among the recordings that the lake has taken in."""
    return f"trip {name}"


def is_of_trip(digest: str) -> bool:
    """Return whether a digest is what a live trip goes by, and no file's."""
    return digest.startswith(of_trip(""))


class KeptArea(msgspec.Struct, frozen=True):
    """A lake as it is kept: its number, where its plane touches, its bottom's state and tiles, its marks.

    `nine_in_ten` tells that the radii of its marks hold nine places of ten; they were
    one standard deviation.
    """

    number: int
    lat: float
    lon: float
    state: str
    tiles: list[tuple[TileKey, bytes]]
    marks: list[Mark]
    nine_in_ten: bool = False


class Changes(NamedTuple):
    """The changes of a lake, as values; `marks` None: as they were."""

    number: int
    lat: float
    lon: float
    state: str
    tiles: dict[TileKey, bytes]
    marks: tuple[Mark, ...] | None


class Lakes:
    """The lakes kept in a logbook.

    `problems` has one line for every tile that could not be read and was left out.
    Every method raises LogbookError when the file fails; nothing is lost then, and the
    next `save` tries again.
    """

    def __init__(self, logbook: Logbook) -> None:
        self.problems: list[str] = []
        self._logbook = logbook
        self._saved_marks: dict[int, tuple[Mark, ...] | None] = {}
        self._next = float("-inf")

    def areas(self, found: Callable[[KeptArea], None] | None = None) -> list[Area]:
        """Return the areas for a `Bed`; each reads its bottom when it is first asked for.

        `found` is then told what was read.
        """
        rows = self._logbook.tables.rows(
            "SELECT id, lat, lon, state FROM lakes ORDER BY id"
        )
        return [
            Area(row["id"], row["lat"], row["lon"], self._loader(row, found))
            for row in rows
        ]

    def save(
        self, bed: Bed, learned: LearnedFile | None = None, share: Share | None = None
    ) -> int:
        """Write what has changed in a bed, and how far a file was learned; return how many tiles.

        `share` is what came from that file.
        """
        changes = self.take_changes(bed)
        if not changes and learned is None:
            return 0
        came = None if share is None else share.take_changed()
        try:
            self.write(changes, learned, came)
        except BaseException:
            self.give_back(bed, changes)
            raise
        return sum(len(change.tiles) for change in changes)

    def take_changes(self, bed: Bed) -> list[Changes]:
        """Return what has changed in a bed since this was last called; nothing is read or written."""
        return [
            change
            for area in bed.areas
            if area.loaded and (change := self._changes(area))
        ]

    def write(
        self,
        changes: Iterable[Changes],
        learned: LearnedFile | None = None,
        share: ShareChanges | None = None,
    ) -> None:
        """Write changes, how far a file or trip was learned and what came from it, in one transaction."""
        with self._logbook.tables.transaction() as tables:
            for change in changes:
                _write(tables, change)
            if learned is not None:
                tables.execute(_REMEMBER, learned)
                if share is not None:
                    _write_share(tables, learned.digest, share)

    def give_back(self, bed: Bed, changes: Iterable[Changes]) -> None:
        """Count changes as not taken, because they could not be written."""
        taken = {change.number: change for change in changes}
        for area in bed.areas:
            if area.number in taken:
                area.surface.mark_changed(taken[area.number].tiles)
                if taken[area.number].marks is not None:
                    self._saved_marks[area.number] = None

    def is_due(self, t: float) -> bool:
        """Return whether to save at logic time `t`, s; then not again for `SAVE_EVERY`."""
        if t < self._next:
            return False
        self._next = t + SAVE_EVERY
        return True

    def take_over(self, other: Logbook) -> bool:
        """Take those lakes of another logbook that are not here; return whether the rest are the same."""
        here = {
            row["id"]: (row["lat"], row["lon"])
            for row in self._logbook.tables.rows(_PLACES)
        }
        there = {
            row["id"]: (row["lat"], row["lon"]) for row in other.tables.rows(_PLACES)
        }
        with self._logbook.tables.transaction() as tables:
            for lake in there.keys() - here.keys():
                for table, column in (
                    ("lakes", "id"),
                    ("lake_tiles", "lake"),
                    ("lake_marks", "lake"),
                ):
                    for row in other.tables.rows(
                        f"SELECT * FROM {table} WHERE {column} = ?", lake
                    ):
                        places = ", ".join("?" * len(row))
                        tables.execute(
                            f"INSERT INTO {table} VALUES ({places})", list(row.values())
                        )
        return all(here[lake] == there[lake] for lake in here.keys() & there.keys())

    def clear(self) -> None:
        """Forget every lake and every file learned: for a replay that is made anew."""
        with self._logbook.tables.transaction() as tables:
            for table in ("lakes", "lake_tiles", "lake_marks", "lake_learned"):
                tables.execute(f"DELETE FROM {table}")
        self._saved_marks.clear()

    def learned(self) -> list[LearnedFile]:
        """Return the files and trips that were taken in, in the order they were."""
        rows = self._logbook.tables.rows("SELECT * FROM lake_learned ORDER BY rowid")
        return [
            LearnedFile(
                **{**row, "done": bool(row["done"]), "apart": bool(row["apart"])}
            )
            for row in rows
        ]

    def share_of(self, digest: str, bed: Bed) -> Share:
        """Return what came from a file so far, for more of it to be added."""
        share = Share()
        for area in bed.areas:
            tiles = _share_tiles(self._logbook, digest, area)
            if tiles:
                share.load(area, tiles)
        return share

    def forget(self, bed: Bed, file: LearnedFile) -> None:
        """Take what came from a file out of the lakes; a lake of which nothing is left goes, too."""
        changes, emptied = [], []
        for area in bed.areas:
            tiles = _share_tiles(self._logbook, file.digest, area)
            marks = _share_marks(self._logbook, file.digest, area)
            if not (tiles or marks):
                continue
            area.surface.take_out(tiles)
            for mark in set(marks).intersection(area.marks):
                area.marks.remove(mark.number)
            change = self._changes(area)
            if change is not None:
                changes.append(change)
            if not area.surface.cells and not len(area.marks):
                emptied.append((area.number,))
        with self._logbook.tables.transaction() as tables:
            for change in changes:
                _write(tables, change)
            tables.executemany("DELETE FROM lakes WHERE id = ?", emptied)
            tables.execute("DELETE FROM lake_learned WHERE digest = ?", [file.digest])

    def taken(self, digest: str, recording: Path) -> LearnedFile | None:
        """Return what was taken in of a file before, by its digest or as a live trip; else None."""
        known = {file.digest: file for file in self.learned()}
        return known.get(digest) or known.get(of_trip(recording.parent.name))

    def _changes(self, area: Area) -> Changes | None:
        tiles, marks = area.surface.take_changed(), tuple(area.marks)
        moved = marks != self._saved_marks.get(area.number, ())
        if not tiles and not moved:
            return None
        self._saved_marks[area.number] = marks
        plane, state = area.plane, area.surface.state()
        return Changes(
            area.number, plane.lat, plane.lon, state, tiles, marks if moved else None
        )

    def _loader(
        self, lake: dict[str, Any], found: Callable[[KeptArea], None] | None
    ) -> Callable[[], tuple[Surface, Marks]]:
        number, state = lake["id"], lake["state"]

        def load() -> tuple[Surface, Marks]:
            marks = [_mark(row) for row in self._logbook.tables.rows(_MARKS, number)]
            self._saved_marks[number] = tuple(marks)
            tiles = self._tiles(number)
            if found is not None:
                found(
                    KeptArea(
                        number,
                        lake["lat"],
                        lake["lon"],
                        state,
                        tiles,
                        marks,
                        nine_in_ten=True,
                    )
                )
            return self._surface(number, state, tiles), Marks(marks)

        return load

    def _tiles(self, number: int) -> list[tuple[TileKey, bytes]]:
        rows = self._logbook.tables.rows(
            "SELECT east, north, cells FROM lake_tiles WHERE lake = ?", number
        )
        return [((row["east"], row["north"]), row["cells"]) for row in rows]

    def _surface(
        self, number: int, state: str, tiles: list[tuple[TileKey, bytes]]
    ) -> Surface:
        try:
            return Surface.restore(state, tiles)
        except ValueError:
            return self._restored(number, state, self._sound(number, tiles))

    def _restored(
        self, number: int, state: str, tiles: Iterable[tuple[TileKey, bytes]]
    ) -> Surface:
        try:
            return Surface.restore(state, tiles)
        except ValueError as error:
            raise self._logbook.tables.error(
                f"lake {number} cannot be read: {error}", "restore a backup"
            ) from error

    def _sound(
        self, number: int, tiles: Iterable[tuple[TileKey, bytes]]
    ) -> list[tuple[TileKey, bytes]]:
        """Return the tiles that can be read; a damaged one must not keep the others from the angler."""
        sound = []
        for key, cells in tiles:
            try:
                Tile.from_bytes(cells)
            except ValueError as error:
                self.problems.append(
                    f"lake {number}, tile {key[0]},{key[1]}: {error}; it was left out"
                )
            else:
                sound.append((key, cells))
        return sound


def _write(tables: sqlite3.Connection, change: Changes) -> None:
    tables.execute(_LAKE, [change.number, change.lat, change.lon, change.state])
    kept = [
        (change.number, *key, cells) for key, cells in change.tiles.items() if cells
    ]
    gone = [(change.number, *key) for key, cells in change.tiles.items() if not cells]
    tables.executemany(_TILE, kept)
    tables.executemany(
        "DELETE FROM lake_tiles WHERE lake = ? AND east = ? AND north = ?", gone
    )
    if change.marks is not None:
        tables.execute("DELETE FROM lake_marks WHERE lake = ?", [change.number])
        tables.executemany(
            _MARK, [(change.number, *_mark_row(mark)) for mark in change.marks]
        )


def _share_tiles(book: Logbook, digest: str, area: Area) -> list[tuple[TileKey, bytes]]:
    rows = book.tables.rows(
        "SELECT east, north, cells FROM lake_shares WHERE digest = ? AND lake = ?",
        digest,
        area.number,
    )
    return [((row["east"], row["north"]), row["cells"]) for row in rows]


def _share_marks(book: Logbook, digest: str, area: Area) -> list[Mark]:
    rows = book.tables.rows(
        "SELECT mark FROM lake_share_marks WHERE digest = ? AND lake = ?",
        digest,
        area.number,
    )
    return [msgspec.json.decode(row["mark"], type=Mark) for row in rows]


def _write_share(
    tables: sqlite3.Connection, digest: str, changes: ShareChanges
) -> None:
    for lake, tiles in changes.tiles.items():
        tables.executemany(
            "INSERT OR REPLACE INTO lake_shares (digest, lake, east, north, cells) "
            "VALUES (?, ?, ?, ?, ?)",
            [(digest, lake, *key, cells) for key, cells in tiles.items()],
        )
    for lake, marks in changes.marks.items():
        tables.executemany(
            "INSERT INTO lake_share_marks (digest, lake, mark) VALUES (?, ?, ?)",
            [(digest, lake, msgspec.json.encode(mark).decode()) for mark in marks],
        )


_PLACES = "SELECT id, lat, lon FROM lakes"
_LAKE = (
    "INSERT INTO lakes (id, lat, lon, state) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (id) DO UPDATE SET state = excluded.state"
)
_TILE = (
    "INSERT INTO lake_tiles (lake, east, north, cells) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (lake, east, north) DO UPDATE SET cells = excluded.cells"
)
_MARK = (
    "INSERT INTO lake_marks (lake, number, kind, east, north, radius, top, note, utc) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_MARKS = (
    "SELECT number, kind, east, north, radius, top, note, utc FROM lake_marks "
    "WHERE lake = ? ORDER BY number"
)
_REMEMBER = (
    "INSERT INTO lake_learned (digest, name, soundings, marks, done, apart) "
    "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (digest) DO UPDATE SET "
    "name = excluded.name, soundings = excluded.soundings, marks = excluded.marks, "
    "done = excluded.done, apart = excluded.apart"
)


def _mark_row(mark: Mark) -> tuple[Any, ...]:
    return (
        mark.number, mark.kind, mark.east, mark.north, mark.radius, mark.top, mark.note, mark.utc
    )  # fmt: skip


def _mark(row: dict[str, Any]) -> Mark:
    return msgspec.convert(row, Mark)
