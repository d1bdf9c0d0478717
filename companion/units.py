"""Units at the edges: metres inside, feet, yards, pounds and knots where a person reads or speaks.

Exact factors are those of NIST SP 811, appendix B.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeVar

Figure = TypeVar("Figure")
"""A figure of any kind, for what is done alike with all of them."""

LengthUnit = Literal["feet", "metres"]
"""The unit a person reads and hears depths in."""

NINE_IN_TEN_SIGMAS = 1.645
"""Standard deviations either way that hold nine cases of ten, if errors are normal."""
ONE_SIDED_NINE_IN_TEN_SIGMAS = 1.282
"""Standard deviations that nine cases of ten do not exceed, if errors are normal."""
NINE_IN_TEN_RADIUS_SIGMAS = 2.146
"""The radius of the circle that holds nine places of ten, in standard deviations along
any line: the square root of -2 ln 0.1, if errors are normal and alike in every
direction (Rayleigh distribution)."""
FOOT = 0.3048
"""Metres in a foot (exact)."""
YARD = 0.9144
"""Metres in a yard (exact)."""
FATHOM = 1.8288
"""Metres in a fathom (exact)."""
INCH = 0.0254
"""Metres in an inch (exact)."""
KNOT = 1852.0 / 3600.0
"""Metres per second in a knot (exact)."""
KILOMETRE_PER_HOUR = 1000.0 / 3600.0
"""Metres per second in a kilometre per hour (exact)."""
MILE_PER_HOUR = 1609.344 / 3600.0
"""Metres per second in a mile per hour (exact)."""
POUND_FORCE = 4.4482216152605
"""Newtons in a pound-force (exact)."""
POUND = 0.45359237
"""Kilograms in a pound (exact)."""
OUNCE = POUND / 16.0
"""Kilograms in an ounce (exact)."""
GRAVITY = 9.80665
"""Standard acceleration of gravity, m/s2 (exact by definition)."""


def nine_in_ten_radius(along: float, across: float) -> float:
    """Return the radius of the circle that holds nine places of ten, m.

    Exact where the errors are alike in every direction and where they lie on one line,
    at most 2.8 % too wide between; the integral it stands for is that of Harter 1960,
    Circular error probabilities, J. Am. Stat. Assoc. 55.

    Args:
        along: the standard deviation along one line, m.
        across: the same at a right angle to it, m.
    """
    wide, narrow = max(along, across), min(along, across)
    both_ways = NINE_IN_TEN_RADIUS_SIGMAS**2 - NINE_IN_TEN_SIGMAS**2
    return math.sqrt(NINE_IN_TEN_SIGMAS**2 * wide**2 + both_ways * narrow**2)


def nine_in_ten_around(distance: float, sigma: float) -> float:
    """Return the radius of the circle that holds nine of ten things so far away, m, in a direction not known.

    Args:
        distance: to each, m.
        sigma: its standard deviation, m.
    """
    return distance + ONE_SIDED_NINE_IN_TEN_SIGMAS * sigma


def if_known(
    figure: Figure | None, write: Callable[[Figure], str], otherwise: str = "not known"
) -> str:
    """Return a figure as it is written, or what stands in its place when it is not known.

    >>> if_known(5.5, Units("metres").distance), if_known(None, Units().distance, "?")
    ('6 m', '?')
    """
    if figure is None:
        return otherwise
    return write(figure)


def spoken_depth(metres: float, unit: LengthUnit) -> str:
    """Return a depth in the words it is spoken in: whole feet, or metres to one decimal.

    >>> spoken_depth(5.5, "feet")
    '18 feet'
    >>> spoken_depth(0.4, "feet")
    '1 foot'
    >>> spoken_depth(5.5, "metres")
    '5.5 metres'
    """
    if unit == "metres":
        return f"{metres:.1f} metres"
    whole = round(metres / FOOT)
    if whole == 1:
        return "1 foot"
    return f"{whole} feet"


def rounded(value: float | None, digits: int) -> float | None:
    """Return a value to so many decimals; None, where it is not known, stays None.

    >>> rounded(1.2345, 2), rounded(None, 2)
    (1.23, None)
    """
    if value is None:
        return None
    return round(value, digits)


def round_steps(most: float) -> list[float]:
    """Return some five round numbers from 0 up to ``most`` (above 0), for the marks along an axis.

    >>> round_steps(23.0)
    [0.0, 5.0, 10.0, 15.0, 20.0]
    """
    rough = most / 5.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough)
    return [n * step for n in range(int(most / step) + 1)]


_FINE_COMPASS = (
    "north", "north-north-east", "north-east", "east-north-east",
    "east", "east-south-east", "south-east", "south-south-east",
    "south", "south-south-west", "south-west", "west-south-west",
    "west", "west-north-west", "north-west", "north-north-west",
)  # fmt: skip


def fine_compass(bearing: float) -> str:
    """Return the one of sixteen directions that is nearest to a bearing, degrees.

    >>> fine_compass(338.0), fine_compass(-1.0)
    ('north-north-west', 'north')
    """
    return _FINE_COMPASS[round((bearing % 360.0) / 22.5) % 16]


@dataclass(frozen=True)
class Units:
    """The units a person reads lengths, weights, temperatures and speeds in; asked once, handed on."""

    name: LengthUnit = "feet"

    @property
    def depth_unit(self) -> str:
        """The unit of depths, short."""
        return {"feet": "ft", "metres": "m"}[self.name]

    @property
    def distance_unit(self) -> str:
        """The unit of casts and distances, short."""
        return {"feet": "yd", "metres": "m"}[self.name]

    @property
    def depth_m(self) -> float:
        """Metres in the unit of depths."""
        return {"feet": FOOT, "metres": 1.0}[self.name]

    @property
    def distance_m(self) -> float:
        """Metres in the unit of distances."""
        return {"feet": YARD, "metres": 1.0}[self.name]

    @property
    def weight_kg(self) -> float:
        """Kilograms in the unit of weights."""
        return {"feet": POUND, "metres": 1.0}[self.name]

    def is_whole_weight(self, kilograms: float) -> bool:
        """Return whether a weight is so many whole pounds, or kilograms, and no ounces.

        >>> Units("feet").is_whole_weight(3.0 * POUND), Units("feet").is_whole_weight(3.0)
        (True, False)
        """
        return math.isclose(
            kilograms, round(kilograms / self.weight_kg) * self.weight_kg
        )

    def depth_number(self, metres: float) -> float:
        """Return a depth as a number in its unit, to a tenth."""
        return round(metres / self.depth_m, 1)

    def depth(self, metres: float | None) -> str:
        """Return a depth to a tenth with its unit, or that it is not known."""
        if metres is None:
            return "not known"
        return f"{self.depth_number(metres):.1f} {self.depth_unit}"

    def short_depth(self, metres: float | None) -> str:
        """Return a depth as it is spoken: whole feet, or metres to a tenth; or that it is not known.

        >>> Units("feet").short_depth(5.5), Units("metres").short_depth(5.5)
        ('18 ft', '5.5 m')
        """
        if metres is None:
            return "not known"
        if self.name == "metres":
            return f"{metres:.1f} m"
        return f"{round(metres / FOOT)} ft"

    def whole_depth(self, metres: float) -> str:
        """Return a depth to whole feet, or to half a metre."""
        if self.name == "metres":
            return f"{round(2.0 * metres) / 2.0:g} m"
        return f"{metres / FOOT:.0f} ft"

    def distance(self, metres: float) -> str:
        """Return the length of a cast or another distance over water."""
        return f"{metres / self.distance_m:.0f} {self.distance_unit}"

    def way(self, metres: float) -> str:
        """Return a way that the boat made."""
        if self.name == "metres":
            return f"{metres / 1000.0:.1f} km"
        return f"{metres / 1609.344:.1f} miles"

    def weight(self, kilograms: float) -> str:
        """Return a fish's weight."""
        if self.name == "metres":
            return f"{kilograms:.2f} kg"
        pounds, ounces = divmod(round(kilograms / POUND * 16), 16)
        if ounces == 0:
            return f"{pounds} lb"
        return f"{pounds} lb {ounces} oz"

    def temperature(self, celsius: float) -> str:
        """Return a temperature of the water."""
        if self.name == "metres":
            return f"{celsius:.1f} °C"
        return f"{celsius * 9.0 / 5.0 + 32.0:.0f} °F"

    def wind(self, metres_per_second: float, comes_from: float | None) -> str:
        """Return a wind, and where it comes from where that is known, degrees.

        >>> Units("feet").wind(4.0, 315.0), Units("metres").wind(4.0, None)
        ('9 mph from the north-west', '4.0 m/s')
        """
        if self.name == "feet":
            told = f"{metres_per_second / MILE_PER_HOUR:.0f} mph"
        else:
            told = f"{metres_per_second:.1f} m/s"
        if comes_from is None:
            return told
        return f"{told} from the {fine_compass(comes_from)}"

    def speed(self, metres_per_second: float) -> str:
        """Return the speed of a retrieve.

        >>> Units("feet").speed(0.9), Units("metres").speed(0.9)
        ('3.0 ft/s', '0.90 m/s')
        """
        if self.name == "feet":
            return f"{metres_per_second / FOOT:.1f} ft/s"
        return f"{metres_per_second:.2f} m/s"

    def round_distance(self, most_m: float) -> float:
        """Return the greatest round number of the unit of distances within so many metres, at least 1."""
        nice = [size * 10**power for power in range(5) for size in (1, 2, 5)]
        return float(
            max(
                size
                for size in nice
                if size * self.distance_m <= max(most_m, self.distance_m)
            )
        )
