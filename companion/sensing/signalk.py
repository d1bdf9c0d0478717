"""Signal K's delta messages (Signal K specification 1.7): a server's view of the boat, over WebSocket or TCP.

A delta tells values at paths, each with its source and the time it was measured at. A
server also sends what it last knew of a path, and what it knows of other vessels:
neither is this boat now. Its greeting names the vessel that is its own, and a value is
passed over when it is more than `STALEST_MS` old. Angles come in radians, temperatures
in kelvin.

Servers' clocks are often wrong, and a path's times may come from the receiver instead.
So each path's times are compared with our own stamps by their difference, as it was
when the path was freshest.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import msgspec

from companion.sensing.datum import Datum, json_as
from companion.sensing.depth import DEEPEST_READING_M, LARGEST_OFFSET, DepthSounding
from companion.sensing.fields import Values, ms_written, turned
from companion.sensing.heading import Bearing
from companion.sensing.position import FASTEST_KN, Told
from companion.sensing.water import COLDEST_READING_K, WARMEST_READING_K, celsius
from companion.sensing.wind import WINDIEST_M_S, WindReference, WindTold
from companion.units import KNOT

SIGNALK_PORT = 3000
"""The port most servers have their WebSocket at."""
STREAM = "/signalk/v1/stream?subscribe=none&sendCachedValues=false"
"""Where the stream of deltas is; what it shall tell is subscribed to (`SUBSCRIPTION`)."""
STALEST_MS = 5_000
"""A value measured longer ago is not the present, ms."""
ALL_STALE_MS = 10_000
"""When all values of a path have looked too old for this long, a clock was set: they are not, ms."""
MOST_PATHS = 500
"""Paths of all its sources that are kept apart."""
TOGETHER_MS = 2_000
"""Speed and course told no further apart belong to each other, ms."""
_DEPTH = "environment.depth."
_WIND = "environment.wind."
_NO_FIX = frozenset(
    ("no GPS", "Estimated (DR) mode", "Manual input", "Simulator mode", "Error")
)

PATHS = (
    _DEPTH + "belowTransducer",
    _DEPTH + "belowSurface",
    _DEPTH + "belowKeel",
    _DEPTH + "surfaceToTransducer",
    "navigation.position",
    "navigation.speedOverGround",
    "navigation.courseOverGroundTrue",
    "navigation.datetime",
    "navigation.gnss.horizontalDilution",
    "navigation.gnss.methodQuality",
    "navigation.headingTrue",
    "navigation.headingMagnetic",
    "navigation.magneticVariation",
    "navigation.speedThroughWater",
    "environment.water.temperature",
    _WIND + "speedOverGround",
    _WIND + "speedTrue",
    _WIND + "speedApparent",
    _WIND + "directionTrue",
    _WIND + "angleTrueWater",
    _WIND + "angleApparent",
)
"""What is read."""
_WINDS: Mapping[str, tuple[str, WindReference]] = {
    _WIND + "speedOverGround": (_WIND + "directionTrue", "north"),
    _WIND + "speedTrue": (_WIND + "angleTrueWater", "bow"),
    _WIND + "speedApparent": (_WIND + "angleApparent", "apparent"),
}
"""The paths of a wind's speed, each with that of its angle and what the angle is told from."""
SUBSCRIPTION = msgspec.json.encode(
    {
        "context": "vessels.self",
        "subscribe": [
            {"path": path, "policy": "instant", "minPeriod": 200} for path in PATHS
        ],
    }
)
"""Asks for these paths, each at most five times a second."""
_IS_READ = re.compile(
    rb'"(?:self|%s)"' % b"|".join(re.escape(path.encode()) for path in PATHS)
).search
_TIME = re.compile(rb'"timestamp" ?: ?"([^"]{1,40})"').search


class _Value(msgspec.Struct):
    path: str
    value: Any = None


class _Update(msgspec.Struct):
    ref: str = msgspec.field(default="", name="$source")
    source: dict[str, Any] | None = None
    timestamp: str | None = None
    values: list[_Value] = []


class _Delta(msgspec.Struct):
    """A delta, or the greeting, which alone has `self`."""

    own: str | None = msgspec.field(default=None, name="self")
    timestamp: str | None = None
    context: str | None = None
    updates: list[_Update] = []


class _Place(msgspec.Struct):
    latitude: float
    longitude: float


_DECODER = msgspec.json.Decoder(_Delta)


def is_read(line: bytes) -> bool:
    """Return whether a line is a greeting or tells one of the paths that are read."""
    return _IS_READ(line) is not None


def ms_in(line: bytes) -> int | None:
    """Return the first instant in a delta, ms of UTC."""
    return ms_written(_TIME(line))


class SignalKDecoder:
    """Reads one server's deltas."""

    def __init__(self, values: Values, counts: Counter[str]) -> None:
        self._values = values
        self._counts = counts
        self._own: str | None = None
        self._greeted: int | None = (
            None  # the server's clock before ours, ms, by its greeting
        )
        self._freshest: dict[
            tuple[str, str], tuple[int, int]
        ] = {}  # the same of a path, and when it was
        self._last: dict[tuple[str, str], tuple[int, float | None]] = {}
        self._no_fix: set[str] = set()
        self._readers: Mapping[str, Callable[[int, str, str, object], Datum | None]] = {
            **dict.fromkeys(PATHS[:3], self._depth),
            "navigation.position": self._place,
            "navigation.speedOverGround": self._motion,
            "navigation.datetime": self._time,
            "navigation.gnss.methodQuality": self._quality,
            "navigation.headingTrue": self._heading,
            "navigation.headingMagnetic": self._heading,
            "navigation.speedThroughWater": self._water_speed,
            "environment.water.temperature": self._temperature,
            **dict.fromkeys(_WINDS, self._wind),
            **{
                angle: self._kept(math.tau, "wind angle")
                for angle, _ in _WINDS.values()
            },
            _DEPTH + "surfaceToTransducer": self._kept(LARGEST_OFFSET, "depth offset"),
            "navigation.courseOverGroundTrue": self._kept(math.tau, "course"),
            "navigation.gnss.horizontalDilution": self._kept(99.0, "hdop"),
            "navigation.magneticVariation": self._kept(math.pi, "variation"),
        }

    def decode(self, ms: int, payload: bytes) -> Sequence[Datum]:
        """Return what a delta, stamped with our UTC in ms, tells of this boat now."""
        delta = json_as(_DECODER, payload, self._values, "Signal K delta")
        if delta is None:
            return ()
        if delta.own is not None:
            self._own = delta.own.removeprefix("vessels.")
            self._greeted = self._values.epoch_ms(delta.timestamp)
            if self._greeted is not None:
                self._greeted -= ms
            return ()
        if delta.context is not None and delta.context.removeprefix("vessels.") not in (
            "self",
            self._own,
        ):
            self._values.dropped["of another vessel"] += 1
            return ()
        return [datum for update in delta.updates for datum in self._told(ms, update)]

    def _told(self, ms: int, update: _Update) -> Iterator[Datum]:
        talker = _talker(update)
        measured = self._values.epoch_ms(update.timestamp)
        at = ms
        if measured is not None:
            at = measured
        for one in update.values:
            read = self._readers.get(one.path)
            if read is None:
                continue
            self._counts[one.path] += 1
            if measured is not None and self._is_stale(
                ms, measured, (talker, one.path)
            ):
                self._values.dropped["stale"] += 1
                continue
            datum = read(at, talker, one.path, one.value)
            if datum is not None:
                yield datum

    def _is_stale(self, ms: int, measured: int, path: tuple[str, str]) -> bool:
        ahead = measured - ms
        usual, fresh = self._freshest.get(path, (self._greeted, ms))
        if usual is not None and usual - ahead > STALEST_MS:
            if ms - fresh <= ALL_STALE_MS:
                self._freshest.setdefault(path, (usual, ms))
                return True
            usual = ahead
        if path in self._freshest or len(self._freshest) < MOST_PATHS:
            if usual is not None:
                ahead = max(usual, ahead)
            self._freshest[path] = (ahead, ms)
        return False

    def _kept(self, most: float, what: str) -> Callable[[int, str, str, object], None]:
        """Return what keeps a value that belongs to others."""

        def keep(measured: int, talker: str, path: str, value: object) -> None:
            if (talker, path) in self._last or len(self._last) < MOST_PATHS:
                self._last[talker, path] = (
                    measured,
                    self._number(value, what, -most, most),
                )

        return keep

    def _beside(
        self, talker: str, path: str, measured: int | None = None
    ) -> float | None:
        """Return the value last kept of a path, if it was measured together with another."""
        at, value = self._last.get((talker, path), (0, None))
        if measured is not None and abs(at - measured) > TOGETHER_MS:
            return None
        return value

    def _number(
        self, value: object, what: str, low: float, high: float
    ) -> float | None:
        if value is None or (
            isinstance(value, int | float) and not isinstance(value, bool)
        ):
            return self._values.real(value, what, low, high)
        self._values.dropped[what + " malformed"] += 1
        return None

    def _degrees(self, value: object, what: str, low: float = 0.0) -> float | None:
        number = self._number(value, what, low * math.tau, math.tau)
        if number is None:
            return None
        return math.degrees(number)

    def _depth(self, _at: int, talker: str, path: str, value: object) -> Datum:
        depth = self._number(value, "depth", 0.0, DEEPEST_READING_M)
        if depth == 0.0:
            self._values.dropped["depth lost"] += 1
            depth = None
        if path == PATHS[0]:
            offset = self._beside(talker, _DEPTH + "surfaceToTransducer")
            return Datum(talker, path, "depth", DepthSounding(depth, offset), 0)
        if path == PATHS[1]:
            return Datum(
                talker, path, "depth", DepthSounding(depth, None, "surface"), 2
            )
        return Datum(talker, path, "depth", DepthSounding(depth, None, "keel"), 3)

    def _place(self, _at: int, talker: str, path: str, value: object) -> Datum:
        try:
            told = msgspec.convert(value, _Place | None)
        except msgspec.ValidationError:
            self._values.dropped["position malformed"] += 1
            told = None
        if told is None or talker in self._no_fix:
            self._values.dropped["position void"] += 1
            return Datum(talker, path, "place", Told(False))
        hdop = self._beside(talker, "navigation.gnss.horizontalDilution")
        place = self._values.degrees(told.latitude, told.longitude)
        return Datum(talker, path, "place", Told(True, place=place, hdop=hdop or None))

    def _quality(self, _at: int, talker: str, _path: str, value: object) -> None:
        if not isinstance(value, str) or value not in _NO_FIX:
            self._no_fix.discard(talker)
        elif len(self._no_fix) < MOST_PATHS:
            self._no_fix.add(talker)

    def _motion(self, at: int, talker: str, path: str, value: object) -> Datum:
        speed = self._number(value, "speed", 0.0, FASTEST_KN * KNOT)
        course = self._degrees(
            self._beside(talker, "navigation.courseOverGroundTrue", at), "course"
        )
        variation = self._degrees(
            self._beside(talker, "navigation.magneticVariation"), "variation", -0.5
        )
        told = Told(speed is not None, speed=speed, course=course, variation=variation)
        return Datum(talker, path, "motion", told)

    def _time(self, _at: int, talker: str, path: str, value: object) -> Datum:
        day, time = self._values.instant(value)
        return Datum(talker, path, "time", Told(time is not None, time, day))

    def _heading(self, _at: int, talker: str, path: str, value: object) -> Datum:
        degrees = self._degrees(value, "heading")
        if path.endswith("True"):
            return Datum(talker, path, "heading", Bearing(degrees), 0)
        variation = self._degrees(
            self._beside(talker, "navigation.magneticVariation"), "variation", -0.5
        )
        bearing = Bearing(turned(degrees, variation), degrees, variation)
        return Datum(talker, path, "heading", bearing, 1)

    def _water_speed(self, _at: int, talker: str, path: str, value: object) -> Datum:
        return Datum(
            talker,
            path,
            "water speed",
            self._number(value, "water speed", 0.0, FASTEST_KN * KNOT),
        )

    def _wind(self, at: int, talker: str, path: str, value: object) -> Datum:
        told, reference = _WINDS[path]
        speed = self._number(value, "wind speed", 0.0, WINDIEST_M_S)
        angle = self._beside(talker, told, at)
        if angle is not None:
            angle = math.degrees(angle) % 360.0
        return Datum(talker, path, "wind", WindTold(speed, angle, reference))

    def _temperature(self, _at: int, talker: str, path: str, value: object) -> Datum:
        kelvin = self._number(
            value, "water temperature", COLDEST_READING_K, WARMEST_READING_K
        )
        return Datum(talker, path, "temperature", celsius(kelvin))


def _talker(update: _Update) -> str:
    """Return the name of a value's source: `$source`, else the label with its number on the network."""
    if update.ref:
        return update.ref[:80]
    source = update.source or {}
    told = (source.get(key) for key in ("label", "src", "talker"))
    return ".".join(part for part in told if isinstance(part, str))[:80]
