"""Breaks and ledge edges, along a line of bottom and over a map of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import contourpy
import numpy as np

from companion.lakebed.cells import FloatArray
from companion.lakebed.relief import Relief
from companion.lakebed.surface import BottomProfile
from companion.units import NINE_IN_TEN_SIGMAS

LEAST_DROP_M, LEAST_STEEPNESS = 0.8, 0.25
"""By how much a break drops, m, and how steep it is at least, m per m."""
_LOOK_DOWN_M = 12.0  # how far down the slope a break's foot is looked for


@dataclass(frozen=True, slots=True)
class Break:
    """A steep part of a line: from `start` to `end` m along it, depths `shallow` and `deep` m.

    `goes` says whether the bottom drops or rises along the line; `sigma` is the largest
    standard deviation of the bottom within it, m.
    """

    start: float
    end: float
    shallow: float
    deep: float
    goes: Literal["down", "up"]
    sigma: float

    @property
    def drop(self) -> float:
        """The difference in depth, m."""
        return self.deep - self.shallow

    @property
    def edge(self) -> float:
        """Return where the shallow edge lies, m along the line."""
        return {"down": self.start, "up": self.end}[self.goes]


def breaks(
    profile: BottomProfile,
    *,
    drop: float = LEAST_DROP_M,
    steepness: float = LEAST_STEEPNESS,
) -> list[Break]:
    """Return the breaks along a profile, in order.

    A break is where the bottom is at least `steepness` (metres per metre) steep and
    falls or rises by at least `drop` m. Its ends are where the steepness is half of its
    greatest, which is where a ramp that has been smoothed really begins and ends.
    """
    if len(profile.distance) < 3:
        return []
    slope = np.nan_to_num(np.gradient(profile.depth, profile.distance))
    steep = np.where(slope >= steepness, 1, np.where(slope <= -steepness, -1, 0))
    ends = np.flatnonzero(np.diff(steep)) + 1
    runs = np.split(np.arange(len(steep)), ends)
    found = [
        _measured(profile, slope * steep[run[0]], run) for run in runs if steep[run[0]]
    ]
    return [one for one in found if one.drop >= drop]


def _measured(
    profile: BottomProfile,
    slope: FloatArray,
    run: np.ndarray[tuple[int], np.dtype[np.intp]],
) -> Break:
    peak = int(run[np.argmax(slope[run])])
    half = 0.5 * slope[peak]
    first, last = peak, peak
    while first > 0 and slope[first] > half:
        first -= 1
    while last < len(slope) - 1 and slope[last] > half:
        last += 1
    start = _crossing(profile.distance, slope, first, first + 1, half)
    end = _crossing(profile.distance, slope, last, last - 1, half)
    before, after = np.interp([start, end], profile.distance, profile.depth)
    goes: Literal["down", "up"] = "up"
    if after > before:
        goes = "down"
    sigma = float(np.nanmax(profile.sigma[first : last + 1]))
    return Break(
        start, end, float(min(before, after)), float(max(before, after)), goes, sigma
    )


def _crossing(
    distance: FloatArray, slope: FloatArray, outer: int, inner: int, half: float
) -> float:
    """Return where the steepness passes `half` between a gentle and a steep step; a line's end is an end."""
    if slope[outer] >= half or slope[inner] <= slope[outer]:
        return float(distance[outer])
    share = (half - slope[outer]) / (slope[inner] - slope[outer])
    return float(distance[outer] + share * (distance[inner] - distance[outer]))


def lips(grid: Relief) -> list[FloatArray]:
    """Return the upper edges of the breaks on a map: lines of (k, 2) east, north, m.

    A lip is where the bottom becomes `LEAST_STEEPNESS` steep going down; it counts where
    what it falls in the next metres is `LEAST_DROP_M`, and more than the bottom's doubt
    there, nine times in ten.
    """
    if min(grid.depth.shape) < 2:
        return []
    fall_north, fall_east = map(
        np.asarray, np.gradient(grid.depth, grid.north, grid.east)
    )
    steep = np.hypot(fall_east, fall_north)
    outline = contourpy.contour_generator(
        grid.east,
        grid.north,
        np.ma.masked_invalid(steep),
        line_type=contourpy.LineType.Separate,
    )
    slope = _Sloping(grid, fall_east, fall_north, steep)
    lines = [np.asarray(line) for line in outline.lines(LEAST_STEEPNESS)]
    return [part for line in lines for part in pieces_where(line, slope.is_lip(line))]


def pieces_where(
    line: FloatArray, wanted: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> list[FloatArray]:
    """Return the pieces of a line, of two places or more, that are wanted throughout."""
    cuts = np.flatnonzero(np.diff(wanted)) + 1
    pieces = zip(np.split(line, cuts), np.split(wanted, cuts), strict=True)
    return [piece for piece, whole in pieces if len(piece) > 1 and whole[0]]


class _Sloping:
    """A map's depth, doubt and slope, looked up at any places on it."""

    def __init__(
        self,
        grid: Relief,
        fall_east: FloatArray,
        fall_north: FloatArray,
        steep: FloatArray,
    ) -> None:
        self._grid = grid
        self._layers = np.stack((grid.depth, grid.sigma, fall_east, fall_north, steep))

    def is_lip(self, line: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Tell of each place on an outline of steepness whether it is at a break's upper edge."""
        depth, sigma, east, north, steep = self._at(line)
        down = np.stack((east, north), axis=1) / np.maximum(steep, 1e-9)[:, None]
        step = float(self._grid.east[1] - self._grid.east[0])
        steps = np.arange(1, max(round(_LOOK_DOWN_M / step), 1) + 1)
        ahead = [self._at(line + n * step * down) for n in steps]
        deeper = np.nanmax(
            [np.zeros_like(depth), *(one[0] - depth for one in ahead)], axis=0
        )
        sure = NINE_IN_TEN_SIGMAS * np.hypot(sigma, ahead[len(ahead) // 2][1])
        begins = ahead[0][4] > LEAST_STEEPNESS
        return np.asarray(begins & (deeper >= np.fmax(sure, LEAST_DROP_M)))

    def _at(self, places: FloatArray) -> FloatArray:
        """Return the layers at the nodes nearest to places; NaN beside the map, shape (5, n)."""
        found = np.full((len(self._layers), len(places)), np.nan)
        column = _nearest(self._grid.east, places[:, 0])
        row = _nearest(self._grid.north, places[:, 1])
        inside = np.isfinite(column + row)
        found[:, inside] = self._layers[
            :, row[inside].astype(int), column[inside].astype(int)
        ]
        return found


def _nearest(axis: FloatArray, at: FloatArray) -> FloatArray:
    """Return the number of the node of an axis nearest to each place; NaN beyond its ends."""
    return np.round(np.interp(at, axis, np.arange(len(axis)), np.nan, np.nan))
