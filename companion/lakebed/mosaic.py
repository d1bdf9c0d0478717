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
from operator import is_
from typing import NamedTuple, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from companion.lakebed.beam import depth_ratio
from companion.lakebed.cells import Cells, FloatArray
from companion.lakebed.kriging import (
    Local,
    Support,
    Variation,
    frames,
    squares_between,
)

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
_BEARINGS = np.radians(np.arange(0.0, 360.0, 15.0))
_ROUND = np.stack((np.sin(_BEARINGS), np.cos(_BEARINGS)), axis=1)
_COARSE_ROUND = _ROUND @ np.stack((_COARSE_EAST, _COARSE_NORTH))
_ABOUT_UNKNOWN_M = (
    35.0  # from the nearest sounding, where it begins to matter how far it is
)
_GROUP = 8
"""Models of squares so many of them wide take their soundings out of the same rows, together."""
_ROWS = 1 << 32  # more rows of models than any lake has, for numbering them all
_MOST_MODELS, _MOST_PIECES = 4000, 6000
_PIECES_AT_ONCE = 800
_MOST_NEWS = 4096
_Key: TypeAlias = tuple[int, int]
"""Column and row of a model, or of the piece north-east of its middle."""
_T = TypeVar("_T")


FARTHEST_SUPPORT_M = _RINGS[-1][0] + 2.0 * SPACING_M + 32.0
"""No sounding further than this from a place has a say in the bottom there."""


class _Model(NamedTuple):
    """A neighbourhood solved: depth, variance, distance to the nearest sounding (3, 13, 13); its reach m."""

    values: npt.NDArray[np.float32]
    reach: float


_Fourfold: TypeAlias = tuple[_Model | None, ...]
"""Models at the south-west, north-west, south-east, north-east corner; None: nothing known."""


class _Piece(NamedTuple):
    """A square between four models: the four it was blended of, and its values (3, 7, 7)."""

    models: _Fourfold
    values: npt.NDArray[np.float32]


class _Surroundings(NamedTuple):
    """The soundings that some models lean on.

    Attributes:
        rows: of all, one model's after another's, each counted from its middle.
        begins: where each model's rows begin.
        models: which of the models asked for these are: some may have none.
        reach: how far off a sounding can change each of them, m.
    """

    rows: Support
    begins: npt.NDArray[np.intp]
    models: npt.NDArray[np.intp]
    reach: FloatArray


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
        self._models: dict[_Key, tuple[int, _Model | None]] = {}
        self._pieces: dict[_Key, tuple[int, _Piece]] = {}

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
        places = [_column_and_row(key) for key in which.tolist()]
        pieces = self._values(places[:_PIECES_AT_ONCE])
        for first in range(_PIECES_AT_ONCE, len(places), _PIECES_AT_ONCE):
            more = self._values(places[first : first + _PIECES_AT_ONCE])
            pieces = np.concatenate((pieces, more))
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

    def _values(self, places: list[_Key]) -> npt.NDArray[np.float32]:
        """Return the values of some pieces, made anew where models of theirs have changed."""
        now, pieces = self._now, self._pieces
        older = [key for key in places if key not in pieces or pieces[key][0] != now]
        if older:
            self._renew_pieces(older)
        found = np.array([pieces[key][1].values for key in places])
        _forget_oldest(pieces, _MOST_PIECES)
        _forget_oldest(self._models, _MOST_MODELS)
        return found

    def _renew_pieces(self, older: list[_Key]) -> None:
        now, pieces = self._now, self._pieces
        self._renew_models(older)
        changed: dict[_Key, _Fourfold] = {}
        for column, row in older:
            models = tuple(
                self._models[column + i, row + j][1] for i in (0, 1) for j in (0, 1)
            )
            kept = pieces.get((column, row))
            if kept is not None and all(map(is_, models, kept[1].models)):
                pieces[column, row] = (now, kept[1])
            else:
                changed[column, row] = models
        if changed:
            blended = _blended(list(changed.values()))
            for key, values in zip(changed, blended, strict=True):
                _remember(pieces, key, (now, _Piece(changed[key], values)))

    def _renew_models(self, pieces: list[_Key]) -> None:
        """Solve the models of some pieces that are not there or that a sounding has come to since."""
        groups: dict[_Key, list[_Key]] = {}
        wanted = {(c + i, r + j) for c, r in pieces for i in (0, 1) for j in (0, 1)}
        for column, row in sorted(wanted):
            if not self._holds((column, row)):
                square = column // _GROUP, row // _GROUP
                groups.setdefault(square, []).append((column, row))
        for keys in groups.values():
            for key, model in zip(keys, self._solved(keys), strict=True):
                _remember(self._models, key, (self._now, model))

    @property
    def _now(self) -> int:
        return self._older + len(self._news) // 2

    def _holds(self, key: _Key) -> bool:
        """Return whether a model is kept to which nothing has come; it is then marked as of now."""
        now, kept = self._now, self._models.get(key)
        if kept is None or (kept[0] != now and self._touched(kept, *key)):
            return False
        self._models[key] = (now, kept[1])
        return True

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

    def _solved(self, keys: list[_Key]) -> list[_Model | None]:
        """Solve some models that lie together; None for one that has no sounding within its reach."""
        middles = SPACING_M * np.array(keys, float)
        found: list[_Model | None] = [None] * len(keys)
        around = self._surroundings(middles)
        rows, begins, models, reach = around
        if not len(models):
            return found
        values = np.empty((len(models), 3, _NODES, _NODES))
        coarse = values[:, :, ::2, ::2]
        ends = [*begins[1:].tolist(), len(rows.depth)]
        each = zip(begins.tolist(), ends, frames(rows, begins), values, strict=True)
        for begin, end, frame, (depth, variance, _) in each:
            local = Local(rows.pick(slice(begin, end)), self.variation, frame)
            depths, variances = local.estimate(_GRID_EAST, _GRID_NORTH, _COARSE)
            depth[:] = depths.reshape(_NODES, _NODES)
            variance[::2, ::2] = variances.reshape(_STEPS + 1, _STEPS + 1)
        beyond = _beyond(rows.east, rows.north, begins)
        coarse[:, 1] += (UNSEEN_SLOPE * beyond.reshape(coarse[:, 1].shape)) ** 2
        coarse[:, 2] = self._away(around, middles[models]).reshape(coarse[:, 2].shape)
        _fill_between(values[:, 1:])
        if self.half_beam is not None:
            steepness = np.hypot(*np.gradient(values[:, 0], NODE_M, axis=(1, 2)))
            ratio = depth_ratio(steepness, self.half_beam)
            values[:, 0] *= ratio
            values[:, 1] *= ratio * ratio
        for i, far, of_one in zip(
            models.tolist(), reach.tolist(), values.astype(np.float32), strict=True
        ):
            found[i] = _Model(of_one.copy(), far)
        return found

    def _away(self, around: _Surroundings, middles: FloatArray) -> FloatArray:
        """Return how far each model's coarse nodes are from the nearest sounding, m, shape (models, 49)."""
        away = _nearest(around.rows.east, around.rows.north, around.begins)
        # Whether a place is known at all hangs on cells, not on means over squares.
        far = np.flatnonzero(away.max(axis=1) > _ABOUT_UNKNOWN_M)
        if len(far):
            within = _RINGS[2][0]
            around.reach[far] = np.maximum(around.reach[far], within)
            owner, cells = self._ring(middles[far], 0.0, within, 1)
            some, first = np.unique(owner, return_index=True)
            if len(some):
                away[far[some]] = _nearest(cells[:, 0], cells[:, 1], first)
        return away

    def _surroundings(self, middles: FloatArray) -> _Surroundings:
        """Return what the models about some middles, m, shape (n, 2), lean on."""
        reach = np.empty(len(middles))
        seen = np.zeros((len(middles), _SIDES), bool)
        owners: list[npt.NDArray[np.intp]] = []
        parts: list[FloatArray] = []
        some, inner = np.arange(len(middles)), 0.0
        for outer, finest, most in _RINGS:
            owner, rows, wide = self._thinned_ring(
                middles[some], inner, outer, finest, most
            )
            side = self._cells.side * wide
            # A square may hold soundings on both sides of the border it lies across.
            reach[some] = outer + side
            spread = side * (wide > 1)
            owners.append(some[owner])
            parts.append(np.column_stack((rows, spread[owner])))
            angle = np.arctan2(rows[:, 0], rows[:, 1])
            octant = np.floor(angle * (0.5 * _SIDES / math.pi)).astype(np.intp) % _SIDES
            seen[some[owner], octant] = True
            inner = outer
            if outer >= _RINGS[1][0]:
                some = some[~seen[some].all(axis=1)]
                if not len(some):
                    break
        owner = np.concatenate(owners)
        order = np.argsort(owner, kind="stable")
        columns = np.ascontiguousarray(np.concatenate(parts)[order].T)
        models, begins = np.unique(owner[order], return_index=True)
        return _Surroundings(Support(*columns), begins, models, reach[models])

    def _thinned_ring(
        self, middles: FloatArray, inner: float, outer: float, finest: int, most: int
    ) -> tuple[npt.NDArray[np.intp], FloatArray, npt.NDArray[np.intp]]:
        """Return what `_ring` does, in squares twice as wide where there are too many, and how wide."""
        owner, rows = self._ring(middles, inner, outer, finest)
        wide = np.full(len(middles), finest)
        crowded = np.bincount(owner, minlength=len(middles)) > most
        if crowded.any():
            wide[crowded] = 2 * finest
            fewer, coarse = self._ring(middles[crowded], inner, outer, 2 * finest)
            kept = ~crowded[owner]
            owner = np.append(owner[kept], np.flatnonzero(crowded)[fewer])
            rows = np.concatenate((rows[kept], coarse))
        return owner, rows, wide

    def _ring(
        self, middles: FloatArray, inner: float, outer: float, wide: int
    ) -> tuple[npt.NDArray[np.intp], FloatArray]:
        """Return rows of `Cells.near` in a square ring about each middle, and whose each is, in order.

        Their places are counted from that middle.
        """
        (west, south), (east, north) = middles.min(axis=0), middles.max(axis=0)
        rows = self._cells.near(
            west - outer, south - outer, east + outer, north + outer, wide
        )
        x = rows[:, 0] - middles[:, :1]
        y = rows[:, 1] - middles[:, 1:]
        away = np.maximum(np.abs(x), np.abs(y))
        owner, which = np.nonzero((away > inner) & (away <= outer))
        ring = rows[which]
        ring[:, :2] -= middles[owner]
        return owner, ring


def _column_and_row(number: int) -> tuple[int, int]:
    """Return the column and the row, which may be below nought, of a piece by its number."""
    column, row = divmod(number + _ROWS // 2, _ROWS)
    return column, row - _ROWS // 2


def _nearest(
    east: FloatArray, north: FloatArray, begins: npt.NDArray[np.intp]
) -> FloatArray:
    """Return how far the nearest of each model's places is from its coarse nodes, m, shape (models, 49)."""
    squares = squares_between((east, north), (_COARSE_EAST, _COARSE_NORTH))
    return np.sqrt(np.minimum.reduceat(squares, begins))


def _beyond(
    east: FloatArray, north: FloatArray, begins: npt.NDArray[np.intp]
) -> FloatArray:
    """Return how far coarse nodes lie beyond a model's outermost soundings, m; 0: they are all around."""
    outermost = np.maximum.reduceat(np.stack((east, north), axis=1) @ _ROUND.T, begins)
    away = (_COARSE_ROUND - outermost[:, :, None]).max(axis=1)
    return np.asarray(np.maximum(away, 0.0))


def _fill_between(grid: FloatArray) -> None:
    """Fill nodes between every second one, on the last two axes, by the means of their neighbours."""
    grid[..., 1::2, ::2] = 0.5 * (grid[..., :-1:2, ::2] + grid[..., 2::2, ::2])
    grid[..., 1::2] = 0.5 * (grid[..., :-1:2] + grid[..., 2::2])


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
_UNKNOWN = np.zeros((3, _NODES, _NODES), np.float32)
_UNKNOWN[2] = 1e6


def _blended(fourfold: list[_Fourfold]) -> npt.NDArray[np.float32]:
    """Return the values of the pieces between four models each, shape (n, 3, 7, 7)."""
    there = np.array([[model is not None for model in models] for models in fourfold])
    values = np.array(
        [
            _UNKNOWN[:, *part] if model is None else model.values[:, *part]
            for models in fourfold
            for model, part in zip(models, _PARTS, strict=True)
        ],
        float,
    ).reshape(len(fourfold), 4, 3, _STEPS + 1, _STEPS + 1)
    # Where there is none at all, all four are unknown alike.
    there |= ~there.any(axis=1, keepdims=True)
    weights = (_WEIGHTS + 1e-12) * there[:, :, None, None]
    weights /= weights.sum(axis=1, keepdims=True)
    found = (weights[:, :, None] * values).sum(axis=1)
    # Where models disagree, that is doubt as well.
    disagreement = (values[:, :, 0] - found[:, None, 0]) ** 2
    found[:, 1] += (weights * disagreement).sum(axis=1)
    return np.asarray(found, np.float32)


def _remember(where: dict[_Key, _T], key: _Key, value: _T) -> None:
    """Keep a value as the newest."""
    where.pop(key, None)
    where[key] = value


def _forget_oldest(where: dict[_Key, _T], most: int) -> None:
    """Drop the oldest values when there are more than so many."""
    if len(where) > most:
        for key in list(where)[: len(where) - most]:
            del where[key]
