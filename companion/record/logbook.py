"""The logbook: one SQLite file that holds every trip, and loses nothing it has taken.

Events are committed as they are recorded, readings in bounded batches. A commit is on the disk before
the call returns (write-ahead log, synchronous=FULL), so a battery switched off costs at most the
readings of the last batch, and the raw recording still has those.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from math import cos, hypot, radians
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import msgspec
import sqlite_utils

from companion.clock import written
from companion.dive.calibration import Belief
from companion.events import AnyEvent, Fix, Logged, Match, Undone, from_json, to_json
from companion.record.amendments import Amendment, Corrected, corrected
from companion.record.schema import known_steps, steps

READINGS_PER_COMMIT = 60
"""How many kept readings wait for one commit: a minute of a steady boat."""
KEPT_WHILE_FAILING = 3600
"""How many readings are held in memory while the disk refuses them; then the oldest go."""
LOCK_WAIT_S = 5.0
"""How long to wait for another program that is writing to the same logbook, s."""
READING_INTERVAL_S = 1.0
"""A reading is kept when the last one kept is this old, s ..."""
DEPTH_STEP = 0.3
"""... or the depth has changed by this, m ..."""
MOVE_STEP = 10.0
"""... or the boat has moved this far, m."""
METRES_PER_DEGREE = 111_195.0
"""Of latitude, on a sphere of 6371 km: plenty for deciding whether the boat has moved."""

Subject = Literal["lure", "rod"]
"""What a calibration is about."""


class LogbookError(Exception):
    """The logbook cannot be used: which file, what is wrong with it, and what to do, in one line.

    `damaged`: the file's contents are broken, so that only another file helps. `busy`: another program is
    writing to it, and it may be had later. `newer`: a newer version of the companion wrote it.
    """

    newer = False

    def __init__(
        self, path: Path, what: str, remedy: str, *, damaged: bool = False, busy: bool = False
    ) -> None:
        super().__init__(f"logbook {path}: {what}; {remedy}")
        self.path = path
        self.what = what
        self.remedy = remedy
        self.damaged = damaged
        self.busy = busy


class TripEntry(msgspec.Struct, frozen=True, kw_only=True):
    """A trip as the logbook lists it.

    `began` and `ended` are the first and last UTC it has, `seconds` the logic time it lasted, `closed`
    whether it was ended in order; `logged` counts the logged things that stand.
    """

    id: int
    name: str
    recording: str | None
    closed: bool
    began: str | None
    ended: str | None
    seconds: float
    readings: int
    logged: int


class LoggedEntry(msgspec.Struct, frozen=True):
    """A logged thing read back, and whether it was taken back afterwards."""

    event: Logged
    undone: bool


class KeptReading(msgspec.Struct, frozen=True):
    """The boat's place and measurements: s, UTC, place, m of water, degrees, m/s, degrees Celsius."""

    t: float
    utc: str | None
    fix: Fix | None
    depth: float | None
    heading: float | None
    speed: float | None
    water_temperature: float | None


class StoredCalibration(msgspec.Struct, frozen=True):
    """The belief about a lure or a rod after `trip`; `posterior` None means it was reset then."""

    posterior: Any
    utc: str | None
    trip: int | None


class Logbook:
    """The logbook in the file `path`, made or brought up to date when it is opened.

    One trip at a time is written through one `Logbook`; other programs and threads may open their own.

    Args:
        patience: how long to wait for another program that is writing to it, s.

    Raises:
        LogbookError: the file is locked, read-only, damaged, no logbook, or written by a newer version.
            Every method raises it when the file fails later.

    Attributes:
        before_commit: called before a trip's events are committed, to put on the disk what they rest on.
    """

    def __init__(self, path: Path, *, patience: float = LOCK_WAIT_S) -> None:
        self.path = path
        self.before_commit: Callable[[], None] = lambda: None
        self._trip: Trip | None = None
        with self._plainly():
            self._db = _connect(path, patience)
            try:
                self._prepare()
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what waits and close the file; a trip not closed before stays marked as cut off."""
        try:
            self._settle()
        finally:
            self._db.close()

    def begin_trip(self, name: str, *, recording: str | None = None, replace: bool = False) -> Trip:
        """Begin a trip.

        `recording` names the recording that is replayed, None for a live trip. A recording is in a
        logbook once: `replace` removes its earlier trip, with what was learned in it, in the same commit;
        corrections made afterwards go over to the new one.

        Raises:
            LogbookError: the recording is here already, or another trip is still being written.
        """
        if self._trip is not None:
            raise self.error("its present trip is still open", "close it before the next begins")
        with self.transaction():
            earlier = [
                row["id"] for row in self._db.query("SELECT id FROM trips WHERE recording = ?", [recording])
            ]
            if earlier and not replace:
                raise self.error(
                    f"it already holds a replay of {recording} (trip {earlier[0]})",
                    "ask to replace that one, or give another logbook file",
                )
            kept = [row for old in earlier for row in self._db.query(_AMENDMENTS, [old])]
            self._db.execute("DELETE FROM trips WHERE recording = ?", [recording])
            cursor = self._db.execute("INSERT INTO trips (name, recording) VALUES (?, ?)", [name, recording])
            for row in kept:
                self._db.execute(_INSERT_AMENDMENT, [cursor.lastrowid, *row.values()])
        assert cursor.lastrowid is not None
        self._trip = Trip(self, cursor.lastrowid)
        return self._trip

    def resume_trip(self, trip_id: int) -> Trip:
        """Go on with a trip that was cut off.

        Raises:
            LogbookError: another trip is still being written.
        """
        if self._trip is not None:
            raise self.error("its present trip is still open", "close it before the next begins")
        entries = self.logged(trip_id)
        self._trip = Trip(self, trip_id, {entry.event.number: entry.event for entry in entries})
        return self._trip

    def close_trip(self, trip_id: int) -> None:
        """Mark a trip that was cut off as closed."""
        with self.transaction():
            self._db.execute("UPDATE trips SET closed = 1 WHERE id = ?", [trip_id])

    def trips(self) -> list[TripEntry]:
        """Return every trip, in the order they were begun."""
        with self._plainly():
            return [msgspec.convert(row, TripEntry, strict=False) for row in self.rows(_TRIPS)]

    def events(self, trip: int) -> list[AnyEvent]:
        """Return a trip's events in the order they happened."""
        with self._plainly():
            rows = self.rows("SELECT payload FROM events WHERE trip = ? ORDER BY id", trip)
            return [from_json(row["payload"]) for row in rows]

    def logged(self, trip: int) -> list[LoggedEntry]:
        """Return a trip's logged things in order, also those that were taken back."""
        rows = self.rows(
            "SELECT payload, undone FROM events WHERE trip = ? AND event = 'logged' ORDER BY id", trip
        )
        with self._plainly():
            return [
                LoggedEntry(msgspec.json.decode(row["payload"], type=Logged), bool(row["undone"]))
                for row in rows
            ]

    def amend(self, trip: int, amendment: Amendment) -> None:
        """Correct a logged thing afterwards: it stays as it was, the correction is kept beside it.

        Raises:
            LogbookError: the trip has no such number.
        """
        found = self.rows(
            "SELECT t, clip FROM events WHERE trip = ? AND number = ? AND event = 'logged'",
            trip,
            amendment.number,
        )
        if not found:
            raise self.error(f"trip {trip} has no number {amendment.number}", "give one that was logged")
        text = msgspec.json.encode(amendment).decode()
        with self.transaction():
            values = [trip, amendment.number, found[0]["t"], found[0]["clip"], text]
            self._db.execute(_INSERT_AMENDMENT, values)

    def amendments(self, trip: int) -> list[Amendment]:
        """Return a trip's corrections, oldest first.

        After a replay a thing may have another number: it is known by its clip, else by its time.
        One whose thing is no longer logged is left out (`stray_amendments`).
        """
        return [
            msgspec.structs.replace(one, number=number)
            for one, number in self._amendments(trip)
            if number is not None
        ]

    def stray_amendments(self, trip: int) -> list[Amendment]:
        """Return the corrections of things that the trip, replayed since, no longer logs."""
        return [one for one, number in self._amendments(trip) if number is None]

    def corrected(self, trip: int) -> list[Corrected]:
        """Return a trip's logged things in order, as logged and as they stand after all corrections."""
        entries = [(entry.event, entry.undone) for entry in self.logged(trip)]
        return corrected(entries, self.amendments(trip))

    def _amendments(self, trip: int) -> list[tuple[Amendment, int | None]]:
        """Return each correction and the number its thing has now."""
        logged = [entry.event for entry in self.logged(trip)]
        with self._plainly():
            return [
                (msgspec.json.decode(row["payload"], type=Amendment), _number_now(row, logged))
                for row in self.rows(_AMENDMENTS, trip)
            ]

    def readings(self, trip: int) -> Iterator[KeptReading]:
        """Yield a trip's kept readings in order."""
        for row in self.rows("SELECT * FROM readings WHERE trip = ? ORDER BY id", trip):
            yield _kept_reading(row)

    def keep_calibration(
        self,
        subject: Subject,
        name: str,
        posterior: object,
        *,
        utc: datetime | None = None,
        trip: int | None = None,
    ) -> None:
        """Add what is now believed of a lure or a rod (anything msgspec can write as JSON; None resets).

        A belief holds all its evidence, so a trip keeps only its last one of each.
        """
        text = None if posterior is None else msgspec.json.encode(posterior).decode()
        with self.transaction():
            self._db.execute(
                "DELETE FROM calibrations WHERE trip = ? AND subject = ? AND name = ?", [trip, subject, name]
            )
            self._db.execute(
                "INSERT INTO calibrations (trip, utc, subject, name, posterior) VALUES (?, ?, ?, ?, ?)",
                [trip, _iso(utc), subject, name, text],
            )

    def calibrations(self, subject: Subject, name: str) -> list[StoredCalibration]:
        """Return what has been believed of a lure or a rod, oldest first: the last one is in force."""
        rows = self.rows(
            "SELECT * FROM calibrations WHERE subject = ? AND name = ? ORDER BY id", subject, name
        )
        with self._plainly():
            return [StoredCalibration(_decoded(row["posterior"]), row["utc"], row["trip"]) for row in rows]

    def beliefs(self, before: int | None = None) -> dict[str, Belief]:
        """Return what is believed of each lure, by its name; those that were reset are left out.

        `before` leaves out what a trip and those after it have taught.
        """
        rows = self.rows(
            "SELECT name, posterior FROM calibrations WHERE id IN (SELECT max(id) FROM calibrations "
            "WHERE subject = 'lure' AND coalesce(trip, 0) < ? GROUP BY name) AND posterior NOT NULL",
            2**62 if before is None else before,
        )
        with self._plainly():
            return {row["name"]: msgspec.json.decode(row["posterior"], type=Belief) for row in rows}

    def copy_to(self, path: Path) -> None:
        """Write a copy of the whole logbook as it is now, also when its own file is no longer there.

        Raises:
            LogbookError: the copy cannot be written, or this one not be read.
        """
        with self._plainly(), closing(sqlite3.connect(path)) as copy:
            self._db.conn.backup(copy)

    def copy_trip(self, trip: int, to: Logbook) -> Trip:
        """Write a trip that is under way into another logbook, and return it there, to be gone on with.

        Raises:
            LogbookError: it cannot be read here or written there.
        """
        (name,) = (row["name"] for row in self.rows("SELECT name FROM trips WHERE id = ?", trip))
        copied = to.begin_trip(name)
        for table in ("readings", "events", "calibrations"):
            rows = self.rows(f"SELECT * FROM {table} WHERE trip = ? ORDER BY id", trip)
            with to.transaction() as tables:
                for row in rows:
                    values = {**row, "trip": copied.id}
                    del values["id"]
                    places = ", ".join("?" * len(values))
                    sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({places})"
                    tables.execute(sql, list(values.values()))
        to.leave_trip()
        return to.resume_trip(copied.id)

    def leave_trip(self) -> None:
        """Commit what waits and let go of the trip being written; it stays open, to be gone on with."""
        self._settle()
        self._trip = None

    def faults(self) -> list[str]:
        """Return what SQLite's integrity and foreign-key checks find wrong: nothing, in a sound logbook."""
        try:
            found = [str(row["integrity_check"]) for row in self.rows("PRAGMA integrity_check")]
            loose = self.rows("PRAGMA foreign_key_check")
        except LogbookError as error:  # damaged so badly that the check itself stumbles
            return [error.what]
        return [line for line in found if line != "ok"] + [
            f"a row of {row['table']} has no trip" for row in loose
        ]

    def _prepare(self) -> None:
        self._refuse_strangers()
        if self._db.execute("PRAGMA journal_mode = wal").fetchone()[0] != "wal":
            raise self.error("it cannot keep a write-ahead log there", "put it on a local disk")
        for pragma in ("synchronous = full", "foreign_keys = on"):
            self._db.execute(f"PRAGMA {pragma}")
        if steps.pending(self._db):
            with self.transaction():
                steps.apply(self._db)

    def _refuse_strangers(self) -> None:
        done = {step.name for step in steps.applied(self._db)}
        if not done and set(self._db.table_names()) - {steps.migrations_table}:
            raise self.error("it is a database, but no logbook", "give another file")
        unknown = done - known_steps()
        if unknown:
            error = self.error(
                f"a newer version of the companion wrote it (it has had step {max(unknown)!r})",
                "update the companion, or give another file",
            )
            error.newer = True
            raise error

    def rows(self, sql: str, *arguments: object) -> list[dict[str, Any]]:
        """Return the rows a query gives, what waits to be committed among them."""
        with self._plainly():
            self._settle()
            return list(self._db.query(sql, list(arguments)))

    def _settle(self) -> None:
        if self._trip is not None:
            self._trip.flush()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the tables (`schema.py`), all of it or nothing; what it yields takes the SQL.

        It is begun as a writer, so that it cannot lose the file half way through.
        """
        with self._plainly():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db.conn
                self._db.commit()
            except BaseException:
                self._db.rollback()
                raise

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        try:
            yield
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            what = f"a row of it cannot be read ({error})"
            raise LogbookError(self.path, what, "restore a backup", damaged=True) from error
        except sqlite3.Error as error:
            code = _code_of(error)
            damaged = code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)
            busy = code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
            raise LogbookError(self.path, *_explained(error), damaged=damaged, busy=busy) from error
        except OSError as error:
            raise self.error(
                error.strerror or str(error), "give a file in a folder you may write to"
            ) from error

    def error(self, what: str, remedy: str) -> LogbookError:
        """Return an error about this logbook: what is wrong with it, and what to do."""
        return LogbookError(self.path, what, remedy)


class Trip:
    """A trip being written; `id` is its number in the logbook. `Logbook.begin_trip` makes it.

    Every method raises LogbookError when the file fails. What was handed over is then kept in memory and
    goes with the next commit that succeeds: do not record it again.
    """

    def __init__(self, logbook: Logbook, trip_id: int, logged: Mapping[int, Logged] | None = None) -> None:
        self.id = trip_id
        self._logbook = logbook
        self._events: list[AnyEvent] = []
        self._readings: deque[tuple[Any, ...]] = deque(maxlen=KEPT_WHILE_FAILING)
        self._urgent = False
        self._waiting = 0
        self._logged: dict[int, Logged] = dict(logged or {})
        self._last_t = 0.0
        self._kept: tuple[float, Fix | None, float | None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.flush()

    def record(self, event: AnyEvent) -> None:
        """Record an event; it is on the disk when this returns, except a `Match`, which waits for the batch.

        An `Undone` marks the logged thing it names, which stays in the logbook.

        Raises:
            LogbookError: also when a `Logged` has a number already used, or an `Undone` one never used.
        """
        self.add(event)
        if self.is_due:
            self.flush()

    def add(self, event: AnyEvent) -> None:
        """Take an event that `flush` will commit with those beside it.

        Raises:
            LogbookError: as `record` does for a wrong number.
        """
        self._check_number(event)
        self._last_t = event.t
        self._events.append(event)
        self._urgent |= not isinstance(event, Match)

    @property
    def is_due(self) -> bool:
        """Return whether something waits that belongs on the disk now: any event, or a batch of matches."""
        return self._urgent or len(self._events) >= READINGS_PER_COMMIT

    @property
    def waiting(self) -> list[AnyEvent]:
        """The events that are not on the disk yet."""
        return list(self._events)

    def undo(self, number: int, t: float | None = None, utc: str | None = None) -> Undone:
        """Take back a logged thing at logic time `t`, s (None: that of the last event); return the event."""
        what = self._logged[number].what if number in self._logged else "mark"
        event = Undone(t=self._last_t if t is None else t, utc=utc, number=number, what=what)
        self.record(event)
        return event

    def reading(
        self,
        t: float,
        utc: datetime | None,
        fix: Fix | None,
        depth: float | None,
        *,
        heading: float | None = None,
        speed: float | None = None,
        water_temperature: float | None = None,
    ) -> None:
        """Offer a reading: logic s, UTC, place, m of water, degrees, m/s, degrees Celsius.

        It is kept once a second, or sooner when the depth or the place has changed enough, was lost or
        came back; a full batch is committed.
        """
        if not self._is_news(t, fix, depth):
            return
        self._kept = (t, fix, depth)
        place = (None, None, None) if fix is None else (fix.lat, fix.lon, fix.radius)
        self._readings.append((self.id, t, _iso(utc), *place, depth, heading, speed, water_temperature))
        self._waiting += 1
        if self._waiting >= READINGS_PER_COMMIT:
            self._waiting = 0  # a commit that fails is tried again a batch later, not at every reading
            self.flush()

    def believe(self, lure: str, belief: Belief) -> None:
        """Keep what is now believed of a lure; it is on the disk when this returns."""
        self.flush()
        self._logbook.keep_calibration("lure", lure, belief, trip=self.id)

    def flush(self) -> None:
        """Commit what waits."""
        if not self._events and not self._readings:
            return
        book = self._logbook
        book.before_commit()
        with book.transaction() as tables:
            tables.executemany(_INSERT_READING, self._readings)
            for event in self._events:
                self._write(tables, event)
        self._readings.clear()
        self._events.clear()
        self._urgent = False

    def close(self) -> None:
        """End the trip in order; closing it twice does nothing."""
        if self._logbook._trip is not self:
            return
        self.flush()
        with self._logbook.transaction() as tables:
            tables.execute("UPDATE trips SET closed = 1 WHERE id = ?", [self.id])
        self._logbook._trip = None

    def _is_news(self, t: float, fix: Fix | None, depth: float | None) -> bool:
        if self._kept is None:
            return True
        kept_t, kept_fix, kept_depth = self._kept
        return t - kept_t >= READING_INTERVAL_S or _depth_changed(kept_depth, depth) or _moved(kept_fix, fix)

    def _check_number(self, event: AnyEvent) -> None:
        """Refuse a wrong number now: the table would refuse it too, and with it all that waits beside it."""
        if isinstance(event, Logged):
            if event.number in self._logged:
                raise self._logbook.error(
                    f"trip {self.id} already has a number {event.number}", "count on from it"
                )
            self._logged[event.number] = event
        elif isinstance(event, Undone) and event.number not in self._logged:
            raise self._logbook.error(
                f"trip {self.id} has no number {event.number}", "undo one that was logged"
            )

    def _write(self, tables: sqlite3.Connection, event: AnyEvent) -> None:
        tables.execute(_INSERT_EVENT, _event_row(self.id, event))
        if isinstance(event, Undone):
            tables.execute(
                "UPDATE events SET undone = 1 WHERE trip = ? AND number = ?", [self.id, event.number]
            )


_TRIPS = """
    WITH times AS (
        SELECT trip, t, utc FROM events UNION ALL SELECT trip, t, utc FROM readings
    )
    SELECT id, name, recording, closed,
        (SELECT min(utc) FROM times WHERE trip = trips.id) AS began,
        (SELECT max(utc) FROM times WHERE trip = trips.id) AS ended,
        coalesce((SELECT max(t) FROM times WHERE trip = trips.id), 0.0) AS seconds,
        (SELECT count(*) FROM readings WHERE trip = trips.id) AS readings,
        (SELECT count(*) FROM events WHERE trip = trips.id AND event = 'logged' AND NOT undone) AS logged
    FROM trips ORDER BY id
"""


def _insert(table: str, columns: str) -> str:
    return f"INSERT INTO {table} ({columns}) VALUES ({', '.join('?' for _ in columns.split(','))})"


_INSERT_READING = _insert(
    "readings", "trip, t, utc, lat, lon, radius, depth, heading, speed, water_temperature"
)
_AMENDMENTS = "SELECT number, t, clip, payload FROM amendments WHERE trip = ? ORDER BY id"
_INSERT_AMENDMENT = _insert("amendments", "trip, number, t, clip, payload")
_EVENT_COLUMNS = (
    "trip, event, t, utc, number, what, lat, lon, radius, depth, rod, lure, line, "
    "lure_depth, lure_lat, lure_lon, lure_radius, clip, payload"
)
_INSERT_EVENT = _insert("events", _EVENT_COLUMNS)


def _connect(path: Path, patience: float) -> sqlite_utils.Database:
    path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(OSError):
        path.touch(mode=0o600)  # SQLite gives its log and its index the same
    return sqlite_utils.Database(sqlite3.connect(path, timeout=patience, isolation_level=None))


def _explained(error: sqlite3.Error) -> tuple[str, str]:
    """Return what an SQLite error means to the logbook's owner, and what to do about it."""
    return _MEANINGS.get(_code_of(error), (str(error), "check the file, or give another"))


def _code_of(error: sqlite3.Error) -> int:
    """Return the primary code: the low byte (SQLite's documentation, "Result and Error Codes")."""
    return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


_MEANINGS: Mapping[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: ("another program is writing to it", "close that program and try again"),
    sqlite3.SQLITE_LOCKED: ("another program is writing to it", "close that program and try again"),
    sqlite3.SQLITE_READONLY: ("it is read-only", "give a file you may write to"),
    sqlite3.SQLITE_CANTOPEN: ("it cannot be opened", "give a file in a folder you may write to"),
    sqlite3.SQLITE_NOTADB: ("it is damaged, or no logbook", "move it aside and a new one is begun"),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", "move it aside and a new one is begun"),
    sqlite3.SQLITE_FULL: ("the disk is full", "free some space"),
    sqlite3.SQLITE_IOERR: ("the disk cannot be read or written", "check the disk and its space"),
}


def _iso(utc: datetime | None) -> str | None:
    return None if utc is None else written(utc)


def event_columns(trip: int, event: AnyEvent) -> dict[str, Any]:
    """Return what the table of events has of an event, by column; not whether it was taken back."""
    return dict(zip(_EVENT_COLUMNS.split(", "), _event_row(trip, event), strict=True))


def _event_row(trip: int, event: AnyEvent) -> list[Any]:
    """Return an event's own columns; those its kind does not have are NULL."""
    boat = getattr(event, "boat", None)
    lure_at = getattr(event, "lure_at", None)
    logged = event if isinstance(event, Logged) else None
    depth = event.bottom if isinstance(event, Logged) else getattr(event, "depth", None)
    return [
        trip, event.__struct_config__.tag, event.t, event.utc,
        logged and logged.number, logged and logged.what,
        *_place(boat), depth,
        getattr(event, "rod", None), getattr(event, "lure", None), getattr(event, "line", None),
        logged and logged.lure_depth, *_place(lure_at),
        getattr(event, "clip", None), to_json(event).decode(),
    ]  # fmt: skip


def _place(fix: Fix | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if fix is None else (fix.lat, fix.lon, fix.radius)


def _kept_reading(row: Mapping[str, Any]) -> KeptReading:
    fix = None if row["lat"] is None else Fix(lat=row["lat"], lon=row["lon"], radius=row["radius"])
    rest = (row[name] for name in ("depth", "heading", "speed", "water_temperature"))
    return KeptReading(row["t"], row["utc"], fix, *rest)


def _number_now(amendment: Mapping[str, Any], logged: Iterable[Logged]) -> int | None:
    """Return the number of the thing a correction is about: it has the same clip, or without one its time."""
    clip, t = amendment["clip"], amendment["t"]
    same = [one for one in logged if one.clip == clip and (clip is not None or abs(one.t - t) < 1.0)]
    return min((one.number for one in same), key=lambda n: abs(n - amendment["number"]), default=None)


def _decoded(text: str | None) -> object:
    return None if text is None else msgspec.json.decode(text)


def _depth_changed(old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is not new
    return abs(new - old) >= DEPTH_STEP


def _moved(old: Fix | None, new: Fix | None) -> bool:
    if old is None or new is None:
        return old is not new
    if old == new:
        return False
    east = (new.lon - old.lon) * cos(radians(old.lat))
    return hypot(new.lat - old.lat, east) * METRES_PER_DEGREE >= MOVE_STEP
