"""What can still be read out of a damaged logbook, taken over into another.

Every table of the schema is read page by page (`companion.record.pages`); a page or row
that cannot be read costs only itself. What was read has to make sense as well: events,
corrections, beliefs and tiles are decoded before they are taken.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import sqlite_utils

from companion.dive.evidence import Belief
from companion.events import TripBegan, from_json
from companion.lakebed.bed import Bed
from companion.lakebed.cells import Tile
from companion.lakebed.marks import Mark
from companion.lakebed.surface import Surface
from companion.record.amendments import Amendment
from companion.record.backup import BackupError
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook, event_columns
from companion.record.pages import (
    SQLITE_MAGIC,
    USUAL_SIZE,
    Gap,
    Leaf,
    Pages,
    Row,
    Tree,
)
from companion.record.schema import RADII_STEP, SHARES, steps, with_nine_in_ten_radii
from companion.sensing.localplane import LocalPlane

_NEAR = 1.0
"""A lake that is there already gets a sounding only where it knows nothing within this, m."""
_DEEPEST = 12_000.0
"""No water is deeper, m: what says so is noise."""

_TYPES: Mapping[str, tuple[type, ...]] = {
    "INTEGER": (int,), "REAL": (int, float), "TEXT": (str,), "BLOB": (bytes,)
}  # fmt: skip

Values = dict[str, Any]
"""A row by its columns."""


class Lost(NamedTuple):
    """Rows of a table that could not be taken: at most so many, and whether there may be more at its end."""

    rows: int
    more: bool


class Salvaged(NamedTuple):
    """The rows taken and lost, by table; a table of which nothing is missing is not in `lost`."""

    taken: dict[str, int]
    lost: dict[str, Lost]


class _Column(NamedTuple):
    name: str
    types: tuple[type, ...]
    required: bool
    is_rowid: bool


def salvage(damaged: Path, logbook: Path) -> Salvaged:
    """Take what can still be read out of a damaged logbook into another, which is made where there is none.

    Trips that are there already, by name or recording, are left out with all that
    belongs to them. A trip whose own row is lost is called as its first event says,
    else "salvaged" with its number. A lake that is there already is filled up where it
    knows nothing. Beliefs come after those that are there.

    Raises:
        BackupError: not one row can be read.
        LogbookError: the other logbook cannot be written.
    """
    with _opened(damaged) as pages:
        tables = {
            name: _Table(pages, name, columns) for name, columns in _schema().items()
        }
        if not any(next(table.rows(), None) for table in tables.values()):
            raise BackupError(
                f"{damaged}: nothing in it can be read; replay the recordings instead"
            )
        with Logbook(logbook) as book:
            taking = _Taking(book, tables)
            with book.tables.transaction() as taking.db:
                taking.trips()
            taking.lakes()
    lost = {name: table.lost(taking.unfit[name]) for name, table in tables.items()}
    return Salvaged(
        {name: taking.taken[name] for name in tables},
        {name: one for name, one in lost.items() if one.rows or one.more},
    )


def _schema() -> dict[str, tuple[_Column, ...]]:
    """Return the tables that are taken and their columns, as the newest step leaves them.

    Of a file's share half is worse than none: the other half could not be forgotten.
    """
    db = sqlite_utils.Database(memory=True, execute_plugins=False)
    try:
        steps.apply(db)
        return {
            name: tuple(_column(row) for row in db.query(f"PRAGMA table_info({name})"))
            for name in db.table_names()
            if name not in (steps.migrations_table, *SHARES)
        }
    finally:
        db.close()


def _column(info: Mapping[str, Any]) -> _Column:
    """Return a column; a logbook's tables call the column that stands for the rowid `id`."""
    is_rowid = info["name"] == "id"
    required = bool(info["notnull"] or info["pk"]) and not is_rowid
    return _Column(info["name"], _TYPES[info["type"]], required, is_rowid)


@contextmanager
def _opened(damaged: Path) -> Iterator[Pages]:
    """Open a logbook's pages, with what its write-ahead log still holds; the file stays as it is."""
    log = damaged.with_name(damaged.name + "-wal")
    with tempfile.TemporaryDirectory(prefix="salvage-") as scratch:
        path = damaged
        if log.exists() and log.stat().st_size:
            path = Path(scratch) / "logbook.db"
            shutil.copyfile(damaged, path)
            shutil.copyfile(log, path.with_name(path.name + "-wal"))
            _settle(path)
        with closing(Pages(path)) as pages:
            yield pages


def _settle(copy: Path) -> None:
    """Let SQLite bring the write-ahead log into a copy; it only has to find a header, not a sound file."""
    with copy.open("r+b") as file:
        if not file.read(100).startswith(SQLITE_MAGIC):
            file.seek(0)
            file.write(
                SQLITE_MAGIC + USUAL_SIZE.to_bytes(2) + bytes([2, 2, 0, 64, 32, 32])
            )
    with suppress(sqlite3.Error), closing(sqlite3.connect(copy)) as book:
        book.execute(
            "PRAGMA writable_schema = on"
        )  # a damaged schema is no reason to refuse
        book.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


class _Table:
    """A table of the damaged logbook."""

    def __init__(self, pages: Pages, name: str, columns: tuple[_Column, ...]) -> None:
        self._pages, self._name, self._columns = pages, name, columns
        self._sound = _SOUND.get(name, bool)
        self._is_before_radii = not _had_step(pages, RADII_STEP)
        tree = pages.trees.get(name, Tree([], [Gap(0, None)], set()))
        self._leaves, self.gaps = tree.leaves, tree.gaps
        self._found = self._strays = self._promised = self._last = 0

    def rows(self) -> Iterator[Values]:
        """Yield the rows that can be read and make sense, also from pages that nothing leads to."""
        self._found = self._strays = self._promised = 0
        for leaf in self._leaves:
            self._promised += self._pages.promised(leaf)
            for row in self._fitting(leaf):
                self._found += 1
                yield row
        seen: set[int] = set()
        if self.gaps:
            yield from self._astray(seen)
        self._strays, self._last = len(seen), max(seen, default=0)

    def _astray(self, seen: set[int]) -> Iterator[Values]:
        """Yield the rows of gaps from pages that nothing leads to, each once; their ids are `seen`."""
        for leaf in self._pages.strays():
            for rowid, values in self._pages.rows(leaf):
                if rowid in seen or not self._misses(rowid):
                    continue
                found = self._row((rowid, values))
                if found is not None:
                    seen.add(rowid)
                    yield found

    def lost(self, unfit: int) -> Lost:
        """Return what is missing after all rows were read, with those read that had no place to go."""
        more = any(gap.upto is None for gap in self.gaps)
        gone = sum(self._gone(gap) for gap in self.gaps)
        missing = self._promised - self._found + gone - self._strays
        return Lost(max(0, missing) + unfit, more)

    def _gone(self, gap: Gap) -> int:
        """Return how many rows a gap had at most."""
        end = gap.upto
        if end is None:
            end = self._last
        return max(0, end - gap.after)

    def _misses(self, rowid: int) -> bool:
        return any(rowid in gap for gap in self.gaps)

    def _fitting(self, leaf: Leaf) -> Iterator[Values]:
        for one in self._pages.rows(leaf):
            row = self._row(one)
            if row is not None:
                yield row

    def _row(self, row: Row) -> Values | None:
        """Return a row by its columns; None when it is not one of this table, or does not make sense."""
        rowid, values = row
        if len(values) > len(self._columns):
            return None
        values += (None,) * (len(self._columns) - len(values))
        if not all(map(_fits, self._columns, values)):
            return None
        named = {
            c.name: rowid if c.is_rowid else v
            for c, v in zip(self._columns, values, strict=True)
        }
        with suppress(msgspec.MsgspecError, ValueError, KeyError, TypeError):
            if not self._sound(named):
                return None
            if self._is_before_radii:
                return with_nine_in_ten_radii(self._name, named)
            return named
        return None


def _had_step(pages: Pages, step: str) -> bool:
    """Tell whether a logbook has had a step; where that cannot be read, it has."""
    tree = pages.trees.get(steps.migrations_table)
    if tree is None:
        return True
    return any(step in values for leaf in tree.leaves for _, values in pages.rows(leaf))


def _fits(column: _Column, value: object) -> bool:
    if value is None:
        return not column.required
    return not column.is_rowid and isinstance(value, column.types)


def _sound_reading(row: Values) -> bool:
    lat, lon, depth = row["lat"] or 0.0, row["lon"] or 0.0, row["depth"] or 0.0
    return bool(
        row["t"] >= 0.0
        and abs(lat) <= 90.0
        and abs(lon) <= 180.0
        and 0.0 <= depth <= _DEEPEST
    )


def _sound_event(row: Values) -> bool:
    return bool(from_json(row["payload"]).t == row["t"]) and row["undone"] in (0, 1)


def _sound_belief(row: Values) -> bool:
    if row["posterior"] is not None:
        msgspec.json.decode(
            row["posterior"], type=Belief if row["subject"] == "lure" else Any
        )
    return bool(row["subject"] in ("lure", "rod"))


def _sound_amendment(row: Values) -> bool:
    return bool(
        row["number"] == msgspec.json.decode(row["payload"], type=Amendment).number
    )


def _sound_lake(row: Values) -> bool:
    Surface.restore(row["state"], [])
    return bool(abs(row["lat"]) <= 90.0 and abs(row["lon"]) <= 180.0)


def _sound_tile(row: Values) -> bool:
    cells = Tile.from_bytes(row["cells"]).rows
    depths, counts = cells[:, 2], cells[:, 4]
    return bool(
        (abs(depths) <= _DEEPEST).all() and ((counts >= 1.0) & (counts <= 255.0)).all()
    )


def _sound_mark(row: Values) -> bool:
    return _mark(row).radius >= 0.0


def _mark(row: Values) -> Mark:
    return msgspec.convert(
        {name: value for name, value in row.items() if name != "lake"}, Mark
    )


_SOUND: Mapping[str, Callable[[Values], bool]] = {
    "readings": _sound_reading,
    "events": _sound_event,
    "calibrations": _sound_belief,
    "amendments": _sound_amendment,
    "lakes": _sound_lake,
    "lake_tiles": _sound_tile,
    "lake_marks": _sound_mark,
}
"""What has to hold of a row beside its columns' types; what raises is no row."""


class _Taking:
    """The taking over into another logbook; what is new there is numbered on from what is there.

    Attributes:
        taken: how many rows of each table.
        unfit: how many that could be read belong to a trip or a lake that is lost.
        db: the transaction on the other logbook in which rows are taken.
    """

    db: sqlite3.Connection

    def __init__(self, book: Logbook, tables: Mapping[str, _Table]) -> None:
        self.taken: Counter[str] = Counter()
        self.unfit: Counter[str] = Counter()
        self._book, self._tables = book, tables
        self._numbers: dict[int, int | None] = {}
        self._lost_names: dict[int, str] = {}

    def trips(self) -> None:
        """Take the trips and what belongs to them."""
        self._there = {(row["name"], row["recording"]) for row in self._rows("trips")}
        self._after = self._last("trips")
        if self._tables["trips"].gaps:
            self._lost_names = self._names_told()
        for row in self._tables["trips"].rows():
            self._numbers[row["id"]] = self._trip(
                row["id"], row["name"], row["recording"]
            )
        reset = [row for row in self._rows("calibrations") if row["trip"] is None]
        for table in ("events", "readings", "calibrations", "amendments"):
            after = self._last(table)
            for row in self._tables[table].rows():
                trip = None if row["trip"] is None else self._number(row["trip"])
                if trip is not None or (
                    row["trip"] is None and not _is_among(reset, row)
                ):
                    self._insert(
                        table,
                        _rewritten(
                            table, {**row, "id": row["id"] + after, "trip": trip}
                        ),
                    )

    def lakes(self) -> None:
        """Take the lakes: whole where the other logbook has none so near, else into the one it has."""
        bed = Bed(Lakes(self._book).areas())
        tiles, marks = (
            _by_lake(self._tables["lake_tiles"]),
            _by_lake(self._tables["lake_marks"]),
        )
        lakes = list(self._tables["lakes"].rows())
        after, to_merge = self._last("lakes"), []
        with self._book.tables.transaction() as self.db:
            for lake in lakes:
                number = lake["id"]
                if bed.area_of(lake["lat"], lake["lon"]) is not None:
                    to_merge.append(
                        (lake, tiles.pop(number, []), marks.pop(number, []))
                    )
                    continue
                self._insert("lakes", {**lake, "id": number + after})
                for table, rows in (("lake_tiles", tiles), ("lake_marks", marks)):
                    for row in rows.pop(number, []):
                        self._insert(table, {**row, "lake": number + after})
            for row in self._tables["lake_learned"].rows():
                self._insert("lake_learned", {**row, "apart": None})
        self.unfit["lake_tiles"] += sum(map(len, tiles.values()))
        self.unfit["lake_marks"] += sum(map(len, marks.values()))
        self._merge(to_merge)

    def _merge(self, lakes: list[tuple[Values, list[Values], list[Values]]]) -> None:
        kept = Lakes(self._book)
        bed = Bed(kept.areas())
        for lake, tiles, marks in lakes:
            self.taken.update(lakes=1, lake_tiles=len(tiles), lake_marks=len(marks))
            pieces = [((row["east"], row["north"]), row["cells"]) for row in tiles]
            surface = Surface.restore(lake["state"], pieces)
            _fill_up(
                bed,
                LocalPlane(lake["lat"], lake["lon"]),
                surface,
                [_mark(row) for row in marks],
            )
        kept.save(bed)

    def _number(self, old: int) -> int | None:
        """Return a trip's new number; None when the other logbook has that trip."""
        if old not in self._numbers:
            name = self._lost_names.get(old, f"salvaged {old}")
            self._numbers[old] = self._trip(old, name, None)
        return self._numbers[old]

    def _trip(self, old: int, name: str, recording: str | None) -> int | None:
        if any(recording == r and (r is not None or name == n) for n, r in self._there):
            return None
        values = {
            "id": old + self._after,
            "name": name,
            "recording": recording,
            "closed": 1,
        }
        if not self._insert("trips", values):
            return None
        return old + self._after

    def _names_told(self) -> dict[int, str]:
        """Return the trips' names as their first events tell them."""
        began = [
            row for row in self._tables["events"].rows() if row["event"] == "trip began"
        ]
        told = [(row["trip"], from_json(row["payload"])) for row in began]
        return {
            trip: event.name for trip, event in told if isinstance(event, TripBegan)
        }

    def _rows(self, table: str) -> list[Values]:
        return self._book.tables.rows(f"SELECT * FROM {table}")

    def _last(self, table: str) -> int:
        (row,) = self._book.tables.rows(
            f"SELECT coalesce(max(id), 0) AS last FROM {table}"
        )
        return int(row["last"])

    def _insert(self, table: str, row: Values) -> bool:
        """Insert a row; what the tables' own rules refuse, because its like is there, stays out."""
        places = ", ".join("?" * len(row))
        cursor = self.db.execute(
            f"INSERT OR IGNORE INTO {table} ({', '.join(row)}) VALUES ({places})",
            list(row.values()),
        )
        self.taken[table] += cursor.rowcount
        return cursor.rowcount == 1


def _rewritten(table: str, row: Values) -> Values:
    """Return an event's row with its columns as the event itself tells them, which was decoded."""
    if table != "events":
        return row
    return {**row, **event_columns(row["trip"], from_json(row["payload"]))}


def _is_among(beliefs: list[Values], row: Values) -> bool:
    same = ("utc", "subject", "name", "posterior")
    return any(all(row[name] == one[name] for name in same) for one in beliefs)


def _by_lake(table: _Table) -> dict[int, list[Values]]:
    found: dict[int, list[Values]] = {}
    for row in table.rows():
        found.setdefault(row["lake"], []).append(row)
    return found


def _fill_up(bed: Bed, plane: LocalPlane, surface: Surface, marks: list[Mark]) -> None:
    """Put a lake's soundings where the bed knows nothing, and its marks where they are not yet."""
    bed.open_area(plane.lat, plane.lon)
    cells = [
        (*plane.to_latlon(east, north), z)
        for east, north, z, _ in surface.sounded().tolist()
    ]
    for lat, lon, depth in [
        cell for cell in cells if bed.about(cell[0], cell[1], _NEAR) is None
    ]:
        bed.add(lat, lon, depth)
    for mark in marks:
        lat, lon = plane.to_latlon(mark.east, mark.north)
        bed.mark(
            mark.kind,
            lat,
            lon,
            depth=mark.top,
            note=mark.note,
            utc=mark.utc,
            known_within=mark.radius,
        )
