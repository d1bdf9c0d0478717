"""How likely what was seen is: a rig's paths for every combination of the unknowns, laid against bottoms.

`companion.dive.calibration` tells which unknowns there are, and why.

A grid is exact about the shape of the posterior, needs no start value and cannot
diverge. Given the shared part the rigs are independent, so the grid is a small one for
each rig. Its paths come from a table (`companion.dive.table`), interpolated from some
270 solutions for each rig.

How near they are to the solver at twice its detail was counted on 300 casts of 30
random rigs: lines of three materials, lures that float, hang or sink and dive in four
ways, 0.5 to 1.5 m/s, rod tips 0.3 to 2 m up, stated lift ratios up to 1.5; casts drawn
from what is believed beforehand, of a sixth of the usual length to 1.7 times it. At
every instant from the landing until the lure is at the boat, reach, depth and distance
are within 1 % of the reach, or 5 cm where that is more, in 99.0, 98.7 and 99.3 % of the
casts. The worst was 5 % off, with a rig whose heaviest drag takes a lift ratio near the
greatest considered; above a stated lift ratio of 1.5, where that is common, 7 % was
seen. From a boat that drifts at up to 0.45 of the reel's speed the depth was within 2 %
of the reach (16 casts of one rig). Casts out of that range have the shape of those at
its ends.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from functools import cache, cached_property, lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.dive.evidence import (
    CALL_DELAY,
    CAST_SCATTER,
    CASTS_ALIKE_SIGMA,
    DEPTH_OFFSET_SIGMA_M,
    FALSE_TOUCHES,
    MISSED_TOUCHES,
    REEL_SPEED_SIGMA,
    SAID_LENGTH_SCATTER,
    SPEED_SCATTER,
    CalibratedRig,
    Evidence,
    Soundings,
    Stated,
    Touch,
)
from companion.dive.kept import kept
from companion.dive.table import (
    LIFT_RANGE,
    PATH_SHARES,
    Curves,
    Smooth,
    Table,
    dragged,
    lifted,
    solved,
)

Floats = NDArray[np.float64]

OFFSETS_M: Final = DEPTH_OFFSET_SIGMA_M * np.linspace(-2.4, 2.4, 5)
"""How much deeper the bottom may be than is told, m."""
FURTHER: Final = CASTS_ALIKE_SIGMA * np.linspace(-2.4, 2.4, 7)
"""How much further than told all casts of the boat may go, ln."""
PACES: Final = REEL_SPEED_SIGMA * np.linspace(-2.6, 2.6, 9)
"""How much faster the reel may turn than is told, ln."""
OFFSET_PRIOR, FURTHER_PRIOR, PACE_PRIOR = (
    -0.5 * (nodes / sigma) ** 2
    for nodes, sigma in (
        (OFFSETS_M, DEPTH_OFFSET_SIGMA_M),
        (FURTHER, CASTS_ALIKE_SIGMA),
        (PACES, REEL_SPEED_SIGMA),
    )
)
_OFFSET_FADES_M = 1.0
"""Depth above which an offset counts less and less for a lure: at the surface nothing is told wrong."""

_DEPTHS, _DRAGS, _CASTS = (np.linspace(-3.0, 3.0, n) for n in (15, 9, 15))
"""The grid, in standard deviations: of the stated depth, the line drag and the rod's cast."""
_FEW, _FEW_WEIGHTS = (
    np.array([-1.0, 0.0, 1.0]) * 3.0**0.5,
    np.array([1.0, 4.0, 1.0]) / 6.0,
)
"""What is only averaged over, as the thickness of a line: three points of Gauss and Hermite are enough."""
_THIN = 0.03
"""A relative standard deviation of the thickness that is nothing beside that of the drag."""
_LIFT_RANGE = np.array([0.25, 4.0])
"""How far from the one that fits the statement it may lie, times."""
_LEAST_REACH = 0.05
"""Reach, m, below which a lure counts as staying at the surface."""
_LIFT_NODES = (6, 4)
"""Casts that are solved to find the lift ratios of the stated depths: lift by drag."""
_SAID, _SAID_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
"""How a cast of a length said may have gone, in standard deviations, and how likely."""
_LEAST_LOG_WEIGHT = -1e300
"""Stands for minus infinity where two of them would have to be subtracted."""
_ROOT_TWO_PI = (2.0 * np.pi) ** 0.5


class Casts(NamedTuple):
    """Casts drawn from what is believed of a rig, shape (casts, steps): all equally likely.

    `t` is s since the retrieve began, `away` the distance from the rod tip and `depth`
    that below the surface, m. The steps are the same shares of the time for every cast
    (`companion.dive.table.PATH_SHARES`).
    """

    t: Floats
    away: Floats
    depth: Floats


class Drawn(NamedTuple):
    """Lures drawn from what is believed, all equally likely, and what is wrong aboard: each shape (n,).

    Unlike `Casts` without the scatter from cast to cast. They are drawn for the first
    rig; on another they have its line's and cast's error as well.
    """

    lift: Floats
    drag: Floats
    cast_log: Floats
    offset: NDArray[np.intp]
    pace: NDArray[np.intp]


class Grid:
    """A rig's paths for every combination of the unknowns.

    Every array has four axes, stated depth, line drag, thickness and cast, or
    broadcasts to them; the first two are shared by all rigs of the lure. The curves are
    those of its cells, flattened. Of what was seen two more follow, which no path
    depends on: the bottom's offset, shared by all rigs, and the reel's pace.
    """

    def __init__(self, stated: Stated, rig: CalibratedRig) -> None:
        depth, drag, self.thickness, self.cast_log = np.ix_(
            stated.depth_sigma * _DEPTHS,
            stated.drag_sigma * _DRAGS,
            rig.thickness_sigma
            * (_FEW if rig.thickness_sigma > _THIN else np.zeros(1)),
            rig.whole_cast_sigma * _CASTS,
        )
        self.drag_log = drag
        self.lift_log = _lift_logs(stated)[:, :, None, None]
        shape = np.broadcast_shapes(
            depth.shape, drag.shape, self.thickness.shape, self.cast_log.shape
        )
        weights = np.log(_FEW_WEIGHTS) if shape[2] == len(_FEW_WEIGHTS) else np.zeros(1)
        self.thickness_prior = weights[:, None]
        further = self.cast_log.ravel() - rig.casts_alike * FURTHER[:, None]
        own = -0.5 * (further / rig.cast_sigma) ** 2
        self.by_further = own - log_sum(own, (1,))[:, None]
        self.shared_prior = -0.5 * (_DEPTHS[:, None] ** 2 + _DRAGS**2)
        self.prior = (
            self.shared_prior[:, :, None, None] + self.thickness_prior - 0.5 * _CASTS**2
        )
        self.usual = rig.retrieve.cast
        self.cast = np.broadcast_to(self.usual * np.exp(self.cast_log), shape)
        self.lift, self.drag = (
            np.broadcast_to(axis, (*shape[:3], 1))
            for axis in (self.lift_log, drag + self.thickness)
        )
        # A table is asked at every drag and thickness: each lift goes with its drag and
        # all thicknesses.
        lifts = self.lift.reshape(shape[0], -1)
        self.table = Table(
            rig.line,
            stated.lure,
            rig.retrieve,
            lifts,
            self.drag[0].ravel(),
            3.0 * rig.whole_cast_sigma,
        )
        self.reach = self.table.reach(self.lift, self.drag, self.cast_log)
        apart = (self.cast_log.ravel()[:, None] - self.cast_log.ravel()) / CAST_SCATTER
        kernel = np.exp(-0.5 * apart**2)
        self._scatter = kernel / kernel.sum(axis=0)

    @cached_property
    def curves(self) -> Curves:
        """The curves of all cells: only what is learned from asks for them."""
        return self.table.curves(self.lift, self.drag, self.cast_log)

    def lift_for(self, reach: float, drag: float, cast: float) -> float:
        """Return the lift ratio that gives a reach, m, at one drag and cast (logarithms, as on the grid)."""
        lifts = np.linspace(
            float(np.log(LIFT_RANGE[0])), float(np.log(LIFT_RANGE[1])), 480
        )
        reaches = self.table.reach(lifts, np.array(drag), np.array(cast))
        return float(np.exp(np.interp(reach, np.maximum.accumulate(reaches), lifts)))

    def path(
        self, reach: float, drag: float, cast: float, drift: float
    ) -> tuple[Floats, Floats, Floats]:
        """Return the retrieve that gives a reach, m, at one drag and cast; t, s, distance and depth, m."""
        return self.table.path(
            float(np.log(self.lift_for(reach, drag, cast))), drag, cast, drift
        )

    @cached_property
    def seen_shape(self) -> tuple[int, ...]:
        """The shape of what was seen: the cells', offsets and paces."""
        return (*self.prior.shape, len(OFFSETS_M), len(PACES))

    def casts(
        self,
        cells: NDArray[np.intp],
        offsets: Floats,
        cast_log: Floats,
        pace: Floats,
        drift: float,
    ) -> Casts:
        """Return casts of so much more than the usual length (ln), reeled so much faster, times.

        Their depths are as they would be told: less the offsets, m. `drift` as in the
        evidence, m/s.
        """
        lift, drag = (
            np.broadcast_to(a, self.prior.shape).ravel()[cells]
            for a in (self.lift, self.drag)
        )
        curves = self.table.curves(lift, drag, cast_log)
        depth, away = curves.paths(drift, pace)
        told = np.maximum(
            depth - offsets[:, None] * np.minimum(depth / _OFFSET_FADES_M, 1.0), 0.0
        )
        return Casts(PATH_SHARES * (curves.duration / pace)[:, None], away, told)

    def likely_of(self, seen: Evidence, drawn: Drawn, drift: float) -> Floats:
        """Return p(seen) for each of the drawn, from a boat with another drift, (n,)."""
        n, about = len(drawn.lift), drawn.cast_log
        scatter = CAST_SCATTER * _FEW
        if seen.length is not None:
            about = np.full(n, math.log(seen.length / self.usual))
            scatter = SAID_LENGTH_SCATTER * _FEW
        each = np.repeat(np.arange(n), len(scatter))
        curves = self.table.curves(
            drawn.lift[each], drawn.drag[each], np.add.outer(about, scatter).ravel()
        )
        ways = [
            (1.0 - sum(share for share, _ in seen.beside), seen.bottom),
            *seen.beside,
        ]
        likely = _likely(seen, ways, curves.paths(drift), curves.duration)
        own = likely[np.arange(len(each)), drawn.offset[each], drawn.pace[each]]
        return np.asarray(own.reshape(n, -1) @ _FEW_WEIGHTS)

    def log_likelihood(self, seen: Evidence) -> Floats:
        """Return ln p(seen), shape `seen_shape`, each cast scattering about the usual one or the one said."""
        curves = self._curves_of(seen.length)
        ways = [
            (1.0 - sum(share for share, _ in seen.beside), seen.bottom),
            *seen.beside,
        ]
        likely = _likely(seen, ways, curves.paths(seen.drift), curves.duration)
        *cells, casts = self.prior.shape
        if seen.length is None:
            by_cell = np.einsum(
                "cC,dcop->dCop",
                self._scatter,
                likely.reshape(-1, casts, *likely.shape[1:]),
            )
        else:
            weights = _SAID_WEIGHTS / _SAID_WEIGHTS.sum()
            by_cell = np.einsum(
                "c,dcop->dop",
                weights,
                likely.reshape(-1, len(weights), *likely.shape[1:]),
            )
            by_cell = np.repeat(by_cell[:, None], casts, axis=1)
        return np.asarray(np.log(by_cell).reshape(*cells, casts, *likely.shape[1:]))

    def _curves_of(self, length: float | None) -> Curves:
        """Return the curves of the usual casts, or of those about a length said, m.

        How far the usual one goes these do not tell.
        """
        if length is None:
            return self.curves
        return self.table.curves(
            self.lift,
            self.drag,
            np.log(length / self.usual) + SAID_LENGTH_SCATTER * _SAID,
        )


def _likely(
    seen: Evidence,
    ways: Sequence[tuple[float, Soundings]],
    paths: tuple[Floats, Floats],
    duration: Floats,
) -> Floats:
    """Return p(seen) for every path, offset and pace, over bottoms with the share of each."""
    density, false = None, np.zeros(1)
    if isinstance(seen, Touch):
        density, false = (
            _when_told(seen.after, duration),
            _false_touch(seen.after, duration),
        )
    likely = np.zeros(
        (len(duration), len(OFFSETS_M), 1 if density is None else len(PACES))
    )
    for share, bottom in ways:
        for number, untouched in enumerate(_untouched_by(bottom, seen, *paths)):
            if density is None:
                here = 1.0 - (1.0 - MISSED_TOUCHES) * (1.0 - untouched[:, -1:])
            else:
                here = np.einsum("nk,nkp->np", -np.diff(untouched, axis=1), density)
            likely[:, number] += share * here
    if density is not None:
        likely = (1.0 - FALSE_TOUCHES) * likely + false[:, None, None]
    return np.broadcast_to(likely, (*likely.shape[:2], len(PACES)))


def _untouched_by(
    soundings: Soundings, seen: Evidence, deep: Floats, away: Floats
) -> Iterator[NDArray[np.float32]]:
    """Yield for each offset the probability that the lure has not touched by each step, (paths, steps).

    Over a stretch the depth of the bottom is off by one normal error, so the first
    touch there lies before a step exactly when the deepest penetration so far exceeds
    that error.
    """
    where, depths = np.array(soundings, dtype=np.float32).T
    dug = deep - (depths[0] if len(depths) == 1 else np.interp(away, where, depths))
    above = dug.astype(np.float32) / -np.float32(seen.sigma)
    firsts = _stretches(seen.alike, float(away[:, 0].mean()))
    stretches = [
        slice(*ends)
        for ends in zip(firsts, [*firsts[1:], len(PATH_SHARES)], strict=True)
    ]
    for here in stretches:
        above[:, here] = np.minimum.accumulate(above[:, here], axis=1)
    for offset in OFFSETS_M:
        untouched = _normal_cdf(above + np.float32(offset / seen.sigma))
        for before, here in itertools.pairwise(stretches):
            untouched[:, here] *= untouched[:, before][:, -1:]
        yield untouched


_PLACES, _FARTHEST = 1024, 8
"""Places in a standard deviation at which the normal distribution is tabled, and deviations."""


def _normal_cdf(z: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the normal cumulative distribution, to 1e-7: by the nearest place and the density there.

    scipy's own takes twice as long, and 19 MB and 0.2 s to load.
    """
    below, density = _normal_table()
    at = np.clip(z, -_FARTHEST, _FARTHEST) * np.float32(_PLACES)
    nearest = np.rint(at)
    at -= nearest
    place = nearest.astype(np.intp)  # those below nought are counted from the end
    at *= density[place]
    at += below[place]
    return at


@cache
def _normal_table() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the distribution, and its density a place, from nought up, then from the lowest up to it."""
    count = _FARTHEST * _PLACES
    z = np.r_[0 : count + 1, -count:0] / _PLACES
    below = [0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z.tolist()]
    density = np.exp(-0.5 * z * z) / (math.sqrt(2.0 * math.pi) * _PLACES)
    return np.array(below, np.float32), density.astype(np.float32)


def _stretches(alike: float | None, way: float) -> list[int]:
    """Return where the stretches of a way, m, begin along which the bottom's error is one and the same."""
    if alike is None:
        return [0]
    stretch = np.floor(PATH_SHARES * way / max(alike, 0.1)).astype(int)
    return [0, *(np.flatnonzero(np.diff(stretch[:-1])) + 1).tolist()]


def _when_told(after: float | None, whole: Floats) -> Floats:
    """Return the density of a touch's word, after so many s, 1/s, by where it came: (paths, steps, paces).

    1 where no time was told. `whole` is how long each path takes at the pace told, s.
    """
    if after is None:
        return np.ones((len(whole), len(PATH_SHARES) - 1, len(PACES)), np.float32)
    steps = 0.5 * (PATH_SHARES[1:] + PATH_SHARES[:-1])
    due = (whole[:, None, None] * (steps[:, None] * np.exp(-PACES))).astype(np.float32)
    width = np.hypot(np.float32(CALL_DELAY), np.float32(SPEED_SCATTER) * due)
    density = np.exp(-0.5 * ((np.float32(after - CALL_DELAY) - due) / width) ** 2)
    return np.asarray(density / (width * np.float32(_ROOT_TWO_PI)))


def _false_touch(after: float | None, whole: Floats) -> Floats:
    """Return the probability, or density, of a word for something else than the bottom, (paths,)."""
    if after is None:
        return np.full(len(whole), FALSE_TOUCHES)
    return FALSE_TOUCHES / whole


@lru_cache(maxsize=24)
def grid_of(stated: Stated, rig: CalibratedRig) -> Grid:
    """Return the grid of a rig; the first time, the model is solved for some 270 casts."""
    return Grid(stated, rig)


def ready_grid(stated: Stated, rig: CalibratedRig) -> None:
    """Have a rig's grid ready for the next calibrations that ask for it."""
    grid_of(stated, rig)


def make_tables(stated: Stated, rig: CalibratedRig) -> None:
    """Have all tables of a rig kept, those for a boat that comes nearer fast as well."""
    _ = Grid(stated, rig).table.far


@lru_cache(maxsize=24)
def _lift_logs(stated: Stated) -> Floats:
    """Return ln of the lift ratio that gives each stated depth at each drag, shape (depths, drags)."""
    return np.asarray(
        kept("lifts", stated, lambda: {"logs": _solved_lift_logs(stated)})["logs"]
    )


def _solved_lift_logs(stated: Stated) -> Floats:
    def reach(points: Floats) -> Floats:
        rigs = [
            (dragged(stated.line, drag), lifted(stated.lure, lift))
            for lift, drag in points
        ]
        found = solved(rigs, [stated.retrieve] * len(rigs))
        # One that floats too well to dive at all has no logarithm.
        return np.log([[max(path.reach, _LEAST_REACH)] for path in found])

    drags = stated.drag_sigma * _DRAGS
    wanted = np.log(stated.depth) + stated.depth_sigma * _DEPTHS
    low, high = (
        float(bound)
        for bound in np.log(np.clip(stated.lure.lift_ratio * _LIFT_RANGE, *LIFT_RANGE))
    )
    smooth = Smooth.of(reach, [(low, high), (drags[0], drags[-1])], _LIFT_NODES)
    lifts = np.linspace(low, high, 400)
    reaches = [
        np.maximum.accumulate(smooth(lifts, np.array(drag))[:, 0]) for drag in drags
    ]
    return np.array([np.interp(wanted, known, lifts) for known in reaches]).T


def log_sum(log_weight: Floats, axes: tuple[int, ...]) -> Floats:
    """Return ln of the sum of weights over some axes; minus infinity where all are nought."""
    most = np.maximum(log_weight.max(axis=axes, keepdims=True), _LEAST_LOG_WEIGHT)
    total = np.exp(log_weight - most).sum(axis=axes)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(total) + np.squeeze(most, axes))
