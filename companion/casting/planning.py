"""Planning on the water: from where the boat is, over what is mapped around it, in well under a second.

"Which rod" keeps the boat where it lies; "where from" moves it around the nearest mark, or around here.
"""

from __future__ import annotations

from typing import NamedTuple

from companion.casting.deck import Deck
from companion.casting.hand import BoatPose
from companion.casting.plan import Plan, Target, ground, plan
from companion.casting.swim import Wish
from companion.events import Fix
from companion.lakebed.bed import Area, Bed
from companion.lakebed.marks import Mark
from companion.lakebed.relief import relief

GRID = 3.0
"""Distance of the points of the bottom that is planned over, m."""
MARK_NEAR = 120.0
"""A mark further off than this is not what is meant by "where from", m."""
CLEAR_HEIGHT_M = 1.5
"""How high above what it has to stay clear of a lure may pass, and still fish it, m."""
AROUND = 80.0
"""How far around a mark, or the boat, places to lie are looked for, m."""


class Found(NamedTuple):
    """The best plan, and where the boat is on the same plane, m."""

    plan: Plan | None
    boat: tuple[float, float]


class Planner:
    """Plans for the rods on the deck over the bed the boat is on."""

    def __init__(self, deck: Deck, bed: Bed) -> None:
        self._deck = deck
        self._bed = bed

    def which_rod(self, boat: BoatPose) -> Found | None:
        """Return the best cast from where the boat lies; None where that, or the bottom, is not known."""
        if boat.fix is None or (area := self._area(boat.fix)) is None:
            return None
        here = area.place(boat.fix.lat, boat.fix.lon)
        longest = max(rod.cast for rod in self._deck.rods)
        return self._best(area, here, here, 1.2 * longest, Target("here"), Wish(boat=here))

    def where_from(self, boat: BoatPose) -> Found | None:
        """Return the best place to fish the nearest mark from, or else what is around; None as above."""
        if boat.fix is None or (area := self._area(boat.fix)) is None:
            return None
        here = area.place(boat.fix.lat, boat.fix.lon)
        mark = next(iter(area.marks.near(*here, MARK_NEAR)), None)
        if mark is None:
            return self._best(area, here, here, AROUND, Target("around here"), Wish())
        middle = (mark.east, mark.north)
        return self._best(area, here, middle, AROUND, *_wanted_at(mark))

    def _area(self, fix: Fix) -> Area | None:
        area = self._bed.area_of(fix.lat, fix.lon)
        return area if area is not None and area.surface.extent is not None else None

    def _best(
        self,
        area: Area,
        here: tuple[float, float],
        middle: tuple[float, float],
        around: float,
        target: Target,
        wish: Wish,
    ) -> Found | None:
        (east, north), surface = middle, area.surface
        bottom = relief(surface, GRID, (east - around, north - around, east + around, north + around))
        if bottom is None:
            return None
        tops = [mark for mark in area.marks if mark.kind == "tree top"]
        found = plan(ground(bottom, tops, level=surface.level), self._deck.reaches(), target, wish, most=1)
        return Found(found[0] if found else None, here)


def _wanted_at(mark: Mark) -> tuple[Target, Wish]:
    """Return what is wanted at a mark: a tree top is to be passed over, anything else to be touched."""
    if mark.kind == "tree top":
        return Target.over(mark.kind, mark), Wish(height=CLEAR_HEIGHT_M, clear=True)
    return Target.at(mark.kind, mark.east, mark.north), Wish()
