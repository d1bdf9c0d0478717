"""Words of the report: places, spans of time, counts, sizes."""

from __future__ import annotations

from companion.events import Fix, Logged
from companion.units import Units, if_known


def size_words(thing: Logged, units: Units) -> str:
    """Return a fish's weight, a mark's depth or a cast's length; "" when none was said."""
    unit_of = {"cast": units.distance, "fish": units.weight}
    return if_known(thing.size, unit_of.get(thing.what, units.depth), "")


def place(fix: Fix | None) -> str:
    """Return a place in degrees, or that it is not known."""
    if fix is None:
        return "not known"
    return f"{fix.lat:.5f}, {fix.lon:.5f}"


def lasting(seconds: float) -> str:
    """Return a time span, such as "16 minutes" or "9 h 40 min"."""
    minutes = round(seconds / 60.0)
    if minutes == 1:
        return "1 minute"
    if minutes < 120:
        return f"{minutes} minutes"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun, such as "no casts", "one cast", "12 casts"."""
    if number == 1:
        return f"one {one}"
    return f"{_NUMBER_WORDS.get(number, number)} {many or one + 's'}"


_NUMBER_WORDS = dict(enumerate((
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
)))  # fmt: skip
