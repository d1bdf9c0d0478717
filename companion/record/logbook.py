"""The logbook: one SQLite file that holds every trip, and loses nothing it has taken.

Events are committed as they are recorded, readings in bounded batches. A commit is on
the disk before the call returns (write-ahead log, synchronous=FULL), so a battery
switched off costs at most the readings of the last batch, and the raw recording still
has those.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from math import cos, hypot, radians
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import msgspec

from companion.clock import written
from companion.dive.evidence import Belief
from companion.events import (
    AnyEvent,
    Fix,
    Logged,
    Match,
    Undone,
    from_json,
    to_json,
)
from companion.record.corrections import (
    AMENDMENTS_OF_TRIP,
    INSERT_AMENDMENT,
    Corrections,
    LoggedEntry,
    logged_entries,
)
from companion.record.tables import Tables

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


class TripEntry(msgspec.Struct, frozen=True, kw_only=True):
    """A trip as the logbook lists it.

    `began` and `ended` are the first and last UTC it has, `seconds` the logic time it
    lasted, `closed` whether it was ended in order; `logged` counts the logged things
    that stand.
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

    One trip at a time is written through one `Logbook`; other programs and threads may
    open their own.

    Args:
        patience: how long to wait for another program that is writing to it, s.

    Raises:
        LogbookError: the file is locked, read-only, damaged, no logbook, or written by
            a newer version. Every method raises it when the file fails later.

    Attributes:
        before_commit: called before a trip's events are committed, to put on the disk
            what they rest on.
        tables: its file.
        corrections: what was corrected after the trips.
    """

    def __init__(self, path: Path, *, patience: float = LOCK_WAIT_S) -> None:
        self.path = path
        self.before_commit: Callable[[], None] = lambda: None
        self._trip: Trip | None = None
        self.tables = Tables(path, patience, self._settle)
        self.corrections = Corrections(self.tables)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what waits and close the file; a trip not closed before stays marked as cut off."""
        try:
            self._settle()
        finally:
            self.tables.close()

    def begin_trip(
        self, name: str, *, recording: str | None = None, replace: bool = False
    ) -> Trip:
        """Begin a trip.

        `recording` names the recording that is replayed, None for a live trip. A
        recording is in a logbook once: `replace` removes its earlier trip, with what
        was learned in it, in the same commit; corrections made afterwards go over to
        the new one.

        Raises:
            LogbookError: the recording is here already, or another trip is still being
                written.
        """
        if self._trip is not None:
            raise self.tables.error(
                "its present trip is still open", "close it before the next begins"
            )
        with self.tables.transaction() as tables:
            earlier = [
                trip
                for (trip,) in tables.execute(
                    "SELECT id FROM trips WHERE recording = ?", [recording]
                )
            ]
            if earlier and not replace:
                raise self.tables.error(
                    f"it already holds a replay of {recording} (trip {earlier[0]})",
                    "ask to replace that one, or give another logbook file",
                )
            kept = [
                row
                for old in earlier
                for row in tables.execute(AMENDMENTS_OF_TRIP, [old])
            ]
            tables.execute("DELETE FROM trips WHERE recording = ?", [recording])
            cursor = tables.execute(
                "INSERT INTO trips (name, recording) VALUES (?, ?)", [name, recording]
            )
            for row in kept:
                tables.execute(INSERT_AMENDMENT, [cursor.lastrowid, *row])
        assert cursor.lastrowid is not None
        self._trip = Trip(self, cursor.lastrowid)
        return self._trip

    def resume_trip(self, trip_id: int) -> Trip:
        """Go on with a trip that was cut off.

        Raises:
            LogbookError: another trip is still being written.
        """
        if self._trip is not None:
            raise self.tables.error(
                "its present trip is still open", "close it before the next begins"
            )
        entries = self.logged(trip_id)
        self._trip = Trip(
            self, trip_id, {entry.event.number: entry.event for entry in entries}
        )
        return self._trip

    def close_trip(self, trip_id: int) -> None:
        """Mark a trip that was cut off as closed."""
        with self.tables.transaction() as tables:
            tables.execute("UPDATE trips SET closed = 1 WHERE id = ?", [trip_id])

    def trips(self) -> list[TripEntry]:
        """Return every trip, in the order they were begun."""
        with self.tables.plain_errors():
            return [
                msgspec.convert(row, TripEntry, strict=False)
                for row in self.tables.rows(_TRIPS)
            ]

    def events(self, trip: int) -> list[AnyEvent]:
        """Return a trip's events in the order they happened."""
        with self.tables.plain_errors():
            rows = self.tables.rows(
                "SELECT payload FROM events WHERE trip = ? ORDER BY id", trip
            )
            return [from_json(row["payload"]) for row in rows]

    def logged(self, trip: int) -> list[LoggedEntry]:
        """Return a trip's logged things in order, also those that were taken back."""
        return logged_entries(self.tables, trip)

    def readings(self, trip: int) -> Iterator[KeptReading]:
        """Yield a trip's kept readings in order."""
        for row in self.tables.rows(
            "SELECT * FROM readings WHERE trip = ? ORDER BY id", trip
        ):
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
        text = None
        if posterior is not None:
            text = msgspec.json.encode(posterior).decode()
        with self.tables.transaction() as tables:
            tables.execute(
                "DELETE FROM calibrations WHERE trip = ? AND subject = ? AND name = ?",
                [trip, subject, name],
            )
            tables.execute(
                "INSERT INTO calibrations (trip, utc, subject, name, posterior) VALUES (?, ?, ?, ?, ?)",
                [trip, _iso(utc), subject, name, text],
            )

    def calibrations(self, subject: Subject, name: str) -> list[StoredCalibration]:
        """Return what has been believed of a lure or a rod, oldest first: the last one is in force."""
        rows = self.tables.rows(
            "SELECT * FROM calibrations WHERE subject = ? AND name = ? ORDER BY id",
            subject,
            name,
        )
        with self.tables.plain_errors():
            return [
                StoredCalibration(_decoded(row["posterior"]), row["utc"], row["trip"])
                for row in rows
            ]

    def beliefs(self, before: int | None = None) -> dict[str, Belief]:
        """Return what is believed of each lure, by its name; those that were reset are left out.

        `before` leaves out what a trip and those after it have taught.
        """
        if before is None:
            before = 2**62
        rows = self.tables.rows(
            "SELECT name, posterior FROM calibrations WHERE id IN (SELECT max(id) FROM calibrations "
            "WHERE subject = 'lure' AND coalesce(trip, 0) < ? GROUP BY name) AND posterior NOT NULL",
            before,
        )
        with self.tables.plain_errors():
            return {
                row["name"]: msgspec.json.decode(row["posterior"], type=Belief)
                for row in rows
            }

    def copy_trip(self, trip: int, to: Logbook) -> Trip:
        """Write a trip that is under way into another logbook, and return it there, to be gone on with.

        Raises:
            LogbookError: it cannot be read here or written there.
        """
        (name,) = (
            row["name"]
            for row in self.tables.rows("SELECT name FROM trips WHERE id = ?", trip)
        )
        copied = to.begin_trip(name)
        for table in ("readings", "events", "calibrations"):
            rows = self.tables.rows(
                f"SELECT * FROM {table} WHERE trip = ? ORDER BY id", trip
            )
            with to.tables.transaction() as tables:
                for row in rows:
                    values = {**row, "trip": copied.id}
                    del values["id"]
                    places = ", ".join("?" * len(values))
                    sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({places})"
                    tables.execute(sql, list(values.values()))
        to.leave_trip()
        return to.resume_trip(copied.id)

    def _settle(self) -> None:
        if self._trip is not None:
            self._trip.flush()

    def leave_trip(self) -> None:
        """Commit what waits and let go of the trip being written; it stays open, to be gone on with."""
        self._settle()
        self._trip = None


class Trip:
    """A trip being written; `id` is its number in the logbook. `Logbook.begin_trip` makes it.

    Every method raises LogbookError when the file fails. What was handed over is then
    kept in memory and goes with the next commit that succeeds: do not record it again.
    """

    def __init__(
        self, logbook: Logbook, trip_id: int, logged: Mapping[int, Logged] | None = None
    ) -> None:
        self.id = trip_id
        self._logbook = logbook
        self._events: list[AnyEvent] = []
        self._readings: deque[tuple[Any, ...]] = deque(maxlen=KEPT_WHILE_FAILING)
        self._urgent = False
        self._waiting = 0
        self._logged: dict[int, Logged] = dict(logged or {})
        self._kept: tuple[float, Fix | None, float | None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.flush()

    def record(self, event: AnyEvent) -> None:
        """Record an event; it is on the disk when this returns, except a `Match`, which waits for the batch.

        An `Undone` marks the logged thing it names, which stays in the logbook.

        Raises:
            LogbookError: also when a `Logged` has a number already used, or an `Undone`
                one never used.
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

        It is kept once a second, or sooner when the depth or the place has changed
        enough, was lost or came back; a full batch is committed.
        """
        if not self._is_news(t, fix, depth):
            return
        self._kept = (t, fix, depth)
        own = (depth, heading, speed, water_temperature)
        self._readings.append((self.id, t, _iso(utc), *_place(fix), *own))
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
        with book.tables.transaction() as tables:
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
        with self._logbook.tables.transaction() as tables:
            tables.execute("UPDATE trips SET closed = 1 WHERE id = ?", [self.id])
        self._logbook._trip = None

    def _is_news(self, t: float, fix: Fix | None, depth: float | None) -> bool:
        if self._kept is None:
            return True
        kept_t, kept_fix, kept_depth = self._kept
        return (
            t - kept_t >= READING_INTERVAL_S
            or _depth_changed(kept_depth, depth)
            or _moved(kept_fix, fix)
        )

    def _check_number(self, event: AnyEvent) -> None:
        """Refuse a wrong number now: the table would refuse it too, and with it all that waits beside it."""
        if isinstance(event, Logged):
            if event.number in self._logged:
                raise self._logbook.tables.error(
                    f"trip {self.id} already has a number {event.number}",
                    "count on from it",
                )
            self._logged[event.number] = event
        elif isinstance(event, Undone) and event.number not in self._logged:
            raise self._logbook.tables.error(
                f"trip {self.id} has no number {event.number}",
                "undo one that was logged",
            )

    def _write(self, tables: sqlite3.Connection, event: AnyEvent) -> None:
        tables.execute(_INSERT_EVENT, _event_row(self.id, event))
        if isinstance(event, Undone):
            tables.execute(
                "UPDATE events SET undone = 1 WHERE trip = ? AND number = ?",
                [self.id, event.number],
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
    "readings",
    "trip, t, utc, lat, lon, radius, depth, heading, speed, water_temperature",
)
_EVENT_COLUMNS = (
    "trip, event, t, utc, number, what, lat, lon, radius, depth, rod, lure, line, "
    "lure_depth, lure_lat, lure_lon, lure_radius, clip, payload"
)
_INSERT_EVENT = _insert("events", _EVENT_COLUMNS)


def _iso(utc: datetime | None) -> str | None:
    if utc is None:
        return None
    return written(utc)


def event_columns(trip: int, event: AnyEvent) -> dict[str, Any]:
    """Return what the table of events has of an event, by column; not whether it was taken back."""
    return dict(zip(_EVENT_COLUMNS.split(", "), _event_row(trip, event), strict=True))


def _event_row(trip: int, event: AnyEvent) -> list[Any]:
    """Return an event's own columns; those its kind does not have are NULL."""
    boat = getattr(event, "boat", None)
    lure_at = getattr(event, "lure_at", None)
    number = what = lure_depth = None
    depth = getattr(event, "depth", None)
    if isinstance(event, Logged):
        number, what = event.number, event.what
        depth, lure_depth = event.bottom, event.lure_depth
    return [
        trip, event.__struct_config__.tag, event.t, event.utc,
        number, what,
        *_place(boat), depth,
        getattr(event, "rod", None), getattr(event, "lure", None), getattr(event, "line", None),
        lure_depth, *_place(lure_at),
        getattr(event, "clip", None), to_json(event).decode(),
    ]  # fmt: skip


def _place(fix: Fix | None) -> tuple[float | None, float | None, float | None]:
    if fix is None:
        return None, None, None
    return fix.lat, fix.lon, fix.radius


def _kept_reading(row: Mapping[str, Any]) -> KeptReading:
    fix = None
    if row["lat"] is not None:
        fix = Fix(lat=row["lat"], lon=row["lon"], radius=row["radius"])
    rest = (row[name] for name in ("depth", "heading", "speed", "water_temperature"))
    return KeptReading(row["t"], row["utc"], fix, *rest)


def _decoded(text: str | None) -> object:
    if text is None:
        return None
    return msgspec.json.decode(text)


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
