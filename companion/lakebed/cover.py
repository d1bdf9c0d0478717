"""Possible cover: where returns flicker between the bottom and something above it.

A sounder over standing timber, brush or tall grass gives now the bottom, now a branch.
The gates drop the branch from the bottom; here several such returns close together
become a hint. It may as well be fish, so it is offered as possible and never as a fact.
Metres; depths below today's surface.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from companion.lakebed.gates import Excursion
from companion.lakebed.soundings import Sounding

_TALLER, _WIDER = 0.5, 4.0
"""By how much cover must have grown to be told again, m."""


@dataclass(frozen=True, slots=True)
class PossibleCover:
    """Something that may stand at a place: its shallowest return `top`, the `bottom` beneath it, m.

    `width` is how far apart its returns lay, m; `returns` how many there were.
    """

    east: float
    north: float
    top: float
    bottom: float
    width: float
    returns: int

    @property
    def height(self) -> float:
        """Return how far it stands up from the bottom, m."""
        return self.bottom - self.top


class _Group:
    """Excursions close to one another."""

    def __init__(self) -> None:
        self.excursions = 0
        self.soundings: list[Sounding] = []
        self.bottom = 0.0
        self.told: PossibleCover | None = None

    def add_excursion(self, excursion: Excursion) -> None:
        self.excursions += 1
        self.soundings.extend(excursion.soundings)
        self.bottom = max(self.bottom, excursion.bottom)

    def middle(self) -> tuple[float, float]:
        count = len(self.soundings)
        return sum(s.east for s in self.soundings) / count, sum(
            s.north for s in self.soundings
        ) / count

    def news(self) -> PossibleCover | None:
        """Return what is known of it, once that is enough and when it is more than was told before."""
        if self.excursions < 2 or len(self.soundings) < 3:
            return None
        hint = self._hint()
        if (
            self.told
            and self.told.top - hint.top < _TALLER
            and hint.width - self.told.width < _WIDER
        ):
            return None
        self.told = hint
        return hint

    def _hint(self) -> PossibleCover:
        east, north = self.middle()
        width = 2.0 * max(
            math.hypot(s.east - east, s.north - north) for s in self.soundings
        )
        top = min(s.depth for s in self.soundings)
        return PossibleCover(east, north, top, self.bottom, width, len(self.soundings))


class CoverWatch:
    """Gathers excursions into hints.

    Two excursions and three returns within `within` m of each other make a hint; one is
    anything. Returns less than `height` m or a twelfth of the depth above the bottom
    are the bottom's own.
    """

    def __init__(self, within: float = 10.0, height: float = 0.6) -> None:
        self._within = within
        self._height = height
        self._groups: list[_Group] = []

    def accept_excursions(self, excursions: Iterable[Excursion]) -> list[PossibleCover]:
        """Take what the gate dropped from above the bottom; return hints that are new or have grown."""
        touched: list[_Group] = []
        for excursion in excursions:
            if self._stands_up(excursion):
                group = self._group_for(excursion.soundings[0])
                group.add_excursion(excursion)
                touched = [one for one in touched if one is not group] + [group]
        return [hint for group in touched if (hint := group.news())]

    def _stands_up(self, excursion: Excursion) -> bool:
        height = excursion.bottom - min(s.depth for s in excursion.soundings)
        return height >= max(self._height, excursion.bottom / 12.0)

    def _group_for(self, sounding: Sounding) -> _Group:
        for group in reversed(self._groups):
            east, north = group.middle()
            if math.hypot(sounding.east - east, sounding.north - north) <= self._within:
                return group
        self._groups = [*self._groups[-49:], _Group()]
        return self._groups[-1]
