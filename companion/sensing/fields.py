"""Fields to values: a number in range or None, and every None with its reason counted.

Sensors say "not known" in many ways: an empty field, a row of nines, 4294967.295 (all
bits set, in millimetres), 6553.5, NaN, 0.00 for a lost bottom, 0,0 for a lost position.
None of these may become a number; a range check takes the rows of bits and nines, the
sentence families know the rest.
"""

from __future__ import annotations

import contextlib
import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta

_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)").fullmatch
# Only digits: float() alone would take "nan", "inf", "1_0", "1e5" and " 7".
_NUMERAL = re.compile(r"\d{1,4}").fullmatch

DAY_MS = 86_400_000
"""Milliseconds in a day."""
_EPOCH = date(1970, 1, 1).toordinal()
CREDIBLE_YEARS = range(1980, 2200)
"""The years that a wire or a recording can tell: GPS began in 1980, and no boat carries this past 2199."""
END_OF_TIME_MS = (date(CREDIBLE_YEARS.stop, 1, 1) - date(1970, 1, 1)).days * DAY_MS
"""The first instant of UTC, ms, that can no longer be told."""


def turned(bearing: float | None, by: float | None) -> float | None:
    """Return a bearing turned clockwise, degrees 0..360; None where either is not known."""
    if bearing is None or by is None:
        return None
    return (bearing + by) % 360.0


def ms_written(found: re.Match[bytes] | None) -> int | None:
    """Return the ISO 8601 instant in a match's first group as ms of UTC; None without one."""
    if found is None:
        return None
    return Values(Counter()).epoch_ms(found[1].decode("ascii", "replace"))


class Values:
    """Reads fields; counts in `dropped` why one was not a value ("depth blank", "speed out of range")."""

    def __init__(self, dropped: Counter[str]) -> None:
        self.dropped = dropped
        self._time_of_day: dict[str, int] = {}
        self._place: tuple[list[str], tuple[float, float] | None] = ([], None)

    def number(self, text: str, what: str, low: float, high: float) -> float | None:
        """Return the number in a field if it lies in low..high, else None."""
        if _NUMBER(text):
            value = float(text)
            if low <= value <= high:
                return value
            self.dropped[what + " out of range"] += 1
        else:
            self._drop(what, malformed=bool(text.strip()))
        return None

    def figure(self, value: object, what: str, low: float, high: float) -> float | None:
        """Return a field that was converted if it is a number in low..high; None: blank, text: no number."""
        if value is None:
            self.dropped[what + " blank"] += 1
        elif isinstance(value, str):
            self._drop(what, malformed=bool(value.strip()))
        else:
            return self.real(float(value), what, low, high)  # type: ignore[arg-type]
        return None

    def in_unit(
        self, unit: float, value: object, what: str, low: float, high: float
    ) -> float | None:
        """Return like `figure`, times the size of the unit that the field, `low` and `high` are in."""
        number = self.figure(value, what, low, high)
        if number is None:
            return None
        return number * unit

    def optional_figure(
        self, value: object, what: str, low: float, high: float
    ) -> float | None:
        """Return like `figure`; a blank field is not worth counting."""
        if value is None:
            return None
        return self.figure(value, what, low, high)

    def optional(self, text: str, what: str, low: float, high: float) -> float | None:
        """Return like `number`; a blank field is not worth counting."""
        if not text:
            return None
        return self.number(text, what, low, high)

    def real(
        self, value: float | None, what: str, low: float, high: float
    ) -> float | None:
        """Return a number that is one already if it lies in low..high; None is not worth counting."""
        if value is None or low <= value <= high:
            return value
        self.dropped[what + " out of range"] += 1
        return None

    def signed(
        self, number: object, side: str, sides: str, what: str, high: float
    ) -> float | None:
        """Return a number with its side in the next field: positive for sides[0], negative for sides[1]."""
        if isinstance(number, str):
            value = self.optional(number, what, 0.0, high)
        else:
            value = self.optional_figure(number, what, 0.0, high)
        if value is None:
            return None
        if side == sides[0]:
            return value
        if side == sides[1]:
            return -value
        self.dropped[what + " malformed"] += 1
        return None

    def place(self, fields: list[str]) -> tuple[float, float] | None:
        """Return latitude and longitude, degrees, from the four fields ddmm.mm, N, dddmm.mm, E.

        Exactly 0, 0 is what a receiver without a fix sends and no lake has; it is None.
        """
        known, place = self._place
        if fields == known and place is not None:  # RMC repeats what GGA has just said
            return place
        lat_text, north, lon_text, east = fields
        lat = self._angle(lat_text, north, "NS", 90)
        lon = self._angle(lon_text, east, "EW", 180)
        if lat is None or lon is None:
            self._drop("position", malformed=any(fields))
            return None
        if lat == 0.0 and lon == 0.0:
            self.dropped["position at 0, 0"] += 1
            return None
        place = (lat, lon)
        self._place = (fields, place)
        return place

    def degrees(
        self, lat: float | None, lon: float | None
    ) -> tuple[float, float] | None:
        """Return latitude and longitude that are degrees already; None as for `place`."""
        if lat is None or lon is None:
            self.dropped["position blank"] += 1
            return None
        if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
            self.dropped["position malformed"] += 1
            return None
        if lat == 0.0 and lon == 0.0:
            self.dropped["position at 0, 0"] += 1
            return None
        return lat, lon

    def instant(self, text: object) -> tuple[date | None, int | None]:
        """Return the date and the ms since midnight UTC of an ISO 8601 instant; None, None without one."""
        if text is None:
            return None, None
        with contextlib.suppress(TypeError, ValueError, OverflowError):
            told = datetime.fromisoformat(text)  # type: ignore[arg-type]
            utc = told.astimezone(UTC)
            if told.tzinfo is not None and utc.year in CREDIBLE_YEARS:
                midnight = utc.replace(hour=0, minute=0, second=0, microsecond=0)
                return utc.date(), (utc - midnight) // timedelta(milliseconds=1)
        self.dropped["time malformed"] += 1
        return None, None

    def epoch_ms(self, text: object) -> int | None:
        """Return an ISO 8601 instant as ms of UTC; None without one."""
        day, time = self.instant(text)
        if day is None or time is None:
            return None
        return (day.toordinal() - _EPOCH) * DAY_MS + time

    def _drop(self, what: str, *, malformed: bool) -> None:
        """Count a field that is no value, malformed or else blank."""
        if malformed:
            self.dropped[what + " malformed"] += 1
        else:
            self.dropped[what + " blank"] += 1

    def _angle(self, text: str, side: str, sides: str, limit: int) -> float | None:
        if not _NUMBER(text) or side not in sides or not side:
            return None
        whole = float(text)
        degrees = whole // 100.0
        minutes = whole - degrees * 100.0
        if whole < 0.0 or minutes >= 60.0:
            return None
        angle = degrees + minutes / 60.0
        if angle > limit:
            return None
        if side == sides[0]:
            return angle
        return -angle

    def time_of_day(self, text: str) -> int | None:
        """Return ms since midnight UTC from hhmmss or hhmmss.ss; None when blank or malformed."""
        known = self._time_of_day.get(text)
        if known is not None:
            return known
        if not _NUMBER(text) or not text[:6].isdecimal() or len(text) < 6:
            self._drop("time", malformed=bool(text))
            return None
        hours, minutes, seconds = int(text[:2]), int(text[2:4]), float(text[4:])
        if hours > 23 or minutes > 59 or seconds >= 61.0:
            self.dropped["time malformed"] += 1
            return None
        self._time_of_day.clear()  # the same instant comes in two or three sentences, then never again
        value = (hours * 3600 + minutes * 60) * 1000 + round(seconds * 1000.0)
        self._time_of_day[text] = value
        return value

    def day(self, dd: str, mm: str, year: str) -> date | None:
        """Return the date, in one of `CREDIBLE_YEARS`; a year of two digits is one of 1980..2079."""
        if not (dd or mm or year):
            return None
        if all(_NUMERAL(part) for part in (dd, mm, year)):
            number = int(year)
            if len(year) == 2:
                number += 1900
                if number not in CREDIBLE_YEARS:
                    number += 100
            with contextlib.suppress(ValueError):
                if number in CREDIBLE_YEARS:
                    return date(number, int(mm), int(dd))
        self.dropped["date malformed"] += 1
        return None
