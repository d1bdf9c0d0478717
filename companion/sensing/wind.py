"""Wind: the sentences MWV and MWD, and the wind over the ground from what a boat under way feels.

An anemometer tells the apparent wind: the air's movement past a boat that moves itself.
Instruments work the true wind out, off the bow or off north. Over the ground it is the
apparent one with the boat's own movement added, as vectors; that takes a heading and
the speed and course over ground.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from companion.sensing.fields import Values, turned
from companion.sensing.named import fields_of
from companion.units import KILOMETRE_PER_HOUR, KNOT

WINDIEST_M_S = 75.0
"""m/s. Stronger is no wind that a boat is out in."""
WindReference = Literal["north", "magnetic", "bow", "apparent"]
"""What a wind's angle is told from: true or magnetic north; the bow; the bow of a boat that moves itself."""
_METRES_PER_SECOND_IN = {"K": KILOMETRE_PER_HOUR, "N": KNOT, "M": 1.0}
_REFERENCES: dict[str, WindReference] = {"R": "apparent", "T": "bow"}
_mwv, _mwd = fields_of("MWV"), fields_of("MWD")


class WindTold(NamedTuple):
    """Speed, m/s, and the angle that the wind comes from, degrees clockwise from its reference."""

    speed: float | None
    angle: float | None = None
    reference: WindReference = "north"


def mwv(f: list[str], values: Values) -> WindTold:
    """Wind off the bow: apparent (R) or true (T), with the sender's own status."""
    told = _mwv(f)
    unit = _METRES_PER_SECOND_IN.get(told.wind_speed_units)
    reference = _REFERENCES.get(told.reference)
    if told.status != "A" or unit is None or reference is None:
        values.dropped["wind void"] += 1
        return WindTold(None)
    speed = values.in_unit(
        unit, told.wind_speed, "wind speed", 0.0, WINDIEST_M_S / unit
    )
    angle = values.optional_figure(told.wind_angle, "wind angle", 0.0, 360.0)
    return WindTold(speed, angle, reference)


def mwd(f: list[str], values: Values) -> WindTold:
    """Wind off north: true, else magnetic; metres per second, else knots."""
    told = _mwd(f)
    speed = values.optional_figure(
        told.wind_speed_meters, "wind speed", 0.0, WINDIEST_M_S
    )
    if speed is None:
        speed = values.in_unit(
            KNOT, told.wind_speed_knots, "wind speed", 0.0, WINDIEST_M_S / KNOT
        )
    angle = values.optional_figure(told.direction_true, "wind angle", 0.0, 360.0)
    if angle is not None:
        return WindTold(speed, angle)
    return WindTold(
        speed,
        values.optional_figure(told.direction_magnetic, "wind angle", 0.0, 360.0),
        "magnetic",
    )


def wind_over_ground(
    told: WindTold, heading: float | None, motion: tuple[float | None, float | None]
) -> tuple[float | None, float | None]:
    """Return the wind's speed, m/s, and where it comes from, degrees true; None where that is not known.

    Args:
        told: the wind as an instrument tells it; never from magnetic north.
        heading: the bow's, degrees true.
        motion: the boat's speed over ground, m/s, and course, degrees true.
    """
    if told.speed is None:
        return None, None
    if told.reference == "north":
        return told.speed, told.angle
    off_north = turned(heading, told.angle)
    if told.reference == "bow":
        return told.speed, off_north
    speed, course = motion
    if off_north is None or speed is None or course is None:
        return None, None
    felt, towards = math.radians(off_north), math.radians(course)
    east = told.speed * math.sin(felt) - speed * math.sin(towards)
    north = told.speed * math.cos(felt) - speed * math.cos(towards)
    return math.hypot(east, north), math.degrees(math.atan2(east, north)) % 360.0
