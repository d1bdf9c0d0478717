"""Answers in milliseconds: one rig's paths, solved beforehand and interpolated.

A path is kept as the line sees it: at fixed shares of the line taken in, the angle at
which the lure lies below the rod tip and how far off it is, as a share of the line
still out. Without line drag and buoyancy that angle grows with the logarithm of the
line left at a rate that is the lift ratio, all the way up to the rod
(`companion.dive`'s equiangular spiral), and with them it stays a smooth function of
everything, where depth and distance bend sharply as the lure comes up under the tip. So
a few Chebyshev nodes are enough.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Final

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from companion.dive.kept import kept
from companion.dive.limits import DiveError
from companion.dive.path import Path
from companion.dive.rig import (
    LONGEST_CAST_M,
    MOST_LIFT_RATIO,
    Line,
    Lure,
    Retrieve,
)
from companion.dive.solver import solve_together

Floats = NDArray[np.float64]

LIFT_RANGE: Final = (0.05, MOST_LIFT_RATIO)
"""Least and greatest lift ratio considered."""
SHORTEST_CAST_SHARE, LONGEST_CAST_SHARE = 0.16, 1.7
"""Range of casts a table spans, in usual casts: ten yards said of a rod that casts 45, with the scatter."""

_STEPS = 41
_GATHERED = 0.8
"""How much closer the points on a path lie at its ends, where the lure tips over and where it comes up."""
_NODES, _DRIFT_NODES = (5, 5, 7), (3, 3, 4)
"""Casts that are solved to interpolate from: lift by drag by cast; from a boat that
drifts there need be fewer, for only what the drift changes is interpolated."""
_FINER_NODES = (6, 6, 13)
"""The same for a rig whose reach a few nodes do not get right: a lure that is light beside its line."""
_TRIED_AT = tuple(product((-0.9, 0.3), (-0.7, 0.7), (-0.95, -0.55, -0.1, 0.35, 0.8)))
"""Where that is tried, as places on the box, -1 to 1: by pull, drag and cast."""
_MOST_OFF, _MOST_OFF_M = 0.008, 0.04
"""By how much the reach may be off there, as a share of it or in m, whichever is more."""
_MOST_DRIFT = 0.6
"""Up to which ln of how much faster the boat's drift makes the lure swim, times, paths
are solved; they change nearly in proportion over it. A drift beyond counts as that, or
as the last of `_FAR_DRIFTS`."""
_FAR_DRIFTS = (-0.85, -1.3, -2.0)
"""The same, where a boat comes nearer nearly as fast as the line, as one held in a
current may: solved only when first asked for."""
_LEAST_SPREAD = 1e-3
"""A lure that can only pull its hardest has one pull, and a box has to have some width, ln."""
_LEAST_CASTS = 3.0, 2.5
"""Shortest cast in heights of the rod tip, and in m: the solver needs two heights and 2 m."""
_TOGETHER = 100
"""Retrieves solved together."""


def _shares() -> Floats:
    even = np.linspace(0.0, 1.0, _STEPS)
    return np.asarray(even - _GATHERED * np.sin(2.0 * np.pi * even) / (2.0 * np.pi))


PATH_SHARES: Final = _shares()
"""Points on a path, as shares of the line taken in from the landing until the lure is at the boat."""


class Smooth:
    """A smooth function of a few variables on a box, interpolated from its values at Chebyshev nodes.

    Attributes:
        coefficients: of the products of Chebyshev polynomials, shape (products,
            values).
    """

    def __init__(
        self,
        coefficients: Floats,
        box: Sequence[tuple[float, float]],
        nodes: Sequence[int],
    ) -> None:
        self.coefficients, self._box, self._nodes = coefficients, box, nodes

    @classmethod
    def of(
        cls,
        function: Callable[[Floats], Floats],
        box: Sequence[tuple[float, float]],
        nodes: Sequence[int],
    ) -> Smooth:
        """Return an interpolated function of points, (points, variables), with values, (points, values)."""
        units = [chebyshev.chebpts1(n) for n in nodes]
        points = [
            0.5 * (low + high + (high - low) * unit)
            for (low, high), unit in zip(box, units, strict=True)
        ]
        values = function(np.array(list(product(*points)))).reshape(*nodes, -1)
        for axis, unit in enumerate(units):
            solved = np.linalg.inv(chebyshev.chebvander(unit, len(unit) - 1))
            values = np.moveaxis(np.tensordot(solved, values, axes=(1, axis)), 0, axis)
        return cls(values.reshape(int(np.prod(nodes)), -1), box, nodes)

    def __call__(self, *variables: Floats, values: slice = slice(None)) -> Floats:
        """Return the function at points, shape (points, values); the variables broadcast, flattened.

        Outside the box it is what it is at the box's edge. ``values``: only some of
        them.
        """
        basis = np.ones((1, 1))
        flat = (variable.ravel() for variable in np.broadcast_arrays(*variables))
        for variable, (low, high), n in zip(flat, self._box, self._nodes, strict=True):
            unit = np.clip((2.0 * variable - low - high) / (high - low), -1.0, 1.0)
            basis = (
                basis[:, :, None] * chebyshev.chebvander(unit, n - 1)[:, None, :]
            ).reshape(len(unit), -1)
        return np.asarray(basis @ self.coefficients[:, values])


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """The ways of n retrieves as far as they do not depend on the boat's drift.

    Attributes:
        duration: s until the lure is at the boat, at the rig's own speed, shape (n,).
        reach: greatest depth from a boat at rest, m, shape (n,).
    """

    duration: Floats
    reach: Floats
    _line: NDArray[np.float32]
    _speed: float
    _tip: float
    _still: NDArray[np.float32]
    _lean: NDArray[np.float32]
    _bend: NDArray[np.float32]
    _far: Callable[[], Sequence[NDArray[np.float32]]]

    def paths(
        self, drift: float = 0.0, pace: Floats | float = 1.0
    ) -> tuple[Floats, Floats]:
        """Return depth below the surface and distance from the rod tip, m, both (n, steps).

        Args:
            drift: speed of the boat towards where the lure landed, m/s.
            pace: how much faster than usual the line is reeled in, times; one or shape
                (n,).
        """
        polar = self._polar(
            np.reshape(self._faster(drift, pace), (-1, 1)).astype(np.float32)
        )
        # A lure that has passed below the rod tip is only lifted from there: its
        # retrieve is over.
        angle = polar[:, : len(PATH_SHARES)]
        passed = np.where(angle < 0.5 * np.pi, np.inf, angle).min(axis=1, keepdims=True)
        angle = np.minimum(angle, passed.astype(np.float32))
        off = polar[:, len(PATH_SHARES) :] * self._line
        deep = np.maximum(off * np.sin(angle) - np.float32(self._tip), 0.0)
        return np.asarray(deep), np.asarray(off * np.cos(angle))

    def _polar(self, faster: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return angles and distances, (n, 2 steps), where a drift makes the lure faster, ln, (n, 1)."""
        if not faster.any():
            return self._still
        share = np.clip(faster / np.float32(_MOST_DRIFT), -1.0, 1.0)
        near = self._still + share * (self._lean + share * self._bend)
        if faster.min() >= -_MOST_DRIFT:
            return np.asarray(near)
        ends = [self._still + sign * self._lean + self._bend for sign in (1.0, -1.0)]
        nodes = [ends[0], self._still, ends[1], *self._far()]
        drifts = (_MOST_DRIFT, 0.0, -_MOST_DRIFT, *_FAR_DRIFTS)
        weighted = zip(_lagrange_weights(faster, drifts), nodes, strict=True)
        far = sum((weight * node for weight, node in weighted), np.zeros_like(near))
        return np.asarray(np.where(faster < -_MOST_DRIFT, far, near))

    def _faster(self, drift: float, pace: Floats | float) -> Floats:
        """Return ln of how much faster a drift makes the lure swim, times."""
        faster = 1.0 - drift / (self._speed * np.asarray(pace))
        return np.clip(np.log(np.maximum(faster, 0.1)), _FAR_DRIFTS[-1], _MOST_DRIFT)


def _lagrange_weights(
    at: NDArray[np.float32], nodes: Sequence[float]
) -> Iterator[NDArray[np.float32]]:
    """Yield the weight of each node's value in the polynomial through all, at some places."""
    for k, node in enumerate(nodes):
        others = np.array([*nodes[:k], *nodes[k + 1 :]], np.float32)
        yield np.prod(
            (at - others) / (np.float32(node) - others),
            axis=-1,
            keepdims=True,
            dtype=np.float32,
        )


class Table:
    """Every path of one rig, at any lift ratio, line drag and cast in its range, without solving again.

    Lift, drag and cast are given as natural logarithms: of the lift ratio, of what the
    line's drag is multiplied with, and of the cast over the rig's usual one. A path
    differs from `companion.dive.solve` as told in `companion.dive.likelihood`, which
    holds the figures and whose tests hold them.
    """

    def __init__(
        self,
        line: Line,
        lure: Lure,
        retrieve: Retrieve,
        lifts: Floats,
        drags: Floats,
        cast_spread: float,
    ) -> None:
        """Solve the casts to interpolate from: some 270 of them.

        Args:
            line: of the rig.
            lure: of the rig; its lift ratio does not matter.
            retrieve: the usual cast and retrieve, of one steady speed, from a boat at
                rest.
            lifts: ln of the lift ratios, rising, that go with each of `drags`, shape
                (lifts, drags): over these the table is asked.
            drags: ln of the drag factors, shape (drags,).
            cast_spread: how much ln of the cast may differ from the usual at least
                (`SHORTEST_CAST_SHARE`, `LONGEST_CAST_SHARE`).

        Raises:
            DiveError: a cast finds no balance, or the rig lies outside what can be
                solved.
            TypeError: the retrieve has no steady speed.
        """
        if not isinstance(retrieve.speed, float | int):
            raise TypeError("a table of paths needs a retrieve at one steady speed")
        self._line, self._lure, self._retrieve = line, lure, retrieve
        self._speed = float(retrieve.speed)
        self._rise = _rise(lifts, drags)
        pulls = lifts - self._rise * drags
        box = [
            (float(pulls.min()) - _LEAST_SPREAD, float(pulls.max()) + _LEAST_SPREAD),
            (float(drags.min()), float(drags.max())),
            _cast_range(retrieve, cast_spread),
        ]
        self._box = box
        self._inputs = line, replace(lure, lift_ratio=0.0), retrieve, box, self._rise
        found = kept("table", self._inputs, self._solved)
        nodes = [int(n) for n in found["nodes"]]
        self._paths = Smooth(np.asarray(found["paths"]), box, nodes)
        self._adrift = Smooth(np.asarray(found["adrift"]), box, _DRIFT_NODES)

    def _solved(self) -> dict[str, Floats]:
        """Return the coefficients of both, solved for."""
        self._paths = Smooth.of(self._shapes, self._box, _NODES)
        nodes = _NODES
        if not self._gets_reach_right():
            nodes = _FINER_NODES
            self._paths = Smooth.of(self._shapes, self._box, nodes)
        adrift = Smooth.of(self._changes, self._box, _DRIFT_NODES)
        return {
            "paths": self._paths.coefficients,
            "nodes": np.array(nodes),
            "adrift": adrift.coefficients,
        }

    def _gets_reach_right(self) -> bool:
        """Return whether the paths have the reach of casts solved between their nodes."""
        low, high = np.array(self._box).T
        at = 0.5 * (low + high + (high - low) * np.array(_TRIED_AT))
        cast = self._retrieve.cast * np.exp(at[:, 2])
        true = self._shapes(at)[:, 0] * cast
        found = np.maximum(self._paths(*at.T, values=slice(1))[:, 0], 0.0) * cast
        return bool(
            (np.abs(found - true) <= np.maximum(_MOST_OFF * true, _MOST_OFF_M)).all()
        )

    def reach(self, lift: Floats, drag: Floats, cast: Floats) -> Floats:
        """Return the greatest depth, m, from a boat at rest, shape of the three broadcast together."""
        lift, drag, cast = np.broadcast_arrays(lift, drag, cast)
        found = self._paths(
            lift - self._rise * drag, drag, cast, values=slice(1)
        ).reshape(cast.shape)
        return np.maximum(found, 0.0) * self._retrieve.cast * np.exp(cast)

    def curves(self, lift: Floats, drag: Floats, cast: Floats) -> Curves:
        """Return the ways of casts; lift, drag and cast broadcast together and are flattened.

        A cast out of range has its own length and the shape of the nearest one in
        range.
        """
        lift, drag, cast = (
            each.ravel() for each in np.broadcast_arrays(lift, drag, cast)
        )
        at = lift - self._rise * drag, drag, cast
        still, (lean, bend) = self._paths(*at), np.split(self._adrift(*at), 2, axis=1)
        length, tip = self._retrieve.cast * np.exp(cast), self._retrieve.tip_height
        full, end = np.hypot(length, tip), at_boat(length, tip)
        return Curves(
            duration=(full - end) / self._speed,
            reach=np.maximum(still[:, 0], 0.0) * length,
            _line=(full[:, None] - PATH_SHARES * (full - end)[:, None]).astype(
                np.float32
            ),
            _speed=self._speed,
            _tip=tip,
            _still=still[:, 1:].astype(np.float32),
            _lean=lean[:, 1:].astype(np.float32),
            _bend=bend[:, 1:].astype(np.float32),
            _far=lambda: [
                far(*at, values=slice(1, None)).astype(np.float32) for far in self.far
            ],
        )

    def path(
        self, lift: float, drag: float, cast: float, drift: float = 0.0
    ) -> tuple[Floats, Floats, Floats]:
        """Return a retrieve, at `PATH_SHARES` until below the rod tip.

        Time, s, distance from the rod tip and depth, m. `drift` is the boat's speed
        through the water towards where the lure landed, m/s.
        """
        curves = self.curves(*(np.array([each]) for each in (lift, drag, cast)))
        (deep,), (away,) = curves.paths(drift)
        until = max(int(np.append(np.flatnonzero(away < 0.0), len(PATH_SHARES))[0]), 2)
        return (
            (PATH_SHARES * float(curves.duration[0]))[:until],
            away[:until],
            deep[:until],
        )

    def _changes(self, points: Floats) -> Floats:
        """Return what a drifting boat adds: with the share of `_MOST_DRIFT` it does, and with its square.

        A boat that comes nearer tows the lure less while the line comes in, so it dives
        less far.
        """
        slower, faster = (
            self._shapes(points, away)
            for away in np.expm1(_MOST_DRIFT * np.array([-1.0, 1.0]))
        )
        still = self._paths(*points.T)
        return np.concatenate(
            [(faster - slower) / 2.0, (faster + slower) / 2.0 - still], axis=1
        )

    @cached_property
    def far(self) -> tuple[Smooth, ...]:
        """The paths from a boat that comes nearer as fast as each of `_FAR_DRIFTS`.

        They are solved when first asked for.
        """
        names = [f"drift {number}" for number in range(len(_FAR_DRIFTS))]
        found = kept(
            "far",
            self._inputs,
            lambda: dict(zip(names, self._solved_far(), strict=True)),
        )
        return tuple(
            Smooth(np.asarray(found[name]), self._box, _DRIFT_NODES) for name in names
        )

    def _solved_far(self) -> list[Floats]:
        def shapes(away: float) -> Floats:
            return Smooth.of(
                lambda points: self._shapes(points, away), self._box, _DRIFT_NODES
            ).coefficients

        return [shapes(float(np.expm1(faster))) for faster in _FAR_DRIFTS]

    def _shapes(self, points: Floats, away: float = 0.0) -> Floats:
        """Return `_shape` of casts with pull, drag and cast as in the rows of `points`.

        The boat moves away at `away` of the reel's speed.
        """
        usual = self._retrieve
        rigs = [
            (dragged(self._line, drag), lifted(self._lure, pull + self._rise * drag))
            for pull, drag, _ in points
        ]
        casts = [
            replace(
                usual,
                cast=usual.cast * float(np.exp(cast)),
                drift=float(away * self._speed),
            )
            for _, _, cast in points
        ]
        return np.array(
            [_shape(*found) for found in zip(solved(rigs, casts), casts, strict=True)]
        )


def _rise(lifts: Floats, drags: Floats) -> float:
    """Return by how much more lift goes with heavier drag (all ln), where the lift is not at its greatest.

    Along it the range of lifts is narrow.
    """
    row, column = np.nonzero(lifts < np.log(LIFT_RANGE[1]) - 1e-6)
    plane = np.stack([np.ones(len(row)), row, drags[column]], axis=1)
    return float(np.linalg.lstsq(plane, lifts[row, column])[0][2])


def _cast_range(retrieve: Retrieve, spread: float) -> tuple[float, float]:
    """Return the range of ln of casts over the usual one that a table spans."""
    heights, metres = _LEAST_CASTS
    least = max(heights * retrieve.tip_height, metres) / retrieve.cast
    low = float(np.log(max(SHORTEST_CAST_SHARE, least)))
    return min(low, -spread), max(
        float(np.log(min(LONGEST_CAST_SHARE, LONGEST_CAST_M / retrieve.cast))), spread
    )


def at_boat(cast: Floats, tip_height: float) -> Floats:
    """Return the line left, m, at which a table takes the lure to be at the boat.

    A little less than `companion.dive.solver.line_left`, so that its paths reach as
    far, and without its corner at 25 heights of the rod tip, which would go through all
    paths. A tip below the water is nothing the lure has to stay away from.
    """
    share, tip = 0.08 * np.hypot(cast, tip_height), 2.0 * max(tip_height, 0.0)
    return np.asarray((0.5 * (share**4 + tip**4)) ** 0.25)


def _shape(path: Path, retrieve: Retrieve) -> Floats:
    """Return reach over cast, then at `PATH_SHARES` angle below the rod tip, rad, and distance over line out.

    Where a solve ended early, its last angle is kept.
    """
    below, x = path.z + retrieve.tip_height, path.x
    end = float(at_boat(np.array(retrieve.cast), retrieve.tip_height))
    share = (path.line_out[0] - path.line_out) / (path.line_out[0] - end)
    line = path.line_out[0] - PATH_SHARES * (path.line_out[0] - end)
    below, x = np.interp(PATH_SHARES, share, below), np.interp(PATH_SHARES, share, x)
    far = np.where(share[-1] > PATH_SHARES - 1e-9, np.hypot(below, x) / line, 1.0)
    return np.concatenate(([path.reach / retrieve.cast], np.arctan2(below, x), far))


def solved(rigs: list[tuple[Line, Lure]], retrieves: list[Retrieve]) -> list[Path]:
    """Return solved paths, past the boat to `at_boat`; a hundred together is quickest.

    Cases share their time steps, and where one of a hundred finds no balance with them
    it does in smaller company: then the two halves are solved apart.

    Raises:
        DiveError: one finds no balance even alone.
    """
    half = min(_TOGETHER, len(rigs) // 2)
    if len(rigs) <= _TOGETHER:
        try:
            ends = [float(at_boat(np.array(r.cast), r.tip_height)) for r in retrieves]
            return solve_together(rigs, retrieves, ends=ends)
        except DiveError:
            if len(rigs) == 1:
                raise
    return solved(rigs[:half], retrieves[:half]) + solved(rigs[half:], retrieves[half:])


def dragged(line: Line, drag: float) -> Line:
    """Return a line with its drag factor multiplied by exp(drag), at most 5."""
    return replace(line, drag_factor=min(line.drag_factor * float(np.exp(drag)), 5.0))


def lifted(lure: Lure, lift: float) -> Lure:
    """Return a lure with the lift ratio exp(lift), at most the greatest of `LIFT_RANGE`."""
    return replace(lure, lift_ratio=min(float(np.exp(lift)), LIFT_RANGE[1]))
