"""The memory of the lake: square cells with running statistics, kept in small tiles.

A cell keeps the mean place, mean depth, variance and count of every sounding that fell
into it, so memory grows with the area visited and not with the number of soundings.
Coordinates are metres east and north on the lake's plane, depths metres below the
lake's zero level.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator
from math import floor
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.float64]
"""An array of float64."""

TileKey: TypeAlias = tuple[int, int]
"""Column (east) and row (north) of a tile, counted in tiles from the lake's origin."""

_SIDE = 16
_COLUMNS = 5  # place east and north of the tile's corner m, depth m, variance m2, count
_FULL_COUNT = 255.0
_ROW_BYTES = 1 + 4 * _COLUMNS


class Tile:
    """16 by 16 cells, of which only those that hold soundings take room."""

    __slots__ = ("_blocks", "_index", "_numbers", "_places", "used")

    def __init__(
        self, places: bytes = b"", rows: npt.NDArray[np.float32] | None = None
    ) -> None:
        self._index = array("h", [-1]) * (_SIDE * _SIDE)
        self._places = bytearray(places)
        self.used = len(places)
        # An array grows, and gives and takes single numbers, several times as quickly as
        # numpy's.
        self._numbers = array("f")
        if rows is not None:
            self._numbers.frombytes(rows.tobytes())
        self._blocks: dict[int, FloatArray] = {}
        for row, place in enumerate(places):
            self._index[place] = row

    @property
    def rows(self) -> npt.NDArray[np.float32]:
        """A copy of the cells in use: east and north of the corner m, depth, variance, count; (n, 5)."""
        return np.array(self._numbers, np.float32).reshape(-1, _COLUMNS)

    def add_sounding(self, place: int, east: float, north: float, depth: float) -> bool:
        """Put a sounding into cell `place` (0 to 255); return whether the cell is new."""
        if self._blocks:
            self._blocks = {}
        row = self._index[place]
        numbers = self._numbers
        if row < 0:
            self._index[place] = self.used
            self._places.append(place)
            self.used += 1
            numbers.extend((east, north, depth, 0.0, 1.0))
            return True
        at = _COLUMNS * row
        # The count stops growing, so that a bottom that changes over the years is
        # followed.
        count = min(numbers[at + 4] + 1.0, _FULL_COUNT)
        before, variance = numbers[at + 2], numbers[at + 3]
        off = depth - before
        z = before + off / count
        numbers[at] += (east - numbers[at]) / count
        numbers[at + 1] += (north - numbers[at + 1]) / count
        numbers[at + 2] = z
        numbers[at + 3] = variance + (off * (depth - z) - variance) / count
        numbers[at + 4] = count
        return False

    def without(self, other: Tile) -> Tile:
        """Return what is left when the soundings of another tile, which are in this one, are taken out.

        Means and variances of a union are those of its parts (Chan, Golub & LeVeque
        1979, "Updating formulae", from memory), so the part that is left follows. A
        cell whose count has stopped growing no longer tells its parts: it is emptied.
        """
        rows = dict(zip(self._places, self.rows.astype(np.float64), strict=True))
        for place, taken in zip(
            other._places, other.rows.astype(np.float64), strict=True
        ):
            whole = rows.pop(place, None)
            if whole is None or whole[4] >= _FULL_COUNT or whole[4] <= taken[4]:
                continue
            rows[place] = _left(whole, taken)
        left = np.array(list(rows.values()), np.float32).reshape(-1, _COLUMNS)
        return Tile(bytes(rows), left)

    def blocks(self, wide: int, west: float, south: float) -> FloatArray:
        """Return means over squares of `wide` by `wide` cells: east, north, depth, soundings, shape (n, 4).

        Args:
            wide: divides 16; 1 gives the cells.
            west: of this tile, m, always the same.
            south: of this tile, likewise.
        """
        found = self._blocks.get(wide)
        if found is None:
            found = self._means(wide).astype(np.float64)
            found[:, :2] += (west, south)
            self._blocks[wide] = found
        return found

    def _means(self, wide: int) -> npt.NDArray[np.float32]:
        rows = self.rows[:, [0, 1, 2, 4]]
        if wide == 1:
            return rows
        place = np.frombuffer(bytes(self._places), np.uint8)
        square = place // _SIDE // wide * _SIDE + place % _SIDE // wide
        cells = np.bincount(square)
        used = np.flatnonzero(cells)
        east, north, depth, count = (
            np.bincount(square, column)[used] for column in rows.T
        )
        means = (east / cells[used], north / cells[used], depth / cells[used], count)
        return np.stack(means, axis=1).astype(np.float32)

    def to_bytes(self) -> bytes:
        """Return the tile as bytes, 21 a cell in use: cell numbers, then five little-endian floats each."""
        return bytes(self._places) + self.rows.astype("<f4").tobytes()

    @classmethod
    def from_bytes(cls, data: bytes) -> Tile:
        """Return the tile whose bytes these are.

        Raises:
            ValueError: the length is not that of whole cells, or values are not finite.
        """
        used, rest = divmod(len(data), _ROW_BYTES)
        if rest or used > _SIDE * _SIDE:
            raise ValueError(
                f"a tile of {len(data)} bytes: expected a multiple of {_ROW_BYTES}"
            )
        rows = (
            np.frombuffer(data, "<f4", offset=used)
            .reshape(used, _COLUMNS)
            .astype(np.float32)
        )
        if not np.isfinite(rows).all():
            raise ValueError(
                "a tile with values that are not finite: expected depths and places in metres"
            )
        return cls(data[:used], rows)


def _left(whole: FloatArray, taken: FloatArray) -> FloatArray:
    """Return what is left of a cell's row when the soundings of another are taken out of it."""
    count = whole[4] - taken[4]
    left = np.empty(_COLUMNS)
    left[:3] = (whole[4] * whole[:3] - taken[4] * taken[:3]) / count
    between = taken[4] * count / whole[4] * (taken[2] - left[2]) ** 2
    squares = whole[4] * whole[3] - taken[4] * taken[3] - between
    left[3], left[4] = max(squares, 0.0) / count, count
    return left


class Cells:
    """All the cells of a lake, `side` metres each."""

    def __init__(self, side: float = 2.0) -> None:
        if not side > 0.0:
            raise ValueError(f"cell side {side} m: expected more than 0")
        self.side = side
        self._span = side * _SIDE
        self.count = 0
        self._tiles: dict[TileKey, Tile] = {}
        self._changed: set[TileKey] = set()

    def locate(self, east: float, north: float) -> tuple[TileKey, int]:
        """Return the tile, and the cell's number in it, where a place falls."""
        side = self.side
        column, across = divmod(floor(east / side), _SIDE)
        row, up = divmod(floor(north / side), _SIDE)
        return (column, row), across * _SIDE + up

    def add(
        self,
        east: float,
        north: float,
        depth: float,
        where: tuple[TileKey, int] | None = None,
    ) -> bool:
        """Add a sounding; return whether it opened a new cell.

        `where` is what `locate` gives for its place, when that is known already.
        """
        key, place = where or self.locate(east, north)
        tile = self._tiles.get(key)
        if tile is None:
            tile = self._tiles[key] = Tile()
        span, (column, row) = self._span, key
        new = tile.add_sounding(place, east - column * span, north - row * span, depth)
        self.count += new
        self._changed.add(key)
        return new

    def tile(self, key: TileKey) -> Tile | None:
        """Return a tile, or None when nothing is known there."""
        return self._tiles.get(key)

    def replace_tile(self, key: TileKey, data: bytes | None) -> None:
        """Replace a tile by the one in `data` (None: by nothing), counting it as changed.

        Raises:
            ValueError: `data` is no tile.
        """
        tile = None
        if data is not None:
            tile = Tile.from_bytes(data)
        before = self._tiles.pop(key, None)
        if before is not None:
            self.count -= before.used
        if tile is not None:
            self._tiles[key] = tile
            self.count += tile.used
        self._changed.add(key)

    def take_out(self, key: TileKey, data: bytes) -> None:
        """Take the soundings of the tile in `data`, which are in this one, out again.

        Raises:
            ValueError: `data` is no tile.
        """
        tile = self._tiles.get(key)
        if tile is not None:
            left = tile.without(Tile.from_bytes(data))
            self.replace_tile(key, left.to_bytes() or None)

    def take_changed(self) -> dict[TileKey, bytes]:
        """Return the tiles changed since the last call, as bytes; empty bytes for one that is gone."""
        taken = {
            key: self._tiles[key].to_bytes() if key in self._tiles else b""
            for key in self._changed
        }
        self._changed.clear()
        return taken

    def mark_changed(self, keys: Iterable[TileKey]) -> None:
        """Count tiles as changed again, because saving them failed."""
        self._changed.update(keys)

    def load(self, tiles: Iterable[tuple[TileKey, bytes]]) -> None:
        """Put saved tiles back, as unchanged.

        Raises:
            ValueError: a tile's bytes are damaged; it names the tile.
        """
        for key, data in tiles:
            try:
                self.replace_tile(key, data or None)
            except ValueError as error:
                raise ValueError(f"tile {key[0]},{key[1]}: {error}") from error
            self._changed.discard(key)

    def near(
        self, west: float, south: float, east: float, north: float, wide: int = 1
    ) -> FloatArray:
        """Return what the tiles that touch a rectangle hold, one row a square of `wide` cells, shape (n, 4).

        Columns: mean east m, mean north m, mean depth m, soundings. A tile is 16 cells
        wide.
        """
        span = self.side * _SIDE
        found = [np.empty((0, 4))]
        tiles = self._tiles
        for column in range(math.floor(west / span), math.floor(east / span) + 1):
            for row in range(math.floor(south / span), math.floor(north / span) + 1):
                tile = tiles.get((column, row))
                if tile is not None:
                    found.append(tile.blocks(wide, column * span, row * span))
        return np.concatenate(found)

    def copy_within(
        self, west: float, south: float, east: float, north: float
    ) -> Cells:
        """Return the tiles that touch a rectangle, m, as cells of their own."""
        copied, span = Cells(self.side), self.side * _SIDE
        for column in range(math.floor(west / span), math.floor(east / span) + 1):
            for row in range(math.floor(south / span), math.floor(north / span) + 1):
                if (column, row) in self._tiles:
                    copied.replace_tile(
                        (column, row), self._tiles[column, row].to_bytes()
                    )
        return copied

    def everything(self) -> Iterator[FloatArray]:
        """Yield every tile's cells as `near` gives them."""
        span = self.side * _SIDE
        for column, row in self._tiles:
            cells = self._tiles[column, row].rows.astype(np.float64)
            cells[:, :2] += (column * span, row * span)
            yield cells

    def extent(self) -> tuple[float, float, float, float] | None:
        """Return west, south, east, north of the rectangle that holds every tile, m; None for no tile."""
        if not self._tiles:
            return None
        keys, span = np.array(list(self._tiles)), self.side * _SIDE
        (west, south), (east, north) = (
            keys.min(axis=0) * span,
            (keys.max(axis=0) + 1) * span,
        )
        return float(west), float(south), float(east), float(north)
