"""The bottom as a surface: depth and how well it is known, at points, along a line, on a grid.

Every sounding ever taken goes into cells; the bottom between them is one continuous
surface (`mosaic`), the same for every question. Depths given and returned are below
today's surface: `level` is how far today's water stands above the lake's zero, and is
taken off before a sounding is kept. There is water, so no depth is nought or less.
Where no cell is near, the answer is NaN: nothing is known there. Metres, degrees
clockwise from true north.
"""

from __future__ import annotations

import json
import math
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from companion.lakebed.cells import Cells, FloatArray, TileKey
from companion.lakebed.kriging import Structure, Support, Variation
from companion.lakebed.mosaic import FARTHEST_SUPPORT_M, Mosaic
from companion.lakebed.water_level import LevelComparison, LevelHint

KNOWN_WITHIN_M = 50.0
"""Distance to the nearest cell beyond which nothing is known."""

_OLDER_FORMAT, _FORMAT = 1, 2
_LEARN_FROM_M = 120.0
_LEARN_CELLS = 30
_LEARN_SOONEST, _LEARN_LATEST = 32, 1000
_PATCHES_LEARNED_ANEW = 30


@dataclass(frozen=True, slots=True)
class SurfaceEstimate:
    """Depth below today's surface and its standard deviation, m, same shape; NaN where nothing is known."""

    depth: FloatArray
    sigma: FloatArray


@dataclass(frozen=True, slots=True)
class BottomProfile:
    """The bottom along a line: `distance` m from its start, `depth` and `sigma` m (NaN: not known)."""

    distance: FloatArray
    depth: FloatArray
    sigma: FloatArray


def soundings_in(today: array[float]) -> Iterable[tuple[float, float, float]]:
    """Return the soundings of a row of numbers: place m, depth below that day's surface m."""
    return zip(today[::3], today[1::3], today[2::3], strict=True)


class Surface:
    """A lake's bottom, growing with every sounding; one thread only.

    `half_beam`, radians, is half the angle of the sounder's cone: with it, answers are
    corrected for the echo's coming from up the slope (`companion.lakebed.beam`); None
    leaves them as sounded. `comparison` is today's soundings beside the map of other
    days, `today` those soundings themselves (`soundings_in`).
    """

    def __init__(self, cell: float = 2.0, level: float = 0.0) -> None:
        self.half_beam: float | None = None
        self._cells = Cells(cell)
        self._mosaic = Mosaic(self._cells)
        self._structure = Structure()
        self._learn_at = _LEARN_SOONEST
        self.begin_trip(level)

    @property
    def level(self) -> float:
        """Return how far today's water stands above the lake's zero, m."""
        return self._level

    @property
    def cells(self) -> int:
        """Return how many cells hold soundings."""
        return self._cells.count

    @property
    def cell_side(self) -> float:
        """The side of a cell, m."""
        return self._cells.side

    @property
    def variation(self) -> Variation:
        """Return how this lake's bottom varies, as fitted so far."""
        return self._structure.variation

    @property
    def extent(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of what has been sounded, to whole tiles, m; None for an empty lake."""
        return self._cells.extent()

    def begin_trip(self, level: float) -> None:
        """Begin a day with the water `level` m above the lake's zero."""
        self._level = level
        self.today = array("d")
        self._before: dict[TileKey, bytes | None] = {}
        self.comparison = LevelComparison()

    def change_level(self, level: float) -> None:
        """Correct today's level, m above the lake's zero, for the whole trip, soundings already taken too."""
        today, before = self.today, self._before
        for key, data in before.items():
            self._cells.replace_tile(key, data)
        self._mosaic.forget()
        self.begin_trip(level)
        for sounding in soundings_in(today):
            self.add(*sounding)

    def add(self, east: float, north: float, depth: float) -> None:
        """Add a gated sounding: place m, depth below today's surface m."""
        cells = self._cells
        where = key, place = cells.locate(east, north)
        if key not in self._before:
            tile = cells.tile(key)
            self._before[key] = None
            if tile is not None:
                self._before[key] = tile.to_bytes()
        mapped = _saved_depth(self._before[key], place)
        if mapped is not None:
            self.comparison.compare(key, place, depth - self._level - mapped)
        self.today.extend((east, north, depth))
        self._mosaic.note(east, north)
        if (
            cells.add(east, north, depth - self._level, where)
            and cells.count >= self._learn_at
        ):
            self._learn_at = cells.count + min(
                max(cells.count // 10, _LEARN_SOONEST), _LEARN_LATEST
            )
            self._structure.learn(_patch_around(cells, east, north))

    def take_out(self, tiles: Iterable[tuple[TileKey, bytes]]) -> None:
        """Take soundings that are known apart out again, and learn anew how the bottom varies.

        Raises:
            ValueError: a tile is damaged.
        """
        for key, data in tiles:
            self._cells.take_out(key, data)
        self._mosaic.forget()
        self.begin_trip(self._level)
        self._structure = Structure()
        for cells in islice(self._cells.everything(), _PATCHES_LEARNED_ANEW):
            self._structure.learn(_patch_around(self._cells, *cells[0, :2]))

    def level_hint(self) -> LevelHint | None:
        """Return by how much today's soundings disagree with the map, while that is sure; else None."""
        return self.comparison.hint()

    def at(
        self, east: FloatArray | float, north: FloatArray | float
    ) -> SurfaceEstimate:
        """Return the bottom at places of any one shape, m."""
        easts, norths = np.broadcast_arrays(
            np.asarray(east, float), np.asarray(north, float)
        )
        if not easts.size:
            return SurfaceEstimate(np.empty(easts.shape), np.empty(easts.shape))
        self._mosaic.settle(self.variation, self.half_beam)
        found = self._mosaic.evaluate(easts.ravel(), norths.ravel())
        depth, sigma = _below_the_surface(
            found.depth + self._level, np.sqrt(found.variance)
        )
        unknown = found.away > KNOWN_WITHIN_M
        depth[unknown] = sigma[unknown] = np.nan
        return SurfaceEstimate(depth.reshape(easts.shape), sigma.reshape(easts.shape))

    def along(
        self,
        east: float,
        north: float,
        bearing: float,
        length: float,
        step: float = 1.0,
    ) -> BottomProfile:
        """Return the bottom along a line from a place, in a direction, every `step` m up to `length` m."""
        return profiles(self, (east, north), [bearing], length, step)[0]

    def about(self, east: float, north: float, within: float) -> float | None:
        """Return the middle depth of the cells within a square of so many m each way; None without any."""
        cells = self._cells.near(
            east - within, north - within, east + within, north + within
        )
        inside = (np.abs(cells[:, 0] - east) <= within) & (
            np.abs(cells[:, 1] - north) <= within
        )
        if not inside.any():
            return None
        return float(np.median(cells[inside, 2])) + self._level

    def sounded(self) -> FloatArray:
        """Return every cell in use: mean east and north m, mean depth m, count of soundings; shape (n, 4)."""
        cells = np.concatenate([np.empty((0, 5)), *self._cells.everything()])[
            :, [0, 1, 2, 4]
        ]
        cells[:, 2] += self._level
        return cells

    def copy_around(
        self, west: float, south: float, east: float, north: float
    ) -> Surface:
        """Return the bottom of a rectangle, m, as it is now, for another thread; nothing is solved yet."""
        far = FARTHEST_SUPPORT_M
        copied = Surface(self.cell_side, self.level)
        copied.half_beam = self.half_beam
        copied._cells = self._cells.copy_within(
            west - far, south - far, east + far, north + far
        )
        copied._mosaic = Mosaic(copied._cells)
        copied._structure.from_list(self._structure.to_list())
        return copied

    def take_changed(self) -> dict[TileKey, bytes]:
        """Return the tiles changed since the last call, to be saved under their keys; empty bytes: delete."""
        return self._cells.take_changed()

    def mark_changed(self, keys: Iterable[TileKey]) -> None:
        """Give tiles back as changed, because saving them failed."""
        self._cells.mark_changed(keys)

    def state(self) -> str:
        """Return what is not in the tiles (cell side, what was learnt about variation) as JSON."""
        learnt = self._structure.to_list()
        return json.dumps(
            {"format": _FORMAT, "cell": self._cells.side, "learnt": learnt}
        )

    @classmethod
    def restore(
        cls, state: str, tiles: Iterable[tuple[TileKey, bytes]], level: float = 0.0
    ) -> Surface:
        """Return the surface saved as `state` and tiles, at today's level, m.

        Raises:
            ValueError: the state is of another format, or a tile is damaged.
        """
        saved = json.loads(state)
        if saved.get("format") not in (_OLDER_FORMAT, _FORMAT):
            raise ValueError(
                f"lakebed format {saved.get('format')}: expected {_FORMAT}; update the program"
            )
        surface = cls(float(saved["cell"]), level)
        if saved["format"] == _FORMAT:
            surface._structure.from_list(saved["learnt"])
        surface._cells.load(tiles)
        surface._learn_at = surface.cells + _LEARN_LATEST
        return surface


def profiles(
    surface: Surface,
    place: tuple[float, float],
    bearings: Sequence[float],
    length: float,
    step: float = 1.0,
) -> list[BottomProfile]:
    """Return what `Surface.along` does for several bearings, quicker than one after another."""
    distance = np.arange(0.0, length + 0.5 * step, step)
    angle = np.radians(bearings)[:, None]
    bottom = surface.at(
        place[0] + distance * np.sin(angle), place[1] + distance * np.cos(angle)
    )
    return [
        BottomProfile(distance, depth, sigma)
        for depth, sigma in zip(bottom.depth, bottom.sigma, strict=True)
    ]


def _patch_around(cells: Cells, east: float, north: float) -> Support:
    """Return some cells around a place to learn from, counted from it."""
    near_by = cells.near(
        east - _LEARN_FROM_M,
        north - _LEARN_FROM_M,
        east + _LEARN_FROM_M,
        north + _LEARN_FROM_M,
    )
    away = np.hypot(near_by[:, 0] - east, near_by[:, 1] - north)
    order = np.argsort(away, kind="stable")[: np.count_nonzero(away <= _LEARN_FROM_M)]
    # Half the patch is the nearest cells, for noise and short range; half is spread
    # over the rest.
    near, far = order[:_LEARN_CELLS], order[_LEARN_CELLS:]
    every = max(1, math.ceil(len(far) / _LEARN_CELLS))
    patch = near_by[np.concatenate((near, far[::every]))]
    patch[:, :2] -= east, north
    return Support(*np.column_stack((patch, np.zeros(len(patch)))).T)


def _saved_depth(data: bytes | None, place: int) -> float | None:
    """Return the depth of one cell in a saved tile, or None when it, or the tile, was empty."""
    if data is None:
        return None
    used = len(data) // 21
    row = data.find(place, 0, used)
    if row < 0:
        return None
    return float(np.frombuffer(data, "<f4", 1, used + 20 * row + 8)[0])


def _below_the_surface(
    depth: FloatArray, sigma: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of a normal depth that is known to be more than nought, m.

    The moments of a truncated normal distribution (Johnson, Kotz & Balakrishnan 1994,
    Continuous Univariate Distributions 1, section 13.10.1, from memory).
    """
    sigma = np.maximum(sigma, 1e-6)
    ahead = depth / sigma
    near = ahead < 6.0  # further off, the surface changes nothing
    if near.any():
        z, s = ahead[near], sigma[near]
        within = np.maximum(z, -30.0)
        above = [math.erfc(-one / math.sqrt(2.0)) for one in within.tolist()]
        hazard = math.sqrt(2.0 / math.pi) * np.exp(-0.5 * within * within) / above
        far = np.minimum(z, -1.0)
        mean = np.where(z > -30.0, z + hazard, -1.0 / far)
        spread = np.where(z > -30.0, 1.0 - hazard * (z + hazard), 1.0 / (far * far))
        depth, sigma = depth.copy(), sigma.copy()
        depth[near] = np.maximum(s * mean, 1e-3)
        sigma[near] = s * np.sqrt(np.maximum(spread, 1e-6))
    return depth, sigma
