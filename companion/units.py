"""Units at the edges: metres inside, feet, yards, pounds and knots where a person reads or speaks.

Exact factors are those of NIST SP 811, appendix B.
"""

from __future__ import annotations

import math
from typing import Literal

LengthUnit = Literal["feet", "metres"]
"""The unit a person reads and hears depths in."""

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
POUND_FORCE = 4.4482216152605
"""Newtons in a pound-force (exact)."""
POUND = 0.45359237
"""Kilograms in a pound (exact)."""
OUNCE = POUND / 16.0
"""Kilograms in an ounce (exact)."""
GRAVITY = 9.80665
"""Standard acceleration of gravity, m/s2 (exact by definition)."""


def spoken_depth(metres: float, unit: LengthUnit) -> str:
    """Return a depth in the words it is spoken in: whole feet, or metres to one decimal.

    >>> spoken_depth(5.5, "feet")
    '18 feet'
    >>> spoken_depth(0.4, "feet")
    '1 foot'
    >>> spoken_depth(5.5, "metres")
    '5.5 metres'
    """
    if unit == "feet":
        whole = round(metres / FOOT)
        return f"{whole} {'foot' if whole == 1 else 'feet'}"
    return f"{metres:.1f} metres"


def round_steps(most: float) -> list[float]:
    """Return some five round numbers from 0 up to ``most`` (above 0), for the marks along an axis.

    >>> round_steps(23.0)
    [0.0, 5.0, 10.0, 15.0, 20.0]
    """
    rough = most / 5.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough)
    return [n * step for n in range(int(most / step) + 1)]
