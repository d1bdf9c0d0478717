"""A plan in the few words that fit between two casts.

None of the words are a phrase that the companion listens for, so that it does not hear itself
(`companion.voice.grammar.Grammar.echoes`); tests/unit/test_plan_words.py tries them all.
"""

from __future__ import annotations

import math

from companion.casting.plan import Plan
from companion.units import YARD, LengthUnit
from companion.voice.grammar import clock_words, number_words

WILL, SHOULD = 0.9, 0.7
"""From which sureness a touch is said to be one that will or should come; below, it may."""

_COMPASS = ("north", "north east", "east", "south east", "south", "south west", "west", "north west")
_HERE, _FAR = 5.0, 95.0


def which_rod(plan: Plan | None, heading: float | None, unit: LengthUnit) -> str:
    """Return what to say to "which rod" for the best plan from where the boat lies.

    `heading` is the bow's, degrees true; without it the direction is that of a compass.

    >>> which_rod(None, 0.0, "feet")
    'nothing in range'
    """
    if plan is None:
        return "nothing in range"
    return (
        f"{number_words(plan.rod)} {_chance(plan.sureness)}, "
        f"{spoken_distance(plan.stand_off, unit)}, {_direction(plan.bearing, heading)}"
    )


def where_from(plan: Plan | None, boat: tuple[float, float] | None, unit: LengthUnit) -> str:
    """Return what to say to "where from": where to lie, which rod, which way.

    `boat` is east and north, m, of where it is now; without it, only on which side of what is fished.

    >>> where_from(None, None, "feet")
    'no good place found'
    """
    if plan is None:
        return "no good place found"
    throw = f"throw {number_words(plan.rod)} {compass(plan.bearing)}"
    if boat is None:
        return f"{compass(plan.bearing + 180.0)} of it, {throw}"
    east, north = plan.east - boat[0], plan.north - boat[1]
    away = math.hypot(east, north)
    if away < _HERE:
        return f"from here, {throw}"
    towards = compass(math.degrees(math.atan2(east, north)))
    return f"{spoken_distance(away, unit)} {towards}, {throw}"


def spoken_distance(metres: float, unit: LengthUnit) -> str:
    """Return a distance along the water in yards or metres: to five, from twenty on to ten, then "far".

    >>> spoken_distance(14.0, "feet"), spoken_distance(28.0, "feet"), spoken_distance(36.0, "metres")
    ('fifteen yards', 'thirty yards', 'forty metres')
    """
    far = metres / YARD if unit == "feet" else metres
    if far >= _FAR:
        return "far"
    step = 5 if far < 22.5 else 10
    name = "yards" if unit == "feet" else "metres"
    return f"{number_words(max(step * round(far / step), 5))} {name}"


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
    return clock_words(hour)


def _chance(sureness: float) -> str:
    return "will do" if sureness >= WILL else "should do" if sureness >= SHOULD else "may do"
