"""The bottom below a cast, as a depth against distance."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from companion.dive.limits import DiveError

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class SolverBottom:
    """Depth of the bottom along a cast; between the points a monotone cubic, so no step overshoots.

    Attributes:
        x: distance, m, from where the rod tip was when the lure landed, strictly
            rising, shape (n,), n >= 2. Beyond the first and the last the bottom is not
            known and nothing is touched.
        z: depth below the surface, m, shape (n,).

    Raises:
        DiveError: fewer than two points, lengths that differ, a value that is not a
            number, or distances that do not rise.
    """

    x: Floats
    z: Floats
    _curve: PchipInterpolator = field(init=False, repr=False)
    _slope: PchipInterpolator = field(init=False, repr=False)

    def __post_init__(self) -> None:
        x, z = np.asarray(self.x, dtype=float), np.asarray(self.z, dtype=float)
        if x.ndim != 1 or x.shape != z.shape or len(x) < 2:
            raise DiveError(
                "a bottom needs as many depths as distances, at least two of each"
            )
        if not (np.isfinite(x).all() and np.isfinite(z).all()):
            raise DiveError(
                "a bottom holds a value that is not a number; leave such points out"
            )
        if (np.diff(x) <= 0.0).any():
            raise DiveError("the distances of a bottom must rise from point to point")
        from scipy.interpolate import PchipInterpolator  # noqa: PLC0415  (26 MB that listening alone does not need)

        curve = PchipInterpolator(x, z, extrapolate=False)
        for name, value in (
            ("x", x),
            ("z", z),
            ("_curve", curve),
            ("_slope", curve.derivative()),
        ):
            object.__setattr__(self, name, value)

    @classmethod
    def flat(cls, depth: float, length: float = 200.0) -> SolverBottom:
        """Return a flat bottom of the given depth, m, from -length to length, m."""
        return cls(np.array([-length, length]), np.array([depth, depth]))

    def depth(self, x: ArrayLike) -> Floats:
        """Return the depth, m, at distances x, m, of any shape; NaN where the bottom is not known."""
        return np.asarray(self._curve(np.asarray(x, dtype=float)), dtype=float)

    def pushed(self, place: Vectors) -> tuple[Floats, Vectors]:
        """Return how far places lie below the bottom, m, and the downward gradient of that.

        Both have the shape of place, which is distance + 1j * depth; above the bottom,
        the first is 0.
        """
        below = np.asarray(place.imag - self._curve(place.real), dtype=float)
        slope = np.asarray(self._slope(place.real), dtype=float)
        downward = np.asarray(1j - np.nan_to_num(slope, nan=0.0), dtype=complex)
        return np.maximum(np.nan_to_num(below, nan=0.0), 0.0), downward
