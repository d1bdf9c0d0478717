"""The logbook's tables, as numbered steps forward: a logbook of any earlier version is brought up to date.

A step that has been released is never edited; a change to the tables is a new step at
the end. Each step's SQL says what its columns mean; units are SI, `t` is logic seconds
since the trip began, `utc` is ISO 8601 and sorts as text, and NULL means not known.
"""

from __future__ import annotations

import re
from typing import Any

import sqlite_utils
from sqlite_utils import Migrations

from companion.units import NINE_IN_TEN_RADIUS_SIGMAS

steps = Migrations("logbook")
"""Every step, oldest first; which of them a file has had stands in its table `_sqlite_migrations`."""


@steps(name="0001 trips, readings and events")
def _trips(db: sqlite_utils.Database) -> None:
    db.executescript("""
        CREATE TABLE trips (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL,
            recording TEXT UNIQUE,            -- which recording this trip replays; NULL when it was live
            closed INTEGER NOT NULL DEFAULT 0 -- 1 once ended in order, 0 while it runs or if it was cut off
        ) STRICT;
        CREATE TABLE readings (               -- thinned; the raw recording has them all
            id INTEGER PRIMARY KEY,
            trip INTEGER NOT NULL REFERENCES trips (id) ON DELETE CASCADE,
            t REAL NOT NULL,
            utc TEXT,
            lat REAL, lon REAL, radius REAL,  -- degrees, degrees, m
            depth REAL,                       -- of the water, m
            heading REAL, speed REAL,         -- degrees, m/s
            water_temperature REAL            -- degrees Celsius
        ) STRICT;
        CREATE INDEX readings_of_trip ON readings (trip, t);
        CREATE TABLE events (
            id INTEGER PRIMARY KEY,
            trip INTEGER NOT NULL REFERENCES trips (id) ON DELETE CASCADE,
            event TEXT NOT NULL,              -- its kind: "logged", "said", ...
            t REAL NOT NULL,
            utc TEXT,
            number INTEGER,                   -- a logged thing's number in its trip
            what TEXT,                        -- a logged thing's kind: "bite", "touch", ...
            lat REAL, lon REAL, radius REAL,  -- where the boat was
            depth REAL,                       -- of the water under the boat, m
            rod TEXT, lure TEXT, line TEXT,
            lure_depth REAL,                  -- predicted, m below the surface
            lure_lat REAL, lure_lon REAL, lure_radius REAL,
            clip TEXT,                        -- the utterance's file name
            undone INTEGER NOT NULL DEFAULT 0,
            payload TEXT NOT NULL,            -- the whole event as JSON, as `companion.events` writes it
            UNIQUE (trip, number)
        ) STRICT;
        CREATE INDEX events_of_trip ON events (trip, event);
    """)


@steps(name="0002 calibrations")
def _calibrations(db: sqlite_utils.Database) -> None:
    db.executescript("""
        CREATE TABLE calibrations (           -- a history: the newest of a subject and name is in force
            id INTEGER PRIMARY KEY,
            trip INTEGER REFERENCES trips (id) ON DELETE CASCADE,
            utc TEXT,
            subject TEXT NOT NULL CHECK (subject IN ('lure', 'rod')),
            name TEXT NOT NULL,
            posterior TEXT                    -- JSON; NULL when it was reset to what the owner states
        ) STRICT;
        CREATE INDEX calibrations_of_subject ON calibrations (subject, name, id);
    """)


@steps(name="0003 lakebed")
def _lakebed(db: sqlite_utils.Database) -> None:
    db.executescript("""
        CREATE TABLE lakes (                  -- waters that lie far apart, each on a plane of its own
            id INTEGER PRIMARY KEY,
            lat REAL NOT NULL, lon REAL NOT NULL, -- where the plane touches, degrees
            state TEXT NOT NULL               -- JSON: size of a cell, what was learned of the variation
        ) STRICT;
        CREATE TABLE lake_tiles (             -- squares of cells, of which only changed ones are rewritten
            lake INTEGER NOT NULL REFERENCES lakes (id) ON DELETE CASCADE,
            east INTEGER NOT NULL, north INTEGER NOT NULL, -- column and row, in tiles from the origin
            cells BLOB NOT NULL,              -- as `companion.lakebed.cells.Tile.to_bytes` writes them
            PRIMARY KEY (lake, east, north)
        ) STRICT;
        CREATE TABLE lake_marks (
            lake INTEGER NOT NULL REFERENCES lakes (id) ON DELETE CASCADE,
            number INTEGER NOT NULL,
            kind TEXT NOT NULL,               -- "tree top", "ledge", ...
            east REAL NOT NULL, north REAL NOT NULL, radius REAL NOT NULL, -- on the plane, m
            top REAL,                         -- m below the lake's zero
            note TEXT NOT NULL,
            utc TEXT,
            PRIMARY KEY (lake, number)
        ) STRICT;
        CREATE TABLE lake_learned (           -- recordings and charts of others that were taken in
            digest TEXT PRIMARY KEY,          -- SHA-256 of the file
            name TEXT NOT NULL,
            soundings INTEGER NOT NULL,       -- how many of its soundings are in the tiles
            marks INTEGER NOT NULL,
            done INTEGER NOT NULL             -- 0 when it was interrupted
        ) STRICT;
    """)


@steps(name="0004 amendments")
def _amendments(db: sqlite_utils.Database) -> None:
    db.executescript("""
        CREATE TABLE amendments (             -- corrections made afterwards; events are never changed by them
            id INTEGER PRIMARY KEY,
            trip INTEGER NOT NULL REFERENCES trips (id) ON DELETE CASCADE,
            number INTEGER NOT NULL,          -- of the logged thing when it was corrected
            t REAL NOT NULL,                  -- its time and clip: what it is known by after a replay
            clip TEXT,
            payload TEXT NOT NULL             -- JSON, as `companion.record.amendments` writes it
        ) STRICT;
        CREATE INDEX amendments_of_trip ON amendments (trip);
    """)


RADII_STEP = "0005 radii hold nine places of ten"
"""The step before which a radius was one standard deviation."""
_WITH_RADII = {
    "readings": ("radius",),
    "events": ("radius", "lure_radius", "payload"),
    "amendments": ("payload",),
    "lake_marks": ("radius",),
}
_RADIUS_IN_JSON = re.compile(r'(?<="radius":)[0-9.]+')


@steps(name=RADII_STEP)
def _radii(db: sqlite_utils.Database) -> None:
    for table, columns in _WITH_RADII.items():
        settings = ", ".join(f"{column} = ?" for column in columns)
        rows = list(db.query(f"SELECT rowid AS row, {', '.join(columns)} FROM {table}"))
        wider = (with_nine_in_ten_radii(table, row) for row in rows)
        changed = [
            row for row, before in zip(wider, rows, strict=True) if row != before
        ]
        db.conn.executemany(
            f"UPDATE {table} SET {settings} WHERE rowid = ?",
            [(*(row[column] for column in columns), row["row"]) for row in changed],
        )


def with_nine_in_ten_radii(table: str, row: dict[str, Any]) -> dict[str, Any]:
    """Return a row written before `RADII_STEP` with its radii as they are meant since."""
    return {
        **row,
        **{column: _widened(row[column]) for column in _WITH_RADII.get(table, ())},
    }


def _widened(value: float | str | None) -> float | str | None:
    """Return a radius, m, or JSON with radii in it, that held one standard deviation, for nine of ten."""
    if isinstance(value, str):
        return _RADIUS_IN_JSON.sub(lambda found: str(_widened(float(found[0]))), value)
    if value is None:
        return None
    return round(NINE_IN_TEN_RADIUS_SIGMAS * value, 1)


@steps(name="0006 shares of files")
def _shares(db: sqlite_utils.Database) -> None:
    db.executescript("""
        ALTER TABLE lake_learned              -- 1 when all that came from it stands in its share
            ADD COLUMN apart INTEGER;
        CREATE TABLE lake_shares (            -- of a file's soundings alone, so that it can be forgotten
            digest TEXT NOT NULL REFERENCES lake_learned (digest) ON DELETE CASCADE,
            lake INTEGER NOT NULL REFERENCES lakes (id) ON DELETE CASCADE,
            east INTEGER NOT NULL, north INTEGER NOT NULL,
            cells BLOB NOT NULL,              -- as in lake_tiles
            PRIMARY KEY (digest, lake, east, north)
        ) STRICT;
        CREATE TABLE lake_share_marks (       -- the marks that a file made
            digest TEXT NOT NULL REFERENCES lake_learned (digest) ON DELETE CASCADE,
            lake INTEGER NOT NULL REFERENCES lakes (id) ON DELETE CASCADE,
            mark TEXT NOT NULL                -- JSON, as it was made
        ) STRICT;
        CREATE INDEX lake_share_marks_of_file ON lake_share_marks (digest);
    """)


SHARES = ("lake_shares", "lake_share_marks")
"""The tables of files' shares."""


def known_steps() -> frozenset[str]:
    """Return the names of every step this version knows."""
    empty = sqlite_utils.Database(memory=True, execute_plugins=False)
    try:
        return frozenset(step.name for step in steps.pending(empty))
    finally:
        empty.close()
