"""Where the lure was at something logged, when it turns out afterwards that it was on another rod.

The cast is the one that was under way, by what was logged; that the same cast was made
with the other rod is all that changes. What was called ("two o'clock", "thirty yards",
"stopped now"), the current told and the speed through the water hold for it as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from companion.casting.cast import Whereabouts
from companion.casting.deck import Deck
from companion.casting.ground import Ground
from companion.casting.hand import (
    DIRECTION_REMEMBERED_S,
    Aim,
    Hand,
    begin_cast,
    lure_at,
    start_reel,
    stop_reel,
)
from companion.casting.pose import STILL_WATER, BoatPose, Current, bow_by
from companion.dive.evidence import Belief
from companion.events import AnyEvent, Fix, Heard, Logged, RodTaken, current_told
from companion.sensing.localplane import range_and_bearing
from companion.tackle import Rod
from companion.voice.commands import StartReel, StopReel
from companion.voice.grammar import clock_words

Place = Callable[[float], Fix | None]
"""Where the boat was at a logic time, s."""
MOVED_FOR_COURSE_M = 1.0
"""A boat that moved less than this in `COURSE_LOOK_BACK_S` has no course, m."""
COURSE_LOOK_BACK_S = 5.0
"""How long before something the boat is looked for to tell its course, s."""
ENDS_CAST = ("reeled in", "broke off")
"""What is logged when no lure is in the water any more."""
CLOCK_HOUR_BY_WORDS = {clock_words(hour): hour for hour in range(1, 13)}
"""The hour of a cast by the words it is logged with."""


class Aftersight(NamedTuple):
    """The trip as it is known afterwards.

    Attributes:
        events: of the trip, as they stand, in order.
        began: when the words for a logged thing, or those heard, began, logic s.
        boat: where the boat was.
        reaction: s between what happens at the lure and the first word about it.
        current: of the water, until it was told.
    """

    events: Sequence[AnyEvent]
    began: Callable[[Logged | Heard], float]
    boat: Place
    reaction: float
    current: Current = STILL_WATER


def lure_on(
    rod: Rod,
    thing: Logged,
    trip: Aftersight,
    beliefs: Mapping[str, Belief] | None,
    ground: Ground,
) -> Whereabouts:
    """Return where the lure was at a logged thing if that was on this rod.

    Without a cast under way it is where the rod's path is deepest, ahead of the bow, as
    on the water.

    Args:
        rod: as it was rigged then.
        thing: what was logged.
        trip: what else was.
        beliefs: what is believed of lures, by their names.
        ground: the bottom.
    """
    deck, hand = Deck([rod], beliefs, ground), Hand(rod.number)
    cast = _cast_of(thing, trip.events, rod.name)
    if cast is not None:
        for one in _calls(trip.events, cast):
            hand = begin_cast(deck, hand, trip.began(one), _pose(one, trip), _aim(one))
        for act in _reel_acts(trip.events, cast, thing):
            hand = _with_reel_act(deck, hand, act, trip.began(act))
    bow = _pose(thing, trip).heading
    return lure_at(deck, hand, trip.began(thing) - trip.reaction, thing.boat, bow)


def _cast_of(thing: Logged, events: Iterable[AnyEvent], rod: str) -> Logged | None:
    """Return the cast under way at a logged thing: not ended, and no other rod taken than this one."""
    cast: Logged | None = None
    for event in events:
        if isinstance(event, Logged) and event.number == thing.number:
            return cast
        if isinstance(event, Logged) and event.what == "cast":
            cast = event
        elif (isinstance(event, Logged) and event.what in ENDS_CAST) or (
            isinstance(event, RodTaken)
            and cast is not None
            and cast.rod not in (event.rod, rod)
        ):
            cast = None
    return cast


def _calls(events: Iterable[AnyEvent], cast: Logged) -> list[Logged]:
    """Return a cast and those before it whose direction it may have gone in."""
    calls = [
        event for event in events if isinstance(event, Logged) and event.what == "cast"
    ]
    return [
        call for call in calls if cast.t - DIRECTION_REMEMBERED_S <= call.t <= cast.t
    ]


def _reel_acts(events: Iterable[AnyEvent], cast: Logged, thing: Logged) -> list[Heard]:
    """Return the words between a cast and a logged thing that told of the reel."""
    return [
        event
        for event in events
        if isinstance(event, Heard)
        and event.command in (StopReel().name, StartReel().name)
        and cast.t <= event.t <= thing.t
    ]


def _with_reel_act(deck: Deck, hand: Hand, act: Heard, began: float) -> Hand:
    """Return a hand whose reel stopped or turned again, where that means something, as on the water."""
    cast = hand.cast_at(began)
    if cast is None or cast.stopped == (act.command == StopReel().name):
        return hand
    if cast.stopped:
        return start_reel(deck, hand, began)
    return stop_reel(deck, hand, began)


def _aim(cast: Logged) -> Aim:
    return Aim(CLOCK_HOUR_BY_WORDS.get(cast.detail or ""), cast.size)


def _pose(thing: Logged, trip: Aftersight) -> BoatPose:
    course = _course_before(thing, trip.boat(thing.t - COURSE_LOOK_BACK_S))
    return BoatPose(
        thing.boat,
        bow_by(thing.heading, course, thing.speed),
        course,
        thing.speed,
        thing.water_speed,
        _current_at(thing, trip),
    )


def _course_before(thing: Logged, before: Fix | None) -> float | None:
    """Return the boat's course over ground by where it was a while before; None where it hardly moved."""
    if before is None or thing.boat is None:
        return None
    away, course = range_and_bearing(
        before.lat, before.lon, thing.boat.lat, thing.boat.lon
    )
    if not math.isfinite(away) or away < MOVED_FOR_COURSE_M:
        return None
    return course


def _current_at(thing: Logged, trip: Aftersight) -> Current:
    """Return the current as it was last told before a logged thing."""
    told = [current_told(event) for event in trip.events if event.t <= thing.t]
    known = [Current(*one) for one in told if one is not None]
    return [trip.current, *known][-1]
