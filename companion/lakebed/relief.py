"""The lakebed as a picture's data: a grid of depth and uncertainty, and depth contours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import contourpy
import numpy as np

from companion.lakebed.cells import FloatArray
from companion.lakebed.surface import Surface

_SPAN_CELLS = 500  # at each end of the depths: far more than false echoes get through


@dataclass(frozen=True, slots=True)
class Relief:
    """A grid: `east` (m,) and `north` (n,) of its lines, m; `depth` and `sigma` (n, m), m, NaN unknown."""

    east: FloatArray
    north: FloatArray
    depth: FloatArray
    sigma: FloatArray


@dataclass(frozen=True, slots=True)
class Contour:
    """One depth, m below today's surface, and the lines where the bottom has it: (k, 2) east, north m."""

    depth: float
    lines: list[FloatArray]


def relief(
    surface: Surface,
    step: float,
    within: tuple[float, float, float, float] | None = None,
    most_points: int = 250_000,
) -> Relief | None:
    """Return the bottom on a grid of `step` m over west, south, east, north (m; None: all that is known).

    The step is widened until the grid has at most `most_points`. None for an empty
    lake.
    """
    bounds = within or surface.extent
    if bounds is None:
        return None
    west, south, east, north = bounds
    step = max(step, float(np.sqrt((east - west) * (north - south) / most_points)))
    easts, norths = (
        np.arange(west, east + 0.5 * step, step),
        np.arange(south, north + 0.5 * step, step),
    )
    bottom = surface.at(*np.meshgrid(easts, norths))
    return Relief(easts, norths, bottom.depth, bottom.sigma)


def depth_span(surface: Surface, sounded: FloatArray) -> tuple[float, float]:
    """Return the shallowest and the deepest bottom at soundings, m: the surface's, which doubts a spike.

    NaN without any. `sounded` are rows of `Surface.sounded`; of many, only those are
    looked at that were sounded shallowest and deepest.
    """
    if not len(sounded):
        return math.nan, math.nan
    order = np.argsort(sounded[:, 2], kind="stable")
    ends = np.union1d(order[:_SPAN_CELLS], order[-_SPAN_CELLS:])
    depth = surface.at(sounded[ends, 0], sounded[ends, 1]).depth
    return float(np.nanmin(depth)), float(np.nanmax(depth))


def contours(grid: Relief, every: float, surer_than: float = 1.0) -> list[Contour]:
    """Return contours at multiples of `every` m, only where sigma is below `surer_than` m."""
    hidden = ~(grid.sigma < surer_than)
    known = np.ma.masked_array(grid.depth, hidden)
    if hidden.all() or min(grid.depth.shape) < 2:
        return []
    generator = contourpy.contour_generator(
        grid.east, grid.north, known, line_type=contourpy.LineType.Separate
    )
    first, last = np.ceil(known.min() / every), np.floor(known.max() / every)
    found = [
        (float(i * every), generator.lines(float(i * every)))
        for i in np.arange(first, last + 1.0)
    ]
    return [
        Contour(depth, [np.asarray(line) for line in lines])
        for depth, lines in found
        if lines
    ]
