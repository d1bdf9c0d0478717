"""How far today's water stands off the level that the map was made at, from soundings of mapped cells."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from companion.lakebed.cells import TileKey

_LEVEL_CELLS, _MOST_LEVEL_CELLS = 60, 2000
_LEVEL_NOTED_M = 0.3
_LEVEL_SURE = 3.0  # standard deviations a level has to be off to be told
_STILL_SURE = 0.67  # of both, which it has to keep not to be taken back
_LEVEL_SURE_TO_M = 0.03  # no level is known better: the water itself moves
_ALIKE_CELLS = 4.0  # neighbours along a track that err together
_NORMAL_PER_MAD, _MEDIAN_WIDER = 1.4826, 1.2533


@dataclass(frozen=True, slots=True)
class LevelHint:
    """Today's soundings lie `higher` m above the map (water up): the median over `cells` known cells.

    `sigma` is one standard deviation of that, m.
    """

    higher: float
    cells: int
    sigma: float


class LevelComparison:
    """Compares a day's soundings with the cells of other days; each cell counts once.

    Attributes:
        taken_back: a level was sure, and is no longer.
    """

    def __init__(self) -> None:
        self._differences: dict[tuple[TileKey, int], tuple[float, int]] = {}
        self._hint: LevelHint | None = None
        self._compared, self._judged = 0, 0
        self.taken_back = False

    def compare(self, key: TileKey, place: int, higher: float) -> None:
        """Note that a sounding lies `higher` m deeper than the cell at a place of a tile."""
        cell = (key, place)
        if cell in self._differences or len(self._differences) < _MOST_LEVEL_CELLS:
            total, count = self._differences.get(cell, (0.0, 0))
            self._differences[cell] = (total + higher, count + 1)
            self._compared += 1

    def hint(self) -> LevelHint | None:
        """Return by how much the soundings disagree with the map, while that is sure; else None."""
        if self._compared != self._judged:
            self._judged = self._compared
            before, self._hint = self._hint, self._judge(self._hint)
            if before is not None or self._hint is not None:
                self.taken_back = self._hint is None
        return self._hint

    def _judge(self, before: LevelHint | None) -> LevelHint | None:
        """Return the level the cells agree on: a cell counts once, however often it is sounded."""
        if len(self._differences) < _LEVEL_CELLS:
            return None
        off = np.array([total / count for total, count in self._differences.values()])
        higher = float(np.median(off))
        spread = _NORMAL_PER_MAD * float(np.median(np.abs(off - higher)))
        sigma = max(
            _MEDIAN_WIDER * spread / math.sqrt(len(off) / _ALIKE_CELLS),
            _LEVEL_SURE_TO_M,
        )
        needed = max(_LEVEL_NOTED_M, _LEVEL_SURE * sigma)
        if before is not None:
            needed *= _STILL_SURE
        if abs(higher) < needed:
            return None
        return LevelHint(higher, len(off), sigma)
