"""Water sentences: MTW (temperature) and VHW (speed through the water)."""

from __future__ import annotations

from companion.sensing.fields import Values
from companion.sensing.named import fields_of
from companion.units import KILOMETRE_PER_HOUR, KNOT

COLDEST_READING_C, WARMEST_READING_C = -2.5, 40.0
"""Degrees Celsius. Sea water freezes near -1.9; no water with fish in it is warmer."""
_FREEZING_K = 273.15
COLDEST_READING_K = COLDEST_READING_C + _FREEZING_K
WARMEST_READING_K = WARMEST_READING_C + _FREEZING_K
"""The same in kelvin, as networks tell it."""
_mtw, _vhw = fields_of("MTW"), fields_of("VHW")


def celsius(kelvin: float | None) -> float | None:
    """Return a temperature in degrees Celsius; None where it is not known."""
    if kelvin is None:
        return None
    return kelvin - _FREEZING_K


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
        return values.in_unit(KNOT, told.water_speed_knots, "water speed", 0.0, 100.0)
    if len(f) <= 7:
        return None
    return values.in_unit(
        KILOMETRE_PER_HOUR, told.water_speed_km, "water speed", 0.0, 185.2
    )
