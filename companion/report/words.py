"""Words of the report: places, spans of time, counts, sizes."""

from __future__ import annotations

from companion.events import Fix, Logged
from companion.units import Units


def size_words(thing: Logged, units: Units) -> str:
    """Return a fish's weight, a mark's depth or a cast's length; "" when none was said."""
    if thing.size is None:
        return ""
    if thing.what == "cast":
        return units.distance(thing.size)
    return units.weight(thing.size) if thing.what == "fish" else units.depth(thing.size)


def place(fix: Fix | None) -> str:
    """Return a place in degrees, or that it is not known."""
    return "not known" if fix is None else f"{fix.lat:.5f}, {fix.lon:.5f}"


def lasting(seconds: float) -> str:
    """Return a time span, such as "16 minutes" or "9 h 40 min"."""
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} minute" + ("" if minutes == 1 else "s")
    return f"{minutes // 60} h {minutes % 60:02d} min"


def count(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun, such as "no casts", "one cast", "12 casts"."""
    words = (
        "no",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
    )
    said = words[number] if number < len(words) else str(number)
    return f"{said} {one if number == 1 else many or one + 's'}"
