"""Marks as waypoints of other programs and of plotters: GPX 1.1, and NMEA 0183's WPL and RTE.

Nothing here reads or writes files or wires. Latitudes and longitudes are WGS 84
degrees, depths metres below the surface. A waypoint in GPX has the mark's note or kind
as its name, the kind as its type and symbol, and the depth with its unit in its
description; the elevation is left alone, being a height above the sea.

A WPL has only a name: "tree top 15 ft" holds kind, note and depth, and what goes out
comes back the same. Plotters know a waypoint by its name, so a name that was used
before gets a count in brackets. The characters of the standard are those of ISO 8859-1;
others become "?".
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import chain
from typing import TYPE_CHECKING, NamedTuple, cast, get_args

from companion.events import LoggedWhat, MarkKind
from companion.lakebed.exchange import (
    CREATOR,
    DEEPEST_WATER_M,
    Imported,
    MarkPoint,
    instant_in,
    kind_in_name,
    place_in,
)
from companion.sensing.framing import Framer, sentence
from companion.units import FOOT, LengthUnit

if TYPE_CHECKING:
    from gpxpy.gpx import GPXWaypoint

LONGEST_SENT_SENTENCE = 82
"""Characters of a sentence with `$` and line end (NMEA 0183)."""
TALKER = "II"
"""The talker of what we send: integrated instrumentation (NMEA 0183)."""
_KINDS: tuple[MarkKind, ...] = get_args(MarkKind)
_NOT_MARKS = frozenset(get_args(LoggedWhat)) - {"mark"}
_METRES_IN = {"ft": FOOT, "m": 1.0}
_LENGTH = r"(\d+(?:\.\d+)?) ?(ft|m)"
_TOP = re.compile(f"top {_LENGTH}").search
_RADIUS = re.compile(f"place within {_LENGTH}").search
_COUNT = re.compile(r" \(\d+\)\Z")
_DEPTH_AT_END = re.compile(f"(?:^| )(?:{_LENGTH}|\\? m)\\Z")
_KIND_AT_START = re.compile(
    f"({'|'.join(sorted(_KINDS, key=len, reverse=True))})(?::? |\\Z)"
).match
_RESERVED = frozenset("$*,!\\^~\r\n\x7f")
_ESCAPED = re.compile(r"\^([0-9A-Fa-f]{2})")
_MAY_HAVE_WAYPOINTS = b"WPL,"


class Waypoint(NamedTuple):
    """A named place for a plotter: degrees."""

    lat: float
    lon: float
    name: str


def marks_from_gpx(text: str) -> Imported[MarkPoint]:
    """Read marks from GPX waypoints; one of no kind of ours is what its name tells, else a spot named so.

    The catches and casts in an export of our own are no marks and are passed over.
    """
    import gpxpy  # noqa: PLC0415  (a trip begins without it)

    read: Imported[MarkPoint] = Imported()
    try:
        # The library takes any XML for an empty GPX. Entities, which GPX has none of,
        # can fill a memory.
        fit = "<gpx" in text and not any(
            word in text for word in ("<!DOCTYPE", "<!ENTITY")
        )
        gpx = None
        if fit:
            gpx = gpxpy.parse(text)
    # Besides its own, whatever an element in the wrong place leads it to.
    except Exception:
        gpx = None
    if gpx is None:
        read.problems.append("not GPX: expected a GPX file with waypoints")
        return read
    for number, one in enumerate(gpx.waypoints, 1):
        if gpx.creator == CREATOR and one.type in _NOT_MARKS:
            continue
        try:
            read.items.append(_mark_of(one))
        except ValueError as error:
            read.problems.append(f"waypoint {number}: {error}; left out")
    return read


def _mark_of(one: GPXWaypoint) -> MarkPoint:
    lat, lon = place_in(one.latitude, one.longitude)
    note = one.name or ""
    top, radius = (_metres(find(one.description or "")) for find in (_TOP, _RADIUS))
    if one.type in _KINDS:
        kind: MarkKind = one.type
    else:
        named = mark_named(lat, lon, note)
        kind, top = named.kind, top or named.top
    if note == kind:
        note = one.comment or ""
    utc = instant_in({"utc": one.time})
    return MarkPoint(lat, lon, kind, top, note, utc, radius)


def marks_to_gpx(marks: Iterable[MarkPoint], unit: LengthUnit) -> str:
    """Write marks as GPX 1.1 waypoints, lengths in this unit."""
    from gpxpy.gpx import GPX  # noqa: PLC0415  (a trip begins without it)

    gpx = GPX()
    gpx.creator = CREATOR
    gpx.waypoints.extend(gpx_waypoint(mark, unit) for mark in marks)
    return str(gpx.to_xml(version="1.1"))


def gpx_waypoint(mark: MarkPoint, unit: LengthUnit) -> GPXWaypoint:
    """Return a mark as a waypoint: its kind as type and symbol, its note or kind as name."""
    from gpxpy.gpx import GPXWaypoint  # noqa: PLC0415  (a trip begins without it)

    told = []
    if mark.top is not None:
        told.append(f"top {_length(mark.top, unit)} below the surface")
    if mark.radius is not None:
        told.append(f"place within {_length(mark.radius, unit)}")
    return GPXWaypoint(
        mark.lat,
        mark.lon,
        name=mark.note or mark.kind,
        type=mark.kind,
        symbol=mark.kind,
        description=", ".join(told) or None,
        time=None if mark.utc is None else datetime.fromisoformat(mark.utc),
    )


def waypoints_to_gpx(places: Sequence[Waypoint], route: str) -> str:
    """Write places as GPX 1.1 waypoints, and as a route of this name through them all."""
    from gpxpy.gpx import GPX, GPXRoute, GPXRoutePoint, GPXWaypoint  # noqa: PLC0415  (as above)

    gpx = GPX()
    gpx.creator = CREATOR
    path = GPXRoute(name=route)
    for one in places:
        gpx.waypoints.append(GPXWaypoint(one.lat, one.lon, name=one.name))
        path.points.append(GPXRoutePoint(one.lat, one.lon, name=one.name))
    gpx.routes.append(path)
    return str(gpx.to_xml(version="1.1"))


def marks_to_nmea(marks: Iterable[MarkPoint], unit: LengthUnit) -> str:
    """Write marks as NMEA 0183 WPL sentences, a line each."""
    return waypoints_to_nmea(
        Waypoint(mark.lat, mark.lon, waypoint_name(mark, unit)) for mark in marks
    )


def waypoints_to_nmea(waypoints: Iterable[Waypoint], route: str | None = None) -> str:
    """Write places as WPL sentences, and with `route` as a route of that name (RTE) through them all."""
    named = list(_fitted(waypoints))
    lines = [_line(_wpl(one)) for one in named]
    if route is not None:
        lines += map(_line, _rte(route, [one.name for one in named]))
    return "".join(lines)


def marks_from_nmea(data: bytes) -> Imported[MarkPoint]:
    """Read the WPL sentences among whole lines of NMEA 0183; other sentences are passed over."""
    read: Imported[MarkPoint] = Imported()
    if _MAY_HAVE_WAYPOINTS not in data:
        return read
    for fields in _wpl_fields(data):
        try:
            read.items.append(_mark_in(fields))
        except ValueError as error:
            read.problems.append(f"waypoint {','.join(fields)[:60]}: {error}; left out")
    return read


def waypoints_in(data: bytes) -> list[Waypoint]:
    """Return the places in the WPL sentences of a file, by the names they have there."""
    places = []
    for fields in _wpl_fields(data):
        if len(fields) >= 6:
            with contextlib.suppress(ValueError):
                places.append(Waypoint(*_place_of(fields), _unescaped(fields[5])))
    return places


def _wpl_fields(data: bytes) -> Iterator[Sequence[str]]:
    framer = Framer()
    for fields, *_ in chain(framer.feed(data), framer.finish()):
        if fields[0][2:] == "WPL":
            yield fields


def _place_of(fields: Sequence[str]) -> tuple[float, float]:
    return place_in(
        _angle(fields[1], fields[2], "NS"), _angle(fields[3], fields[4], "EW")
    )


def _unescaped(name: str) -> str:
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), name)


def _mark_in(fields: Sequence[str]) -> MarkPoint:
    if len(fields) < 6:
        raise ValueError("expected latitude, longitude and a name")
    return mark_named(*_place_of(fields), _unescaped(fields[5]))


def _angle(text: str, side: str, sides: str) -> float:
    """Return the degrees in dddmm.mm and its side."""
    if not re.fullmatch(r"\d{3,5}(\.\d+)?", text) or not side or side not in sides:
        raise ValueError(
            f"{text[:20]} {side[:5]}: expected degrees and minutes, and {' or '.join(sides)}"
        )
    degrees, minutes = divmod(float(text), 100.0)
    angle = degrees + minutes / 60.0
    if side != sides[0]:
        return -angle
    return angle


def waypoint_name(mark: MarkPoint, unit: LengthUnit) -> str:
    """Return kind, note and depth in a name that `mark_named` reads back.

    >>> waypoint_name(MarkPoint(0.0, 0.0, "tree top", 4.572), "feet")
    'tree top 15 ft'
    """
    depth = ""
    if mark.top is not None:
        depth = f" {_length(mark.top, unit)}"
    name: str = mark.kind
    if mark.note:
        name = f"{mark.kind} {mark.note}"
        if mark.kind == "spot":
            name = mark.note
    short = f"{name}{depth}"
    understood = mark_named(mark.lat, mark.lon, short)
    if (understood.kind, understood.note) == (mark.kind, mark.note) and bool(
        depth
    ) == bool(understood.top):
        return short
    return f"{mark.kind}: {mark.note}{depth or ' ? m'}"


def mark_named(lat: float, lon: float, name: str) -> MarkPoint:
    """Return the mark that a name stands for: its kind in front, its depth behind, the rest its note.

    Of somebody else's name the kind may stand anywhere.
    """
    rest = _COUNT.sub("", name.strip())
    kind, top = "spot", None
    if found := _DEPTH_AT_END.search(rest):
        rest = rest[: found.start()]
        if found[1]:
            top = _metres(found)
    if first := _KIND_AT_START(rest):
        kind, rest = first[1], rest[first.end() :]
    else:
        kind = kind_in_name(rest)
    return MarkPoint(lat, lon, cast(MarkKind, kind), top, rest)


def _fitted(waypoints: Iterable[Waypoint]) -> Iterator[Waypoint]:
    """Yield waypoints whose names fit into a sentence and are all different."""
    used: set[str] = set()
    for one in waypoints:
        room = LONGEST_SENT_SENTENCE - len(_line(_wpl(one._replace(name=""))))
        name, count = _shortened(one.name, room), 1
        while name in used:
            count += 1
            name = _shortened(one.name, room - len(f" ({count})")) + f" ({count})"
        used.add(name)
        yield one._replace(name=name)


def _shortened(name: str, room: int) -> str:
    """Return a name that has room when it is escaped; of a longer one the middle goes, not the depth."""
    end = ""
    if found := _DEPTH_AT_END.search(name):
        end = name[found.start() :]
    begin = name[: len(name) - len(end)]
    while begin and len(_escaped(begin + end)) > room:
        begin = begin[:-1]
    return begin.rstrip() + end


def _escaped(name: str) -> str:
    """Return a name without the characters that a field may not hold; ^hh stands for each."""
    return "".join(
        f"^{ord(c):02X}" if c in _RESERVED or not " " <= c <= "~" else c
        for c in name.encode("latin-1", "replace").decode("latin-1")
    )


def _wpl(one: Waypoint) -> str:
    north = _degrees_minutes(one.lat, 2, "NS")
    return (
        f"{TALKER}WPL,{north},{_degrees_minutes(one.lon, 3, 'EW')},{_escaped(one.name)}"
    )


def _rte(route: str, names: Sequence[str]) -> Iterator[str]:
    """Yield the complete route, in as many sentences as it takes."""
    head = f"{TALKER}RTE,99,99,c,{_escaped(route)}"
    parts: list[list[str]] = [[]]
    for name in map(_escaped, names):
        if (
            len(_line(",".join((head, *parts[-1], name)))) > LONGEST_SENT_SENTENCE
            and parts[-1]
        ):
            parts.append([])
        parts[-1].append(name)
    for number, part in enumerate(parts, 1):
        yield ",".join(
            (f"{TALKER}RTE,{len(parts)},{number},c,{_escaped(route)}", *part)
        )


def _line(body: str) -> str:
    return sentence(body).decode("ascii") + "\r\n"


def _degrees_minutes(degrees: float, digits: int, sides: str) -> str:
    """Return an angle as dddmm.mmmm and its side: a ten-thousandth of a minute is 0.2 m."""
    whole = round(abs(degrees) * 600_000)
    minutes = whole % 600_000 / 10_000
    return f"{whole // 600_000:0{digits}d}{minutes:07.4f},{sides[degrees < 0.0]}"


def _length(metres: float, unit: LengthUnit) -> str:
    """Return a length to a hundredth of the unit, without needless noughts."""
    per, short = {"feet": (FOOT, "ft"), "metres": (1.0, "m")}[unit]
    number = metres / per
    return f"{number:.2f}".rstrip("0").rstrip(".") + f" {short}"


def _metres(found: re.Match[str] | None) -> float | None:
    """Return the length that was found, m; None where it is none of water."""
    if found is None:
        return None
    metres = float(found[1]) * _METRES_IN[found[2]]
    if not 0.0 < metres <= DEEPEST_WATER_M:
        return None
    return metres
