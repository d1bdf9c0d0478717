"""The rod in hand, its cast under way, and where its lure is: one value, replaced at every act.

Nothing here changes a `Hand` or the deck: every act returns the hand as it is
afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from companion.casting.cast import CastInProgress, Whereabouts, placed
from companion.casting.deck import Deck
from companion.casting.ground import RAY_STEP_M, Ray, TopOnWay
from companion.casting.outlook import DRAW_COUNT, TopOutlook, outlook
from companion.casting.pose import STILL_WATER, BoatPose
from companion.casting.reelstop import (
    TOP_CLEARANCE_M,
    TOP_SPREAD_MOST_M,
    advised_stop,
    open_stop,
    paths_over,
    rig_of_cast,
    stop_over,
    tracks_of,
    with_rod_perhaps_up,
)
from companion.casting.solving import Solve
from companion.dive import Line, Lure, Path, Retrieve, Stop, TreeTop
from companion.dive.evidence import SAID_LENGTH_SCATTER
from companion.events import Fix
from companion.sensing import moved
from companion.tackle import Rod, rig_name
from companion.units import rounded

AIM_SAID_RAD = math.radians(12.0)
"""How far beside its spoken hour a cast goes, one sigma: an hour is 30 degrees wide, and nobody is exact."""
AIM_REPEATED_RAD = math.radians(30.0)
"""The same when no hour was spoken, but one was not long ago: most casts go where the last went."""
AIM_UNKNOWN_RAD = math.radians(90.0)
"""The same when the bow has to do: an angler casts to either side as well."""
DIRECTION_REMEMBERED_S = 300.0
"""For how long the last spoken direction counts for the next cast."""
IN_RANGE_SHARES = (0.35, 0.5, 0.65)
"""Where on a cast the bottom is looked at to tell whether a rod suits it, as shares of the cast."""
IN_RANGE_SIGMA_M = 0.8
"""How well the bottom has to be known there for a word about it."""
SHORT_CAST_SHARE = 0.6
"""A short cast, in usual casts. Common practice, no source."""
RAISED_BEFORE_S = 6.0
"""How long before the lure comes to a top a rod has to be raised. Common practice, no source."""
SLOWEST_RISE_MPS = 0.05
"""A lure that rises slower than this when the reel stops does not come over anything."""
FARTHEST_LOOK_M = 90.0
"""How far along a cast the bottom is looked at."""
TOP_MARGIN_M = 3.0
"""How far beyond a cast's end, and beside its line, tree tops are looked for."""


class Aim(NamedTuple):
    """The spoken part of a cast: the hour it flies towards, its length, m, or that it is short."""

    clock: int | None = None
    length: float | None = None
    short: bool = False


class Hand(NamedTuple):
    """The rod in hand, its cast, and when and where (degrees true) the last spoken hour lay."""

    number: int
    cast: CastInProgress | None = None
    direction: tuple[float, float] | None = None

    def cast_at(self, t: float) -> CastInProgress | None:
        """Return the cast under way at logic time t, s; None when there is none or its line must be in."""
        if self.cast is None or t > self.cast.over_by:
            return None
        return self.cast

    def without_cast(self) -> Hand:
        """Return the same hand with the lure back at the rod."""
        return self._replace(cast=None)

    def direction_at(self, t: float) -> float | None:
        """Return where the last cast with an hour went, degrees true, if that was not long ago."""
        if self.direction is None or t - self.direction[0] > DIRECTION_REMEMBERED_S:
            return None
        return self.direction[1]


def take_rod(deck: Deck, hand: Hand, number: int) -> Hand | None:
    """Return the hand with another rod in it; None when there is no such rod."""
    if deck.rod(number) is None:
        return None
    if number == hand.number:
        return hand
    return Hand(number, None, hand.direction)


def rod_of(deck: Deck, hand: Hand) -> Rod:
    """Return the rod in hand."""
    rod = deck.rod(hand.number)
    assert rod is not None, "a hand holds a rod of its deck"
    return rod


def begin_cast(
    deck: Deck,
    hand: Hand,
    t: float,
    boat: BoatPose,
    aim: Aim,
    before: CastInProgress | None = None,
) -> Hand:
    """Return the hand whose lure flies at logic time t, s, with what the cast will meet.

    `before` is a cast whose bottom is taken where this one goes the same way.
    """
    cast, direction = _thrown(deck, hand, t, boat, aim, before)
    return Hand(hand.number, _with_advice(deck, _with_outlook(deck, cast)), direction)


def solve_advice(
    deck: Deck,
    hand: Hand,
    t: float,
    boat: BoatPose,
    aim: Aim,
    before: CastInProgress | None = None,
) -> Solve | None:
    """Return what solves the advice that `begin_cast` gives; None where no top needs any."""
    cast, _ = _thrown(deck, hand, t, boat, aim, before)
    if not _tops_along(deck, cast):
        return None
    return _solve_advice(deck, _with_outlook(deck, cast))


def _thrown(
    deck: Deck,
    hand: Hand,
    t: float,
    boat: BoatPose,
    aim: Aim,
    before: CastInProgress | None,
) -> tuple[CastInProgress, tuple[float, float] | None]:
    """Return a cast as it flies, and the direction to remember."""
    rod = rod_of(deck, hand)
    bearing, spread, direction = _direction(hand, t, boat, aim.clock)
    learned = deck.learned(rod)
    usual = learned.rigs[rig_name(rod)].retrieve.cast
    length = aim.length
    if aim.short:
        length = SHORT_CAST_SHARE * usual
    over_ground, through_water = _drifts(boat, bearing)
    casts = learned.casts(
        rig_name(rod), DRAW_COUNT, length, SAID_LENGTH_SCATTER, through_water
    )
    said = rounded(length, 1)
    cast = CastInProgress(
        rod, t, boat.fix, bearing, spread, over_ground, through_water, casts, said=said
    )
    if before is not None and _goes_with(before, cast):
        cast = replace(cast, sounded=before.sounded)
    return cast, direction


def _goes_with(one: CastInProgress, other: CastInProgress) -> bool:
    """Return whether two casts were made from the same place the same way."""
    return (one.origin, one.bearing, one.aim) == (
        other.origin,
        other.bearing,
        other.aim,
    )


def _drifts(boat: BoatPose, bearing: float | None) -> tuple[float, float]:
    """Return the boat's speed along a cast over ground and through the water, m/s; 0 without a bearing."""
    if bearing is None:
        return 0.0, 0.0
    return boat.speed_towards(bearing), boat.water_speed_towards(bearing)


def stop_reel(deck: Deck, hand: Hand, t: float) -> Hand:
    """Return the hand whose reel stopped at logic time t, s, with what the cast will meet now."""
    cast = hand.cast
    assert cast is not None, "a cast is under way"
    tracks = tracks_of(_rig_of(deck, cast), _reeled(cast, t))
    stopped = cast.with_stop(open_stop(t - cast.retrieved_from), tracks)
    return hand._replace(cast=_with_outlook(deck, stopped))


def solve_stop(deck: Deck, cast: CastInProgress, t: float) -> Solve:
    """Return what solves the ways of the lure of a cast whose reel stops at logic time t, s."""
    return Solve(partial(tracks_of, _rig_of(deck, cast), _reeled(cast, t)))


def _reeled(cast: CastInProgress, t: float) -> float:
    """Return for how long the reel has turned at logic time t, s.

    As if none of its other stops had been: a lure is back on its way some metres after
    one.
    """
    stopped = sum(stop.length for stop in cast.stops if stop.told)
    return t - cast.retrieved_from - stopped


def start_reel(deck: Deck, hand: Hand, t: float) -> Hand:
    """Return the hand whose reel turns again at logic time t, s, with what the cast will meet now."""
    assert hand.cast is not None, "a cast is under way"
    going = _with_outlook(deck, hand.cast.with_stop_ended(t))
    return hand._replace(cast=_with_advice(deck, going, t - going.retrieved_from))


def solve_start(deck: Deck, cast: CastInProgress, t: float) -> Solve | None:
    """Return what solves the advice that `start_reel` gives; None where no top needs any."""
    return _solve_advice(deck, _with_outlook(deck, cast.with_stop_ended(t)))


def _rig_of(deck: Deck, cast: CastInProgress) -> tuple[Line, Lure, Retrieve]:
    learned, name = deck.learned(cast.rod), rig_name(cast.rod)
    return rig_of_cast(
        learned.best_as_told(name), cast.length, cast.through_water, cast.drift
    )


def _with_advice(
    deck: Deck, cast: CastInProgress, since: float = 0.0
) -> CastInProgress:
    """Return a cast with what lets its lure over a tree top, which may well be done.

    That is a stop, or else, told at the landing, to hold the rod up. Slower or faster
    reeling is not asked for: what rises when it is slowed down rises more when it is
    stopped, and half as fast again brings no lure 0.1 m up. `since` is s since the
    retrieve began: a stop that would have had to begin before is none.
    """
    over = _over(deck, cast)
    if over is None:
        return cast
    stop = over.stop()
    if stop is None:
        if since != 0.0:
            return cast
        return _with_rod_up(cast, over)
    if stop.length == 0.0:
        return cast
    # It was solved as if the reel had turned all the time.
    stopped_before = sum(one.length for one in cast.stops)
    advised = advised_stop(stop, stopped_before)
    if advised.begins < since:
        return cast
    return cast.with_stop(advised, stop.tracks)


class _Over(NamedTuple):
    """A tree top that a lure has to come over, and by how much.

    Attributes:
        rig: with the cast.
        rises: whether its lure rises when the reel stops.
        danger: the top as it is met.
        margin: m.
        tip_up: height of the rod's tip held up, m.
    """

    rig: tuple[Line, Lure, Retrieve]
    rises: bool
    danger: TopOutlook
    margin: float
    tip_up: float

    def stop(self) -> Stop | None:
        """Return the stop that lets it over, None where none does; solved once."""
        if not self.rises:
            return None
        top = self.danger.top
        return stop_over(
            self.rig, top.distance, top.depth, top.place_sigma, self.margin
        )

    def paths(self) -> tuple[Path, Path] | None:
        """Return the paths with the rod as usual and held up, where that lets it over; solved once."""
        top = self.danger.top
        spread = min(top.place_sigma, TOP_SPREAD_MOST_M)
        tree = TreeTop(top.distance, top.depth, spread)
        return paths_over(self.rig, self.tip_up, tree, self.margin)

    def solve(self) -> None:
        """Have solved what may be asked for."""
        if self.stop() is None:
            self.paths()


def _over(deck: Deck, cast: CastInProgress) -> _Over | None:
    """Return the tree top that a lure has to be let over; None where there is none."""
    danger = cast.danger()
    if danger is None:
        return None
    return _Over(
        rig=_rig_of(deck, cast),
        rises=cast.rod.lure.rises >= SLOWEST_RISE_MPS,
        danger=danger,
        # A top that may well be met although the likeliest way clears it asks for a
        # rise all the same.
        margin=TOP_CLEARANCE_M + max(danger.clearance.best, 0.0),
        tip_up=deck.tips[cast.rod.number]["up"],
    )


def _solve_advice(deck: Deck, cast: CastInProgress) -> Solve | None:
    over = _over(deck, cast)
    if over is None:
        return None
    return Solve(over.solve)


def _with_rod_up(cast: CastInProgress, over: _Over) -> CastInProgress:
    """Return a cast with the rod held up, where that lets its lure over a tree top."""
    if over.danger.after < RAISED_BEFORE_S:
        return cast
    found = over.paths()
    if found is None:
        return cast
    casts = with_rod_perhaps_up(cast.casts, *found)
    return replace(cast, casts=casts, raise_rod=True)


def _farthest(cast: CastInProgress) -> float:
    """Return how far from where the boat was a cast may meet something, m."""
    drifted = abs(cast.drift) * cast.casts.t.max()
    return float(cast.casts.away[:, 0].max() + TOP_MARGIN_M + drifted)


def _tops_along(deck: Deck, cast: CastInProgress) -> Sequence[TopOnWay]:
    """Return the tree tops that a cast may meet; none without its place and direction."""
    if cast.origin is None or cast.bearing is None:
        return ()
    aside = TOP_MARGIN_M + cast.length * min(cast.aim, 0.5)
    return deck.ground.tops(cast.origin, cast.bearing, _farthest(cast), aside)


def _with_outlook(deck: Deck, cast: CastInProgress) -> CastInProgress:
    at, bearing = cast.origin, cast.bearing
    if at is None or bearing is None:
        return cast
    length = min(_farthest(cast), FARTHEST_LOOK_M)
    # What was sounded since the cast began does not lie along it: the boat is behind.
    sounded = cast.sounded
    if sounded is None or sounded.length < length - RAY_STEP_M:
        sounded = deck.bottom_along(cast.began, at, bearing, cast.aim, length)
    bottom = deck.felt.refine(deck.ground, at, bearing, cast.aim, sounded)
    tops = _tops_along(deck, cast)
    seen = outlook(cast.casts, bottom, cast.drift, tops, cast.aim)
    return cast.with_outlook(sounded, bottom, seen)


def _direction(
    hand: Hand, t: float, boat: BoatPose, clock: int | None
) -> tuple[float | None, float, tuple[float, float] | None]:
    """Return bearing, degrees, its sigma, rad, and the direction to remember."""
    if clock is not None and boat.heading is not None:
        bearing = (boat.heading + 30.0 * clock) % 360.0
        return bearing, AIM_SAID_RAD, (t, bearing)
    last = None if clock is not None else hand.direction_at(t)
    if last is not None:
        return last, AIM_REPEATED_RAD, hand.direction
    return boat.heading, AIM_UNKNOWN_RAD, hand.direction


def depth_in_range(deck: Deck, hand: Hand, t: float, boat: BoatPose) -> float | None:
    """Return how deep it is where the lure of the rod in hand would be deepest, m; None: not mapped.

    That is where the last cast went, or else ahead of the bow.
    """
    bearing = _next_direction(hand, t, boat)
    if boat.fix is None or bearing is None:
        return None
    usual = rod_of(deck, hand).cast
    away = [
        moved(boat.fix.lat, boat.fix.lon, bearing, share * usual)
        for share in IN_RANGE_SHARES
    ]
    depth, sigma = deck.ground.spots([Fix(*place) for place in away])
    known = sorted(depth[sigma <= IN_RANGE_SIGMA_M])
    if len(known) <= len(IN_RANGE_SHARES) // 2:
        return None
    return float(known[len(known) // 2])


def over_tree_in_range(
    deck: Deck, hand: Hand, t: float, boat: BoatPose
) -> float | None:
    """Return how far above the first tree top on its next way the lure in hand passes, m; None without.

    Negative where it runs into it.
    """
    bearing = _next_direction(hand, t, boat)
    if boat.fix is None or bearing is None:
        return None
    rod = rod_of(deck, hand)
    for top in deck.ground.tops(boat.fix, bearing, rod.cast, TOP_MARGIN_M):
        depth = deck.path(rod).depth_at(top.distance)
        if depth is not None:
            return top.depth - depth
    return None


def drift_of_next_cast(hand: Hand, t: float, boat: BoatPose) -> float:
    """Return the boat's speed through the water where the next cast goes, m/s; 0 where no current is told.

    It goes where the last one with an hour went not long ago, else over the bow.
    """
    bearing = _next_direction(hand, t, boat)
    if bearing is None or boat.current == STILL_WATER:
        return 0.0
    return boat.water_speed_towards(bearing)


def _next_direction(hand: Hand, t: float, boat: BoatPose) -> float | None:
    """Return where the last cast with an hour went not long ago, degrees true, else where the bow points."""
    last = hand.direction_at(t)
    if last is None:
        return boat.heading
    return last


def usual_ray(deck: Deck, hand: Hand, boat: BoatPose) -> Ray | None:
    """Return the bottom along a usual cast over the bow; None when place or bow are not known."""
    if boat.fix is None or boat.heading is None:
        return None
    return deck.ground.ray(boat.fix, boat.heading, rod_of(deck, hand).cast)


def lure_at(
    deck: Deck, hand: Hand, t: float, boat: Fix | None, heading: float | None
) -> Whereabouts:
    """Return where the lure of the rod in hand is at logic time t, s.

    Without an announced cast it is put where the path is deepest, ahead of the bow, and
    the radius says how little that is known.
    """
    cast = hand.cast_at(t)
    if cast is not None:
        return cast.lure(t, boat)
    rod = rod_of(deck, hand)
    path = deck.path(rod)
    place = placed(boat, heading, path.reach_at, 0.5 * path.reach_at, path.reach_at)
    return Whereabouts(path.reach, place, deck.reach_band(rod).high)


def whole_way(
    deck: Deck, hand: Hand, t: float, boat: Fix | None, heading: float | None
) -> Whereabouts:
    """Return where the lure was at some moment of the cast that nobody told of.

    Without an announced cast it is somewhere on a usual one, ahead of the bow.
    """
    cast = hand.cast_at(t)
    if cast is not None:
        return cast.whole_way()
    usual = rod_of(deck, hand).cast
    return Whereabouts(
        None, placed(boat, heading, 0.5 * usual, usual / math.sqrt(12.0), 0.5 * usual)
    )
