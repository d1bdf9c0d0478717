"""The bottom of a day's water, as well as it is known: a grid for its contours, its steepness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from companion.lakebed.bed import Bed
from companion.lakebed.gates import TrackGate
from companion.lakebed.relief import Relief, relief
from companion.lakebed.soundings import Sounding
from companion.lakebed.surface import Surface
from companion.lakebed.waters import AREA_REACH, Area
from companion.report.day import Day, Floats

GROUND_STEP_M = 2.0
"""The grid's step, m; wider on large water."""
MOST_GRID_POINTS = 14_000
"""How many points the grid may have: what a browser draws at once."""
GROUND_MARGIN_M = 20.0
"""How far the grid goes beyond the boat's way, m."""
IN_CAST = 50.0
"""The same on a lake that is known from other days too: a long cast."""
LEVELLED_BY = 500
"""How many of a day's soundings tell how the water stood against the lake's zero."""
KNOWN_SIGMA_M = 1.0
"""The bottom counts as known where its standard deviation is below this, m."""


@dataclass(frozen=True)
class GroundGrid:
    """The mapped bottom: a grid of depth, NaN where it is not known well enough.

    `all_days` tells whether it is all that is known of the lake, or the day's own
    soundings alone.
    """

    grid: Relief
    all_days: bool = False

    @cached_property
    def depth(self) -> Floats:
        """Depth below the surface, m, NaN where not known; rows go north, columns east."""
        return np.where(
            _without_slivers(self.grid.sigma < KNOWN_SIGMA_M), self.grid.depth, np.nan
        )

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
    return np.asarray(
        np.lib.stride_tricks.sliding_window_view(inner, (3, 3)).any(axis=(2, 3))
    )


def step_between(lines: Floats) -> float:
    """Return the step between lines of a grid, m; 1 where there is but one."""
    if len(lines) < 2:
        return 1.0
    return float(lines[1] - lines[0])


def _nearest(lines: Floats, at: Floats) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    place = np.rint((np.nan_to_num(at, nan=-1e9) - lines[0]) / step_between(lines))
    outside = (place < 0) | (place > len(lines) - 1)
    return np.where(outside, 0, place).astype(np.intp), outside


def mapped(day: Day, areas: Sequence[Area] = ()) -> GroundGrid | None:
    """Return the bottom of a day's water, below the surface of that day.

    It is what `areas`, the lakes of the logbook, have of it from all days; where they
    have nothing, what the day's own kept readings map. None when no depth was ever
    joined to a place.
    """
    track = day.track
    known = ~(np.isnan(track.x) | np.isnan(track.depth))
    rows = np.column_stack((track.t, track.x, track.y, track.depth))[known]
    if not len(rows):
        return None
    return _of_lake(day, areas, rows) or _of_day(rows)


def _of_lake(day: Day, areas: Sequence[Area], rows: Floats) -> GroundGrid | None:
    """Return the bottom as the lake has it; None where no lake lies under the whole day."""
    assert day.plane is not None
    area = Bed(areas).open_area(day.plane.lat, day.plane.lon)
    if area is None:
        return None
    east0, north0 = area.place(day.plane.lat, day.plane.lon)
    east1, north1 = area.place(*day.plane.to_latlon(1000.0, 1000.0))
    wider, longer = (east1 - east0) / 1000.0, (north1 - north0) / 1000.0
    east, north = east0 + wider * rows[:, 1], north0 + longer * rows[:, 2]
    if float(np.hypot(east, north).max()) > AREA_REACH:
        return None
    some = slice(None, None, max(1, len(rows) // LEVELLED_BY))
    off = rows[some, 3] - area.surface.at(east[some], north[some]).depth
    box = _around(east, north, IN_CAST)
    if (
        np.isnan(off).all()
        or (grid := relief(area.surface, GROUND_STEP_M, box, MOST_GRID_POINTS)) is None
    ):
        return None
    depth = grid.depth + float(np.nanmedian(off))
    here = Relief(
        (grid.east - east0) / wider, (grid.north - north0) / longer, depth, grid.sigma
    )
    return GroundGrid(here, all_days=True)


def _of_day(rows: Floats) -> GroundGrid | None:
    """Return the bottom by the day's own soundings."""
    surface, gate = Surface(), TrackGate()
    kept = [sounding for row in rows.tolist() for sounding in gate.push(Sounding(*row))]
    for sounding in (*kept, *gate.flush()):
        surface.add(sounding.east, sounding.north, sounding.depth)
    if surface.cells == 0:
        return None
    grid = relief(
        surface,
        GROUND_STEP_M,
        _around(rows[:, 1], rows[:, 2], GROUND_MARGIN_M),
        MOST_GRID_POINTS,
    )
    if grid is None:
        return None
    return GroundGrid(grid)


def _around(
    east: Floats, north: Floats, margin: float
) -> tuple[float, float, float, float]:
    """Return west, south, east and north of a box around places, m."""
    west, south = float(round(east.min())) - margin, float(round(north.min())) - margin
    return (
        west,
        south,
        float(round(east.max())) + margin,
        float(round(north.max())) + margin,
    )
