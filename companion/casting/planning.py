"""Planning on the water: from where the boat is, over what is mapped around it.

"Which rod" keeps the boat where it lies; "where from" moves it around the nearest mark,
or around here. To ask is quick: a `Search` takes along what it needs as it is then. To
work it out takes up to seconds, and can be done in any thread.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from companion.casting.deck import Deck
from companion.casting.plan import LEAST_CROWN_M, Plan, Target, ground, plan
from companion.casting.pose import STILL_WATER, BoatPose
from companion.casting.swim import Wish
from companion.events import Fix
from companion.lakebed.bed import Bed
from companion.lakebed.marks import Mark
from companion.lakebed.relief import relief
from companion.lakebed.surface import Surface
from companion.lakebed.waters import Area
from companion.tackle import RodReach

GRID_M = 3.0
"""Distance of the points of the bottom that is planned over."""
MARK_NEAR_M = 120.0
"""A mark further off than this is not what is meant by "where from"."""
CLEAR_HEIGHT_M = 1.5
"""How high above what it has to stay clear of a lure may pass, and still fish it."""
AROUND_M = 80.0
"""How far around a mark, or the boat, places to lie are looked for."""
LONGEST_CASTS = 1.2
"""How far around a boat that stays where it lies the bottom is looked at, in the longest usual casts."""


class Found(NamedTuple):
    """The best plan, and where the boat is on the same plane, m."""

    plan: Plan | None
    boat: tuple[float, float]


@dataclass(frozen=True)
class Search:
    """A question to the planner, with all that it was asked about as it was then.

    Attributes:
        surface: the bottom around.
        within: west, south, east, north of what is planned over, m.
        tops: the marked tree tops.
        reaches: works out every rod's path.
        boat: where the boat is, m.
        target: what is to be fished.
        wish: which metres count.
        nearly: what to look for instead, where no metre does.
    """

    surface: Surface
    within: tuple[float, float, float, float]
    tops: tuple[Mark, ...]
    reaches: Callable[[], tuple[RodReach, ...]]
    boat: tuple[float, float]
    target: Target
    wish: Wish
    nearly: tuple[Target, Wish] | None = None

    @cached_property
    def found(self) -> Found:
        """Return what is found: worked out when first asked for, in whichever thread asks."""
        bottom = relief(self.surface, GRID_M, self.within)
        assert bottom is not None, "a rectangle is given"
        over = ground(bottom, self.tops, level=self.surface.level)
        plans = plan(over, self.reaches(), self.target, self.wish, most=1)
        if not plans and self.nearly is not None:
            plans = plan(over, self.reaches(), *self.nearly, most=1)
        return Found(plans[0] if plans else None, self.boat)


class Planner:
    """Plans for the rods on the deck over the bed the boat is on."""

    def __init__(self, deck: Deck, bed: Bed) -> None:
        self._deck = deck
        self._bed = bed

    def which_rod(self, boat: BoatPose, in_hand: int | None = None) -> Search | None:
        """Return the search for the best cast from where the boat lies; None where nothing is known there.

        Of casts that are as good it is one of the rod whose number is `in_hand`.
        """
        if boat.fix is None or (area := self._area(boat.fix)) is None:
            return None
        here = area.place(boat.fix.lat, boat.fix.lon)
        around = LONGEST_CASTS * max(rod.cast for rod in self._deck.rods)
        moves = None
        if boat.current != STILL_WATER:
            moves = boat.water_speed_towards
        target, wish = Target("here"), Wish(boat=here)
        reaches = self._deck.reaches_as_now(moves, in_hand)
        search = self._search(area, here, here, around, target, wish, reaches)
        return replace(search, nearly=_close_over(search.tops, here))

    def where_from(self, boat: BoatPose) -> Search | None:
        """Return the search for the best place to fish the nearest mark from, or else what is around."""
        if boat.fix is None or (area := self._area(boat.fix)) is None:
            return None
        here = area.place(boat.fix.lat, boat.fix.lon)
        mark = next(iter(area.marks.near(*here, MARK_NEAR_M)), None)
        wanted, middle = (Target("around here"), Wish()), here
        if mark is not None:
            wanted, middle = _wanted_at(mark), (mark.east, mark.north)
        reaches = self._deck.reaches_as_now(boat.current.held)
        return self._search(area, here, middle, AROUND_M, *wanted, reaches)

    def _area(self, fix: Fix) -> Area | None:
        area = self._bed.area_of(fix.lat, fix.lon)
        if area is None or area.surface.extent is None:
            return None
        return area

    def _search(
        self,
        area: Area,
        here: tuple[float, float],
        middle: tuple[float, float],
        around: float,
        target: Target,
        wish: Wish,
        reaches: Callable[[], tuple[RodReach, ...]],
    ) -> Search:
        east, north = middle
        within = (east - around, north - around, east + around, north + around)
        tops = tuple(
            mark
            for mark in area.marks
            if mark.kind == "tree top" and mark.top is not None
        )
        surface = area.surface.copy_around(*within)
        return Search(surface, within, tops, reaches, here, target, wish)


def _wanted_at(mark: Mark) -> tuple[Target, Wish]:
    """Return what is wanted at a mark: a tree top is to be passed over, anything else to be touched."""
    if mark.kind == "tree top":
        return Target.over(mark.kind, mark), Wish(height=CLEAR_HEIGHT_M, clear=True)
    return Target.at(mark.kind, mark.east, mark.north), Wish()


def _close_over(
    tops: tuple[Mark, ...], boat: tuple[float, float]
) -> tuple[Target, Wish] | None:
    """Return what is wanted over timber that no lure gets down to: to pass close above it."""
    if not tops:
        return None
    places = tuple(np.array([[mark.east, mark.north]]) for mark in tops)
    timber = Target("tree top", places, LEAST_CROWN_M)
    return timber, Wish(height=CLEAR_HEIGHT_M, dig=None, boat=boat)
