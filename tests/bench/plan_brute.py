"""Planning by brute force: a plain loop over every boat place, bearing and rod, for tests and benchmarks.

Written apart from `companion.casting`: only the lattice, the zone and the levels of
error are the same.
"""

import math

import numpy as np
from scipy.ndimage import map_coordinates

from companion.casting.plan import (
    BEARING_STEP_DEG,
    BERTH_SPACING_M,
    FINE_STEP_M,
    LEAST_CLEAR_SHARE,
    zone,
)
from companion.casting.swim import equal_shifts

UNKNOWN = 1e6


class Brute:
    """Every cast of the lattice, one after the other."""

    def __init__(self, on, rods, target, wish, shifts=61):
        self.on, self.rods, self.target, self.wish = on, rods, target, wish
        self.zone = zone(on, target)
        self.top = np.where(np.isnan(on.top), UNKNOWN, on.top)
        self.sigma = np.nan_to_num(on.sigma)
        self.shifts = equal_shifts(shifts)
        longest = max(rod.cast for rod in rods)
        count = math.floor((longest - wish.stand_off) / FINE_STEP_M)
        self.away = wish.stand_off + FINE_STEP_M * np.arange(count, -1, -1)
        self.paths = [self._path(rod) for rod in rods]

    def _path(self, rod):
        x, z = np.array(rod.path).T
        free = np.interp(-self.away, -x, z)
        low, high = (
            np.interp(-self.away, *self._mirrored(p)) for p in (rod.shallow, rod.deep)
        )
        keep = (x > 1.0) & (np.diff(x, append=-1e9) < 0)
        x, z = x[keep], z[keep]
        order = np.argsort(z / x)
        dive = -np.gradient(z, x)[order]
        for k in range(len(dive) - 2, -1, -1):
            dive[k] = max(dive[k], dive[k + 1])
        return free, (high - low) / 3.29, (z / x)[order], dive

    @staticmethod
    def _mirrored(path):
        x, z = np.array(path).T
        return -x, z

    def casts(self):
        """Yield east, north, bearing and rod index of every cast that may be made."""
        on, wish = self.on, self.wish
        rows, columns = on.depth.shape
        for i in range(math.floor((columns - 1) * on.step / BERTH_SPACING_M) + 1):
            for j in range(math.floor((rows - 1) * on.step / BERTH_SPACING_M) + 1):
                east, north = (
                    on.west + BERTH_SPACING_M * i,
                    on.south + BERTH_SPACING_M * j,
                )
                if not self._afloat(east, north, wish.least_water):
                    continue
                place = self.target.place
                if (
                    place
                    and math.hypot(place[0] - east, place[1] - north) < wish.stand_off
                ):
                    continue
                for turn in range(round(360 / BEARING_STEP_DEG)):
                    angle = math.radians(BEARING_STEP_DEG * turn)
                    for r, rod in enumerate(self.rods):
                        landing = (
                            east + rod.cast * math.sin(angle),
                            north + rod.cast * math.cos(angle),
                        )
                        if self._afloat(*landing, 0.0):
                            yield east, north, BEARING_STEP_DEG * turn, r

    def _cell(self, east, north):
        return round((north - self.on.south) / self.on.step), round(
            (east - self.on.west) / self.on.step
        )

    def _afloat(self, east, north, least):
        row, column = self._cell(east, north)
        if not (
            0 <= row < self.on.depth.shape[0] and 0 <= column < self.on.depth.shape[1]
        ):
            return False
        depth = self.on.depth[row, column]
        return self.on.open[row, column] and (math.isnan(depth) or depth >= least)

    def metres(self, east, north, bearing, r):
        """Return the metres of one cast that count, for each shift."""
        on, wish = self.on, self.wish
        angle = math.radians(bearing)
        x = (east + self.away * math.sin(angle) - on.west) / on.step
        y = (north + self.away * math.cos(angle) - on.south) / on.step
        inside = (
            (x >= 0)
            & (x <= on.depth.shape[1] - 1)
            & (y >= 0)
            & (y <= on.depth.shape[0] - 1)
        )
        row, column = (np.floor(a + 0.5001).astype(int) for a in (y, x))
        counted = [
            bool(i and self.zone[r, c])
            for i, r, c in zip(inside, row, column, strict=True)
        ]
        if not any(counted):
            return np.zeros(len(self.shifts))
        top = map_coordinates(self.top, [y, x], order=1, cval=UNKNOWN)
        sigma = map_coordinates(self.sigma, [y, x], order=1, mode="nearest")
        free, spread, angles, dives = self.paths[r]
        z, touched = np.zeros(len(self.shifts)), np.zeros(len(self.shifts), bool)
        metres = np.zeros(len(self.shifts))
        for k, away in enumerate(self.away):
            if away > self.rods[r].cast:
                continue
            floor = top[k] - self.shifts * math.hypot(spread[k], sigma[k])
            dived = z + FINE_STEP_M * np.interp(z / (away + FINE_STEP_M), angles, dives)
            z = np.where(touched, dived, free[k])
            hit = z >= floor
            touched |= hit
            z = np.maximum(np.minimum(z, floor), 0.0)
            if counted[k]:
                near = hit if wish.height == 0 else floor - z <= wish.height
                if wish.clear:
                    near = near & ~touched
                elif wish.dig is not None:
                    near = near & (free[k] - floor <= wish.dig)
                metres += FINE_STEP_M * near
        # A lure that has to stay clear and too seldom does makes no cast.
        return (
            metres
            if not wish.clear or (~touched).mean() >= LEAST_CLEAR_SHARE
            else 0.0 * metres
        )

    def best(self):
        """Return the most metres expected, the cast they are expected of, and how many casts there were."""
        best, which, count = -1.0, None, 0
        for cast in self.casts():
            count += 1
            expected = float(self.metres(*cast).mean())
            if expected > best:
                best, which = expected, cast
        return best, which, count
