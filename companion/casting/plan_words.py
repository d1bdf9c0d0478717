"""A plan in the few words that fit between two casts.

None of the words are a phrase that the companion listens for, so that it does not hear itself
(`companion.voice.grammar.Grammar.echoes`); tests/unit/test_plan_words.py tries them all.
"""

from __future__ import annotations

import math

from companion.casting.plan import Plan
from companion.units import YARD, LengthUnit
from companion.voice.grammar import number_words

WILL, SHOULD = 0.9, 0.7
"""From which sureness a touch is said to be one that will or should come; below, it may."""

_COMPASS = ("north", "north east", "east", "south east", "south", "south west", "west", "north west")
_COUNTED = 97.5


def which_rod(plan: Plan | None, heading: float | None, unit: LengthUnit) -> str:
    """Return what to say to "which rod" for the best plan from where the boat lies.

    `heading` is the bow's, degrees true; without it the direction is that of a compass.

    >>> which_rod(None, 0.0, "feet")
    'nothing in range'
    """
    if plan is None:
        return "nothing in range"
    return (
        f"number {number_words(plan.rod)} {_chance(plan.sureness)}, "
        f"{spoken_distance(plan.stand_off, unit)} off, {_direction(plan.bearing, heading)}"
    )


def where_from(plan: Plan | None, boat: tuple[float, float] | None, unit: LengthUnit) -> str:
    """Return what to say to "where from": where to lie, which rod, which way.

    `boat` is east and north, m, of where it is now; without it the place is told from the middle of
    what is fished.

    >>> where_from(None, None, "feet")
    'no good place found'
    """
    if plan is None:
        return "no good place found"
    from_east, from_north = boat or plan.at(0.5 * (plan.begins + plan.ends))
    east, north = plan.east - from_east, plan.north - from_north
    away, bearing = math.hypot(east, north), math.degrees(math.atan2(east, north))
    here = boat is not None and away < 5.0
    lie = "from here" if here else f"{spoken_distance(away, unit)} {compass(bearing)}"
    lie = lie if here or boat is not None else f"{lie} of it"
    return f"{lie}, number {number_words(plan.rod)}, throw {compass(plan.bearing)}"


def spoken_distance(metres: float, unit: LengthUnit) -> str:
    """Return a distance along the water in yards or metres, to five, from a hundred on to a hundred.

    >>> spoken_distance(28.0, "feet"), spoken_distance(28.0, "metres"), spoken_distance(210.0, "metres")
    ('thirty yards', 'thirty metres', 'two hundred metres')
    """
    far = metres / YARD if unit == "feet" else metres
    name = "yards" if unit == "feet" else "metres"
    if far < _COUNTED:
        return f"{number_words(max(5 * round(far / 5.0), 5))} {name}"
    return f"{number_words(min(max(round(far / 100.0), 1), 99))} hundred {name}"


def compass(bearing: float) -> str:
    """Return the one of eight directions that is nearest to a bearing, degrees.

    >>> compass(350.0), compass(-40.0)
    ('north', 'north west')
    """
    return _COMPASS[round((bearing % 360.0) / 45.0) % 8]


def _direction(bearing: float, heading: float | None) -> str:
    if heading is None:
        return compass(bearing)
    hour = round(((bearing - heading) % 360.0) / 30.0) % 12 or 12
    return f"at {number_words(hour)} o'clock"


def _chance(sureness: float) -> str:
    return "will do" if sureness >= WILL else "should do" if sureness >= SHOULD else "may do"
