"""The bottom as a surface: depth and how well it is known, at points, along a line, on a grid.

Every sounding ever taken goes into cells; a question is answered by kriging from the cells around it.
Depths given and returned are below today's surface: `level` is how far today's water stands above the
lake's zero, and is taken off before a sounding is kept. Where no cell is near, the answer is NaN:
nothing is known there. Metres, degrees clockwise from true north.
"""

from __future__ import annotations

import json
import math
from array import array
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from companion.lakebed.beam import depth_ratio
from companion.lakebed.cells import Cells, FloatArray, TileKey
from companion.lakebed.kriging import Structure, Support, Variation, krige

SUPPORT = 50.0
"""Distance to the nearest cell, m, beyond which nothing is known."""

UNSEEN_SLOPE = 0.02
"""How steeply, rms, the bottom may leave what is expected of it beyond the outermost soundings around.

Kriging from a lake's own variation is too sure out there. Chosen on the western half of one surveyed lake cut
at 24 edges, where 90 % intervals 10 to 50 m out then hold 89 % of the soundings, 82 % without; on its eastern
half, which had no say, 92 %, and 88 % without. It is one lake: steeper ones may need more.
"""

_Away: TypeAlias = Callable[[Support, FloatArray, FloatArray], FloatArray]

_FORMAT = 1
_LEARN_FROM = 40.0
_LEARN_CELLS = 30
_LEARN_SOONEST, _LEARN_LATEST = 32, 1000
_FULL_SUPPORT = 150
_LONGEST_SOLVE = 60.0
_PATCH = 12.0
_LEVEL_CELLS = 60
_LEVEL_NOTED = 0.3
_BESIDE = 1.5  # m to each side, over which steepness is taken
_BESIDE_EAST = np.array([0.0, _BESIDE, -_BESIDE, 0.0, 0.0])
_BESIDE_NORTH = np.array([0.0, 0.0, 0.0, _BESIDE, -_BESIDE])


_ROUND = np.radians(np.arange(0.0, 360.0, 15.0))[:, None]
_ROUND_EAST, _ROUND_NORTH = np.sin(_ROUND), np.cos(_ROUND)


@dataclass(frozen=True, slots=True)
class Bottom:
    """Depth below today's surface and its standard deviation, m, same shape; NaN where nothing is known."""

    depth: FloatArray
    sigma: FloatArray


@dataclass(frozen=True, slots=True)
class Profile:
    """The bottom along a line: `distance` m from its start, `depth` and `sigma` m (NaN: not known)."""

    distance: FloatArray
    depth: FloatArray
    sigma: FloatArray


@dataclass(frozen=True, slots=True)
class Slope:
    """Steepness (metres down per metre) and the bearing in which the bottom falls, degrees."""

    steepness: float
    bearing: float


@dataclass(frozen=True, slots=True)
class LevelHint:
    """Today's soundings lie `higher` m above the map (water up) in the median over `cells` known cells."""

    higher: float
    cells: int


class Surface:
    """A lake's bottom, growing with every sounding; one thread only.

    `half_beam`, radians, is half the angle of the sounder's cone: with it, answers are corrected for the
    echo's coming from up the slope (`companion.lakebed.beam`); None leaves them as sounded.
    """

    def __init__(self, cell: float = 2.0, level: float = 0.0) -> None:
        self.half_beam: float | None = None
        self._cells = Cells(cell)
        self._structure = Structure()
        self._learn_at = _LEARN_SOONEST
        self.begin_trip(level)

    @property
    def level(self) -> float:
        """How far today's water stands above the lake's zero, m."""
        return self._level

    @property
    def cells(self) -> int:
        """How many cells hold soundings."""
        return self._cells.count

    @property
    def cell_side(self) -> float:
        """The side of a cell, m."""
        return self._cells.side

    @property
    def variation(self) -> Variation:
        """How this lake's bottom varies, as fitted so far."""
        return self._structure.variation

    @property
    def extent(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of what has been sounded, to whole tiles, m; None for an empty lake."""
        return self._cells.extent()

    def begin_trip(self, level: float) -> None:
        """Begin a day with the water `level` m above the lake's zero."""
        self._level = level
        self._trip = array("d")
        self._before: dict[TileKey, bytes | None] = {}
        self._differences = array("d")

    def change_level(self, level: float) -> None:
        """Correct today's level, m above the lake's zero, for the whole trip, soundings already taken too."""
        trip, before = self._trip, self._before
        for key, data in before.items():
            self._cells.put(key, data)
        self.begin_trip(level)
        for i in range(0, len(trip), 3):
            self.add(trip[i], trip[i + 1], trip[i + 2])

    def add(self, east: float, north: float, depth: float) -> None:
        """Add a gated sounding: place m, depth below today's surface m."""
        cells = self._cells
        key, place = cells.locate(east, north)
        if key not in self._before:
            tile = cells.tile(key)
            self._before[key] = None if tile is None else tile.to_bytes()
        elif self._before[key] is not None:
            self._compare(key, place, depth)
        self._trip.extend((east, north, depth))
        if cells.add(east, north, depth - self._level) and cells.count >= self._learn_at:
            self._learn(east, north)

    def level_hint(self) -> LevelHint | None:
        """Return by how much today's soundings disagree with the map, once that is plain; else None."""
        if len(self._differences) < _LEVEL_CELLS:
            return None
        higher = float(np.median(self._differences))
        return LevelHint(higher, len(self._differences)) if abs(higher) >= _LEVEL_NOTED else None

    def at(self, east: FloatArray | float, north: FloatArray | float) -> Bottom:
        """Return the bottom at places of any one shape, m."""
        easts, norths = np.broadcast_arrays(np.asarray(east, float), np.asarray(north, float))
        flat_east, flat_north = easts.ravel(), norths.ravel()
        depth, sigma = np.full(easts.size, np.nan), np.full(easts.size, np.nan)
        for patch in _patches(flat_east, flat_north):
            depth[patch], sigma[patch] = self._solve(flat_east[patch], flat_north[patch], _from_square)
        return Bottom(depth.reshape(easts.shape), sigma.reshape(easts.shape))

    def along(self, east: float, north: float, bearing: float, length: float, step: float = 1.0) -> Profile:
        """Return the bottom along a line from a place, in a direction, every `step` m up to `length` m."""
        distance = np.arange(0.0, length + 0.5 * step, step)
        sine, cosine = math.sin(math.radians(bearing)), math.cos(math.radians(bearing))
        pieces = [
            self._solve(east + piece * sine, north + piece * cosine, _from_line)
            for piece in np.array_split(distance, math.ceil(max(length, step) / _LONGEST_SOLVE))
        ]
        depth, sigma = (np.concatenate(part) for part in zip(*pieces, strict=True))
        return Profile(distance, depth, sigma)

    def about(self, east: float, north: float, within: float) -> float | None:
        """Return the middle depth of the cells within a square of so many m each way; None without any."""
        cells = self._cells.near(east - within, north - within, east + within, north + within)
        inside = (np.abs(cells[:, 0] - east) <= within) & (np.abs(cells[:, 1] - north) <= within)
        return float(np.median(cells[inside, 2])) + self._level if inside.any() else None

    def slope(self, east: float, north: float, over: float = 3.0) -> Slope | None:
        """Return the slope at a place, measured `over` m to each side; None when nothing is known."""
        across = np.array([over, -over, 0.0, 0.0])
        depth, _ = self._solve(east + across, north + across[::-1], _from_square)
        # `across` reversed is (0, 0, -over, over): the third place lies south, the fourth north.
        if np.isnan(depth).any():
            return None
        falls_east = float(depth[0] - depth[1]) / (2.0 * over)
        falls_north = float(depth[3] - depth[2]) / (2.0 * over)
        bearing = math.degrees(math.atan2(falls_east, falls_north)) % 360.0
        return Slope(math.hypot(falls_east, falls_north), bearing)

    def sounded(self) -> FloatArray:
        """Return every cell in use: mean east and north m, mean depth m, count of soundings; shape (n, 4)."""
        cells = np.concatenate([np.empty((0, 5)), *self._cells.everything()])[:, [0, 1, 2, 4]]
        cells[:, 2] += self._level
        return cells

    def take_changed(self) -> dict[TileKey, bytes]:
        """Return the tiles changed since the last call, to be saved under their keys; empty bytes: delete."""
        return self._cells.take_changed()

    def mark_changed(self, keys: Iterable[TileKey]) -> None:
        """Give tiles back as changed, because saving them failed."""
        self._cells.mark_changed(keys)

    def state(self) -> str:
        """Return what is not in the tiles (cell side, what was learnt about variation) as JSON."""
        learnt = self._structure.to_list()
        return json.dumps({"format": _FORMAT, "cell": self._cells.side, "learnt": learnt})

    @classmethod
    def restore(cls, state: str, tiles: Iterable[tuple[TileKey, bytes]], level: float = 0.0) -> Surface:
        """Return the surface saved as `state` and tiles, at today's level, m.

        Raises:
            ValueError: the state is of another format, or a tile is damaged.
        """
        saved = json.loads(state)
        if saved.get("format") != _FORMAT:
            raise ValueError(f"lakebed format {saved.get('format')}: expected {_FORMAT}; update the program")
        surface = cls(float(saved["cell"]), level)
        surface._structure.from_list(saved["learnt"])
        surface._cells.load(tiles)
        surface._learn_at = surface.cells + _LEARN_LATEST
        return surface

    def _compare(self, key: TileKey, place: int, depth: float) -> None:
        """Note how a sounding differs from a cell of another day, for the level hint."""
        if len(self._differences) >= 50 * _LEVEL_CELLS:
            return
        data = self._before[key]
        mapped = None if data is None else _saved_depth(data, place)
        if mapped is not None:
            self._differences.append(depth - self._level - mapped)

    def _learn(self, east: float, north: float) -> None:
        wait = min(max(self.cells // 10, _LEARN_SOONEST), _LEARN_LATEST)
        self._learn_at = self.cells + wait
        patch = self._around(np.array([east]), np.array([north]), _LEARN_FROM)
        order = np.argsort(np.hypot(patch.east - east, patch.north - north), kind="stable")
        order = order[: np.count_nonzero(np.hypot(patch.east - east, patch.north - north) <= _LEARN_FROM)]
        # Half the patch is the nearest cells, for noise and short range; half is spread over the rest.
        near, far = order[:_LEARN_CELLS], order[_LEARN_CELLS:]
        every = max(1, math.ceil(len(far) / _LEARN_CELLS))
        self._structure.learn(patch.pick(np.concatenate((near, far[::every]))))

    def _around(self, east: FloatArray, north: FloatArray, within: float) -> Support:
        """Return the cells of every tile within a distance, m, of the rectangle around some places."""
        cells = self._cells.near(
            east.min() - within, north.min() - within, east.max() + within, north.max() + within
        )
        return Support(cells[:, 0], cells[:, 1], cells[:, 2], cells[:, 4])

    def _solve(self, east: FloatArray, north: FloatArray, away_from: _Away) -> tuple[FloatArray, FloatArray]:
        """Return depth and sigma at places that lie close together or on one line."""
        support = self._around(east, north, SUPPORT)
        away = away_from(support, east, north)
        support, away = support.pick(away <= SUPPORT), away[away <= SUPPORT]
        if not len(away):
            return np.full(len(east), np.nan), np.full(len(east), np.nan)
        around, support = support, _thinned(support, away, self._cells.side)
        depth, sigma = self._estimate(support, east, north)
        nearest = np.hypot(support.east[:, None] - east, support.north[:, None] - north).min(axis=0)
        depth[nearest > SUPPORT] = sigma[nearest > SUPPORT] = np.nan
        return depth + self._level, np.hypot(sigma, UNSEEN_SLOPE * _beyond(around, east, north))

    def _estimate(
        self, support: Support, east: FloatArray, north: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        if self.half_beam is None:
            return krige(support, east, north, self.variation)
        # The same support answers beside each place too, which gives the steepness there.
        easts = (east[:, None] + _BESIDE_EAST).ravel(order="F")
        norths = (north[:, None] + _BESIDE_NORTH).ravel(order="F")
        depth, sigma = (part.reshape(5, -1) for part in krige(support, easts, norths, self.variation))
        steepness = np.hypot(depth[1] - depth[2], depth[3] - depth[4]) / (2.0 * _BESIDE)
        ratio = depth_ratio(steepness, self.half_beam)
        # Levels are small beside depths: the echo's way is taken from the lake's zero.
        return depth[0] * ratio, sigma[0] * ratio


def _saved_depth(data: bytes, place: int) -> float | None:
    """Return the depth of one cell in a saved tile, or None when it was empty."""
    used = len(data) // 21
    row = data.find(place, 0, used)
    if row < 0:
        return None
    return float(np.frombuffer(data, "<f4", 1, used + 20 * row + 8)[0])


def _patches(east: FloatArray, north: FloatArray) -> list[np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Split places into squares small enough for one solve each; return their indices."""
    column, row = np.floor(east / _PATCH).astype(np.int64), np.floor(north / _PATCH).astype(np.int64)
    order = np.lexsort((row, column))
    breaks = (np.diff(column[order]) != 0) | (np.diff(row[order]) != 0)
    return np.split(order, np.flatnonzero(breaks) + 1) if len(order) else []


def _from_square(support: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    """Return the distance of each support to the rectangle around the places, m."""
    beyond_east = np.maximum(east.min() - support.east, support.east - east.max())
    beyond_north = np.maximum(north.min() - support.north, support.north - north.max())
    away: FloatArray = np.hypot(np.maximum(beyond_east, 0.0), np.maximum(beyond_north, 0.0))
    return away


def _from_line(support: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    """Return the distance of each support to the line from the first place to the last, m."""
    along_east, along_north = east[-1] - east[0], north[-1] - north[0]
    ahead = (support.east - east[0]) * along_east + (support.north - north[0]) * along_north
    share = np.clip(ahead / max(along_east**2 + along_north**2, 1e-9), 0.0, 1.0)
    away: FloatArray = np.hypot(
        support.east - east[0] - share * along_east, support.north - north[0] - share * along_north
    )
    return away


def _beyond(support: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    """Return how far each place lies beyond the outermost soundings, m; 0 where they are on all sides."""
    outermost = (support.east * _ROUND_EAST + support.north * _ROUND_NORTH).max(axis=1)
    away: FloatArray = east * _ROUND_EAST + north * _ROUND_NORTH - outermost[:, None]
    return np.asarray(np.maximum(away.max(axis=0), 0.0))


def _thinned(support: Support, away: FloatArray, side: float) -> Support:
    """Merge cells into blocks that grow with distance from the places, when there are many.

    A block stands at the mean of its cells' places and depths, so a sloping bottom loses nothing.
    """
    if len(away) <= _FULL_SUPPORT:
        return support
    ring = np.digitize(away, (1.5 * side, 6.0 * side))
    block = np.array([side, 3.0 * side, 6.0 * side])[ring]
    column, row = np.floor(support.east / block), np.floor(support.north / block)
    code = (column - column.min()) * 3e4 + (row - row.min()) + 1e9 * ring
    _, group = np.unique(code, return_inverse=True)
    cells = np.bincount(group)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(group, values) / cells)

    return Support(mean(support.east), mean(support.north), mean(support.depth), mean(support.count))
