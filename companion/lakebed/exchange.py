"""Soundings, shorelines, marks and contours in and out as text: CSV and GeoJSON (RFC 7946).

Nothing here reads or writes files. Latitudes and longitudes are WGS 84 degrees, depths
metres below the surface. What cannot be read is left out and named, one line each; the
rest is kept.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, Generic, NamedTuple, TypeAlias, TypeVar, cast, get_args

import numpy as np

from companion.clock import written
from companion.events import LoggedWhat, MarkKind
from companion.lakebed.cells import FloatArray
from companion.lakebed.relief import Contour
from companion.lakebed.spreadsheet import Spreadsheet, SpreadsheetRow, by_meaning
from companion.sensing.localplane import LocalPlane
from companion.units import rounded

CREATOR = "companion"
"""What an export of ours names as its creator."""
MOST_POINTS = 500_000
"""More soundings or marks than this are not taken from one file: a small board's memory is not for more."""
DEEPEST_WATER_M = 12_000.0
"""No water is deeper than this, m; larger figures are a sounder's "not available"."""
UNKNOWN_HEIGHTS = (-9999.0, -32768.0)
"""What grids and tables have, in whatever unit, where nothing is known: as GDAL and others write them."""

_LATITUDE = ("lat", "latitude", "y")
_LONGITUDE = ("lon", "long", "lng", "longitude", "x")
_NORTHING = ("northing", "north", "n", "y")
_EASTING = ("easting", "east", "e", "x")
_ANGLE = re.compile(
    r"\s*([NSEW])?\s*([+-]?\d+(?:\.\d*)?)\s*[°ºd: ]?\s*"
    r"(?:(\d+(?:\.\d*)?)\s*[\'’′m: ]?\s*)?(?:(\d+(?:\.\d*)?)\s*[\"”″s]?\s*)?([NSEW])?\s*",
    re.IGNORECASE,
)
"""Degrees, minutes and seconds as they are written: "45 07.404 N", "W93°12'30.5\""."""
_DATES = ("%m/%d/%Y", "%d.%m.%Y", "%Y/%m/%d")
_DEPTHS = {"depth": 1.0, "z": -1.0, "elevation": -1.0}
"""Columns of depths, and whether they count down or up."""
_NOTES = ("note", "name", "description")
_NOT_SOUNDINGS = frozenset(get_args(LoggedWhat))
_NOT_MARKS = (_NOT_SOUNDINGS | {"sounding"}) - {"mark"}
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""How a formula begins for a spreadsheet; quotes before it are left by those who guarded it."""


LINE_STEP_M = 5.0
"""Between two points of a shoreline or a contour that count as soundings, m."""
_LINES = ("LineString", "MultiLineString")
_POLYGONS = ("Polygon", "MultiPolygon")

ToDegrees: TypeAlias = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""Eastings and northings, m, to latitudes and longitudes, degrees WGS 84; infinite where there are none."""


_PLAIN_KINDS: Mapping[str, MarkKind] = {
    kind.replace(" ", ""): kind
    for kind in get_args(MarkKind)
    if kind not in ("point", "rock", "channel", "spot")
}
"""The kinds that stand out in any name; a rock or a point may be part of a village's."""
_KIND_IN_NAME = re.compile(
    f"(?<![a-z])({'|'.join(kind.replace(' ', '[ _-]?') for kind in _PLAIN_KINDS.values())})s?(?![a-z])"
).search


class DepthPoint(NamedTuple):
    """A sounding on the Earth: degrees, metres below the surface, UTC as ISO 8601 when known."""

    lat: float
    lon: float
    depth: float
    utc: str | None = None


class MarkPoint(NamedTuple):
    """A mark on the Earth: degrees, kind, depth of its top below the surface m, note and UTC when known.

    `radius` holds it nine times in ten, m; None when that is not known.
    """

    lat: float
    lon: float
    kind: MarkKind
    top: float | None = None
    note: str = ""
    utc: str | None = None
    radius: float | None = None


_Item = TypeVar("_Item")


@dataclass(slots=True)
class Imported(Generic[_Item]):
    """The things read, and one line for everything left out: where, what, what was expected.

    `unit_taken` says that a column of depths names no unit, so that it was taken for
    one.
    """

    items: list[_Item] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unit_taken: bool = False


def without_strays(
    points: Sequence[DepthPoint],
) -> tuple[list[DepthPoint], list[DepthPoint]]:
    """Split points into those of one lake and strays that lie far from all of them.

    A stray is further from the median place than five times 95 % of the points are.
    """
    if len(points) < 20:
        return list(points), []
    lat, lon = np.array([p.lat for p in points]), np.array([p.lon for p in points])
    plane = LocalPlane(float(np.median(lat)), float(np.median(lon)))
    east, north = plane.to_xy(lat, lon)
    away = np.hypot(east, north)
    stray = away > 5.0 * np.quantile(away, 0.95)
    kept = [p for p, far in zip(points, stray, strict=True) if not far]
    return kept, [p for p, far in zip(points, stray, strict=True) if far]


def soundings_from_csv(
    text: str, degrees: ToDegrees | None = None, unit_m: float = 1.0
) -> Imported[DepthPoint]:
    """Read soundings from CSV with a header.

    Columns by name: lat or latitude or y; lon or longitude or x; depth (down), or z or
    elevation (up), with a unit, as depth_m, depth_ft, depth_fathoms, "Depth (ft)",
    "Depth in feet"; optionally utc or time, or date and time. A depth without a unit
    counts in `unit_m`, m. Degrees may come with minutes and seconds ("45 07.404 N").
    With `degrees`, places are easting or east or e or x, and northing or north or n or
    y, m.
    """
    read: Imported[DepthPoint] = Imported()
    rows: list[tuple[str, float, float, float, str | None]] = []
    wanted: dict[str, Sequence[str]] = {"northing": _NORTHING, "easting": _EASTING}
    read_number = _number
    if degrees is None:
        wanted = {"latitude": _LATITUDE, "longitude": _LONGITUDE}
        read_number = _angle
    for row in _rows(text, read.problems, {**wanted, "depth": tuple(_DEPTHS)}):
        try:
            north, east = (
                read_number(_of(row.cells, names), what)
                for what, names in wanted.items()
            )
            depth, read.unit_taken = _depth_in(row.cells, row.units, unit_m)
            rows.append((row.where, north, east, depth, instant_in(row.cells)))
        except ValueError as error:
            read.problems.append(f"{row.where}: {error}; row left out")
    if degrees is not None and rows:
        lat, lon = degrees(
            np.array([row[2] for row in rows]), np.array([row[1] for row in rows])
        )
        places = zip(lat.tolist(), lon.tolist(), strict=True)
        rows = [
            (row[0], *place, *row[3:]) for row, place in zip(rows, places, strict=True)
        ]
    for where, north, east, depth, utc in rows:
        try:
            read.items.append(DepthPoint(*place_in(north, east), depth, utc))
        except ValueError as error:
            read.problems.append(f"{where}: {error}; row left out")
    return read


def soundings_to_csv(points: Iterable[DepthPoint]) -> str:
    """Write soundings as CSV: lat, lon, depth_m, utc."""
    rows = (
        (f"{p.lat:.7f}", f"{p.lon:.7f}", f"{p.depth:.2f}", p.utc or "") for p in points
    )
    return _csv(("lat", "lon", "depth_m", "utc"), rows)


def soundings_from_geojson(text: str, transducer: float = 0.0) -> Imported[DepthPoint]:
    """Read soundings from a GeoJSON FeatureCollection of points with a property depth, m (down).

    Depths that say they are below the transducer (IHO B-12, crowd-sourced bathymetry)
    are put below the surface by the draft that stands beside them, else by
    `transducer`, m. In an export of our own, where each feature says `what` it is, only
    the soundings are read.
    """
    read: Imported[DepthPoint] = Imported()
    collection = _collection_of(text, read.problems)
    below = _below_surface(collection, transducer)
    for where, lon, lat, properties in _points_of(collection, read.problems):
        if properties.get("what") in _NOT_SOUNDINGS:
            continue
        try:
            place = place_in(lat, lon)
            depth, _ = _depth_in(*by_meaning(properties), 1.0)
            read.items.append(DepthPoint(*place, depth + below, instant_in(properties)))
        except ValueError as error:
            read.problems.append(f"{where}: {error}; left out")
    return read


def shoreline_from_geojson(text: str) -> Imported[DepthPoint]:
    """Read lines and polygons as the water's edge: points of depth 0, at most `LINE_STEP_M` apart."""
    return _from_lines(text, (*_LINES, *_POLYGONS), lambda _read, _told: 0.0)


def contours_from_geojson(text: str, unit_m: float = 1.0) -> Imported[DepthPoint]:
    """Read lines with a property depth (or z, elevation: up) as points, at most `LINE_STEP_M` apart.

    A depth without a unit counts in `unit_m`, m. Lines that tell no depth are passed
    over.
    """

    def depth_of(read: Imported[DepthPoint], told: Mapping[str, Any]) -> float | None:
        cells, units = by_meaning(told)
        if not cells.keys() & _DEPTHS.keys():
            return None
        if any(cells.get(name) == 0 for name in _DEPTHS):
            return 0.0
        depth, taken = _depth_in(cells, units, unit_m)
        read.unit_taken |= taken
        return depth

    return _from_lines(text, _LINES, depth_of)


def _from_lines(
    text: str,
    kinds: Sequence[str],
    depth_of: Callable[[Imported[DepthPoint], Mapping[str, Any]], float | None],
) -> Imported[DepthPoint]:
    """Read points along the lines of geometries of some kinds, as deep as their properties say."""
    read: Imported[DepthPoint] = Imported()
    for number, feature in enumerate(
        _collection_of(text, read.problems).get("features", ()), 1
    ):
        try:
            if feature["geometry"]["type"] not in kinds:
                continue
            depth = depth_of(read, feature.get("properties") or {})
            if depth is None:
                continue
            for line in _lines(feature["geometry"]):
                places = [place_in(lat, lon) for lon, lat, *_ in line]
                room = MOST_POINTS - len(read.items)
                read.items += _along_line(places, depth, room)
        except (AttributeError, KeyError, TypeError, ValueError):
            read.problems.append(
                f"feature {number}: expected lines of longitude, latitude, and of contours a depth; left out"
            )
    if len(read.items) >= MOST_POINTS:
        read.problems.append(
            f"only {MOST_POINTS} points of the lines are taken; split the file"
        )
    return read


def soundings_to_geojson(points: Iterable[DepthPoint]) -> str:
    """Write soundings as a GeoJSON FeatureCollection of points with depth (m) and utc."""
    return _collection(
        _point(
            p.lat,
            p.lon,
            {"depth": round(p.depth, 2)} | ({"utc": p.utc} if p.utc else {}),
        )
        for p in points
    )


def contours_to_geojson(contours: Iterable[Contour], plane: LocalPlane) -> str:
    """Write contours as a GeoJSON FeatureCollection, one MultiLineString a depth."""
    return _collection(
        {
            "type": "Feature",
            "properties": {"depth": round(contour.depth, 3)},
            "geometry": {
                "type": "MultiLineString",
                "coordinates": [_lonlat(x, plane) for x in contour.lines],
            },
        }
        for contour in contours
    )


def kind_in_name(name: str) -> MarkKind:
    """Return the kind that somebody's name for a place tells; "spot" where it tells none.

    >>> kind_in_name("BIG TREETOP 7"), kind_in_name("Rock Creek ramp"), kind_in_name("rock")
    ('tree top', 'spot', 'rock')
    """
    plain = " ".join(name.lower().split())
    found = _KIND_IN_NAME(plain)
    if found:
        return _PLAIN_KINDS[re.sub("[ _-]", "", found[1])]
    return cast(MarkKind, plain) if plain in get_args(MarkKind) else "spot"


def is_table_of_marks(text: str) -> bool:
    """Return whether a table is of marks: it tells their kind, or at least a name and no depth."""
    names = set(Spreadsheet(text).names)
    return "kind" in names or not (
        names.isdisjoint(_NOTES) or names.intersection(_DEPTHS)
    )


def is_events_of_trip(text: str) -> bool:
    """Return whether a table is of a trip's events, as an export of ours is."""
    return {"event", "undone", "lure_lat"} <= set(Spreadsheet(text).names)


def marks_from_csv(text: str, unit_m: float = 1.0) -> Imported[MarkPoint]:
    """Read marks from CSV with a header: lat, lon, kind, top, note, utc, radius.

    One without a kind is what its name tells, else a spot; all from kind on are
    optional, as long as there is a kind or a note, name or description. Lengths have a
    unit in their heading, as top_m or top_ft, or count in `unit_m`, m.
    """
    read: Imported[MarkPoint] = Imported()
    wanted = {
        "latitude": _LATITUDE,
        "longitude": _LONGITUDE,
        "kind": ("kind", *_NOTES),
    }
    for row in _rows(text, read.problems, wanted):
        try:
            lat, lon = _of(row.cells, _LATITUDE), _of(row.cells, _LONGITUDE)
            mark = _mark(lat, lon, row.cells, row.units, unit_m)
            read.items.append(_without_guard(mark))
        except ValueError as error:
            read.problems.append(f"{row.where}: {error}; row left out")
    return read


def marks_to_csv(marks: Iterable[MarkPoint]) -> str:
    """Write marks as CSV: lat, lon, kind, top_m, note, utc, radius_m."""
    rows = (
        (
            f"{m.lat:.7f}",
            f"{m.lon:.7f}",
            m.kind,
            _cell(m.top, 2),
            str(inert(m.note)),
            m.utc or "",
            _cell(m.radius, 1),
        )
        for m in marks
    )
    return _csv(("lat", "lon", "kind", "top_m", "note", "utc", "radius_m"), rows)


def _cell(number: float | None, digits: int) -> str:
    if number is None:
        return ""
    return f"{number:.{digits}f}"


def marks_from_geojson(text: str) -> Imported[MarkPoint]:
    """Read marks from a GeoJSON FeatureCollection of points with kind; else optional as in CSV.

    In an export of our own, where each feature says `what` it is, only the marks are
    read.
    """
    read: Imported[MarkPoint] = Imported()
    for where, lon, lat, properties in _points_of(
        _collection_of(text, read.problems), read.problems
    ):
        if properties.get("what") in _NOT_MARKS:
            continue
        try:
            read.items.append(_mark(lat, lon, *by_meaning(properties), 1.0))
        except ValueError as error:
            read.problems.append(f"{where}: {error}; left out")
    return read


def marks_to_geojson(marks: Iterable[MarkPoint]) -> str:
    """Write marks as a GeoJSON FeatureCollection of points."""
    return _collection(_point(m.lat, m.lon, mark_properties(m)) for m in marks)


def mark_properties(mark: MarkPoint) -> dict[str, Any]:
    """Return the properties of a mark's feature; what is not known is left out."""
    told: dict[str, Any] = {
        "kind": mark.kind,
        "top_m": rounded(mark.top, 2),
        "note": mark.note or None,
        "utc": mark.utc,
        "radius_m": rounded(mark.radius, 1),
    }
    return {name: value for name, value in told.items() if value is not None}


def _rows(
    text: str, problems: list[str], wanted: Mapping[str, Sequence[str]]
) -> Iterator[SpreadsheetRow]:
    table = Spreadsheet(text)
    if table.problem is not None:
        problems.append(table.problem)
        return
    missing = table.lacks(wanted)
    if missing is None:
        yield from table.rows(MOST_POINTS, problems)
        return
    hint = ""
    if missing == "latitude" and set(table.names) & set(_EASTING):
        hint = '; eastings and northings: say their zone, such as --zone "UTM 17N"'
    problems.append(
        f"{table.where}: no {missing}: expected a column named "
        f"{' or '.join(wanted[missing])}{hint}"
    )


def _collection_of(text: str, problems: list[str]) -> dict[str, Any]:
    """Return a FeatureCollection; an empty one, and a problem, where the text is none."""
    try:
        collection = json.loads(text)
        features = collection["features"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        problems.append(f"not GeoJSON: {error}; expected a FeatureCollection")
        return {}
    if not isinstance(features, list):
        problems.append(
            "not GeoJSON: its features are no list; expected a FeatureCollection"
        )
        return {}
    if len(features) > MOST_POINTS:
        problems.append(f"only {MOST_POINTS} features are taken; split the file")
    return {**collection, "features": features[:MOST_POINTS]}


def _points_of(
    collection: Mapping[str, Any], problems: list[str]
) -> Iterator[tuple[str, Any, Any, dict[str, Any]]]:
    """Yield where, longitude, latitude and properties of each point."""
    for number, feature in enumerate(collection.get("features", ()), 1):
        try:
            geometry = feature["geometry"]
            if geometry["type"] != "Point":
                continue
            lon, lat = geometry["coordinates"][:2]
            properties = dict(feature.get("properties") or {})
            yield f"feature {number}", lon, lat, properties
        except (KeyError, TypeError, ValueError):
            problems.append(
                f"feature {number}: no point: expected coordinates longitude, latitude; left out"
            )


def _below_surface(collection: Mapping[str, Any], transducer: float) -> float:
    """Return how far below the surface the depths of crowd-sourced bathymetry begin, m (IHO B-12)."""
    try:
        told = collection.get("properties") or {}
        platform = told.get("platform") or {}
        reference = (told.get("trustedNode") or {}).get("verticalReferenceOfDepth")
        reference = reference or (collection.get("crs") or {}).get("vertical") or ""
        if reference.lower() != "transducer" or (platform.get("correctors") or {}).get(
            "draftApplied"
        ):
            return 0.0
        drafts = [
            sensor.get("draft")
            for sensor in platform.get("sensors") or ()
            if "draft" in sensor
        ]
        return _number((drafts or [transducer])[0], "draft")
    except (AttributeError, TypeError, ValueError):
        return 0.0


def _lines(geometry: Mapping[str, Any]) -> list[Any]:
    """Return the lines of a geometry, and the rings of a polygon."""
    kind, coordinates = geometry["type"], geometry["coordinates"]
    if kind == "LineString":
        return [coordinates]
    if kind in ("MultiLineString", "Polygon"):
        return list(coordinates)
    if kind == "MultiPolygon":
        return [ring for polygon in coordinates for ring in polygon]
    return []


def _along_line(
    places: Sequence[tuple[float, float]], depth: float, most: int
) -> Iterator[DepthPoint]:
    """Yield at most so many points of a depth, m, along a line of latitudes and longitudes."""
    for (lat, lon), (to_lat, to_lon) in pairwise(places):
        length = math.hypot(*LocalPlane(lat, lon).to_xy(to_lat, to_lon))
        steps = max(1, math.ceil(length / LINE_STEP_M))
        for step in range(min(steps, most)):
            share = step / steps
            yield DepthPoint(
                lat + share * (to_lat - lat), lon + share * (to_lon - lon), depth
            )
        most -= steps
        if most <= 0:
            return


def _of(row: Mapping[str, object], names: Sequence[str]) -> object:
    return next(row[name] for name in names if name in row)


def _number(value: object, what: str) -> float:
    try:
        number = float(str(value))
    except (ValueError, RecursionError):
        number = math.nan
    if not math.isfinite(number):
        if isinstance(value, str):
            value = repr(value)
        raise ValueError(f"{what} {_short(value)}: expected a number")
    return number


def _angle(value: object, what: str) -> float:
    """Return degrees that are written as a number, or as degrees, minutes and seconds.

    Raises:
        ValueError: they are neither.
    """
    try:
        return _number(value, what)
    except ValueError:
        parts = _ANGLE.fullmatch(str(value))
        if parts is None or (parts[1] and parts[5]):
            raise
    letter = (parts[1] or parts[5] or "").upper()
    minutes, seconds = float(parts[3] or 0.0), float(parts[4] or 0.0)
    if minutes >= 60.0 or seconds >= 60.0:
        raise ValueError(f"{what} {_short(value)}: expected minutes below 60")
    degrees = abs(float(parts[2])) + minutes / 60.0 + seconds / 3600.0
    if parts[2].startswith("-") or letter in ("S", "W"):
        return -degrees
    return degrees


def _short(value: object) -> str:
    """Return a value as it may stand in a message."""
    if not isinstance(value, str | float | bool | None):
        return f"a {type(value).__name__}"
    text = str(value)
    if len(text) > 40:
        return f"{text[:40]}..."
    return text


def place_in(lat: object, lon: object) -> tuple[float, float]:
    """Return latitude and longitude, degrees.

    Raises:
        ValueError: they are no numbers, or none of a place.
    """
    degrees = _angle(lat, "latitude"), _angle(lon, "longitude")
    if not (abs(degrees[0]) <= 90.0 and abs(degrees[1]) <= 180.0):
        place = f"{degrees[0]:.10g}, {degrees[1]:.10g}"
        raise ValueError(
            f"position {place}: expected latitude within 90 and longitude within 180"
        )
    return degrees


def place_named(words: str) -> tuple[float, float]:
    """Return the latitude and longitude in words, degrees.

    >>> place_named("-47.2, -126.4"), place_named("44 06.6'N, W93 18.0")
    ((-47.2, -126.4), (44.11, -93.3))

    Raises:
        ValueError: they are none; the message is fit to show.
    """
    lat, _, lon = words.partition(",")
    try:
        return place_in(lat, lon)
    except ValueError as error:
        raise ValueError(
            f'"{words}": expected latitude,longitude, like -47.2000,-126.4000 or 47 12.0 S, 126 24.0 W'
        ) from error


def _depth(value: object, factor: float) -> float:
    told = _number(value, "depth")
    if told in UNKNOWN_HEIGHTS:
        raise ValueError(f"depth {told:g}: stands for none")
    depth = told * factor
    if not 0.0 < depth <= DEEPEST_WATER_M:
        raise ValueError(
            f"depth {_short(value)}: expected more than 0 and at most {DEEPEST_WATER_M:.0f} m of water"
        )
    return depth


def _depth_in(
    cells: Mapping[str, object], units: Mapping[str, float | None], unit_m: float
) -> tuple[float, bool]:
    """Return the depth of a row, m, and whether nothing names its unit, so that it was taken for `unit_m`."""
    name = next((name for name in _DEPTHS if name in cells), "depth")
    told = units.get(name)
    return _depth(cells.get(name), _DEPTHS[name] * (told or unit_m)), told is None


def instant_in(row: Mapping[str, object]) -> str | None:
    """Return a row's instant as ISO 8601; None where there is none, or in a form that is not that."""
    value = row.get("utc") or row.get("time")
    if value and row.get("date"):
        value = f"{_iso_date(str(row['date']))}T{value}"
    if not value:
        return None
    try:
        return _iso(datetime.fromisoformat(str(value)))
    except (ValueError, OverflowError):  # the first or last year, in another zone
        return None


def _iso_date(date: str) -> str:
    """Return a date as ISO 8601 where it is in a form that is common beside it."""
    for form in _DATES:
        try:
            return datetime.strptime(date.strip(), form).date().isoformat()
        except ValueError:
            continue
    return date.strip()


def _iso(instant: datetime) -> str:
    """Return an instant as the logbook writes it; one without a zone is UTC, as GPX has it."""
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return written(instant)


def _mark(
    lat: object,
    lon: object,
    row: Mapping[str, object],
    units: Mapping[str, float | None],
    unit_m: float,
) -> MarkPoint:
    place = place_in(lat, lon)
    note = str(next((row[name] for name in _NOTES if row.get(name)), ""))
    kind = str(row.get("kind") or kind_in_name(note)).strip().lower()
    if kind not in get_args(MarkKind):
        raise ValueError(
            f"kind {_short(repr(kind))}: expected {', '.join(get_args(MarkKind))}"
        )
    top, radius = row.get("top"), row.get("radius")
    depth = within = None
    if top not in (None, ""):
        depth = _depth(top, units.get("top") or unit_m)
    if radius not in (None, ""):
        within = _number(radius, "radius") * (units.get("radius") or unit_m)
        if within <= 0.0:
            raise ValueError(f"radius {_short(radius)}: expected more than 0 m")
    return MarkPoint(*place, cast(MarkKind, kind), depth, note, instant_in(row), within)


def inert(cell: object) -> object:
    """Return a cell that a spreadsheet takes for text, not for a formula (OWASP, "CSV Injection")."""
    if not isinstance(cell, str) or not _FORMULA.match(cell):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def _without_guard(mark: MarkPoint) -> MarkPoint:
    note = mark.note
    guarded = note.startswith("'") and _FORMULA.match(note)
    return mark._replace(note=note[1:]) if guarded else mark


def _csv(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def trip_collection(features: Iterable[Mapping[str, Any]]) -> str:
    """Return features of a trip as GeoJSON that says whose it is; each tells `what` it is."""
    return json.dumps(
        {"type": "FeatureCollection", "creator": CREATOR, "features": list(features)}
    )


def is_own_trip(text: str) -> bool:
    """Return whether a GeoJSON text begins as those of `trip_collection` do: soundings and marks in one."""
    return f'"creator": "{CREATOR}"' in text[:100]


def _collection(features: Iterable[Mapping[str, Any]]) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def _point(lat: float, lon: float, properties: Mapping[str, Any]) -> dict[str, Any]:
    geometry = {"type": "Point", "coordinates": [round(lon, 7), round(lat, 7)]}
    return {"type": "Feature", "properties": dict(properties), "geometry": geometry}


def _lonlat(
    line: np.ndarray[Any, np.dtype[np.float64]], plane: LocalPlane
) -> list[list[float]]:
    lat, lon = plane.to_latlon(line[:, 0], line[:, 1])
    return [
        [round(float(x), 7), round(float(y), 7)] for x, y in zip(lon, lat, strict=True)
    ]
