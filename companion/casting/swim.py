"""A rod's lure over the bottom of many casts at once, and which metres of its way count.

How a lure goes over a bottom without solving its line again: until the first touch it
is on its free path. After that its depth per metre towards the boat is taken from the
place of the free path that is seen from the rod tip at the same angle (z / x). In the
limit without line drag and buoyancy that is exact, because all paths of a lure are then
one equiangular spiral at different scales; how near it comes to
`companion.dive.contact` otherwise is held by tests/unit/test_plan_swim.py.

Dive and bottom are off together: the margin between them is shifted along the whole
cast by the same number of its standard deviations.

Metres; depths below today's surface; distances from the boat, the far end of a cast
first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from companion.tackle import RodReach
from companion.units import NINE_IN_TEN_SIGMAS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]

Manner = Literal["along", "off the break", "down the slope", "up the slope"]
"""How the bottom runs under the metres that count, from where the lure lands towards
the boat: it keeps its depth; it drops away and the lure swims off into open water; it
falls; it rises."""
MANNER_NAMES: tuple[Manner, ...] = get_args(Manner)

UNKNOWN_BOTTOM_M = 1e6
"""Depth that stands for "no bottom known here": no lure gets there, m."""

_LOOK_AHEAD, _BREAK_DROP, _LEVEL = 5.0, 0.8, 0.12
_ANGLES, _STEEPEST = 512, 2.0


@dataclass(frozen=True, slots=True)
class Wish:
    """The metres of a path that count, and where the boat may be.

    Attributes:
        height: of the lure above bottom or timber, m, up to which a metre counts; 0 is
            contact only.
        dig: how far below the bottom the lure would go if it could, m, up to which a
            metre counts: beyond that it ploughs, which wears the lure and finds every
            snag. None counts all.
        clear: whether the lure has to stay clear: no metre counts after a touch.
        band: depths, m, between which the lure has to be, instead of a height; it stays
            clear as well.
        stand_off: the least distance of the boat from what it fishes for, m.
        least_water: the least depth the boat lies in, m.
        manner: only casts of this manner; None any.
        boat: east and north, m, of a boat that stays where it is; None finds the place.

    Raises:
        ValueError: a length is negative, a band is empty, or nothing counts at all.
    """

    height: float = 0.3
    dig: float | None = 0.9
    clear: bool = False
    band: tuple[float, float] | None = None
    stand_off: float = 10.0
    least_water: float = 0.8
    manner: Manner | None = None
    boat: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if min(self.height, self.stand_off, self.least_water, self.dig or 0.0) < 0.0:
            raise ValueError(
                "a height, dig, stand-off or depth is negative; expected 0 or more"
            )
        if self.band is not None and not 0.0 <= self.band[0] < self.band[1]:
            shallow, deep = self.band
            raise ValueError(
                f"band of {shallow:g} to {deep:g} m: expected the shallower depth first"
            )
        if self.clear and self.band is None and self.height == 0.0:
            raise ValueError(
                "a lure that stays clear needs a height or a band in which a metre counts"
            )


class CastTerrain(NamedTuple):
    """The terrain below casts, each array (steps, casts).

    `top` is the depth of the highest thing there, `bottom` that of the bottom, m
    (`UNKNOWN_BOTTOM_M` if not known), `sigma` their standard deviation, m, `counted`
    whether a metre there may count.
    """

    top: Singles
    bottom: Singles
    sigma: Singles
    counted: Flags

    def pick(self, casts: NDArray[np.intp]) -> CastTerrain:
        """Return what lies under some of the casts."""
        top = self.top[:, casts]
        bottom = top if self.bottom is self.top else self.bottom[:, casts]
        return CastTerrain(top, bottom, self.sigma[:, casts], self.counted[:, casts])


class Way(NamedTuple):
    """The lure's way over casts: metres that count, and whether it meets nothing on its way, (shifts, casts).

    For the middle shift also the lure's `depth`, m, and where a metre `counts`, (steps,
    casts).
    """

    metres: Singles
    clear: Flags
    depth: Singles
    counts: Flags


class Diver:
    """A rod's free path, the band around it, and how steeply its lure dives seen at an angle."""

    def __init__(self, rod: RodReach) -> None:
        self.rod = rod
        self._free, self._shallow, self._deep = (
            np.array(path).T for path in (rod.path, rod.shallow, rod.deep)
        )
        x, z = self._free
        apart = np.flatnonzero((x > 1.0) & (np.diff(x, append=-np.inf) < -1e-6))
        x, z = x[apart], z[apart]
        angle, dive = z / x, -np.gradient(z, x)
        order = np.argsort(angle, kind="stable")
        # A lure that has touched swims already: the gentle start of a path is not gone
        # through again.
        steepest = np.maximum.accumulate(dive[order][::-1])[::-1]
        at = np.linspace(0.0, _STEEPEST, _ANGLES)
        self._dive: Singles = np.interp(at, angle[order], steepest).astype(np.float32)

    def first(self, away: Floats) -> int:
        """Return the index of the first of some distances that the cast reaches."""
        return int(np.argmax(away <= self.rod.cast + 1e-9))

    def free(self, away: Floats) -> Floats:
        """Return the depth of the free path at distances from the rod tip, m."""
        return _at(self._free, away)

    def sigma(self, away: Floats) -> Floats:
        """Return the standard deviation of the path's depth there, m: the band holds nine of ten."""
        return np.abs(_at(self._deep, away) - _at(self._shallow, away)) / (
            2.0 * NINE_IN_TEN_SIGMAS
        )

    def dived(self, z: Singles, x: float, step: float) -> Singles:
        """Return the depth a step nearer, m, of lures that have touched, at depth z and distance x, m."""
        angle = np.minimum(
            z * np.float32((_ANGLES - 1) / (_STEEPEST * x)), _ANGLES - 1
        ).astype(np.int32)
        return np.asarray(z + self._dive[angle] * np.float32(step))


def _at(path: Floats, away: Floats) -> Floats:
    x, z = path
    return np.asarray(np.interp(-away, -x, z), dtype=float)


def swim(
    diver: Diver, wish: Wish, under: CastTerrain, away: Floats, shifts: Floats
) -> Way:
    """Take a lure over the bottom of casts, the margin shifted by so many of its standard deviations.

    Args:
        diver: the rod.
        wish: which metres count.
        under: what lies under the casts at each distance.
        away: the distances, evenly spaced, (steps,); those beyond the rod's cast are
            left out.
        shifts: rising, an odd number; a positive one brings lure and bottom together.
    """
    step, casts = float(away[0] - away[1]), under.top.shape[1]
    free, spread = (
        diver.free(away).astype(np.float32),
        diver.sigma(away).astype(np.float32),
    )
    shift, middle = shifts.astype(np.float32)[:, None], len(shifts) // 2
    z, metres = (np.zeros((len(shifts), casts), np.float32) for _ in range(2))
    touched = np.zeros(z.shape, bool)
    first = diver.first(away)
    depth = np.empty((len(away) - first, casts), np.float32)
    counts = np.empty(depth.shape, bool)
    for row, k in enumerate(range(first, len(away))):
        whole = np.hypot(spread[k], under.sigma[k])
        floor = under.top[k] - shift * whole
        here = np.full_like(z, free[k])
        if touched.any():
            here = np.where(touched, diver.dived(z, float(away[k]) + step, step), here)
        hit = here >= floor
        z = np.maximum(np.minimum(here, floor), np.float32(0.0))
        touched |= hit
        # Of the shift, the lure's own part moves it through the water, the rest moves
        # the bottom.
        own = (
            z
            if wish.band is None
            else z + shift * (spread[k] ** 2 / np.maximum(whole, 1e-6))
        )
        counted = under.counted[k] & _counts(
            wish, own, floor, hit, touched, float(free[k])
        )
        metres += counted
        depth[row], counts[row] = z[middle], counted[middle]
    return Way(metres * np.float32(step), ~touched, depth, counts)


def _counts(
    wish: Wish, z: Singles, floor: Singles, hit: Flags, touched: Flags, free: float
) -> Flags:
    """Tell where a metre counts, were all of the map the target."""
    if wish.band is not None:
        return np.asarray(~touched & (z >= wish.band[0]) & (z <= wish.band[1]))
    counts = hit if wish.height == 0.0 else floor - z <= wish.height
    if wish.clear:
        return np.asarray(counts & ~touched)
    return (
        counts if wish.dig is None else np.asarray(counts & (free - floor <= wish.dig))
    )


def equal_shifts(count: int) -> Floats:
    """Return an odd number of shifts, in standard deviations, that are equally likely, rising."""
    normal = NormalDist()
    shifts = np.array([normal.inv_cdf((n + 0.5) / count) for n in range(count)])
    shifts[count // 2] = 0.0
    # A few quantiles spread less than the distribution they stand for; scaled, they
    # spread as much.
    return np.asarray(shifts / math.sqrt(np.mean(shifts**2)) if count > 1 else shifts)


def manners(way: Way, under: CastTerrain, step: float) -> NDArray[np.int8]:
    """Return the manner of casts as indices of `MANNER_NAMES`, (casts,); any where nothing counts."""
    steps, casts = way.counts.shape
    bottom, column = under.bottom[-steps:], np.arange(casts)
    first = way.counts.argmax(axis=0)
    last = steps - 1 - way.counts[::-1].argmax(axis=0)
    ahead = np.minimum(last + round(_LOOK_AHEAD / step), steps - 1)
    begins, ends, beyond = (bottom[at, column] for at in (first, last, ahead))
    off = (beyond - ends >= _BREAK_DROP) & (beyond < 0.5 * UNKNOWN_BOTTOM_M)
    level = np.abs(ends - begins) <= _LEVEL * begins
    of = [
        MANNER_NAMES.index(name)
        for name in ("off the break", "along", "down the slope", "up the slope")
    ]
    return np.select([off, level, ends > begins], of[:3], of[3]).astype(np.int8)
