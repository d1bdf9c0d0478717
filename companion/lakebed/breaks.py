"""Breaks and ledge edges along a line of bottom."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from companion.lakebed.cells import FloatArray
from companion.lakebed.surface import BottomProfile


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
        return self.start if self.goes == "down" else self.end


def breaks(
    profile: BottomProfile, *, drop: float = 0.8, steepness: float = 0.25
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
    goes: Literal["down", "up"] = "down" if after > before else "up"
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
