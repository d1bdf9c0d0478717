"""One continuous bottom from many local ones: a lattice of kriged neighbourhoods, blended where they overlap.

Every 12 m stands a local model of the bottom, solved from the soundings around it:
cells near by, means over ever larger squares further off, as far out as there is no
sounding on some side. Models overlap by half, and what is between them is their mean,
weighted to nought where each one ends (a partition of unity), so the bottom depends on
the soundings alone, not on what is asked, and has no steps. Values are kept every 2 m
and interpolated linearly. A model is made when it is first asked for and again once a
sounding has come within its reach. Metres; depths below the lake's zero.
"""

from __future__ import annotations

import math
from array import array
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from companion.lakebed.beam import depth_ratio
from companion.lakebed.cells import Cells, FloatArray
from companion.lakebed.kriging import Local, Support, Variation

SPACING_M = 12.0
"""Between two neighbouring models."""
NODE_M = 2.0
"""Between two places where values are kept."""
UNSEEN_SLOPE = 0.03
"""How steeply, rms, the bottom may leave what is expected of it beyond the outermost soundings around.

Kriging is too sure out there. Chosen on the western half of one surveyed lake cut at 24
edges, where 90 % intervals 10 to 50 m out then hold 91 % of the soundings; on its
eastern half, which had no say, 92 %.
"""

_STEPS = round(SPACING_M / NODE_M)
_NODES = 2 * _STEPS + 1
_OFFSETS = NODE_M * (np.arange(_NODES) - _STEPS)
_GRID_EAST, _GRID_NORTH = (
    part.ravel() for part in np.meshgrid(_OFFSETS, _OFFSETS, indexing="ij")
)
_COARSE = np.arange(_NODES * _NODES).reshape(_NODES, _NODES)[::2, ::2].ravel()
_COARSE_EAST, _COARSE_NORTH = _GRID_EAST[_COARSE], _GRID_NORTH[_COARSE]
_RINGS = (
    (SPACING_M + 4.0, 1, 90),
    (32.0, 2, 60),
    (72.0, 4, 60),
    (224.0, 8, 60),
)
"""How far each ring reaches (half the side of its square, m), how many cells wide its squares are, and how
many of them there may be before they are taken twice as wide."""
_SIDES = 8  # with soundings in so many directions, none are fetched from further off
_ROUND = np.radians(np.arange(0.0, 360.0, 15.0))[:, None]
_ROUND_EAST, _ROUND_NORTH = np.sin(_ROUND), np.cos(_ROUND)
_ABOUT_UNKNOWN_M = (
    35.0  # from the nearest sounding, where it begins to matter how far it is
)
_SQUARE_M = 4.0 * SPACING_M
"""Models whose middles lie in one square this wide take their soundings from the same rows."""
_MOST_SQUARES = 32
_ROWS = 1 << 32  # more rows of models than any lake has, for numbering them all
_MOST_MODELS, _MOST_PIECES = 4000, 6000
_MOST_NEWS = 4096
_K = TypeVar("_K")
_T = TypeVar("_T")


FARTHEST_SUPPORT_M = _RINGS[-1][0] + 2.0 * SPACING_M + 32.0
"""No sounding further than this from a place has a say in the bottom there."""


class _Model(NamedTuple):
    """A neighbourhood solved: depth, variance, distance to the nearest sounding (3, 13, 13); its reach m."""

    values: npt.NDArray[np.float32]
    reach: float


class _Piece(NamedTuple):
    """A square between four models: the four it was blended of, and its values (3, 7, 7)."""

    models: tuple[_Model | None, ...]
    values: npt.NDArray[np.float32]


class SurfaceView(NamedTuple):
    """Depth m, its variance m2 and the distance to the nearest sounding m, shape (n,) each."""

    depth: FloatArray
    variance: FloatArray
    away: FloatArray


class Mosaic:
    """The bottom over the cells of a lake."""

    def __init__(self, cells: Cells) -> None:
        self._cells = cells
        self._news = array("d")
        self._older = 0
        self.variation = Variation()
        self.half_beam: float | None = None
        self.forget()

    def forget(self) -> None:
        """Make everything anew: cells have been replaced."""
        self._models: dict[tuple[int, int], tuple[int, _Model | None]] = {}
        self._pieces: dict[tuple[int, int], tuple[int, _Piece]] = {}
        self._rows: dict[tuple[float, float, float, int], tuple[int, FloatArray]] = {}

    def settle(self, variation: Variation, half_beam: float | None) -> None:
        """Take how the bottom varies, and half the angle of the sounder's cone, rad (None: no correction)."""
        if (variation, half_beam) != (self.variation, self.half_beam):
            self.variation, self.half_beam = variation, half_beam
            self.forget()

    def note(self, east: float, north: float) -> None:
        """Note that a sounding has come into the cells there."""
        news = self._news
        news.extend((east, north))
        if len(news) > 4 * _MOST_NEWS:
            del news[: 2 * _MOST_NEWS]
            self._older += _MOST_NEWS

    def evaluate(self, east: FloatArray, north: FloatArray) -> SurfaceView:
        """Return the bottom at places of shape (n,)."""
        across, up = east / SPACING_M, north / SPACING_M
        column, row = np.floor(across), np.floor(up)
        keys = column.astype(np.int64) * _ROWS + row.astype(np.int64)
        which, index = np.unique(keys, return_inverse=True)
        pieces = np.stack(
            [self._piece(*_column_and_row(key)) for key in which.tolist()]
        )
        x, y = (across - column) * _STEPS, (up - row) * _STEPS
        ix, iy = (
            np.minimum(x.astype(np.intp), _STEPS - 1),
            np.minimum(y.astype(np.intp), _STEPS - 1),
        )
        x, y = (x - ix)[:, None], (y - iy)[:, None]
        west = pieces[index, :, ix, iy] * (1.0 - y) + pieces[index, :, ix, iy + 1] * y
        east_side = (
            pieces[index, :, ix + 1, iy] * (1.0 - y)
            + pieces[index, :, ix + 1, iy + 1] * y
        )
        found = west * (1.0 - x) + east_side * x
        return SurfaceView(found[:, 0], found[:, 1], found[:, 2])

    def _piece(self, column: int, row: int) -> npt.NDArray[np.float32]:
        now, kept = self._now, self._pieces.get((column, row))
        if kept is not None and kept[0] == now:
            return kept[1].values
        models = tuple(self._model(column + i, row + j) for i in (0, 1) for j in (0, 1))
        if kept is None or any(
            one is not other for one, other in zip(models, kept[1].models, strict=True)
        ):
            piece = _Piece(models, _blended(models))
        else:
            piece = kept[1]
        _remember(self._pieces, (column, row), (now, piece), _MOST_PIECES)
        return piece.values

    @property
    def _now(self) -> int:
        return self._older + len(self._news) // 2

    def _model(self, column: int, row: int) -> _Model | None:
        now, kept = self._now, self._models.get((column, row))
        if kept is not None and (
            kept[0] == now or not self._touched(kept, column, row)
        ):
            if kept[0] != now:
                self._models[column, row] = (now, kept[1])
            return kept[1]
        model = self._solved(column * SPACING_M, row * SPACING_M)
        _remember(self._models, (column, row), (now, model), _MOST_MODELS)
        return model

    def _touched(self, kept: tuple[int, _Model | None], column: int, row: int) -> bool:
        since, model = kept
        if since < self._older:
            return True
        reach = _RINGS[-1][0] + 32.0
        if model is not None:
            reach = model.reach
        news = np.frombuffer(self._news, offset=16 * (since - self._older)).reshape(
            -1, 2
        )
        touched = (
            (np.abs(news - (column * SPACING_M, row * SPACING_M)) <= reach)
            .all(axis=1)
            .any()
        )
        del news  # an array that is looked at cannot grow
        return bool(touched)

    def _solved(self, east: float, north: float) -> _Model | None:
        support, reach = self._support(east, north)
        if support is None:
            return None
        local = Local(support, self.variation)
        depths, variance = local.estimate(_GRID_EAST, _GRID_NORTH, _COARSE)
        depth = depths.reshape(_NODES, _NODES)
        variance += (UNSEEN_SLOPE * _beyond(support, _COARSE_EAST, _COARSE_NORTH)) ** 2
        away = _nearest(support.east, support.north)
        if away.max() > _ABOUT_UNKNOWN_M:
            # Whether a place is known at all hangs on cells, not on means over squares.
            cells = self._ring(east, north, 0.0, _RINGS[2][0], 1)
            if len(cells):
                away = _nearest(cells[:, 0], cells[:, 1])
        values = np.stack((depth, _doubled(variance), _doubled(away)))
        if self.half_beam is not None:
            ratio = depth_ratio(np.hypot(*np.gradient(depth, NODE_M)), self.half_beam)
            values[0] *= ratio
            values[1] *= ratio * ratio
        return _Model(values.astype(np.float32), reach)

    def _support(self, east: float, north: float) -> tuple[Support | None, float]:
        """Return what a model leans on, about its middle, and how far off a sounding can change that."""
        kept: list[FloatArray] = []
        inner, side = 0.0, self._cells.side
        for outer, finest, most in _RINGS:
            wide, rows = finest, self._ring(east, north, inner, outer, finest)
            if len(rows) > most:
                wide, rows = (
                    2 * finest,
                    self._ring(east, north, inner, outer, 2 * finest),
                )
            spread = wide * side * (wide > 1)
            if len(rows):
                kept.append(np.column_stack((rows, np.full(len(rows), spread))))
            inner = outer
            if outer >= _RINGS[1][0] and _sides(kept) == _SIDES:
                break
        if not kept:
            return None, outer
        rows = np.concatenate(kept)
        # A tile is taken by where its soundings' mean lies, so it may hold some from
        # further off.
        return Support(*rows.T), outer + 16.0 * side

    def _ring(
        self, east: float, north: float, inner: float, outer: float, wide: int
    ) -> FloatArray:
        """Return rows of `Cells.near` in a square ring, their places counted from its middle."""
        rows = self._rows_about(east, north, outer, wide)
        x, y = rows[:, 0] - east, rows[:, 1] - north
        away = np.maximum(np.abs(x), np.abs(y))
        inside = np.flatnonzero((away > inner) & (away <= outer))
        ring = rows[inside]
        ring[:, 0], ring[:, 1] = x[inside], y[inside]
        return ring

    def _rows_about(
        self, east: float, north: float, outer: float, wide: int
    ) -> FloatArray:
        """Return what `Cells.near` gives for all models of the square where one's middle lies."""
        west = _SQUARE_M * math.floor(east / _SQUARE_M)
        south = _SQUARE_M * math.floor(north / _SQUARE_M)
        key, now = (west, south, outer, wide), self._now
        kept = self._rows.get(key)
        if kept is not None and kept[0] == now:
            return kept[1]
        rows = self._cells.near(
            west - outer,
            south - outer,
            west + _SQUARE_M + outer,
            south + _SQUARE_M + outer,
            wide,
        )
        _remember(self._rows, key, (now, rows), _MOST_SQUARES)
        return rows


def _column_and_row(number: int) -> tuple[int, int]:
    """Return the column and the row, which may be below nought, of a piece by its number."""
    column, row = divmod(number + _ROWS // 2, _ROWS)
    return column, row - _ROWS // 2


def _sides(kept: list[FloatArray]) -> int:
    """Return in how many of so many directions there are soundings."""
    seen = np.zeros(_SIDES, bool)
    for rows in kept:
        angle = np.arctan2(rows[:, 0], rows[:, 1])
        seen[np.floor(angle * (0.5 * _SIDES / math.pi)).astype(np.intp) % _SIDES] = True
    return int(seen.sum())


def _nearest(east: FloatArray, north: FloatArray) -> FloatArray:
    """Return how far the nearest of some places, at least one, is from each coarse node, m."""
    squares = (east[:, None] - _COARSE_EAST) ** 2
    squares += (north[:, None] - _COARSE_NORTH) ** 2
    return np.asarray(np.sqrt(squares.min(axis=0)))


def _beyond(support: Support, east: FloatArray, north: FloatArray) -> FloatArray:
    """Return how far each place lies beyond the outermost soundings, m; 0 where they are on all sides."""
    outermost = (support.east * _ROUND_EAST + support.north * _ROUND_NORTH).max(axis=1)
    away: FloatArray = (
        east * _ROUND_EAST + north * _ROUND_NORTH - outermost[:, None]
    ).max(axis=0)
    return np.asarray(np.maximum(away, 0.0))


def _doubled(coarse: FloatArray) -> FloatArray:
    """Return values of every second node, on all nodes."""
    grid = np.empty((_NODES, _NODES))
    grid[::2, ::2] = coarse.reshape(_STEPS + 1, _STEPS + 1)
    grid[1::2, ::2] = 0.5 * (grid[:-1:2, ::2] + grid[2::2, ::2])
    grid[:, 1::2] = 0.5 * (grid[:, :-1:2] + grid[:, 2::2])
    return grid


def _blending() -> FloatArray:
    """Return the four models' weights on the nodes of the square between them, shape (4, 7, 7)."""
    along = np.linspace(0.0, 1.0, _STEPS + 1)
    fading = 1.0 - along * along * (3.0 - 2.0 * along)
    return np.stack(
        [np.outer(x, y) for x in (fading, fading[::-1]) for y in (fading, fading[::-1])]
    )


_WEIGHTS = _blending()
_FIRST, _LAST = slice(0, _STEPS + 1), slice(_STEPS, None)
_PARTS = ((_LAST, _LAST), (_LAST, _FIRST), (_FIRST, _LAST), (_FIRST, _FIRST))
_NOTHING = np.concatenate(
    [
        np.full((2, _STEPS + 1, _STEPS + 1), 0.0),
        np.full((1, _STEPS + 1, _STEPS + 1), 1e6),
    ]
).astype(np.float32)


def _blended(models: tuple[_Model | None, ...]) -> npt.NDArray[np.float32]:
    there = [i for i, model in enumerate(models) if model is not None]
    if not there:
        return _NOTHING
    values = np.stack([models[i].values[:, *_PARTS[i]] for i in there]).astype(float)  # type: ignore[union-attr]
    weights = _WEIGHTS[there] + 1e-12
    weights /= weights.sum(axis=0)
    depth, variance, away = (weights[:, None] * values).sum(axis=0)
    # Where models disagree, that is doubt as well.
    variance = variance + (weights * (values[:, 0] - depth) ** 2).sum(axis=0)
    return np.stack((depth, variance, away)).astype(np.float32)


def _remember(where: dict[_K, _T], key: _K, value: _T, most: int) -> None:
    """Keep a value as the newest; drop the oldest when there are too many."""
    where.pop(key, None)
    where[key] = value
    if len(where) > most:
        del where[next(iter(where))]
