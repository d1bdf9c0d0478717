"""What a cast will meet: whether the lure touches, when and how surely, and how it passes over tree tops.

A few hundred casts are drawn from what is believed of the rig, and for each a bottom
from what is known of the lakebed. Counting what happens to them joins both
uncertainties without any formula for it, and whatever the two errors do together, such
as a lure that follows a slope, comes out by itself. The draws are the same at every
call, so that the same cast over the same bottom has the same outlook.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.casting.ground import RAY_STEP_M, Ahead, Floats, TopOnWay
from companion.dive.likelihood import Casts

DRAW_COUNT = 256
"""Casts that stand for all that may happen."""
ERROR_CORRELATION_M = 12.0
"""Distance along the bottom over which its errors are alike, m."""
WILL_CHANCE, SHOULD_CHANCE, MAY_CHANCE = 0.88, 0.5, 0.2
"""Least probability of a touch for each word."""
CLEARANCE_NEAR_M = 1.0
"""Up to this clearance the lure passes close above the bottom, m."""
MAPPED_LEAST_SHARE = 0.7
"""Share of the deep part of the way that has to be mapped, for a word about what is not touched."""
CROWN_RADIUS_M = 1.5
"""How far from its middle a tree top still catches a lure, m. Common practice, no source."""
TOP_SIGMA = 0.3
"""How well a marked top's depth is known, m."""

Sureness = Literal["will", "should", "may", "unlikely"]
"""How sure a touch is; a word, because a percentage is no help to somebody who is casting."""
Verdict = Literal["touch", "clear", "short", "unknown"]


class Band(NamedTuple):
    """A value: the median, and what it is above and below with 95 % each."""

    best: float
    low: float
    high: float


class TopOutlook(msgspec.Struct, frozen=True):
    """The lure's passing of a tree top: clearance, m, and seconds from the start of the retrieve.

    `chance` is the probability that the lure runs into it.
    """

    top: TopOnWay
    clearance: Band
    after: float
    chance: float


class CastOutlook(msgspec.Struct, frozen=True):
    """The encounter ahead of a cast; distances from where the rod tip was at the landing, m.

    Attributes:
        verdict: touch, clear (close above the bottom), short (well above it), or
            unknown.
        chance: probability of touching the bottom, over what is mapped of the way.
        distance: of the first touch, m, should there be one.
        after: of the first touch, s since the start of the retrieve.
        contact: how much of the way is in contact, m, should there be a touch.
        margin: least height of the lure above the bottom, m; negative when it would
            dig.
        mapped: share of the deep part of the way that is mapped.
        tops: tree tops on the way.
    """

    verdict: Verdict
    chance: float
    distance: Band | None
    after: Band | None
    contact: float | None
    margin: Band | None
    mapped: float
    tops: tuple[TopOutlook, ...] = ()

    @property
    def sureness(self) -> Sureness:
        """The word for the chance of a touch."""
        if self.chance >= WILL_CHANCE:
            return "will"
        if self.chance >= SHOULD_CHANCE:
            return "should"
        if self.chance >= MAY_CHANCE:
            return "may"
        return "unlikely"


def outlook(
    casts: Casts,
    bottom: Ahead,
    drift: float = 0.0,
    tops: Sequence[TopOnWay] = (),
    aim: float = 0.0,
) -> CastOutlook:
    """Return what a cast will meet.

    Args:
        casts: as they may go (`Calibration.casts`).
        bottom: along the cast, from where the rod tip is at the landing.
        drift: speed of the boat towards the lure, m/s; negative away from it.
        tops: tree tops near the way.
        aim: one sigma of the cast's bearing, rad.
    """
    x = casts.away + drift * casts.t
    below = _bottoms(bottom, x)
    room = below - casts.depth
    deep = casts.depth >= 0.6 * casts.depth.max(axis=1, keepdims=True)
    # Steps lie closer at the ends of a way: what counts is the line that comes in over
    # each.
    mapped = float(
        np.average(~np.isnan(room), weights=deep * np.gradient(casts.t, axis=1))
    )
    passed = tuple(
        over
        for top in tops
        if (over := _over_top(casts, x, below, top, aim)) is not None
    )
    known = np.asarray(~np.isnan(room).all(axis=1))
    if not known.any():
        return CastOutlook("unknown", 0.0, None, None, None, None, mapped, passed)
    least = np.nanmin(np.where(known[:, None], room, np.inf), axis=1)
    touching = np.asarray(least <= 0.0)
    # A way that is only partly mapped can be seen to touch, but not to stay clear.
    chance = float(touching.mean())
    margin = _band(least[known])
    distance, after, contact = _touches(casts, x, room, touching)
    return CastOutlook(
        _verdict(chance, margin.best, mapped),
        chance,
        distance,
        after,
        contact,
        margin,
        mapped,
        passed,
    )


def _verdict(chance: float, margin: float, mapped: float) -> Verdict:
    if chance >= SHOULD_CHANCE:
        return "touch"
    if mapped < MAPPED_LEAST_SHARE:
        return "unknown"
    if margin <= CLEARANCE_NEAR_M:
        return "clear"
    return "short"


def _touches(
    casts: Casts, x: Floats, room: Floats, touching: NDArray[np.bool_]
) -> tuple[Band | None, Band | None, float | None]:
    """Return distance and time of the first touch, and the length in contact, of the casts that touch."""
    if not touching.any():
        return None, None, None
    room, x, t = (np.asarray(each[touching]) for each in (room, x, casts.t))
    dug = np.nan_to_num(room, nan=np.inf) <= 0.0
    first = dug.argmax(axis=1)
    before = np.maximum(first - 1, 0)
    rows = np.arange(len(first))
    above, under = room[rows, before], room[rows, first]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(np.clip(above / (above - under), 0.0, 1.0), nan=1.0)
    where = x[rows, before] + share * (x[rows, first] - x[rows, before])
    when = t[rows, before] + share * (t[rows, first] - t[rows, before])
    pieces = np.abs(np.diff(x, axis=1)) * (dug[:, 1:] & dug[:, :-1])
    return _band(where), _band(when), float(np.median(pieces.sum(axis=1)))


def _bottoms(bottom: Ahead, x: Floats) -> Floats:
    """Return a drawn bottom below each drawn cast, shape of x; NaN where nothing is known."""
    normal, ray_at = _fixed_draws(len(x), bottom.depth.shape[1])
    ray = np.searchsorted(np.cumsum(bottom.weight), ray_at * 0.999999)
    drawn = bottom.depth[ray] + bottom.sigma[ray] * normal
    place = x / RAY_STEP_M
    left = np.clip(np.floor(place).astype(np.intp), 0, drawn.shape[1] - 2)
    share = place - left
    rows = np.arange(len(x))[:, None]
    below = drawn[rows, left] * (1.0 - share) + drawn[rows, left + 1] * share
    return np.where((place >= -1.0) & (place <= drawn.shape[1]), below, np.nan)


@lru_cache(maxsize=8)
def _fixed_draws(n: int, points: int) -> tuple[Floats, Floats]:
    """Return the bottom's errors in sigmas, alike over `ERROR_CORRELATION_M`, and shares to pick rays by."""
    random = np.random.default_rng(20)
    white = random.standard_normal((n, points))
    keep = np.exp(-RAY_STEP_M / ERROR_CORRELATION_M)
    fresh = np.sqrt(1.0 - keep**2)
    for i in range(1, points):
        white[:, i] = keep * white[:, i - 1] + fresh * white[:, i]
    return white, random.permutation((np.arange(n) + 0.5) / n)


def _over_top(
    casts: Casts, x: Floats, below: Floats, top: TopOnWay, aim: float
) -> TopOutlook | None:
    """Return how the casts pass a tree top; None when none comes there.

    `x` is where they are, m, and `below` the bottom there. A lure that drags along the
    bottom is no deeper.

    The clearance is that of a lure that passes right over it; the chance counts those
    that pass beside.
    """
    normal, _ = _fixed_draws(len(x), 64)
    at = top.distance + top.place_sigma * normal[:, 0]
    over = (x.min(axis=1) <= at) & (at <= x.max(axis=1))
    if not over.any():
        return None
    # A crown falls off more steeply than a lure's way: where it stands highest is where
    # the lure meets it.
    nearest = np.abs(x - at[:, None]).argmin(axis=1)
    rows = np.arange(len(x))
    before, after = np.maximum(nearest - 1, 0), np.minimum(nearest + 1, x.shape[1] - 1)
    slope = (casts.depth[rows, after] - casts.depth[rows, before]) / (
        x[rows, after] - x[rows, before]
    )
    free = casts.depth[rows, nearest] + slope * (at - x[rows, nearest])
    depth = np.fmin(free, below[rows, nearest])
    clear = top.depth + TOP_SIGMA * normal[:, 30] - depth
    aside = top.aside + np.hypot(top.place_sigma, aim * top.distance) * normal[:, 60]
    hit = over & (clear <= 0.0) & (np.abs(aside) <= CROWN_RADIUS_M)
    passing = np.abs(x - top.distance).argmin(axis=1)
    when = float(np.median(casts.t[rows, passing]))
    return TopOutlook(top, _band(clear[over]), when, float(hit.mean()))


def _band(values: Floats) -> Band:
    low, best, high = np.quantile(values, (0.05, 0.5, 0.95))
    return Band(float(best), float(low), float(high))
