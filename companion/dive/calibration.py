"""What touches teach: the lure's lift, the true cast and the line's drag, narrowed by Bayes' rule on a grid.

Two things are shared by every line a lure is fished on: how deep it really goes where
its owner or its package states a depth (that fixes the lift ratio), and how much line
drag counts against lure drag (only the ratio of the two shapes a path). Each rig, a rod
with its line, adds its own true cast and how far its line's thickness is off. All four
are given as natural logarithms of what is true over what was assumed, with independent
normal priors. Three more unknowns excuse what is no fault of the lure: by how much all
depths are off that the sounder and the map tell, how much further all casts go than
told (both common to all rods of the boat), and how much faster or slower a rod's reel
is turned than was told. What is learned on one rig reaches the others through the
physics: the shared part of the posterior is common to all, and each rig's path is
computed from it.

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
from collections.abc import Callable, Iterable, Iterator, Sequence
from copy import copy
from dataclasses import replace
from functools import cache, cached_property, lru_cache
from statistics import NormalDist
from typing import Final, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.dive.kept import kept
from companion.dive.rig import Line, Lure, Retrieve
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

BOTTOM_SIGMA: Final = 0.3
"""Standard deviation of a bottom depth from the sounder where the lure was, m."""
CAST_SCATTER: Final = 0.05
"""Relative standard deviation of one cast from the rod's usual cast. Common practice, no source."""
SPEED_SCATTER: Final = 0.10
"""Relative standard deviation of one retrieve's speed from the reel's usual one. Common practice."""
CALL_DELAY: Final = 1.0
"""Time from the touch to the angler's word for it, s, with a standard deviation as large."""
SAID_LENGTH_SCATTER: Final = 0.10
"""Relative standard deviation of a cast's length as somebody says it. Common practice, no source."""
FALSE_TOUCHES: Final = 0.05
"""Share of casts with a touch spoken of that was on something else, a stump, weed, a
fish, at any time of the retrieve. As about half of the casts near the bottom touch, one
touch in ten is false."""
MISSED_TOUCHES: Final = 0.10
"""Share of casts on which the lure touched and nothing was said."""

DEPTH_OFFSET_SIGMA_M: Final = 0.4
"""Standard deviation of what all depths told are off by, m: the transducer, the level, the speed of sound."""
CASTS_ALIKE_SIGMA: Final = 0.1
"""Relative standard deviation of what all casts of a boat are told too short by. Common practice."""
REEL_SPEED_SIGMA: Final = 0.15
"""Relative standard deviation of a rod's usual reel speed from what its owner states. Common practice."""

_OFFSETS_M: Final = DEPTH_OFFSET_SIGMA_M * np.linspace(-2.4, 2.4, 5)
"""How much deeper the bottom may be than is told, m."""
_FURTHER: Final = CASTS_ALIKE_SIGMA * np.linspace(-2.4, 2.4, 7)
"""How much further than told all casts of the boat may go, ln."""
_PACES: Final = REEL_SPEED_SIGMA * np.linspace(-2.6, 2.6, 9)
"""How much faster the reel may turn than is told, ln."""
_OFFSET_PRIOR, _FURTHER_PRIOR, _PACE_PRIOR = (
    -0.5 * (nodes / sigma) ** 2
    for nodes, sigma in (
        (_OFFSETS_M, DEPTH_OFFSET_SIGMA_M),
        (_FURTHER, CASTS_ALIKE_SIGMA),
        (_PACES, REEL_SPEED_SIGMA),
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
_NORMAL = NormalDist()
_LEAST_LOG_WEIGHT = -1e300
"""Stands for minus infinity where two of them would have to be subtracted."""
_ROOT_TWO_PI = (2.0 * np.pi) ** 0.5


class Stated(msgspec.Struct, frozen=True):
    """The prior of a lure.

    Attributes:
        lure: the lure with the lift ratio that makes it go as deep as stated.
        line: the line the statement is for.
        retrieve: the cast and retrieve it is for.
        depth: as stated, m.
        depth_sigma: relative standard deviation of the statement.
        drag_sigma: relative standard deviation of line drag over lure drag.
    """

    lure: Lure
    line: Line
    retrieve: Retrieve
    depth: float
    depth_sigma: float = 0.12
    drag_sigma: float = 0.38


class CalibratedRig(msgspec.Struct, frozen=True):
    """A rod with a line on it.

    Attributes:
        name: the rod's and the line's name; each rig of a lure has its own.
        line: as assumed.
        retrieve: the usual cast and retrieve, as assumed; speed steady.
        cast_sigma: relative standard deviation of the true usual cast, beside what all
            casts of the boat are told too short by.
        casts_alike: whether it goes further where all casts do; not where it is as
            long as somebody chose.
        thickness_sigma: relative standard deviation of the line's true thickness.
    """

    name: str
    line: Line
    retrieve: Retrieve
    cast_sigma: float = 0.12
    thickness_sigma: float = 0.02
    casts_alike: bool = True

    @property
    def whole_cast_sigma(self) -> float:
        """Relative standard deviation of the true usual cast, all told."""
        return math.hypot(self.cast_sigma, CASTS_ALIKE_SIGMA * self.casts_alike)


Soundings = tuple[tuple[float, float], ...]
"""The bottom along a cast: points (distance from the rod tip, depth below the surface),
m, by rising distance, straight between them and level beyond; a single point is a level
bottom."""


class Touch(msgspec.Struct, frozen=True, tag="touch"):
    """The lure touched the bottom.

    Attributes:
        rig: which rig was cast.
        bottom: the bottom along the cast.
        after: s from the start of the retrieve to the word for the first touch, or
            None.
        sigma: standard deviation of the bottom's depth, m.
        beside: the bottom along other ways the cast may have gone, for its direction is
            not sure, each with how likely that is; the rest goes to `bottom`.
        drift: speed of the boat towards where the lure landed, m/s; negative away from
            it.
        alike: along how much of the way the bottom's error is one and the same, m;
            None: all of it.
        length: of the cast as it was said, m; None: it was a usual one.
    """

    rig: str
    bottom: Soundings
    after: float | None = None
    sigma: float = BOTTOM_SIGMA
    beside: tuple[tuple[float, Soundings], ...] = ()
    drift: float = 0.0
    alike: float | None = None
    length: float | None = None


class NoTouch(msgspec.Struct, frozen=True, tag="no touch"):
    """The lure came back without a touch; fields as for `Touch`."""

    rig: str
    bottom: Soundings
    sigma: float = BOTTOM_SIGMA
    beside: tuple[tuple[float, Soundings], ...] = ()
    drift: float = 0.0
    alike: float | None = None
    length: float | None = None


Evidence = Touch | NoTouch
"""What can be learned from."""


class Estimate(msgspec.Struct, frozen=True):
    """A value with its band: the median, and the values it is above with 95 % and below with 95 %."""

    best: float
    low: float
    high: float


class RigBelief(msgspec.Struct, frozen=True):
    """The posterior of a rig: its reach and its true cast, m, and its reach before any touch."""

    reach: Estimate
    cast: Estimate
    before: Estimate
    touches: int
    without_touch: int


class Belief(msgspec.Struct, frozen=True):
    """All that was learned about a lure; plain data that can be stored as JSON and taken up again.

    Attributes:
        stated: what was known beforehand.
        rigs: the rigs it was fished on.
        evidence: every touch and every cast without, in order.
        lift_ratio: of the lure.
        drag_factor: of its lines, on top of the assumed one.
        by_rig: what is believed of each rig, by name.
    """

    stated: Stated
    rigs: tuple[CalibratedRig, ...]
    evidence: tuple[Evidence, ...]
    lift_ratio: Estimate
    drag_factor: Estimate
    by_rig: dict[str, RigBelief]


class Casts(NamedTuple):
    """Casts drawn from what is believed of a rig, shape (casts, steps): all equally likely.

    `t` is s since the retrieve began, `away` the distance from the rod tip and `depth`
    that below the surface, m. The steps are the same shares of the time for every cast
    (`companion.dive.table.SHARES`).
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


class _Grid:
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
        further = self.cast_log.ravel() - rig.casts_alike * _FURTHER[:, None]
        own = -0.5 * (further / rig.cast_sigma) ** 2
        self.by_further = own - _log_sum(own, (1,))[:, None]
        self.shared_prior = -0.5 * (_DEPTHS[:, None] ** 2 + _DRAGS**2)
        self.prior = (
            self.shared_prior[:, :, None, None] + self.thickness_prior - 0.5 * _CASTS**2
        )
        self.usual = rig.retrieve.cast
        self.cast = np.broadcast_to(self.usual * np.exp(self.cast_log), shape)
        self._lift, self._drag = (
            np.broadcast_to(axis, (*shape[:3], 1))
            for axis in (self.lift_log, drag + self.thickness)
        )
        # A table is asked at every drag and thickness: each lift goes with its drag and
        # all thicknesses.
        lifts = self._lift.reshape(shape[0], -1)
        self.table = Table(
            rig.line,
            stated.lure,
            rig.retrieve,
            lifts,
            self._drag[0].ravel(),
            3.0 * rig.whole_cast_sigma,
        )
        self.reach = self.table.reach(self._lift, self._drag, self.cast_log)
        apart = (self.cast_log.ravel()[:, None] - self.cast_log.ravel()) / CAST_SCATTER
        kernel = np.exp(-0.5 * apart**2)
        self._scatter = kernel / kernel.sum(axis=0)

    @cached_property
    def curves(self) -> Curves:
        """The curves of all cells: only what is learned from asks for them."""
        return self.table.curves(self._lift, self._drag, self.cast_log)

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
        return (*self.prior.shape, len(_OFFSETS_M), len(_PACES))

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
            for a in (self._lift, self._drag)
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
            self._lift,
            self._drag,
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
        (len(duration), len(_OFFSETS_M), 1 if density is None else len(_PACES))
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
    return np.broadcast_to(likely, (*likely.shape[:2], len(_PACES)))


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
    for offset in _OFFSETS_M:
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
        return np.ones((len(whole), len(PATH_SHARES) - 1, len(_PACES)), np.float32)
    steps = 0.5 * (PATH_SHARES[1:] + PATH_SHARES[:-1])
    due = (whole[:, None, None] * (steps[:, None] * np.exp(-_PACES))).astype(np.float32)
    width = np.hypot(np.float32(CALL_DELAY), np.float32(SPEED_SCATTER) * due)
    density = np.exp(-0.5 * ((np.float32(after - CALL_DELAY) - due) / width) ** 2)
    return np.asarray(density / (width * np.float32(_ROOT_TWO_PI)))


def _false_touch(after: float | None, whole: Floats) -> Floats:
    """Return the probability, or density, of a word for something else than the bottom, (paths,)."""
    if after is None:
        return np.full(len(whole), FALSE_TOUCHES)
    return FALSE_TOUCHES / whole


@lru_cache(maxsize=4)
def _log_likelihood(grid: _Grid, seen: Evidence) -> Floats:
    return grid.log_likelihood(seen)


@lru_cache(maxsize=24)
def _grid(stated: Stated, rig: CalibratedRig) -> _Grid:
    """Return the grid of a rig; the first time, the model is solved for some 270 casts."""
    return _Grid(stated, rig)


def ready_grid(stated: Stated, rig: CalibratedRig) -> None:
    """Have a rig's grid ready for the next calibrations that ask for it."""
    _grid(stated, rig)


def make_tables(stated: Stated, rig: CalibratedRig) -> None:
    """Have all tables of a rig kept, those for a boat that comes nearer fast as well."""
    _ = _Grid(stated, rig).table.far


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


class _Posterior:
    """The odds on the grids of a lure's rigs.

    Attributes:
        grids: by the rig's name.
        seen: ln of how likely what was seen is on each, shape `_Grid.seen_shape`.
        changes: how often the odds have changed.
    """

    def __init__(self, grids: dict[str, _Grid]) -> None:
        self.grids = grids
        self._elsewhere = np.zeros((len(_OFFSETS_M), len(_FURTHER)))
        self.changes = 0
        self.forget()

    def forget(self) -> None:
        """Forget what was seen."""
        self.seen = {
            name: np.zeros(grid.seen_shape) for name, grid in self.grids.items()
        }
        self._by_offset: dict[str, Floats] = {}
        self.changes += 1

    def add(self, rig: str, grid: _Grid) -> None:
        """Take in one more rig, with which nothing was seen."""
        self.grids[rig], self.seen[rig] = grid, np.zeros(grid.seen_shape)
        self.changes += 1

    def see(self, rig: str, log_likelihood: Floats) -> None:
        """Take in ln of how likely something seen with a rig is, shape `_Grid.seen_shape`."""
        self.seen[rig] = self.seen[rig] + log_likelihood
        self._by_offset.clear()
        self.changes += 1

    @property
    def elsewhere(self) -> Floats:
        """Return ln of the odds that other lures give to what is common to all rods of the boat.

        By the bottom's offset and by how much further casts go.
        """
        return self._elsewhere

    @elsewhere.setter
    def elsewhere(self, told: Floats) -> None:
        if np.array_equal(told, self._elsewhere):
            return
        self._elsewhere = told
        self._by_offset.clear()
        self.changes += 1

    def copy(self) -> _Posterior:
        """Return the same, which learns nothing more."""
        copied = copy(self)
        copied.grids, copied.seen = dict(self.grids), dict(self.seen)
        copied._by_offset = dict(self._by_offset)
        return copied

    def weight(self, rig: str) -> Floats:
        """Return the posterior on one rig's grid."""
        return np.asarray(self.weight_by_offset(rig).sum(axis=-1))

    def weight_by_offset(self, rig: str) -> Floats:
        """Return the same with offsets; kept until something else is seen, for it is asked often."""
        if rig not in self._by_offset:
            self._by_offset[rig] = self.full_weight(rig).sum(axis=-1)
        return self._by_offset[rig]

    def full_weight(self, rig: str) -> Floats:
        """Return the same with offsets and paces; the others' evidence comes in by the shared axes."""
        grid, common = self.grids[rig], self._common(without=rig)
        # By depth, drag, cast and offset; how much further all casts go is summed over.
        by_cast = _log_sum(common[:, :, None] + grid.by_further.T[:, None, :], (4,))
        log_weight = (
            grid.thickness_prior[..., None, None]
            + by_cast[:, :, None, :, :, None]
            + _PACE_PRIOR
            + self.seen[rig]
        )
        weight = np.exp(log_weight - log_weight.max())
        return np.asarray(weight / weight.sum())

    def _common(self, without: str | None = None) -> Floats:
        """Return ln of the odds by depth, drag, offset and how much further casts go, but for one rig."""
        prior = next(iter(self.grids.values())).shared_prior[:, :, None, None]
        odds = prior + _OFFSET_PRIOR[:, None] + _FURTHER_PRIOR + self.elsewhere
        told = (
            self._told_by(name)
            for name, seen in self.seen.items()
            if name != without and seen.any()
        )
        return np.asarray(sum(told, odds))

    def _told_by(self, rig: str) -> Floats:
        """Return ln of how likely what a rig has told is, by the same, the rest summed over."""
        grid = self.grids[rig]
        own = grid.thickness_prior[..., None, None] + _PACE_PRIOR + self.seen[rig]
        by_cast = np.moveaxis(_log_sum(own, (2, 5)), 2, 3)
        return _log_sum(by_cast[..., None, :] + grid.by_further, (4,))

    def log_evidence(self) -> float:
        """Return ln of how likely all that was seen is, beside what another prior gives it."""
        return float(_log_sum(self._common(), (0, 1, 2, 3)))

    def common_log_likelihood(self) -> Floats:
        """Return ln of how likely what was seen is by what is common to all rods of the boat.

        Shape as `elsewhere`.
        """
        told = [self._told_by(name) for name, seen in self.seen.items() if seen.any()]
        if not told:
            return np.zeros_like(self.elsewhere)
        prior = next(iter(self.grids.values())).shared_prior[:, :, None, None]
        found = _log_sum(np.asarray(prior + sum(told)), (0, 1))
        return np.asarray(found - found.max())


def share_common(of_lures: Iterable[Calibration]) -> None:
    """Let the lures of a boat tell each other what is common to all its rods.

    That is by how much all depths are off that it is told, and how much further than
    told all casts go.
    """
    lures = list(of_lures)
    told = [lure.posterior.common_log_likelihood() for lure in lures]
    for place, lure in enumerate(lures):
        others = told[:place] + told[place + 1 :]
        lure.posterior.elsewhere = sum(others, np.zeros_like(told[place]))


def normal_quantiles(shares: Floats) -> Floats:
    """Return what a normal number is below with these probabilities, in standard deviations, shape (n,)."""
    return np.array([_NORMAL.inv_cdf(float(share)) for share in shares])


def _log_sum(log_weight: Floats, axes: tuple[int, ...]) -> Floats:
    """Return ln of the sum of weights over some axes; minus infinity where all are nought."""
    most = np.maximum(log_weight.max(axis=axes, keepdims=True), _LEAST_LOG_WEIGHT)
    total = np.exp(log_weight - most).sum(axis=axes)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(total) + np.squeeze(most, axes))


def _estimate(values: Floats, weight: Floats) -> Estimate:
    """Return the 5, 50 and 95 % points of values on the grid under a weight that broadcasts with them."""
    values, weight = (array.ravel() for array in np.broadcast_arrays(values, weight))
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    low, best, high = np.interp(
        (0.05, 0.5, 0.95), (share - 0.5 * weight[order]) / share[-1], values[order]
    )
    return Estimate(best=float(best), low=float(low), high=float(high))


class Calibration:
    """The belief about one lure on its rigs, updated with each touch.

    Attributes:
        posterior: the odds of every combination of the unknowns.

    Raises:
        ValueError: no rig is given, two have one name, or evidence names a rig that is
            not there.
    """

    def __init__(
        self,
        stated: Stated,
        rigs: Sequence[CalibratedRig],
        evidence: Iterable[Evidence] = (),
    ) -> None:
        self.stated = stated
        self.rigs = {rig.name: rig for rig in rigs}
        if not rigs or len(self.rigs) < len(rigs):
            raise ValueError(
                "a calibration needs at least one rig, each with a name of its own"
            )
        self.evidence: list[Evidence] = []
        self._believed: tuple[int, Belief] | None = None
        self._grids = {rig.name: _grid(stated, rig) for rig in rigs}
        self.posterior = _Posterior(self._grids)
        self._take_up(evidence)

    @classmethod
    def resume(cls, belief: Belief, rigs: Sequence[CalibratedRig] = ()) -> Calibration:
        """Take up a stored belief, with further rigs when the lure has been tied to other lines since."""
        known = {rig.name: rig for rig in (*belief.rigs, *rigs)}
        return cls(belief.stated, list(known.values()), belief.evidence)

    def with_rig(self, rig: CalibratedRig) -> Calibration:
        """Return a calibration that knows the same and has one more rig; this one stays as it is.

        Raises:
            ValueError: it has a rig of that name.
        """
        if rig.name in self.rigs:
            raise ValueError(f'there is a rig called "{rig.name}" already')
        more = self.copy()
        more.rigs[rig.name] = rig
        more.posterior.add(rig.name, _grid(self.stated, rig))
        return more

    def copy(self) -> Calibration:
        """Return a calibration that believes the same and learns nothing more, for another thread."""
        copied = copy(self)
        copied.rigs, copied.evidence = dict(self.rigs), list(self.evidence)
        copied.posterior = self.posterior.copy()
        copied._grids = copied.posterior.grids
        return copied

    def _take_up(self, evidence: Iterable[Evidence]) -> None:
        """Take in what was seen before, rig by rig; what it says together is kept for the next time."""
        self.evidence = list(evidence)
        for name in {seen.rig for seen in self.evidence}:
            grid, mine = (
                self._grid_of(name),
                [seen for seen in self.evidence if seen.rig == name],
            )
            inputs = self.stated, self.rigs[name], mine

            def say(
                grid: _Grid = grid, mine: list[Evidence] = mine
            ) -> dict[str, Floats]:
                return {
                    "log": np.sum([grid.log_likelihood(seen) for seen in mine], axis=0)
                }

            self.posterior.see(name, np.array(kept("seen by pace", inputs, say)["log"]))

    def _grid_of(self, rig: str) -> _Grid:
        if rig not in self._grids:
            raise ValueError(f'no rig is called "{rig}"; known: {", ".join(self.rigs)}')
        return self._grids[rig]

    def learn(self, seen: Evidence) -> None:
        """Take in a touch, or a cast that came back without one.

        Raises:
            ValueError: its rig is not one of this calibration's.
        """
        self.posterior.see(seen.rig, log_likelihood(self, seen))
        self.evidence.append(seen)

    def unlearn(self, seen: Evidence) -> None:
        """Take back one piece of evidence.

        Raises:
            ValueError: it was never taken in.
        """
        self.evidence.remove(seen)
        self.posterior.see(seen.rig, -log_likelihood(self, seen))

    def forget(self, rig: str | None = None) -> None:
        """Forget what was learned on one rig, or everything."""
        remaining = [seen for seen in self.evidence if rig and seen.rig != rig]
        self.evidence = []
        self.posterior.forget()
        self._take_up(remaining)

    def belief(self) -> Belief:
        """Return all that was learned, as data to store or show; kept until something else is."""
        changes = self.posterior.changes
        if self._believed is None or self._believed[0] != changes:
            self._believed = changes, _belief_in(self)
        return self._believed[1]

    def reach(self, rig: str) -> Estimate:
        """Return the reach, m, of a rig on its usual cast."""
        return self._estimate(rig, lambda grid: grid.reach)

    def reach_as_told(self, rig: str) -> Estimate:
        """Return the reach, m, as depths are told on this boat: less what all of them are off by."""
        weight = self.posterior.weight_by_offset(rig)
        return _estimate(self._grids[rig].reach[..., None] - _OFFSETS_M, weight)

    def best(self, rig: str) -> tuple[Line, Lure, Retrieve]:
        """Return the line, lure and retrieve that stand for what is believed: their reach is `reach`."""
        drag, cast = self._means(rig)
        assumed = self.rigs[rig]
        retrieve = replace(
            assumed.retrieve, cast=assumed.retrieve.cast * float(np.exp(cast))
        )
        return (
            dragged(assumed.line, drag),
            self.lure_reaching(rig, self.reach(rig).best),
            retrieve,
        )

    def best_as_told(self, rig: str) -> tuple[Line, Lure, Retrieve]:
        """Return the same as depths are told on this boat: their reach is `reach_as_told`."""
        line, _, retrieve = self.best(rig)
        return line, self.lure_reaching(rig, self.reach_as_told(rig).best), retrieve

    def lure_reaching(self, rig: str, reach: float) -> Lure:
        """Return the lure with the lift ratio that reaches a depth, m, on the line and cast of `best`."""
        return replace(
            self.stated.lure,
            lift_ratio=self._grids[rig].lift_for(reach, *self._means(rig)),
        )

    def path(
        self, rig: str, reach: float, drift: float = 0.0
    ) -> tuple[Floats, Floats, Floats]:
        """Return the usual retrieve that reaches a depth, m: t, s, distance from the rod tip and depth, m.

        It reaches that depth from a boat at rest; with a drift, m/s towards where the
        lure landed, it is what becomes of it.
        """
        return self._grids[rig].path(reach, *self._means(rig), drift)

    def casts(
        self,
        rig: str,
        n: int,
        length: float | None = None,
        length_sigma: float = 0.0,
        drift: float = 0.0,
    ) -> Casts:
        """Return n casts as they may go, the scatter from cast to cast included; the same at every call.

        Args:
            rig: which rig.
            n: how many.
            length: of the cast, m, when it is known better than "as usual".
            length_sigma: relative standard deviation of that.
            drift: speed of the boat towards where the lure lands, m/s.
        """
        grid, weight = self._grids[rig], self.posterior.full_weight(rig)
        order = np.argsort(grid.reach, axis=None)
        by_cell = weight.reshape(len(order), -1)
        share = np.cumsum(by_cell.sum(axis=1)[order])
        even = (np.arange(n) + 0.5) / n
        cells = order[
            np.minimum(np.searchsorted(share, even * share[-1]), len(order) - 1)
        ]
        # Multiples of irrational numbers spread evenly, and not in step with the reach
        # or each other.
        steps = (0.7548777, 0.5698403, 0.4142136)
        shares = [(even + np.arange(1, n + 1) * step) % 1.0 for step in steps]
        scatter, pace = normal_quantiles(shares[0]), normal_quantiles(shares[1])
        within = np.cumsum(by_cell[cells], axis=1)
        drawn = (within < (shares[2] * within[:, -1])[:, None]).sum(axis=1)
        offsets, paces = np.divmod(np.minimum(drawn, within.shape[1] - 1), len(_PACES))
        usual = np.broadcast_to(grid.cast_log, grid.prior.shape).ravel()[cells]
        cast_log = usual + CAST_SCATTER * scatter
        if length is not None:
            cast_log = (
                np.log(length / self.rigs[rig].retrieve.cast) + length_sigma * scatter
            )
        faster = np.exp(SPEED_SCATTER * pace + _PACES[paces])
        return grid.casts(cells, _OFFSETS_M[offsets], cast_log, faster, drift)

    def _means(self, rig: str) -> tuple[float, float]:
        """Return the means of ln drag (the line's thickness included) and ln cast."""
        grid, weight = self._grids[rig], self.posterior.weight(rig)
        return (
            float(np.sum(weight * (grid.drag_log + grid.thickness))),
            float(np.sum(weight * grid.cast_log)),
        )

    def _rig_belief(self, rig: str) -> RigBelief:
        mine = [seen for seen in self.evidence if seen.rig == rig]
        return RigBelief(
            reach=self.reach(rig),
            cast=self._estimate(rig, lambda grid: grid.cast),
            before=_estimate(self._grids[rig].reach, np.exp(self._grids[rig].prior)),
            touches=sum(isinstance(seen, Touch) for seen in mine),
            without_touch=sum(isinstance(seen, NoTouch) for seen in mine),
        )

    def _estimate(self, rig: str, what: Callable[[_Grid], Floats]) -> Estimate:
        return _estimate(what(self._grids[rig]), self.posterior.weight(rig))


def _belief_in(known: Calibration) -> Belief:
    first = next(iter(known.rigs))
    return Belief(
        stated=known.stated,
        rigs=tuple(known.rigs.values()),
        evidence=tuple(known.evidence),
        lift_ratio=known._estimate(first, lambda grid: np.exp(grid.lift_log)),
        drag_factor=known._estimate(first, lambda grid: np.exp(grid.drag_log)),
        by_rig={name: known._rig_belief(name) for name in known.rigs},
    )


def log_likelihood(known: Calibration, seen: Evidence) -> Floats:
    """Return ln of how likely a piece of evidence is, shape `_Grid.seen_shape`; the last are kept.

    Raises:
        ValueError: its rig is not one of the calibration's.
    """
    return _log_likelihood(known._grid_of(seen.rig), seen)


def drawn_lures(known: Calibration, n: int) -> Drawn:
    """Return n lures drawn from what is believed, the same at every call."""
    rig = next(iter(known.rigs))
    grid, weight = known._grids[rig], known.posterior.full_weight(rig)
    order = np.argsort(grid.reach, axis=None)
    share = np.cumsum(weight.reshape(len(order), -1)[order].ravel())
    at = np.searchsorted(share, (np.arange(n) + 0.5) / n * share[-1])
    cells, wrong = np.divmod(
        np.minimum(at, len(share) - 1), len(_OFFSETS_M) * len(_PACES)
    )
    offset, pace = np.divmod(wrong, len(_PACES))
    lift, drag, cast = (
        np.broadcast_to(axis, grid.prior.shape).ravel()[order[cells]]
        for axis in (grid._lift, grid._drag, grid.cast_log)
    )
    return Drawn(lift, drag, cast, offset, pace)


def likely_adrift(
    known: Calibration, seen: Evidence, drawn: Drawn, drifts: Floats
) -> Floats:
    """Return p(seen) for each of the lures drawn and each drift of the boat, m/s, (n, drifts)."""
    grid = known._grid_of(seen.rig)
    return np.stack(
        [grid.likely_of(seen, drawn, float(drift)) for drift in drifts], axis=1
    )
