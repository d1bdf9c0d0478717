"""Numbers with units, as an owner writes them: "0.33 mm", "35 yards", "6,5 m", "3 lb 2 oz", "66 F".

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
    KILOMETRE_PER_HOUR,
    KNOT,
    MILE_PER_HOUR,
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
    "speed": {f"{unit}/s": factor for unit, factor in _LENGTHS.items()}
    | {"kn": KNOT, "mph": MILE_PER_HOUR, "km/h": KILOMETRE_PER_HOUR},
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
_SPELLED: Mapping[str, str] = {
    "millimetre": "mm", "millimeter": "mm", "centimetre": "cm", "centimeter": "cm",
    "metre": "m", "meter": "m", "inch": "in", "inche": "in", '"': "in", "”": "in", "″": "in",
    "foot": "ft", "feet": "ft", "'": "ft", "’": "ft", "′": "ft", "yard": "yd",
    "pound": "lb", "ounce": "oz", "gram": "g", "kilogram": "kg", "kilo": "kg",
    "knot": "kn", "kt": "kn", "celsius": "C", "fahrenheit": "F", "rpm": "/min",
    "second": "s", "minute": "min",
}  # fmt: skip
"""Units as people write them out, in the singular; that of "inches" is "inche" here."""
_SUMMED: Container[Kind] = ("length", "mass")
"""What people write in two units: "12 ft 6 in", "3 lb 2 oz"."""
_PART = re.compile(
    r"([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*[-°]?\s*(/?[A-Za-z]+(?:/[A-Za-z]+)?|['’′\"”″])\s*"
)
_WHOLE = re.compile(rf"\s*(?:{_PART.pattern})+")
_THOUSANDS = re.compile(r"[-+]?[1-9]\d*,\d{3}")
"""A number whose comma may part thousands as well as tenths."""


def _parts_in(text: object) -> list[tuple[str, str]]:
    """Return the numbers of a text, each with its unit; none where it is no such text."""
    if not isinstance(text, str) or not _WHOLE.fullmatch(text):
        return []
    return _PART.findall(text)


def _unit_of(written: str, units: Mapping[str, float]) -> str:
    """Return the unit that was written, in any case, in the plural, or spelled out; "" where it is none."""
    if written in units:
        return written
    ours = {unit.lower(): unit for unit in units}
    plain = written.lower()
    singular = plain.removesuffix("s")
    found = (ours.get(one) or _SPELLED.get(one, "") for one in (plain, singular))
    return next((unit for unit in found if unit in units), "")


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
        units, parts = _UNITS[self.kind], _parts_in(text)
        named = [_unit_of(written, units) for _, written in parts]
        sizes = [units.get(unit, 0.0) for unit in named]
        descend = sizes == sorted(set(sizes), reverse=True)
        alone = len(parts) == 1 or self.kind in _SUMMED
        if (
            not (parts and all(sizes) and descend and alone)
            or any(_THOUSANDS.fullmatch(number) for number, _ in parts)
            or any(number[0] in "+-" for number, _ in parts[1:])
        ):
            known = ", ".join(units)
            raise ValueError(
                f"expected a {self.kind} with its unit, like {_EXAMPLE[self.kind]} (units: {known})"
            )
        numbers = [float(number.replace(",", ".")) for number, _ in parts]
        value = (numbers[0] - _ZERO_AT.get(named[0], 0.0)) * sizes[0]
        for number, size in zip(numbers[1:], sizes[1:], strict=True):
            value += math.copysign(number * size, value)
        if not self.low <= value <= self.high:
            raise ValueError(f"must be {self._range(named[0])}")
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
