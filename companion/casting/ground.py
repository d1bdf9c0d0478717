"""The bottom that a cast goes over: several rays side by side, because nobody casts along a ruler.

`Ground` is what casting asks of the lakebed. A cast's bearing is only known to some
degrees, so its bottom is looked up along a fan of rays; how much they differ belongs to
what is not known of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from companion.events import Fix
from companion.lakebed.bed import Bed

Floats = NDArray[np.float64]

RAY_STEP_M = 1.0
"""Distance between the points of a ray, m."""
FAN_SIGMAS = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])
"""The rays' bearings beside the cast's, in sigmas of the aim."""
WIDEST_AIM_RAD = math.radians(50.0)
"""Aim that counts as this at most, rad: casts go forward."""


class TopOnWay(NamedTuple):
    """A tree top or the like near a line from the boat.

    Attributes:
        distance: along the line, m.
        aside: off it, m, to the right positive.
        place_sigma: the standard deviation of its place along any line, m.
        depth: of the top below today's surface, m.
        number: of its mark.
    """

    distance: float
    aside: float
    place_sigma: float
    depth: float
    number: int


class Ray(NamedTuple):
    """The bottom along a line: depth and its sigma, m, every `RAY_STEP_M` m; NaN where nothing is known."""

    depth: Floats
    sigma: Floats


class Ground(Protocol):
    """The questions that casting asks of the lakebed."""

    def ray(self, at: Fix, bearing: float, length: float) -> Ray:
        """Return the bottom from a place in a direction, degrees, for `length` m."""

    def rays(self, at: Fix, bearings: Sequence[float], length: float) -> list[Ray]:
        """Return the bottom from a place in several directions, degrees, for `length` m."""

    def spots(self, places: Sequence[Fix]) -> Ray:
        """Return the bottom at some places."""

    def tops(
        self, at: Fix, bearing: float, length: float, aside: float
    ) -> Sequence[TopOnWay]:
        """Return the tops with a known depth within `aside` m of that line, nearest first."""


class Unmapped:
    """A ground of which nothing is known."""

    def ray(self, at: Fix, bearing: float, length: float) -> Ray:
        """Return a ray of which nothing is known."""
        del at, bearing
        nothing = np.full(int(length / RAY_STEP_M) + 1, np.nan)
        return Ray(nothing, nothing)

    def rays(self, at: Fix, bearings: Sequence[float], length: float) -> list[Ray]:
        """Return rays of which nothing is known."""
        return [self.ray(at, bearing, length) for bearing in bearings]

    def spots(self, places: Sequence[Fix]) -> Ray:
        """Return that nothing is known there."""
        nothing = np.full(len(places), np.nan)
        return Ray(nothing, nothing)

    def tops(
        self, at: Fix, bearing: float, length: float, aside: float
    ) -> Sequence[TopOnWay]:
        """Return no tops."""
        del at, bearing, length, aside
        return ()


class Ahead(NamedTuple):
    """The bottom along a cast.

    Attributes:
        depth: along each ray, m, shape (rays, points); NaN where nothing is known.
        sigma: its standard deviation, m, same shape.
        weight: how likely each ray is, shape (rays,).
    """

    depth: Floats
    sigma: Floats
    weight: Floats

    @property
    def length(self) -> float:
        """Return how far the rays go, m."""
        return float((self.depth.shape[1] - 1) * RAY_STEP_M)

    def mixed(self) -> Ray:
        """Return one ray that stands for all: their mean, and a sigma that holds how they differ.

        Not known where more than a third of the weight is not.
        """
        known = ~np.isnan(self.depth)
        weight = self.weight[:, None] * known
        total = weight.sum(axis=0)
        with np.errstate(invalid="ignore"):
            mean = (weight * np.nan_to_num(self.depth)).sum(axis=0) / total
            spread = (
                np.nan_to_num(self.depth - mean) ** 2 + np.nan_to_num(self.sigma) ** 2
            )
            variance = (weight * spread).sum(axis=0) / total
        enough = total > 2.0 / 3.0
        return Ray(
            np.where(enough, mean, np.nan), np.where(enough, np.sqrt(variance), np.nan)
        )


def fan(bearing: float, aim: float) -> Floats:
    """Return the bearings, degrees, of the rays of a cast whose direction is known to `aim` rad."""
    return bearing + FAN_SIGMAS * math.degrees(min(aim, WIDEST_AIM_RAD))


def ahead(ground: Ground, at: Fix, bearing: float, aim: float, length: float) -> Ahead:
    """Return the bottom along a cast from a place, in a direction known to `aim` rad, `length` m long."""
    rays = ground.rays(at, (fan(bearing, aim) % 360.0).tolist(), length)
    weight = np.exp(-0.5 * FAN_SIGMAS**2)
    return Ahead(
        np.stack([ray.depth for ray in rays]),
        np.stack([ray.sigma for ray in rays]),
        weight / weight.sum(),
    )


class Mapped:
    """The ground as the lakebed knows it."""

    def __init__(self, bed: Bed) -> None:
        self._bed = bed

    def ray(self, at: Fix, bearing: float, length: float) -> Ray:
        """Return the bottom from a place in a direction."""
        return self.rays(at, [bearing], length)[0]

    def rays(self, at: Fix, bearings: Sequence[float], length: float) -> list[Ray]:
        """Return the bottom from a place in several directions, all asked at once: that is quicker."""
        profiles = self._bed.along_each(at.lat, at.lon, bearings, length, RAY_STEP_M)
        return [Ray(profile.depth, profile.sigma) for profile in profiles]

    def spots(self, places: Sequence[Fix]) -> Ray:
        """Return the bottom at some places."""
        found = self._bed.bottoms([(place.lat, place.lon) for place in places])
        return Ray(found.depth, found.sigma)

    def tops(
        self, at: Fix, bearing: float, length: float, aside: float
    ) -> Sequence[TopOnWay]:
        """Return the marked tree tops near a line."""
        area = self._bed.area_of(at.lat, at.lon)
        if area is None:
            return ()
        east, north = area.place(at.lat, at.lon)
        return [
            TopOnWay(
                on.distance,
                on.aside,
                on.mark.sigma,
                on.mark.top + area.surface.level,
                on.mark.number,
            )
            for on in area.marks.along(east, north, bearing, length, aside)
            if on.mark.kind == "tree top" and on.mark.top is not None
        ]
