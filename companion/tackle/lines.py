"""Lines as people describe them: a material, and a diameter, a size number, or only a strength.

Drag goes with the diameter, so the diameter the owner measured is worth most. A size
number is a standard diameter. A strength says least: makers and materials differ, so it
comes with a wide uncertainty, and `LineSpec.doubt` says so.
"""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import Literal

import msgspec

from companion import dive
from companion.tackle.quantities import Diameter, Strength
from companion.units import POUND_FORCE

Material = Literal["nylon", "fluorocarbon", "braid"]
"""What a line is made of."""

DENSITY_KG_M3 = MappingProxyType(
    {"nylon": 1140.0, "fluorocarbon": 1775.0, "braid": 970.0}
)
"""kg/m3: polyamide 6; polyvinylidene fluoride (1770-1780); ultra-high-molecular-weight polyethylene."""

SIZE_DIAMETER_M = MappingProxyType(
    {
        1.0: 0.165e-3,
        1.5: 0.205e-3,
        2.0: 0.235e-3,
        2.5: 0.260e-3,
        3.0: 0.285e-3,
        4.0: 0.330e-3,
        5.0: 0.370e-3,
        6.0: 0.405e-3,
        8.0: 0.470e-3,
        10.0: 0.520e-3,
    }
)
"""Monofilament size number -> diameter, m: the Japanese trade standard of 2010, as quoted in the trade."""

THINNEST_LINE_M, THICKEST_LINE_M = 0.05e-3, 1.5e-3
"""Range of lines' diameters, m."""
_POUNDS_PER_SIZE = MappingProxyType({"nylon": 4.0, "fluorocarbon": 4.0})
_BRAID_AT_30_LB = 0.27e-3
_SIGMA = MappingProxyType(
    {"diameter": 0.02, "size": 0.03, "strength": 0.10, "braid strength": 0.15}
)

_ODD_THICKNESS = 1.6
"""A line so many times thicker or thinner than others of its strength is likely mistyped."""


class LineSpec(msgspec.Struct, frozen=True):
    """A line as its owner describes it; give the diameter if you can.

    Attributes:
        material: nylon, fluorocarbon or braid.
        diameter: m, or None.
        size: standard monofilament size number, or None.
        strength: what the line is sold and spoken of by, N, or None.
    """

    material: Material
    diameter: Diameter | None = None
    size: float | None = None
    strength: Strength | None = None

    def __post_init__(self) -> None:
        """Check that the description gives a thickness.

        Raises:
            ValueError: none of diameter, size and strength is given, or the size is out
                of range.
        """
        if self.diameter is None and self.size is None and self.strength is None:
            raise ValueError(
                'give the diameter ("0.33 mm"), the size (4) or at least the strength ("17 lb")'
            )
        if self.size is not None and not 0.1 <= self.size <= 40:
            raise ValueError("size must be a standard size number between 0.1 and 40")
        if self.size is not None and self.material == "braid" and self.diameter is None:
            raise ValueError(
                "size numbers here are for single filaments; give the braid's diameter"
            )
        if not THINNEST_LINE_M <= self.thickness <= THICKEST_LINE_M:
            raise ValueError(
                f"a line of this strength would be {self.thickness * 1e3:.2g} mm thick; "
                f"expected {THINNEST_LINE_M * 1e3:g} to {THICKEST_LINE_M * 1e3:g} mm: "
                "check it, or give the diameter"
            )

    @property
    def thickness(self) -> float:
        """Best estimate of the diameter, m."""
        if self.diameter is not None:
            return self.diameter
        if self.size is not None:
            return size_diameter(self.size)
        return strength_diameter(self.material, self.strength or 0.0)

    @property
    def thickness_sigma(self) -> float:
        """Relative standard deviation of `thickness`."""
        if self.diameter is not None:
            return _SIGMA["diameter"]
        if self.size is not None:
            return _SIGMA["size"]
        if self.material == "braid":
            return _SIGMA["braid strength"]
        return _SIGMA["strength"]

    @property
    def doubt(self) -> str | None:
        """A sentence for the owner when the thickness is a guess, or does not fit the strength; else None."""
        if self.diameter is not None or self.size is not None:
            return self._misfit()
        return (
            f"{self.name}: thickness guessed from its strength, "
            f"{self.thickness * 1e3:.2f} mm give or take {100 * self.thickness_sigma:.0f} %; "
            "measure it if you can"
        )

    def _misfit(self) -> str | None:
        if self.strength is None:
            return None
        usual = strength_diameter(self.material, self.strength)
        if 1.0 / _ODD_THICKNESS <= self.thickness / usual <= _ODD_THICKNESS:
            return None
        return (
            f"{self.name}: {self.thickness * 1e3:.2g} mm thick as described, but such a "
            f"line is about {usual * 1e3:.2f} mm; check both"
        )

    @property
    def name(self) -> str:
        """Return what the line is called, such as "12 lb fluorocarbon" or "0.33 mm nylon"."""
        if self.strength is not None:
            return f"{self.strength / POUND_FORCE:.3g} lb {self.material}"
        if self.size is not None and self.diameter is None:
            return f"size {self.size:g} {self.material}"
        return f"{self.thickness * 1e3:.3g} mm {self.material}"

    @property
    def pounds(self) -> int | None:
        """The strength as it is spoken of, whole pounds; None when it was not given."""
        if self.strength is None:
            return None
        return round(self.strength / POUND_FORCE)

    def physics(self) -> dive.Line:
        """Return the line as the dive model knows it."""
        return dive.Line(diameter=self.thickness, density=DENSITY_KG_M3[self.material])


def size_diameter(size: float) -> float:
    """Return the diameter, m, of a standard monofilament size: the table, else 0.165 mm * sqrt(size).

    The square-root rule is within 1.6 % of the table where both exist.
    """
    return SIZE_DIAMETER_M.get(size, 0.165e-3 * math.sqrt(size))


def strength_diameter(material: Material, strength: float) -> float:
    """Return a typical diameter, m, of a line sold as ``strength`` N. Common practice, no source.

    Single filaments: about four pounds a size number (12 lb is size 3). Braid: 30 lb is
    about 0.27 mm, and strength goes with the square of the diameter. Makers differ by
    10-15 % (one sigma).
    """
    pounds = strength / POUND_FORCE
    if material == "braid":
        return _BRAID_AT_30_LB * math.sqrt(pounds / 30.0)
    return 0.165e-3 * math.sqrt(pounds / _POUNDS_PER_SIZE[material])
