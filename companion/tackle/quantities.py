"""Numbers with units, as an owner writes them: "0.33 mm", "35 yd", "12 lb", "4 in/s", "66 F".

A field of a frozen struct says which kind it is and what range makes sense, through
`typing.Annotated`: ``diameter: Annotated[float, Quantity("length", 0.05e-3, 2e-3)]``.
The field itself holds SI.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from companion.units import (
    FATHOM,
    FOOT,
    GRAVITY,
    INCH,
    KNOT,
    OUNCE,
    POUND,
    POUND_FORCE,
    YARD,
)

Kind = Literal[
    "length", "speed", "strength", "mass", "temperature", "rate", "time", "size"
]
"""What a number with a unit measures."""

_LENGTHS = {
    "mm": 1e-3,
    "cm": 1e-2,
    "m": 1.0,
    "in": INCH,
    "ft": FOOT,
    "yd": YARD,
    "fathom": FATHOM,
}
_UNITS: Mapping[Kind, Mapping[str, float]] = {
    "length": _LENGTHS,
    "speed": {f"{unit}/s": factor for unit, factor in _LENGTHS.items()} | {"kn": KNOT},
    "strength": {"lb": POUND_FORCE, "kg": GRAVITY, "N": 1.0},
    "mass": {"g": 1e-3, "kg": 1.0, "oz": OUNCE, "lb": POUND},
    "temperature": {"C": 1.0, "F": 5.0 / 9.0},
    "rate": {"/s": 1.0, "/min": 1.0 / 60.0},
    "time": {"s": 1.0, "min": 60.0, "ms": 1e-3},
    "size": {"MB": 1e6, "GB": 1e9},
}
_ZERO_AT = {"F": 32.0}
_EXAMPLE: Mapping[Kind, str] = {
    "length": '"0.33 mm", "28 in" or "35 yd"',
    "speed": '"0.9 m/s" or "4 in/s"',
    "strength": '"12 lb" or "5.4 kg"',
    "mass": '"0.7 oz" or "20 g"',
    "temperature": '"66 F" or "19 C"',
    "rate": '"1.2 /s" or "70 /min"',
    "time": '"1.5 s"',
    "size": '"8 GB" or "500 MB"',
}
_FORM = re.compile(
    r"\s*([-+]?(?:\d+\.?\d*|\.\d+))\s*°?\s*(/?[A-Za-z]+(?:/[A-Za-z]+)?)\s*"
)


def _unit_of(form: re.Match[str] | None, units: Container[str]) -> str:
    """Return the unit in a text, in the singular where only that is known; "" where the text is none."""
    if not form:
        return ""
    if form[2] in units:
        return form[2]
    return form[2].rstrip("s")


@dataclass(frozen=True)
class Quantity:
    """A number with a unit: what it measures, and the least and greatest value that makes sense (SI)."""

    kind: Kind
    low: float = -math.inf
    high: float = math.inf

    def read(self, text: object) -> float:
        """Return the value of ``text`` in SI (temperatures in degrees Celsius).

        >>> Quantity("length").read("35 yd")
        32.004
        >>> round(Quantity("temperature").read("66 F"), 1)
        18.9

        Raises:
            ValueError: no number with a unit of this kind, or out of range; the message
                is fit to show.
        """
        form = _FORM.fullmatch(text) if isinstance(text, str) else None
        units = _UNITS[self.kind]
        unit = _unit_of(form, units)
        if form is None or unit not in units:
            known = ", ".join(units)
            raise ValueError(
                f"expected a {self.kind} with its unit, like {_EXAMPLE[self.kind]} (units: {known})"
            )
        value = (float(form[1]) - _ZERO_AT.get(unit, 0.0)) * units[unit]
        if not self.low <= value <= self.high:
            raise ValueError(f"must be {self._range(unit)}")
        return value

    def _range(self, unit: str) -> str:
        low, high = (self._written(value, unit) for value in (self.low, self.high))
        if math.isinf(self.high):
            return f"at least {low}"
        if math.isinf(self.low):
            return f"at most {high}"
        return f"between {low} and {high}"

    def _written(self, value: float, unit: str) -> str:
        return f"{value / _UNITS[self.kind][unit] + _ZERO_AT.get(unit, 0.0):.3g} {unit}"


Diameter = Annotated[float, Quantity("length", 0.05e-3, 1.5e-3)]
"""A line's diameter, m."""
Depth = Annotated[float, Quantity("length", 0.1, 60.0)]
"""A depth a lure is said to reach, m."""
Cast = Annotated[float, Quantity("length", 5.0, 150.0)]
"""The length of a cast, m."""
TipHeight = Annotated[float, Quantity("length", -2.0, 5.0)]
"""The height of a rod tip above the water, m; negative below it."""
Strength = Annotated[float, Quantity("strength", 1.0, 2000.0)]
"""The strength a line is sold by, N."""
