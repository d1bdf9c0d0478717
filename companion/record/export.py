"""A trip for other programs: CSV, GPX 1.1, GeoJSON (RFC 7946), waypoints of NMEA 0183. Degrees WGS 84, UTC.

Figures are in the units that the heading of their column names: metres, m/s, degrees; a
size is a fish's weight in kg, a mark's depth or a cast's length in m. In what a plotter
shows (names, descriptions) figures have their unit beside them. Depths are for fishing,
not for navigation.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from math import cos, hypot, radians
from typing import Any, Literal, NamedTuple, cast, get_args

import gpxpy.gpx
import msgspec

from companion.events import AnyEvent, Fix, Logged, LoggedWhat, MarkKind
from companion.lakebed import exchange, waypoints
from companion.lakebed.exchange import (
    DepthPoint,
    MarkPoint,
    marks_to_csv,
    soundings_to_csv,
)
from companion.record.logbook import METRES_PER_DEGREE, KeptReading, Logbook, TripEntry
from companion.units import Units

Format = Literal["csv", "gpx", "geojson", "nmea"]
Part = Literal["track", "sounding"]
PARTS: tuple[Part | LoggedWhat, ...] = (*get_args(Part), *get_args(LoggedWhat))
"""The kinds of thing in a trip that can be chosen."""
SOUNDING_SPACING_M = 5.0
"""Soundings nearer than this to the last one kept are left out, m."""
TRACK_BREAK_S = 30.0
"""A track is interrupted where no place is known for longer than this, s."""
_COLUMNS = (
    "t", "utc", "event", "number", "what", "undone", "detail", "size", "text", "state", "by", "rod", "lure",
    "line", "depth", "bottom", "reach", "lure_depth", "lat", "lon", "radius", "lure_lat", "lure_lon",
    "lure_radius", "mark_lat", "mark_lon", "mark_radius", "heading", "speed", "water_speed",
    "water_temperature", "wind_speed", "wind_from", "clip", "command", "reason",
)  # fmt: skip
_UNIT_IN_HEADING = {
    **dict.fromkeys(("t",), "s"),
    **dict.fromkeys(
        ("by", "depth", "bottom", "reach", "lure_depth", "radius", "lure_radius", "mark_radius"), "m"
    ),
    **dict.fromkeys(("speed", "water_speed", "wind_speed"), "m_s"),
    **dict.fromkeys(("heading", "wind_from"), "deg"),
    "water_temperature": "c", "size": "kg_or_m",
}  # fmt: skip
_MOST_DECIMALS = 3
_PLACES = {"boat": "", "lure_at": "lure_", "at": "mark_"}
"""The places of a logged thing, and what their columns begin with."""


class Exported(NamedTuple):
    """A trip read from a logbook: its entry, its events with whether each was taken back, its readings."""

    trip: TripEntry
    events: Sequence[tuple[AnyEvent, bool]]
    readings: Sequence[KeptReading]

    def logged(self) -> Iterator[Logged]:
        """Yield the logged things that stand."""
        return (e for e, undone in self.events if isinstance(e, Logged) and not undone)


def read_trip(book: Logbook, trip: TripEntry) -> Exported:
    """Return all that is exported of a trip: logged things as they stand after corrections.

    Raises:
        LogbookError: the logbook cannot be read.
    """
    now = {one.original.number: one for one in book.corrections.corrected(trip.id)}
    events: list[tuple[AnyEvent, bool]] = []
    for event in book.events(trip.id):
        if isinstance(event, Logged):
            thing = now[event.number]
            events.append((thing.event, not thing.stands))
        else:
            events.append((event, False))
    return Exported(trip, events, list(book.readings(trip.id)))


def files(
    one: Exported,
    form: Format,
    units: Units,
    chosen: Collection[str] = frozenset(PARTS),
) -> dict[str, str]:
    """Return the texts of a trip in a format, by the end of the file's name.

    `chosen` are those of `PARTS` that go out; of waypoints in NMEA 0183 only marks do.
    """
    if set(chosen) < set(PARTS):
        one = one._replace(
            events=[
                (e, gone)
                for e, gone in one.events
                if getattr(e, "what", None) in chosen
            ]
        )
    if form == "csv":
        parts: dict[str, Callable[[Exported], str]] = {"events.csv": events_csv}
        parts |= {name: write for name, part, write in _CSV_FILES if part in chosen}
        return {name: write(one) for name, write in parts.items()}
    if form == "nmea":
        return {
            "waypoints.nmea": waypoints.marks_to_nmea(marks(one.logged()), units.name)
        }
    write = gpx if form == "gpx" else geojson
    return {f"trip.{form}": write(one, units, chosen)}


def soundings(readings: Iterable[KeptReading]) -> Iterator[DepthPoint]:
    """Yield soundings at least `SOUNDING_SPACING_M` from the one before."""
    last: Fix | None = None
    for reading in readings:
        if reading.fix is None or reading.depth is None or reading.depth <= 0.0:
            continue
        if last is None or _apart(last, reading.fix) >= SOUNDING_SPACING_M:
            last = reading.fix
            yield DepthPoint(last.lat, last.lon, reading.depth, reading.utc)


def marks(logged: Iterable[Logged]) -> Iterator[MarkPoint]:
    """Yield what was marked and has a place; what is no known kind of mark is a spot with a note."""
    for one in logged:
        place = one.place
        if one.what == "mark" and place is not None:
            kind, note = one.detail, ""
            if kind not in get_args(MarkKind):
                kind, note = "spot", one.detail or ""
            yield MarkPoint(
                place.lat,
                place.lon,
                cast(MarkKind, kind),
                one.size,
                note,
                one.utc,
                place.radius,
            )


def tracks(readings: Iterable[KeptReading]) -> list[list[KeptReading]]:
    """Return the boat's way in unbroken pieces."""
    pieces: list[list[KeptReading]] = []
    for reading in readings:
        if reading.fix is None:
            continue
        if not pieces or reading.t - pieces[-1][-1].t > TRACK_BREAK_S:
            pieces.append([])
        pieces[-1].append(reading)
    return pieces


def events_csv(one: Exported) -> str:
    """Return every event as CSV, a row each; a column is empty where an event has no such value."""
    return _csv(_COLUMNS, (_row(event, undone) for event, undone in one.events))


def track_csv(readings: Iterable[KeptReading]) -> str:
    """Return the boat's way as CSV."""
    columns = (
        "t",
        "utc",
        "lat",
        "lon",
        "depth",
        "heading",
        "speed",
        "water_temperature",
    )
    rows = (
        {
            "lat": r.fix.lat,
            "lon": r.fix.lon,
            **{c: getattr(r, c) for c in columns if hasattr(r, c)},
        }
        for r in readings
        if r.fix is not None
    )
    return _csv(columns, rows)


_CSV_FILES: tuple[tuple[str, str, Callable[[Exported], str]], ...] = (
    (
        "soundings.csv",
        "sounding",
        lambda one: soundings_to_csv(soundings(one.readings)),
    ),
    ("marks.csv", "mark", lambda one: marks_to_csv(marks(one.logged()))),
    ("track.csv", "track", lambda one: track_csv(one.readings)),
)


def gpx(one: Exported, units: Units, chosen: Collection[str]) -> str:
    """Return the way as a track and the logged things as waypoints."""
    made = gpxpy.gpx.GPX()
    made.creator = exchange.CREATOR
    made.name = one.trip.name
    made.description = "For fishing, not for navigation."
    if "track" in chosen:
        made.tracks.append(_gpx_track(one))
    made.waypoints += [
        waypoints.gpx_waypoint(mark, units.name) for mark in marks(one.logged())
    ]
    made.waypoints += [
        _gpx_catch(e, e.place, units)
        for e in one.logged()
        if e.what != "mark" and e.place
    ]
    return str(made.to_xml(version="1.1"))


def _gpx_track(one: Exported) -> gpxpy.gpx.GPXTrack:
    track = gpxpy.gpx.GPXTrack(name=one.trip.name)
    for piece in tracks(one.readings):
        segment = gpxpy.gpx.GPXTrackSegment()
        track.segments.append(segment)
        for reading in piece:
            assert reading.fix is not None
            point = gpxpy.gpx.GPXTrackPoint(
                reading.fix.lat, reading.fix.lon, time=_time(reading.utc)
            )
            segment.points.append(point)
    return track


def _gpx_catch(logged: Logged, place: Fix, units: Units) -> gpxpy.gpx.GPXWaypoint:
    """Return a bite, a fish, a cast or the like as a waypoint, its kind as type and symbol."""
    return gpxpy.gpx.GPXWaypoint(
        place.lat,
        place.lon,
        time=_time(logged.utc),
        name=logged.detail or logged.what,
        description=_described(logged, units) or None,
        type=logged.what,
        symbol=logged.what,
    )


def geojson(one: Exported, _units: Units, chosen: Collection[str]) -> str:
    """Return a FeatureCollection: the track, soundings, marks and everything else logged.

    The property `what` tells which; a logged thing without a place has no geometry (RFC
    7946, 3.2).
    """
    features = []
    if "track" in chosen:
        features.append(_track_feature(one))
    if "sounding" in chosen:
        features += map(_sounding_feature, soundings(one.readings))
    features += [_logged_feature(logged) for logged in one.logged()]
    return exchange.trip_collection(
        feature for feature in features if feature is not None
    )


def _track_feature(one: Exported) -> dict[str, Any] | None:
    lines = [
        [_position(r.fix) for r in piece if r.fix] for piece in tracks(one.readings)
    ]
    lines = [
        line for line in lines if len(line) >= 2
    ]  # a line has two positions (RFC 7946, 3.1.4)
    if not lines:
        return None
    geometry = {"type": "MultiLineString", "coordinates": lines}
    properties = {
        "what": "track",
        "name": one.trip.name,
        "began": one.trip.began,
        "ended": one.trip.ended,
    }
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _sounding_feature(point: DepthPoint) -> dict[str, Any]:
    properties = {"what": "sounding", "depth": round(point.depth, 2), "utc": point.utc}
    return _feature(Fix(point.lat, point.lon), properties)


def _logged_feature(logged: Logged) -> dict[str, Any]:
    told = {
        k: v
        for k, v in msgspec.to_builtins(logged).items()
        if k not in ("event", *_PLACES)
    }
    told["radius"], place = None, logged.place
    if place is not None:
        told["radius"] = place.radius
    for mark in marks((logged,)):
        told |= exchange.mark_properties(mark)
    return _feature(place, told)


def _feature(place: Fix | None, properties: Mapping[str, Any]) -> dict[str, Any]:
    geometry = None
    if place is not None:
        geometry = {"type": "Point", "coordinates": _position(place)}
    return {"type": "Feature", "properties": dict(properties), "geometry": geometry}


def _position(fix: Fix) -> list[float]:
    return [round(fix.lon, 7), round(fix.lat, 7)]


def _row(event: AnyEvent, undone: bool) -> dict[str, Any]:
    told = msgspec.to_builtins(event)
    for name, before in _PLACES.items():
        place = told.pop(name, None) or {}
        told |= {f"{before}{key}": value for key, value in place.items()}
    return {key: value for key, value in told.items() if key in _COLUMNS} | {
        "undone": int(undone)
    }


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(
        text, columns, restval="", lineterminator="\n", extrasaction="ignore"
    )
    writer.writerow({name: _heading(name) for name in columns})
    writer.writerows(
        {key: exchange.inert(_cell(key, value)) for key, value in row.items()}
        for row in rows
    )
    return text.getvalue()


def _heading(column: str) -> str:
    """Return what stands above a column: its name, and its unit."""
    unit = _UNIT_IN_HEADING.get(column)
    if unit is None:
        return column
    return f"{column}_{unit}"


def _cell(column: str, value: object) -> object:
    if isinstance(value, float) and column in _UNIT_IN_HEADING:
        return round(value, _MOST_DECIMALS)
    return value


def _described(logged: Logged, units: Units) -> str:
    size = {"fish": ("weight", units.weight), "cast": ("length", units.distance)}.get(
        logged.what
    )
    parts: list[tuple[str, object, Callable[[Any], str]]] = [
        ("rod", logged.rod, str),
        ("lure at", logged.lure_depth, units.depth),
        ("bottom", logged.bottom, units.depth),
    ]
    if size is not None:
        parts.append((size[0], logged.size, size[1]))
    return ", ".join(
        f"{name} {write(value)}" for name, value, write in parts if value is not None
    )


def _time(utc: str | None) -> datetime | None:
    if utc is None:
        return None
    return datetime.fromisoformat(utc)


def _apart(one: Fix, other: Fix) -> float:
    east = (other.lon - one.lon) * cos(radians(one.lat))
    return hypot(other.lat - one.lat, east) * METRES_PER_DEGREE
