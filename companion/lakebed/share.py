"""The share of one file in the lakes: what came from it alone, so that it can be taken back."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from companion.lakebed.cells import Cells, TileKey
from companion.lakebed.marks import Mark
from companion.lakebed.waters import Area


class ShareChanges(NamedTuple):
    """The gain of a share since it was last asked: tiles and marks, by the number of their area."""

    tiles: dict[int, dict[TileKey, bytes]]
    marks: dict[int, list[Mark]]


class Share:
    """Cells with the soundings of one file and no others, and the marks that it made."""

    def __init__(self) -> None:
        self._cells: dict[int, Cells] = {}
        self._marks: dict[int, list[Mark]] = {}

    def load(self, area: Area, tiles: Iterable[tuple[TileKey, bytes]]) -> None:
        """Put back what was kept of the share in an area.

        Raises:
            ValueError: a tile's bytes are damaged.
        """
        self._cells_of(area).load(tiles)

    def add(self, area: Area, east: float, north: float, depth: float) -> None:
        """Add a sounding: place m, depth below that day's surface m."""
        self._cells_of(area).add(east, north, depth - area.surface.level)

    def add_mark(self, area: Area, mark: Mark) -> None:
        """Add a mark that was not there before."""
        self._marks.setdefault(area.number, []).append(mark)

    def take_changed(self) -> ShareChanges:
        """Return what has come in since this was last called."""
        marks, self._marks = self._marks, {}
        tiles = {number: cells.take_changed() for number, cells in self._cells.items()}
        return ShareChanges(tiles, marks)

    def _cells_of(self, area: Area) -> Cells:
        if area.number not in self._cells:
            self._cells[area.number] = Cells(area.surface.cell_side)
        return self._cells[area.number]
