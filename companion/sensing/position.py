"""Position sentences: GGA, GNS, GLL, RMC, VTG and ZDA.

A receiver without a fix goes on sending: the last position with quality 0 or status V,
or zeros, or blanks. Whether the numbers mean anything is said by the quality (GGA), the
status (GLL, RMC) and the mode (GLL, RMC, VTG since NMEA 2.3; of GNS one letter for each
system of satellites). Dead reckoning, manual input and simulation (GGA 6, 7, 8; mode E,
M, S) are no place to log a fish at. The
newer status V at the end of an RMC (4.1) says only that the receiver does not vouch for
its integrity; hardly any does.
"""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from companion.sensing.fields import Values
from companion.sensing.named import fields_of
from companion.units import KILOMETRE_PER_HOUR, KNOT

FASTEST_KN = 100.0
"""Knots. No boat that casts goes faster."""
FIRST_NAV_STATUS_DAY = date(2012, 6, 1)
"""No RMC before NMEA 0183 4.10 closed with a navigational status (month from memory)."""
_NAV_STATUS_FIELD = 13
_FIXED_QUALITY = frozenset((1, 2, 3, 4, 5))
_gga, _gns, _gll, _rmc, _vtg = (
    fields_of("GGA"),
    fields_of("GNS"),
    fields_of("GLL"),
    fields_of("RMC"),
    fields_of("VTG"),
)
_FIXED_MODE = frozenset("ADPRF")


class Told(NamedTuple):
    """The content of a position sentence.

    `time` ms since midnight UTC, `day` the date; `place` (lat, lon) degrees; `speed`
    m/s; `course` degrees true; `variation` degrees, east positive; `hdop`. None: not
    told or void. `fixed`: the receiver says that it has a fix. `not_before`: no
    sentence of this form is older.
    """

    fixed: bool
    time: int | None = None
    day: date | None = None
    place: tuple[float, float] | None = None
    speed: float | None = None
    course: float | None = None
    variation: float | None = None
    hdop: float | None = None
    not_before: date | None = None


def gga(f: list[str], values: Values) -> Told:
    """Time, position and its quality."""
    told = _gga(f)
    time = values.time_of_day(f[1])
    if told.gps_qual not in _FIXED_QUALITY:
        values.dropped["position void"] += 1
        return Told(False, time)
    hdop = values.optional(told.horizontal_dil, "hdop", 0.01, 99.0)
    return Told(True, time, None, values.place(f[2:6]), None, None, None, hdop)


def gns(f: list[str], values: Values) -> Told:
    """Time, position and the mode of each system of satellites: what talks of several sends for GGA."""
    told = _gns(f)
    time = values.time_of_day(f[1])
    if _FIXED_MODE.isdisjoint(told.mode_indicator or ""):
        values.dropped["position void"] += 1
        return Told(False, time)
    hdop = values.optional(told.hdop, "hdop", 0.01, 99.0)
    return Told(True, time, None, values.place(f[2:6]), None, None, None, hdop)


def gll(f: list[str], values: Values) -> Told:
    """Position and, from most talkers, time and status; before NMEA 2.0 there was neither."""
    time = values.time_of_day(f[5]) if len(f) > 5 else None
    told = _gll(f)
    if (len(f) > 6 and told.status != "A") or not _mode_is_fix(told.faa_mode):
        values.dropped["position void"] += 1
        return Told(False, time)
    return Told(True, time, None, values.place(f[1:5]))


def rmc(f: list[str], values: Values) -> Told:
    """Time, date, position, speed, course, variation."""
    told = _rmc(f)
    time = values.time_of_day(f[1])
    if told.status != "A" or not _mode_is_fix(told.mode_indicator):
        values.dropped["position void"] += 1
        return Told(False, time)
    written = f[9]
    day = values.day(written[:2], written[2:4], written[4:])
    speed = values.in_unit(KNOT, told.spd_over_grnd, "speed", 0.0, FASTEST_KN)
    return Told(
        True,
        time,
        day,
        values.place(f[3:7]),
        speed,
        values.optional_figure(told.true_course, "course", 0.0, 360.0),
        values.signed(
            told.mag_variation or None, told.mag_var_dir, "EW", "variation", 180.0
        ),
        not_before=_oldest_of_form(f),
    )


def _oldest_of_form(f: list[str]) -> date | None:
    """Return the day before which no sentence of this form was sent; None where that is not known."""
    if len(f) > _NAV_STATUS_FIELD:
        return FIRST_NAV_STATUS_DAY
    return None


def vtg(f: list[str], values: Values) -> Told:
    """Course and speed, knots before kilometres an hour.

    The old form without unit letters has them in other places and is not read.
    """
    told = _vtg(f)
    if not _mode_is_fix(told.faa_mode):
        values.dropped["speed void"] += 1
        return Told(False)
    if told.true_track_sym not in ("T", "") or told.spd_over_grnd_kts_sym not in (
        "N",
        "",
    ):
        values.dropped["speed malformed"] += 1
        return Told(False)
    knots, unit = told.spd_over_grnd_kts, KNOT
    if knots is None and told.spd_over_grnd_kmph_sym == "K":
        knots, unit = told.spd_over_grnd_kmph, KILOMETRE_PER_HOUR
    speed = values.in_unit(unit, knots, "speed", 0.0, FASTEST_KN * KNOT / unit)
    course = values.optional_figure(told.true_track, "course", 0.0, 360.0)
    return Told(True, speed=speed, course=course)


def zda(f: list[str], values: Values) -> Told:
    """Time and date."""
    time = values.time_of_day(f[1])
    return Told(time is not None, time, values.day(f[2], f[3], f[4]))


def _mode_is_fix(mode: str) -> bool:
    return not mode or mode in _FIXED_MODE
