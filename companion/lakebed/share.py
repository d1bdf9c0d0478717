"""The share of one file or trip in the lakes: what came from it alone, so that it can be taken back."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from companion.lakebed.cells import Cells, TileKey
from companion.lakebed.marks import Mark
from companion.lakebed.surface import soundings_in
from companion.lakebed.waters import Area


class ShareChanges(NamedTuple):
    """The gain of a share since it was last asked: tiles and marks, by the number of their area."""

    tiles: dict[int, dict[TileKey, bytes]]
    marks: dict[int, list[Mark]]

    def and_later(self, later: ShareChanges) -> ShareChanges:
        """Return these and those of a later asking as one."""
        tiles = {
            number: self.tiles.get(number, {}) | later.tiles.get(number, {})
            for number in self.tiles.keys() | later.tiles.keys()
        }
        marks = {
            number: [*self.marks.get(number, ()), *later.marks.get(number, ())]
            for number in self.marks.keys() | later.marks.keys()
        }
        return ShareChanges(tiles, marks)


NO_SHARE = ShareChanges({}, {})


class Share:
    """Cells with the soundings of one file or trip and no others, and the marks that it made."""

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

    def relevel(self, area: Area) -> None:
        """Take today's soundings of an area anew: its level was corrected for the whole trip."""
        cells = self._cells[area.number] = Cells(area.surface.cell_side)
        for east, north, depth in soundings_in(area.surface.today):
            cells.add(east, north, depth - area.surface.level)

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
