"""The deck: the rods as they lie rigged, which is in hand, and where the lure of the present cast is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

from companion import dive
from companion.events import Fix
from companion.sensing.localplane import moved, range_and_bearing
from companion.tackle import LineSpec, Rod
from companion.units import POUND_FORCE

FLIGHT = 2.5
"""Seconds from "cast now" to the first turn of the reel. Common practice, no source."""
SLACK = 10.0
"""Seconds after which a cast that should be in by the model counts as in."""
GPS_RADIUS = 3.0
"""What a small GPS receiver is good to on open water, m. Common practice, no source."""
AIM = math.radians(12.0)
"""How far beside its spoken hour a cast goes, one sigma: an hour is 30 degrees wide, and nobody is exact."""
ASTRAY = math.radians(90.0)
"""The same when no hour was spoken and the bow has to do: an angler casts to either side as well."""


class CastInHand(NamedTuple):
    """A cast under way: which rod, since when (logic s), from where, which way (degrees true), how surely.

    The rod's usual cast is this one's length; `aim` is one sigma of the bearing, rad.
    """

    rod: Rod
    began: float
    origin: Fix | None
    bearing: float | None
    aim: float


class Whereabouts(NamedTuple):
    """Where the lure is thought to be: depth, m below the surface, and place with its radius."""

    depth: float | None
    at: Fix | None


class Deck:
    """The rods aboard. The first is in hand until another is taken."""

    def __init__(self, rods: Iterable[Rod]) -> None:
        """Lay out the rods.

        Raises:
            ValueError: there are none.
        """
        self._rods = {rod.number: rod for rod in rods}
        if not self._rods:
            raise ValueError("no rods: give at least one in the config")
        self._in_hand = min(self._rods)
        self._paths: dict[Rod, dive.Path] = {}
        self.cast: CastInHand | None = None

    @property
    def rods(self) -> list[Rod]:
        """The rods in the order of their numbers."""
        return [self._rods[number] for number in sorted(self._rods)]

    @property
    def in_hand(self) -> Rod:
        """The rod in hand."""
        return self._rods[self._in_hand]

    def path(self, rod: Rod) -> dive.Path:
        """Return the lure's path on the rod's usual cast."""
        if rod not in self._paths:
            self._paths[rod] = dive.solve(rod.dive_line(), rod.dive_lure(), rod.dive_retrieve())
        return self._paths[rod]

    def reach(self, rod: Rod) -> float:
        """Return the depth the rod's lure gets to on its usual cast, m below the surface."""
        return self.path(rod).reach

    def take(self, number: int) -> Rod | None:
        """Take a rod in hand; None when there is no such rod."""
        if number not in self._rods:
            return None
        if number != self._in_hand:
            self.cast = None
        self._in_hand = number
        return self.in_hand

    def with_line(self, strength: int) -> list[Rod]:
        """Return the rods whose line is sold as so many pounds, the one in hand first."""
        found = [rod for rod in self.rods if rod.line.pounds == strength]
        return sorted(found, key=lambda rod: rod.number != self._in_hand)

    def rig(self, strength: int) -> Rod:
        """Put line of this strength, lb on the spool, and the same material on the rod in hand."""
        rod = self.in_hand
        line = LineSpec(material=rod.line.material, strength=strength * POUND_FORCE)
        self._rods[rod.number] = rod.with_line(line)
        self.cast = None
        return self.in_hand

    def best_for(self, depth: float) -> Rod:
        """Return the rod for a bottom at this depth, m: the shallowest that touches it, else the deepest."""
        touching = [rod for rod in self.rods if self.reach(rod) >= depth]
        return min(touching, key=self.reach) if touching else max(self.rods, key=self.reach)

    def begin_cast(
        self,
        t: float,
        origin: Fix | None,
        heading: float | None,
        clock: int | None,
        distance: float | None = None,
    ) -> None:
        """Note that the lure flies at logic time t, s, from the boat's place, towards an hour off the bow.

        `heading` is the bow's, degrees true; without a `clock` the cast is taken to go over the bow.
        `distance`, m, is how far it goes; without it, as far as the rod's usual cast.
        """
        bearing = None if heading is None else (heading + 30.0 * (clock or 0)) % 360.0
        aim = ASTRAY if clock is None else AIM
        rod = self.in_hand if distance is None else self.in_hand.with_cast(distance)
        self.cast = CastInHand(rod, t, origin, bearing, aim)

    def end_cast(self) -> None:
        """Note that the lure is back."""
        self.cast = None

    def cast_at(self, t: float) -> CastInHand | None:
        """Return the cast under way at logic time t, s; None when there is none or its line must be in."""
        cast = self.cast
        if cast is None or t > cast.began + FLIGHT + float(self.path(cast.rod).t[-1]) + SLACK:
            return None
        return cast

    def lure(self, t: float, boat: Fix | None, heading: float | None) -> Whereabouts:
        """Return where the lure of the rod in hand is at logic time t, s.

        Without an announced cast it is put where the path is deepest, ahead of the bow, and the radius
        says how little that is known.
        """
        cast = self.cast_at(t)
        if cast is None:
            path = self.path(self.in_hand)
            return Whereabouts(path.reach, placed(boat, heading, path.reach_at, path.reach_at))
        distance, depth = self.path(cast.rod).at(t - cast.began - FLIGHT)
        bearing, far = self._line_of(cast, boat, distance)
        return Whereabouts(depth, placed(boat, bearing, far, 2.0 * far * math.sin(cast.aim / 2.0)))

    def _line_of(self, cast: CastInHand, boat: Fix | None, distance: float) -> tuple[float | None, float]:
        """Return bearing and distance, m, of the lure from a boat that has drifted since the cast.

        The line is straight enough from above: it points from the boat to where the lure landed.
        """
        if boat is None or cast.origin is None or cast.bearing is None:
            return cast.bearing, distance
        landed = moved(cast.origin.lat, cast.origin.lon, cast.bearing, cast.rod.cast)
        away, bearing = range_and_bearing(boat.lat, boat.lon, *landed)
        return bearing, min(distance, away)


def placed(boat: Fix | None, bearing: float | None, distance: float, spread: float) -> Fix | None:
    """Return the place at a bearing, degrees true, and distance, m, from the boat; `spread` m sideways.

    Without a bearing it is the boat's own, with a radius that reaches there.
    """
    if boat is None:
        return None
    if bearing is None:
        return Fix(boat.lat, boat.lon, round(math.hypot(GPS_RADIUS, distance), 1))
    lat, lon = moved(boat.lat, boat.lon, bearing, distance)
    return Fix(lat, lon, round(math.hypot(GPS_RADIUS, spread), 1))
