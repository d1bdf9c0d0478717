"""Fresh water at atmospheric pressure: density and viscosity against temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass

from companion.dive.limits import within

COLDEST_WATER_C, WARMEST_WATER_C = 0.0, 40.0
"""Range of water temperature the formulas are used in, degrees Celsius."""


@dataclass(frozen=True, slots=True)
class Water:
    """Fresh water at a temperature in degrees Celsius, 0 to 40, at 0.1 MPa.

    Raises:
        DiveError: the temperature is outside 0 to 40 degrees.
    """

    temperature: float = 15.0

    def __post_init__(self) -> None:
        within(
            "water temperature",
            self.temperature,
            COLDEST_WATER_C,
            WARMEST_WATER_C,
            "degrees Celsius",
        )

    @property
    def density(self) -> float:
        """Density, kg/m3: the formula of Tanaka and others, Metrologia 38:301, 2001 (from memory)."""
        t = self.temperature
        return 999.97495 * (
            1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881))
        )

    @property
    def viscosity(self) -> float:
        """Dynamic viscosity, Pa s: IAPWS formula for liquid water at 0.1 MPa, SR6-08 (from memory)."""
        t: float = (self.temperature + 273.15) / 300.0
        parts = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))
        return 1e-6 * math.fsum(c * math.pow(t, power) for c, power in parts)

    @property
    def kinematic_viscosity(self) -> float:
        """Kinematic viscosity, m2/s."""
        return self.viscosity / self.density
