"""Water sentences: MTW (temperature) and VHW (speed through the water)."""

from __future__ import annotations

from companion.sensing.fields import Values
from companion.sensing.named import fields_of
from companion.units import KNOT

COLDEST_READING_C, WARMEST_READING_C = -2.5, 40.0
"""Degrees Celsius. Sea water freezes near -1.9; no water with fish in it is warmer."""
_mtw, _vhw = fields_of("MTW"), fields_of("VHW")
_KILOMETRE_PER_HOUR = 1000.0 / 3600.0


def mtw(f: list[str], values: Values) -> float | None:
    """Return the water temperature, degrees Celsius; the letter C is the only unit of the standard."""
    told = _mtw(f)
    if told.units not in ("C", ""):
        values.dropped["water temperature malformed"] += 1
        return None
    return values.figure(
        told.temperature, "water temperature", COLDEST_READING_C, WARMEST_READING_C
    )


def vhw(f: list[str], values: Values) -> float | None:
    """Return the speed through the water, m/s, from knots, else from km/h."""
    told = _vhw(f)
    if told.water_speed_knots is not None:
        speed = values.figure(told.water_speed_knots, "water speed", 0.0, 100.0)
        return None if speed is None else speed * KNOT
    speed = (
        values.figure(told.water_speed_km, "water speed", 0.0, 185.2)
        if len(f) > 7
        else None
    )
    return None if speed is None else speed * _KILOMETRE_PER_HOUR
