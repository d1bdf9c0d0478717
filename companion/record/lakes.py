"""The lakebed in the logbook: what was sounded and marked, on all days, on all waters.

Only what has changed is written, each time in one transaction of the logbook, so a battery switched off
costs at most what was sounded since the last `Lakes.save`, and what is read back always belongs together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from companion.lakebed.bed import Area, Bed
from companion.lakebed.cells import Tile, TileKey
from companion.lakebed.marks import Mark, Marks
from companion.lakebed.surface import Surface
from companion.record.logbook import Logbook

SAVE_EVERY = 60.0
"""How much logic time may pass between two saves of a trip under way, s."""


class LearnedFile(NamedTuple):
    """A file of others taken into the lake: its digest and name, soundings and marks, whether all of it."""

    digest: str
    name: str
    soundings: int
    marks: int
    done: bool


def of_trip(name: str) -> str:
    """Return what a live trip goes by among the recordings that the lake has taken in."""
    return f"trip {name}"


class KeptArea(msgspec.Struct, frozen=True):
    """A lake as it is kept: its number, where its plane touches, its bottom's state and tiles, its marks."""

    number: int
    lat: float
    lon: float
    state: str
    tiles: list[tuple[TileKey, bytes]]
    marks: list[Mark]


class _Changes(NamedTuple):
    area: Area
    tiles: dict[TileKey, bytes]
    marks: tuple[Mark, ...] | None


class Lakes:
    """The lakes kept in a logbook.

    `problems` has one line for every tile that could not be read and was left out. Every method raises
    LogbookError when the file fails; nothing is lost then, and the next `save` tries again.
    """

    def __init__(self, logbook: Logbook) -> None:
        self.problems: list[str] = []
        self._logbook = logbook
        self._saved_marks: dict[int, tuple[Mark, ...]] = {}
        self._next = float("-inf")

    def areas(self, found: Callable[[KeptArea], None] | None = None) -> list[Area]:
        """Return the areas for a `Bed`; each reads its bottom when it is first asked for.

        `found` is then told what was read.
        """
        rows = self._logbook._rows("SELECT id, lat, lon, state FROM lakes ORDER BY id")
        return [Area(row["id"], row["lat"], row["lon"], self._loader(row, found)) for row in rows]

    def save(self, bed: Bed, learned: LearnedFile | None = None) -> int:
        """Write what has changed in a bed, and how far a file was learned; return how many tiles."""
        changes = [change for area in bed.areas if area.loaded and (change := self._changes(area))]
        if not changes and learned is None:
            return 0
        try:
            with self._logbook._writing():
                for change in changes:
                    self._write(change)
                if learned is not None:
                    self._logbook._db.execute(_REMEMBER, learned)
        except BaseException:
            for change in changes:
                change.area.surface.mark_changed(change.tiles)
            raise
        self._saved_marks |= {one.area.number: one.marks for one in changes if one.marks is not None}
        return sum(len(change.tiles) for change in changes)

    def save_now_and_then(self, t: float, bed: Bed, learned: LearnedFile | None = None) -> None:
        """Save at logic time `t`, s, unless that was done less than `SAVE_EVERY` ago."""
        if t >= self._next:
            self._next = t + SAVE_EVERY
            self.save(bed, learned)

    def clear(self) -> None:
        """Forget every lake and every file learned: for a replay that is made anew."""
        with self._logbook._writing():
            for table in ("lakes", "lake_tiles", "lake_marks", "lake_learned"):
                self._logbook._db.execute(f"DELETE FROM {table}")
        self._saved_marks.clear()

    def learned(self) -> list[LearnedFile]:
        """Return the files of others that were taken in, in the order they were."""
        rows = self._logbook._rows("SELECT * FROM lake_learned ORDER BY rowid")
        return [LearnedFile(**{**row, "done": bool(row["done"])}) for row in rows]

    def taken(self, digest: str, recording: Path) -> LearnedFile | None:
        """Return what was taken in of a file before, by its digest or as a live trip; else None."""
        known = {file.digest: file for file in self.learned()}
        return known.get(digest) or known.get(of_trip(recording.parent.name))

    def _changes(self, area: Area) -> _Changes | None:
        tiles, marks = area.surface.take_changed(), tuple(area.marks)
        moved = marks != self._saved_marks.get(area.number, ())
        return _Changes(area, tiles, marks if moved else None) if tiles or moved else None

    def _write(self, change: _Changes) -> None:
        area, db = change.area, self._logbook._db
        db.execute(_LAKE, [area.number, area.plane.lat, area.plane.lon, area.surface.state()])
        kept = [(area.number, *key, cells) for key, cells in change.tiles.items() if cells]
        gone = [(area.number, *key) for key, cells in change.tiles.items() if not cells]
        db.conn.executemany(_TILE, kept)
        db.conn.executemany("DELETE FROM lake_tiles WHERE lake = ? AND east = ? AND north = ?", gone)
        if change.marks is not None:
            db.execute("DELETE FROM lake_marks WHERE lake = ?", [area.number])
            db.conn.executemany(_MARK, [(area.number, *_mark_row(mark)) for mark in change.marks])

    def _loader(
        self, lake: dict[str, Any], found: Callable[[KeptArea], None] | None
    ) -> Callable[[], tuple[Surface, Marks]]:
        number, state = lake["id"], lake["state"]

        def load() -> tuple[Surface, Marks]:
            marks = [_mark(row) for row in self._logbook._rows(_MARKS, number)]
            self._saved_marks[number] = tuple(marks)
            tiles = self._tiles(number)
            if found is not None:
                found(KeptArea(number, lake["lat"], lake["lon"], state, tiles, marks))
            return self._surface(number, state, tiles), Marks(marks)

        return load

    def _tiles(self, number: int) -> list[tuple[TileKey, bytes]]:
        rows = self._logbook._rows("SELECT east, north, cells FROM lake_tiles WHERE lake = ?", number)
        return [((row["east"], row["north"]), row["cells"]) for row in rows]

    def _surface(self, number: int, state: str, tiles: list[tuple[TileKey, bytes]]) -> Surface:
        try:
            return Surface.restore(state, tiles)
        except ValueError:
            return self._restored(number, state, self._sound(number, tiles))

    def _restored(self, number: int, state: str, tiles: Iterable[tuple[TileKey, bytes]]) -> Surface:
        try:
            return Surface.restore(state, tiles)
        except ValueError as error:
            raise self._logbook._error(
                f"lake {number} cannot be read: {error}", "restore a backup"
            ) from error

    def _sound(self, number: int, tiles: Iterable[tuple[TileKey, bytes]]) -> list[tuple[TileKey, bytes]]:
        """Return the tiles that can be read; a damaged one must not keep the others from the angler."""
        sound = []
        for key, cells in tiles:
            try:
                Tile.from_bytes(cells)
            except ValueError as error:
                self.problems.append(f"lake {number}, tile {key[0]},{key[1]}: {error}; it was left out")
            else:
                sound.append((key, cells))
        return sound


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
    "SELECT number, kind, east, north, radius, top, note, utc FROM lake_marks WHERE lake = ? ORDER BY number"
)
_REMEMBER = (
    "INSERT OR REPLACE INTO lake_learned (digest, name, soundings, marks, done) VALUES (?, ?, ?, ?, ?)"
)


def _mark_row(mark: Mark) -> tuple[Any, ...]:
    return (
        mark.number, mark.kind, mark.east, mark.north, mark.radius, mark.top, mark.note, mark.utc
    )  # fmt: skip


def _mark(row: dict[str, Any]) -> Mark:
    return msgspec.convert(row, Mark)
