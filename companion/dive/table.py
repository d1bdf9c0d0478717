"""Answers in milliseconds: one rig's paths, solved beforehand and interpolated."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from companion.dive.limits import DiveError
from companion.dive.path import Path
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.solver import DEFAULT, Detail, line_left, solve_together

Floats = NDArray[np.float64]

CASTS = 8
"""Casts solved per table."""
SPEEDS = 9
"""Retrieve speeds solved per table."""
LIFTS = 5
"""Lift ratios solved per table, where it spans them."""
SLOWEST, FASTEST = 0.4, 2.5
"""Range of reel speeds a table spans when it is not told, m/s."""


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """Evenly spaced points from low to high; four or more, or one for a value that does not vary."""

    low: float
    high: float
    n: int

    def points(self) -> Floats:
        """Return the points, shape (n,)."""
        return np.linspace(self.low, self.high, self.n)

    def weigh(self, value: Floats) -> tuple[NDArray[np.intp], Floats]:
        """Return the points around values of shape (m,) and their cubic weights, both (m, 4) or (m, 1)."""
        if self.n == 1:
            return np.zeros((len(value), 1), dtype=np.intp), np.ones((len(value), 1))
        place = (value - self.low) / (self.high - self.low) * (self.n - 1)
        first = np.clip(place.astype(np.intp) - 1, 0, self.n - 4)
        u = place - first
        weights = (
            -(u - 1.0) * (u - 2.0) * (u - 3.0) / 6.0,
            u * (u - 2.0) * (u - 3.0) / 2.0,
            -u * (u - 1.0) * (u - 3.0) / 2.0,
            u * (u - 1.0) * (u - 2.0) / 6.0,
        )
        return first[:, None] + np.arange(4), np.stack(weights, axis=-1)


def diving_speed(lure: Lure, lift_ratio: float) -> float:
    """Return the reel speed, m/s, at which lift is twice the buoyancy, from 0.4 to 1.25.

    Slower, a floating lure comes up early and its path has a corner that a table would round off.
    """
    lift = 500.0 * lure.drag_area * max(lift_ratio, 0.01)
    return min(max(math.sqrt(2.0 * max(lure.buoyancy, 0.0) / lift), SLOWEST), 0.5 * FASTEST)


class PathTable:
    """Every path of one rig: any cast, speed and lift ratio in its ranges, without solving again.

    Line, lure, rod-tip height and water temperature are fixed; reel speed is constant and the boat at
    rest. Paths are solved on a grid of log cast, slowness (one over speed) and lift ratio, scaled by the
    cast, and interpolated by cubics. See `build` for how near they come to `companion.dive.solve`.
    """

    def __init__(
        self,
        retrieve: Retrieve,
        axes: tuple[Axis, Axis, Axis],
        lift: float,
        share: Floats,
        shapes: Floats,
        crests: Floats,
    ) -> None:
        self._retrieve, self._axes, self._lift = retrieve, axes, lift
        self._share, self._shapes, self._crests = share, shapes, crests

    @classmethod
    def build(
        cls,
        line: Line,
        lure: Lure,
        retrieve: Retrieve,
        *,
        casts: tuple[float, float] = (8.0, 70.0),
        speeds: tuple[float, float] | None = None,
        lifts: tuple[float, float] | None = None,
        detail: Detail = DEFAULT,
    ) -> PathTable:
        """Return the table of a rig.

        Against `companion.dive.solve`, over 30 to 150 drawn points a rig of the whole range, four kinds of
        lure: reach and path within 1 % of the reach, or 5 cm where that is more (a lure of gradual curve on
        a cast hardly longer than its onset, which stays near the surface); the median is 0.1 % of reach
        and 0.3 % in path. Paths count down to a tenth of the cast from the rod. Building takes about 0.1 s
        without lift ratios and 0.5 to 0.9 s with them, a query 0.2 ms, on a 2020s server core.

        Args:
            line: the line.
            lure: the lure.
            retrieve: gives rod-tip height and temperature; its cast and speed do not matter.
            casts: shortest and longest cast, m.
            speeds: lowest and highest reel speed, m/s; None takes `diving_speed` to 2.5 m/s.
            lifts: lowest and highest lift ratio; None takes the lure's own only.
            detail: how finely to solve.

        Raises:
            DiveError: a range is empty or reaches beyond what line, lure and retrieve allow.
        """
        speeds = speeds or (diving_speed(lure, lifts[0] if lifts else lure.lift_ratio), FASTEST)
        for what, (low, high) in (("casts", casts), ("speeds", speeds), ("lift ratios", lifts or (0.0, 1.0))):
            if not low < high:
                raise DiveError(f"range of {what} is {low:g} to {high:g}, expected the lower value first")
        own = lure.lift_ratio
        axes = (
            Axis(math.log(casts[0]), math.log(casts[1]), CASTS),
            Axis(1.0 / speeds[1], 1.0 / speeds[0], SPEEDS),
            Axis(own, own, 1) if lifts is None else Axis(*lifts, LIFTS),
        )
        grid = [(c, s, k) for c in axes[0].points() for s in axes[1].points() for k in axes[2].points()]
        retrieves = [replace(retrieve, cast=math.exp(c), speed=1.0 / s, drift=0.0) for c, s, _ in grid]
        rigs = [(line, replace(lure, lift_ratio=k)) for *_, k in grid]
        paths = solve_together(rigs, retrieves, detail)
        size = tuple(axis.n for axis in axes)
        return cls(retrieve, axes, own, _shares(paths[0], retrieves[0]), *_scaled(paths, retrieves, size))

    def reach(self, cast: ArrayLike, speed: ArrayLike, lift_ratio: ArrayLike | None = None) -> Floats:
        """Return the reach, m, for casts, m, speeds, m/s, and lift ratios that broadcast together.

        Raises:
            DiveError: one lies outside the table's range.
        """
        lift = self._lift if lift_ratio is None else lift_ratio
        cast, speed, lift = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (cast, speed, lift)))
        picked = self._pick(self._crests, cast.ravel(), speed.ravel(), lift.ravel())
        return np.asarray(np.maximum(picked[:, 0] * cast.ravel(), 0.0).reshape(cast.shape), dtype=float)

    def path(self, cast: float, speed: float, lift_ratio: float | None = None) -> Path:
        """Return the path for a cast, m, a speed, m/s, and a lift ratio (the lure's own when None).

        Raises:
            DiveError: one lies outside the table's range.
        """
        lift = self._lift if lift_ratio is None else lift_ratio
        at = np.array([cast]), np.array([speed]), np.array([lift], dtype=float)
        x, z, pull = self._pick(self._shapes, *at)[0]
        reach, reach_at, reach_share = self._pick(self._crests, *at)[0]
        retrieve = replace(self._retrieve, cast=cast, speed=speed, drift=0.0)
        full = math.hypot(cast, retrieve.tip_height)
        reeled = (full - line_left(retrieve)) * self._share
        path = Path(
            t=reeled / speed,
            x=x * cast,
            z=np.maximum(z * cast, 0.0),
            line_out=full - reeled,
            tension=pull * speed**2,
            tip_x=np.zeros(len(x)),
            reach=max(float(reach) * cast, 0.0),
            reach_at=float(reach_at) * cast,
            reach_t=float(reach_share * reeled[-1]) / speed,
        )
        return path.to_boat()

    def _pick(self, values: Floats, cast: Floats, speed: Floats, lift: Floats) -> Floats:
        """Interpolate values, shape (casts, speeds, lifts, ...), at m places; shape (m, ...)."""
        places = (np.log(cast), 1.0 / speed, lift)
        for name, axis, place in zip(("cast", "speed", "lift ratio"), self._axes, places, strict=True):
            if not ((place >= axis.low - 1e-9) & (place <= axis.high + 1e-9)).all():
                raise DiveError(f"{name} lies outside this table's range; solve it, or build a wider table")
        (i, wi), (j, wj), (k, wk) = (a.weigh(p) for a, p in zip(self._axes, places, strict=True))
        block = values[i[:, :, None, None], j[:, None, :, None], k[:, None, None, :]]
        weights = wi[:, :, None, None] * wj[:, None, :, None] * wk[:, None, None, :]
        return np.asarray(np.einsum("mijk,mijk...->m...", weights, block), dtype=float)


def _shares(path: Path, retrieve: Retrieve) -> Floats:
    """Return the share of the line to be taken in that is in at each instant, shape (n,)."""
    share: Floats = (path.line_out[0] - path.line_out) / (path.line_out[0] - line_left(retrieve))
    return share


def _scaled(
    paths: Sequence[Path], retrieves: Sequence[Retrieve], size: tuple[int, ...]
) -> tuple[Floats, Floats]:
    """Return paths, (*size, 3, n), and crests, (*size, 3), scaled by cast, speed squared and duration."""
    shapes = [
        (p.x / r.cast, p.z / r.cast, p.tension / r.reel.speeds[0] ** 2)
        for p, r in zip(paths, retrieves, strict=True)
    ]
    crests = [
        (p.reach / r.cast, p.reach_at / r.cast, p.reach_t / p.t[-1])
        for p, r in zip(paths, retrieves, strict=True)
    ]
    whole = np.array(shapes)
    return whole.reshape(*size, *whole.shape[1:]), np.array(crests).reshape(*size, 3)
