"""The bottom as lures have felt it: every touch is a sounding where the boat never was.

A touch is a poor sounding. Where it was is known to some metres, and how deep only as
well as the lure is known; that second error is shared by all touches of one lure. So
touches are kept apart from the soundings: they refine what a cast is told of the
bottom, as observations with a shared error, and the shared error keeps a wrong belief
about the lure from bending the bottom. Calibration learns from soundings alone; if it
learned from touches too, lure and bottom would confirm each other.

The refinement is that of a Gaussian process whose prior is the sounded bottom
(Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, section 2.2, from
memory). Metres, degrees from true north.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from companion.casting.cast import CastInProgress
from companion.casting.ground import RAY_STEP_M, Ahead, Floats, Ground, fan
from companion.casting.outlook import ERROR_CORRELATION_M
from companion.dive.evidence import CALL_DELAY, Estimate
from companion.events import Fix
from companion.sensing.localplane import LocalPlane
from companion.units import NINE_IN_TEN_SIGMAS

TOUCH_INFLUENCE_M = 25.0
"""Touches further than this from a cast's way say nothing about it, m."""
MOST_TOUCHES = 30
"""Touches looked at for one cast, the latest first."""
LEAST_SLOPE = 0.03
"""Steepness that a touch's unsure place counts with at least, m per m."""


class FeltTouch(NamedTuple):
    """A touch as a sounding.

    Attributes:
        at: where, with its radius.
        depth: below the lake's surface of its day, m.
        own: sigma of that depth from this cast alone: its length, its speed, the moment
            of the word, m.
        shared: sigma from what is not known of the lure, in common with all its
            touches, m.
        lure: the lure's name.
    """

    at: Fix
    depth: float
    own: float
    shared: float
    lure: str


def felt_touch(
    cast: CastInProgress, said: float, boat: Fix | None, reach: Estimate
) -> FeltTouch | None:
    """Return the sounding in a touch whose words began at a logic time, s; None without a place.

    `reach` is what is believed of the rod: how far its band is from its middle is what
    the lure's touches share.
    """
    t = said - CALL_DELAY
    where = cast.lure(t, boat)
    if where.at is None or cast.bearing is None or t <= cast.retrieved_from:
        return None
    _, _, depth, spread = cast.free_at(t)
    later = cast.free_at(t + CALL_DELAY)[2]
    shared = depth * (reach.high - reach.low) / (2.0 * NINE_IN_TEN_SIGMAS * reach.best)
    own = np.hypot(max(spread**2 - shared**2, 0.0) ** 0.5, later - depth)
    return FeltTouch(
        where.at, depth, float(max(own, 0.1)), float(shared), cast.rod.lure.name
    )


class Felt:
    """All touches told of, as soundings; `refine` is what they say about a cast's bottom."""

    def __init__(self, touches: Iterable[FeltTouch] = ()) -> None:
        self._touches = dict(enumerate(touches, start=-10_000))

    def __len__(self) -> int:
        return len(self._touches)

    def add(self, number: int, touch: FeltTouch) -> None:
        """Keep a touch logged as `number`."""
        self._touches[number] = touch

    def remove(self, number: int) -> None:
        """Take it back."""
        self._touches.pop(number, None)

    def refine(
        self, ground: Ground, at: Fix, bearing: float, aim: float, sounded: Ahead
    ) -> Ahead:
        """Return the bottom along a cast's fan of rays, the touches taken into account.

        Args:
            ground: where the sounded bottom at the touches' places comes from.
            at: where the cast starts.
            bearing: its direction.
            aim: one sigma of that, rad.
            sounded: the bottom along it from soundings alone.
        """
        plane = LocalPlane(at.lat, at.lon)
        rays = np.radians(fan(bearing, aim))
        far = RAY_STEP_M * np.arange(sounded.depth.shape[1])
        east, north = np.outer(np.sin(rays), far), np.outer(np.cos(rays), far)
        near = self._near(plane, east, north)
        if not near or np.isnan(sounded.depth).all():
            return sounded
        places = np.array([plane.to_xy(touch.at.lat, touch.at.lon) for touch in near])
        prior = ground.spots([touch.at for touch in near])
        known = ~np.isnan(prior.depth)
        if not known.any():
            return sounded
        kept = [touch for touch, good in zip(near, known, strict=True) if good]
        places, prior_depth, prior_sigma = (
            places[known],
            prior.depth[known],
            prior.sigma[known],
        )
        noise = _noise(kept, _steepness(sounded))
        between = _alike(places[:, 0], places[:, 1], places[:, 0], places[:, 1])
        covariance = prior_sigma[:, None] * between * prior_sigma + noise
        miss = np.array([touch.depth for touch in kept]) - prior_depth
        across = (
            _alike(east.ravel(), north.ravel(), places[:, 0], places[:, 1])
            * prior_sigma
        )
        across *= sounded.sigma.ravel()[:, None]
        solved = np.linalg.solve(covariance, np.column_stack((miss, across.T)))
        shift = across @ solved[:, 0]
        less = np.einsum("ij,ji->i", across, solved[:, 1:])
        shape = sounded.depth.shape
        variance = np.maximum(sounded.sigma**2 - less.reshape(shape), 1e-4)
        return Ahead(
            sounded.depth + shift.reshape(shape), np.sqrt(variance), sounded.weight
        )

    def _near(self, plane: LocalPlane, east: Floats, north: Floats) -> list[FeltTouch]:
        """Return the latest touches near any point of the fan."""
        found = []
        for touch in reversed(self._touches.values()):
            x, y = plane.to_xy(touch.at.lat, touch.at.lon)
            if np.min(np.hypot(east - x, north - y)) <= TOUCH_INFLUENCE_M:
                found.append(touch)
        return found[:MOST_TOUCHES]


def _alike(
    east: Floats, north: Floats, other_east: Floats, other_north: Floats
) -> Floats:
    """Return how alike the errors of the sounded bottom are at places, shape (n, m)."""
    away = np.hypot(east[:, None] - other_east, north[:, None] - other_north)
    return np.asarray(np.exp(-away / ERROR_CORRELATION_M))


def _noise(touches: list[FeltTouch], steepness: float) -> Floats:
    """Return the covariance of the touches' own errors, shape (n, n)."""
    own = np.array(
        [touch.own**2 + (steepness * (touch.at.sigma or 0.0)) ** 2 for touch in touches]
    )
    shared = np.array([touch.shared for touch in touches])
    same = np.array([[a.lure == b.lure for b in touches] for a in touches])
    return np.asarray(np.diag(own) + same * np.outer(shared, shared))


def _steepness(sounded: Ahead) -> float:
    """Return how steep the bottom is along the rays, m per m, as far as it is known."""
    rises = np.diff(sounded.depth, axis=1) / RAY_STEP_M
    known = rises[~np.isnan(rises)]
    if not known.size:
        return LEAST_SLOPE
    return max(float(np.sqrt(np.mean(known**2))), LEAST_SLOPE)
