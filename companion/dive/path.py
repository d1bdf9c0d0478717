"""What a solve returns: the path of the lure, and the shape of a towed line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The way of a lure through the water, from where it lands to the boat.

    All arrays have the shape (n,), one entry per instant; the last is near the rod tip.

    Attributes:
        t: time since the retrieve began, s.
        x: horizontal distance of the lure from the rod tip at that instant, m.
        z: depth of the lure below the surface, m, never negative.
        line_out: length of line between rod tip and lure, m.
        tension: of the line at the rod tip, N.
        tip_x: how far the rod tip has moved over the bottom towards the place where the
            lure landed, m (negative when the boat drew away).
        reach: greatest depth, m.
        reach_at: x where it is reached, m.
        reach_t: when it is reached, s.
        touching: bottom contact at each instant, shape (n,), or None when no bottom was
            given.
    """

    t: Floats
    x: Floats
    z: Floats
    line_out: Floats
    tension: Floats
    tip_x: Floats
    reach: float
    reach_at: float
    reach_t: float
    touching: NDArray[np.bool_] | None = None

    @property
    def over_ground(self) -> Floats:
        """Distance of the lure, m, from where the rod tip was when the lure landed, shape (n,)."""
        return self.x + self.tip_x

    def depth_at(self, x: float) -> float | None:
        """Return the depth, m, at which the lure passes the distance x, m, from the rod tip.

        None where the path does not come: beyond the cast, or nearer than where it
        ends.
        """
        if not self.x[-1] <= x <= self.x[0]:
            return None
        return float(np.interp(-x, -self.x, self.z))

    def over_moving_water(self, current: float) -> Path:
        """Return the same path where the water moves over the bottom, m/s, away from the lure's landing."""
        if current == 0.0:
            return self
        return replace(self, tip_x=self.tip_x - current * self.t)

    def to_boat(self) -> Path:
        """Return the path up to where the lure comes below the rod tip; most paths end before."""
        under = np.flatnonzero(self.x <= 0.0)
        if not len(under):
            return self
        n = max(int(under[0]) + 1, 2)
        touching = None if self.touching is None else self.touching[:n]
        arrays = {
            name: getattr(self, name)[:n]
            for name in ("t", "x", "z", "line_out", "tension", "tip_x")
        }
        return replace(self, **arrays, touching=touching)

    def at(self, t: float) -> tuple[float, float]:
        """Return x and z, m, at time t, s; before the start and after the end, those there."""
        return float(np.interp(t, self.t, self.x)), float(np.interp(t, self.t, self.z))


@dataclass(frozen=True, slots=True, eq=False)
class Tow:
    """The steady shape of a line towed with the reel stopped (a drifting or motoring boat).

    Attributes:
        depth: of the lure below the surface, m.
        layback: horizontal distance of the lure behind the rod tip, m.
        tension: at the rod tip, N.
        top_angle: of the line at the rod tip below the horizontal, degrees.
        x: horizontal distance from the rod tip of points along the line, lure first, m,
            shape (n,).
        z: their depths below the surface, m, shape (n,); the rod tip's is negative when
            it is above.
        line_out: length of line, m.
        speed: of the boat through the water, m/s.
    """

    depth: float
    layback: float
    tension: float
    top_angle: float
    x: Floats
    z: Floats
    line_out: float
    speed: float
