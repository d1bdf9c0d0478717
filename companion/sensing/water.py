"""Water sentences: MTW (temperature) and VHW (speed through the water)."""

from __future__ import annotations

from companion.sensing.fields import Values
from companion.units import KNOT

COLDEST_READING_C, WARMEST_READING_C = -2.5, 40.0
"""Degrees Celsius. Sea water freezes near -1.9; no water with fish in it is warmer."""
_KILOMETRE_PER_HOUR = 1000.0 / 3600.0


def mtw(f: list[str], values: Values) -> float | None:
    """Return the water temperature, degrees Celsius; the letter C is the only unit of the standard."""
    if len(f) > 2 and f[2] not in ("C", ""):
        values.dropped["water temperature malformed"] += 1
        return None
    return values.number(f[1], "water temperature", COLDEST_READING_C, WARMEST_READING_C)


def vhw(f: list[str], values: Values) -> float | None:
    """Return the speed through the water, m/s, from knots, else from km/h."""
    if f[5]:
        speed = values.number(f[5], "water speed", 0.0, 100.0)
        return None if speed is None else speed * KNOT
    speed = values.number(f[7], "water speed", 0.0, 185.2) if len(f) > 7 else None
    return None if speed is None else speed * _KILOMETRE_PER_HOUR
