"""Position sentences: GGA, GLL, RMC, VTG and ZDA.

A receiver without a fix goes on sending: the last position with quality 0 or status V, or zeros, or
blanks. Whether the numbers mean anything is said by the quality (GGA), the status (GLL, RMC) and the mode
(GLL, RMC, VTG since NMEA 2.3). Dead reckoning, manual input and simulation (GGA 6, 7, 8; mode E, M, S) are
no place to log a fish at. The newer status V at the end of an RMC (4.1) says only that the receiver does
not vouch for its integrity; hardly any does.
"""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from companion.sensing.fields import Values
from companion.units import KNOT

FASTEST_KN = 100.0
"""Knots. No boat that casts goes faster."""
_FIXED_QUALITY = frozenset("12345")
_FIXED_MODE = frozenset("ADPRF")


class Told(NamedTuple):
    """The content of a position sentence.

    `time` ms since midnight UTC, `day` the date; `place` (lat, lon) degrees; `speed` m/s; `course` degrees
    true; `variation` degrees, east positive; `hdop`. None: not told or void. `fixed`: the receiver says
    that it has a fix.
    """

    fixed: bool
    time: int | None = None
    day: date | None = None
    place: tuple[float, float] | None = None
    speed: float | None = None
    course: float | None = None
    variation: float | None = None
    hdop: float | None = None


def gga(f: list[str], values: Values) -> Told:
    """Time, position and its quality."""
    time = values.time_of_day(f[1])
    if f[6] not in _FIXED_QUALITY:
        values.dropped["position void"] += 1
        return Told(False, time)
    return Told(True, time, None, values.place(f[2:6]), None, None, None, _hdop(f[8], values))


def gll(f: list[str], values: Values) -> Told:
    """Position and, from most talkers, time and status; before NMEA 2.0 there was neither."""
    time = values.time_of_day(f[5]) if len(f) > 5 else None
    if (len(f) > 6 and f[6] != "A") or not _mode_is_fix(f, 7):
        values.dropped["position void"] += 1
        return Told(False, time)
    return Told(True, time, None, values.place(f[1:5]))


def rmc(f: list[str], values: Values) -> Told:
    """Time, date, position, speed, course, variation."""
    time = values.time_of_day(f[1])
    if f[2] != "A" or not _mode_is_fix(f, 12):
        values.dropped["position void"] += 1
        return Told(False, time)
    written = f[9]
    day = values.day(written[:2], written[2:4], written[4:]) if written else None
    speed = values.number(f[7], "speed", 0.0, FASTEST_KN)
    return Told(
        True,
        time,
        day,
        values.place(f[3:7]),
        None if speed is None else speed * KNOT,
        values.optional(f[8], "course", 0.0, 360.0),
        values.signed(f[10], f[11], "EW", "variation", 180.0) if len(f) > 11 and f[10] else None,
    )


def vtg(f: list[str], values: Values) -> Told:
    """Course and speed; the old form without unit letters has them in other places and is not read."""
    if not _mode_is_fix(f, 9):
        values.dropped["speed void"] += 1
        return Told(False)
    if f[2] not in ("T", "") or f[6] not in ("N", ""):
        values.dropped["speed malformed"] += 1
        return Told(False)
    speed = values.number(f[5], "speed", 0.0, FASTEST_KN)
    course = values.optional(f[1], "course", 0.0, 360.0)
    return Told(True, speed=None if speed is None else speed * KNOT, course=course)


def zda(f: list[str], values: Values) -> Told:
    """Time and date."""
    time = values.time_of_day(f[1])
    return Told(time is not None, time, values.day(f[2], f[3], f[4]))


def _mode_is_fix(f: list[str], at: int) -> bool:
    return len(f) <= at or not f[at] or f[at] in _FIXED_MODE


def _hdop(text: str, values: Values) -> float | None:
    """Return the dilution of precision; 99.9 and above is a receiver's "none"."""
    return values.optional(text, "hdop", 0.01, 99.0)
