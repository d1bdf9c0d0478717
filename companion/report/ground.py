"""The bottom of a day's water, from its own kept readings: a grid, its contours, its steepness."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from companion.lakebed.gates import Gate
from companion.lakebed.relief import Relief, relief
from companion.lakebed.soundings import Sounding
from companion.lakebed.surface import Surface
from companion.report.day import Day, Floats

STEP = 2.0
"""The grid's step, m; wider on large water."""
MOST_POINTS = 14_000
"""How many points the grid may have: what a browser draws at once."""
SURE = 1.0
"""The bottom counts as known where its standard deviation is below this, m."""


@dataclass(frozen=True)
class Ground:
    """The mapped bottom: a grid of depth, NaN where it is not known well enough."""

    grid: Relief

    @cached_property
    def depth(self) -> Floats:
        """Depth below the surface, m, NaN where not known; rows go north, columns east."""
        return np.where(_without_slivers(self.grid.sigma < SURE), self.grid.depth, np.nan)

    @cached_property
    def steepness(self) -> Floats:
        """Metres down per metre, NaN where not known."""
        if min(self.depth.shape) < 2:
            return np.full_like(self.depth, np.nan)
        north, east = np.gradient(self.depth, self.grid.north, self.grid.east)
        return np.asarray(np.hypot(north, east))

    def depth_at(self, x: Floats, y: Floats) -> Floats:
        """Return the depth at places, m, NaN where not known."""
        return self._pick(self.depth, x, y)

    def steepness_at(self, x: Floats, y: Floats) -> Floats:
        """Return the steepness at places, NaN where not known."""
        return self._pick(self.steepness, x, y)

    def _pick(self, values: Floats, x: Floats, y: Floats) -> Floats:
        columns, outside_x = _nearest(self.grid.east, x)
        rows, outside_y = _nearest(self.grid.north, y)
        return np.where(outside_x | outside_y, np.nan, values[rows, columns])


def _without_slivers(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Drop what is less than three points wide: there the contours would only be ragged."""
    around = np.pad(known, 2)
    inner = np.lib.stride_tricks.sliding_window_view(around, (3, 3)).all(axis=(2, 3))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(inner, (3, 3)).any(axis=(2, 3)))


def _nearest(lines: Floats, at: Floats) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    step = float(lines[1] - lines[0]) if len(lines) > 1 else 1.0
    place = np.rint((np.nan_to_num(at, nan=-1e9) - lines[0]) / step)
    outside = (place < 0) | (place > len(lines) - 1)
    return np.where(outside, 0, place).astype(np.intp), outside


def mapped(day: Day) -> Ground | None:
    """Return the bottom that a day's kept readings map; None when no depth was ever joined to a place."""
    surface, gate, track = Surface(), Gate(), day.track
    known = ~(np.isnan(track.x) | np.isnan(track.depth))
    rows = np.column_stack((track.t, track.x, track.y, track.depth))[known]
    kept = [sounding for row in rows.tolist() for sounding in gate.push(Sounding(*row))]
    for sounding in (*kept, *gate.flush()):
        surface.add(sounding.east, sounding.north, sounding.depth)
    if surface.cells == 0:
        return None
    margin = 20.0
    box = (rows[:, 1].min(), rows[:, 2].min(), rows[:, 1].max(), rows[:, 2].max())
    west, south, east, north = (float(round(edge)) for edge in box)
    grid = relief(surface, STEP, (west - margin, south - margin, east + margin, north + margin), MOST_POINTS)
    return None if grid is None else Ground(grid)
