"""The deck: the rods as they lie rigged, what is believed of each, which is in hand, and the cast."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

from companion import dive
from companion.casting.cast import Cast, Whereabouts, placed
from companion.casting.felt import Felt
from companion.casting.ground import Ground, Ray, Unmapped, ahead
from companion.casting.outlook import DRAWS, outlook
from companion.dive.calibration import (
    SAID_LENGTH_SCATTER,
    Belief,
    Calibration,
    Casts,
    Estimate,
    Evidence,
    RigBelief,
)
from companion.events import Fix
from companion.tackle import LineSpec, Rod, RodReach, calibrations, reaches, rig, rig_name
from companion.units import POUND_FORCE

AIM = math.radians(12.0)
"""How far beside its spoken hour a cast goes, one sigma: an hour is 30 degrees wide, and nobody is exact."""
AGAIN = math.radians(30.0)
"""The same when no hour was spoken, but one was not long ago: most casts go where the last went."""
ASTRAY = math.radians(90.0)
"""The same when the bow has to do: an angler casts to either side as well."""
REMEMBERED = 300.0
"""For how long the last spoken direction counts for the next cast, s."""
IN_RANGE = (0.35, 0.5, 0.65)
"""Where on a cast the bottom is looked at to tell whether a rod suits it, as shares of the cast."""
SHORT = 0.6
"""A short cast, in usual casts. Common practice, no source."""


class Moment(NamedTuple):
    """Where the boat is and how it moves: place, heading and course, degrees true, speed, m/s."""

    fix: Fix | None = None
    heading: float | None = None
    course: float | None = None
    speed: float | None = None

    def towards(self, bearing: float) -> float:
        """Return the boat's speed in a direction, m/s; 0 when it is not known."""
        if self.speed is None or self.course is None:
            return 0.0
        return self.speed * math.cos(math.radians(self.course - bearing))


class Aim(NamedTuple):
    """What was said of a cast: the hour it flies towards, its length, m, or that it is short."""

    clock: int | None = None
    length: float | None = None
    short: bool = False


class Lesson(NamedTuple):
    """What is now believed of a rod."""

    rod: Rod
    belief: RigBelief


class Deck:
    """The rods aboard. The first is in hand until another is taken."""

    def __init__(
        self, rods: Iterable[Rod], beliefs: Mapping[str, Belief] | None = None, ground: Ground | None = None
    ) -> None:
        """Lay out the rods.

        Args:
            rods: as they are rigged.
            beliefs: what was learned of their lures before, by the lure's name.
            ground: the bottom to cast over.

        Raises:
            ValueError: there are none.
        """
        self._rods = {rod.number: rod for rod in rods}
        if not self._rods:
            raise ValueError("no rods: give at least one in the config")
        self._in_hand = min(self._rods)
        self._learned = calibrations(self._rods.values(), beliefs)
        self._ground = ground or Unmapped()
        self._paths: dict[Rod, dive.Path] = {}
        self._usual: dict[Rod, Casts] = {}
        self._reaches: tuple[RodReach, ...] | None = None
        self._towards: tuple[float, float] | None = None
        self.felt = Felt()
        self.cast: Cast | None = None

    @property
    def rods(self) -> list[Rod]:
        """The rods in the order of their numbers."""
        return [self._rods[number] for number in sorted(self._rods)]

    @property
    def in_hand(self) -> Rod:
        """The rod in hand."""
        return self._rods[self._in_hand]

    def rod(self, number: int) -> Rod | None:
        """Return the rod with a number; None when there is no such rod."""
        return self._rods.get(number)

    def learned(self, rod: Rod) -> Calibration:
        """Return what is believed of the rod's lure."""
        return self._learned[rod.lure.name]

    def path(self, rod: Rod) -> dive.Path:
        """Return the lure's path on the rod's usual cast, as far as is believed."""
        if rod not in self._paths:
            self._paths[rod] = dive.solve(*self.learned(rod).best(rig_name(rod)))
        return self._paths[rod]

    def reach(self, rod: Rod) -> float:
        """Return the depth the rod's lure gets to on its usual cast, m below the surface."""
        return self.path(rod).reach

    def reach_band(self, rod: Rod) -> Estimate:
        """Return that depth with its band."""
        return self.learned(rod).reach(rig_name(rod))

    def reaches(self) -> tuple[RodReach, ...]:
        """Return every rod's path with its band, for planning."""
        if self._reaches is None:
            self._reaches = reaches(self.rods, self._learned)
        return self._reaches

    def usual_casts(self) -> Casts:
        """Return the usual casts of the rod in hand, as they may go."""
        rod = self.in_hand
        if rod not in self._usual:
            self._usual[rod] = self.learned(rod).casts(rig_name(rod), DRAWS)
        return self._usual[rod]

    def usual_ray(self, boat: Moment) -> Ray | None:
        """Return the bottom along a usual cast over the bow; None when that is not known."""
        if boat.fix is None or boat.heading is None:
            return None
        return self._ground.ray(boat.fix, boat.heading, self.in_hand.cast)

    def lesson(self, rod: Rod) -> Lesson:
        """Return what is believed of a rod, with what it was believed to be before any touch."""
        return Lesson(rod, self.learned(rod).belief().by_rig[rig_name(rod)])

    def lessons(self) -> list[Lesson]:
        """Return the same of every rod that casts have taught something about."""
        every = [self.lesson(rod) for rod in self.rods]
        return [lesson for lesson in every if lesson.belief.touches or lesson.belief.without_touch]

    def learn(self, lure: str, seen: Evidence) -> None:
        """Take in what a cast has taught about a lure."""
        self._learned[lure].learn(seen)
        self._forget_paths(lure)

    def unlearn(self, lure: str, seen: Evidence) -> None:
        """Take that back."""
        self._learned[lure].unlearn(seen)
        self._forget_paths(lure)

    def forget(self, rod: Rod) -> None:
        """Forget what was learned with a rod as it is rigged now."""
        self.learned(rod).forget(rig_name(rod))
        self._forget_paths(rod.lure.name)

    def _forget_paths(self, lure: str) -> None:
        self._usual.clear()
        self._reaches = None
        self._paths = {rod: path for rod, path in self._paths.items() if rod.lure.name != lure}

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
        old = self.in_hand
        line = LineSpec(material=old.line.material, strength=strength * POUND_FORCE)
        new = self._rods[old.number] = old.with_line(line)
        self._reaches = None
        known = self._learned[new.lure.name]
        if rig_name(new) not in known.rigs:
            self._learned[new.lure.name] = known.with_rig(rig(new))
        self.cast = None
        return new

    def best_for(self, depth: float) -> Rod:
        """Return the rod for a bottom at this depth, m: the shallowest that touches it, else the deepest."""
        touching = [rod for rod in self.rods if self.reach(rod) >= depth]
        return min(touching, key=self.reach) if touching else max(self.rods, key=self.reach)

    def better_than(self, rod: Rod, depth: float) -> Rod | None:
        """Return a rod that gets down to this depth, m, where another does not; None when none does."""
        best = self.best_for(depth)
        return best if best != rod and self.reach(best) >= depth else None

    def begin_cast(self, t: float, boat: Moment, aim: Aim) -> Cast:
        """Note that the lure flies at logic time t, s, and look ahead at what it will meet."""
        rod = self.in_hand
        bearing, spread = self._direction(t, boat, aim.clock)
        usual = self.learned(rod).rigs[rig_name(rod)].retrieve.cast
        length = SHORT * usual if aim.short else aim.length
        drift = 0.0 if bearing is None else boat.towards(bearing)
        casts = self.learned(rod).casts(rig_name(rod), DRAWS, length, SAID_LENGTH_SCATTER, drift)
        self.cast = Cast(rod, t, boat.fix, bearing, spread, drift, casts, said=length and round(length, 1))
        if boat.fix is not None and bearing is not None:
            self.cast = self._looked_ahead(self.cast, boat.fix, bearing)
        return self.cast

    def _looked_ahead(self, cast: Cast, at: Fix, bearing: float) -> Cast:
        longest = float(cast.casts.away[:, 0].max() + 3.0 + abs(cast.drift) * cast.casts.t.max())
        sounded = ahead(self._ground, at, bearing, cast.aim, min(longest, 90.0))
        bottom = self.felt.refine(self._ground, at, bearing, cast.aim, sounded)
        tops = self._ground.tops(at, bearing, longest, 3.0 + cast.length * min(cast.aim, 0.5))
        seen = outlook(cast.casts, bottom, cast.drift, tops, cast.aim)
        return replace(cast, sounded=sounded, bottom=bottom, outlook=seen)

    def _direction(self, t: float, boat: Moment, clock: int | None) -> tuple[float | None, float]:
        """Return bearing, degrees, and its sigma, rad: by the hour spoken, else the last, else the bow."""
        if clock is not None and boat.heading is not None:
            bearing = (boat.heading + 30.0 * clock) % 360.0
            self._towards = (t, bearing)
            return bearing, AIM
        last = None if clock is not None else self._last_direction(t)
        return (boat.heading, ASTRAY) if last is None else (last, AGAIN)

    def _last_direction(self, t: float) -> float | None:
        """Return where the last cast with an hour went, degrees true, if that was not long ago."""
        recent = self._towards is not None and t - self._towards[0] <= REMEMBERED
        return self._towards[1] if recent and self._towards is not None else None

    def depth_in_range(self, t: float, boat: Moment) -> float | None:
        """Return how deep it is where the lure of the rod in hand would be deepest, m; None: not mapped.

        That is where the last cast went, or else ahead of the bow.
        """
        bearing = self._last_direction(t)
        bearing = boat.heading if bearing is None else bearing
        if boat.fix is None or bearing is None:
            return None
        usual = self.in_hand.cast
        found = [self._ground.about(boat.fix, bearing, share * usual) for share in IN_RANGE]
        known = sorted(depth for depth in found if depth is not None)
        return known[len(known) // 2] if len(known) > len(IN_RANGE) // 2 else None

    def end_cast(self) -> None:
        """Note that the lure is back."""
        self.cast = None

    def cast_at(self, t: float) -> Cast | None:
        """Return the cast under way at logic time t, s; None when there is none or its line must be in."""
        return None if self.cast is None or t > self.cast.over_by else self.cast

    def lure(self, t: float, boat: Fix | None, heading: float | None) -> Whereabouts:
        """Return where the lure of the rod in hand is at logic time t, s.

        Without an announced cast it is put where the path is deepest, ahead of the bow, and the radius
        says how little that is known.
        """
        cast = self.cast_at(t)
        if cast is not None:
            return cast.lure(t, boat)
        path = self.path(self.in_hand)
        return Whereabouts(path.reach, placed(boat, heading, path.reach_at, path.reach_at))

    def whole_way(self, t: float, boat: Fix | None, heading: float | None) -> Whereabouts:
        """Return where the lure of the rod in hand was at some moment of the cast that nobody told of.

        Without an announced cast it is somewhere on a usual one, ahead of the bow.
        """
        cast = self.cast_at(t)
        if cast is not None:
            return cast.whole_way()
        usual = self.in_hand.cast
        return Whereabouts(None, placed(boat, heading, 0.5 * usual, 0.5 * usual))
