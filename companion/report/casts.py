"""The casts that were called, what each brought, and where its lure worked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from companion.casting.afterwards import CLOCK_HOUR_BY_WORDS, ENDS_CAST
from companion.casting.hand import AIM_SAID_RAD, AIM_UNKNOWN_RAD
from companion.events import Logged, LoggedWhat
from companion.report.day import CATCH_EVENTS, Day, Floats

LONGEST_CAST_S = 180.0
"""A cast that nobody called in is over after this, s."""
CATCH_AFTER_CAST_S = 60.0
"""What is logged so long after a cast came in, s, on its rod, still belongs to it: the fish in the net."""
USUAL_CAST = 30.0
"""The length of a cast, m, of a rod whose cast is not known. Common practice, no source."""
_ALONG = np.linspace(0.3, 0.8, 5)
"""Where along the cast the lure works deep, parts of its length from the boat."""
_ASIDE = np.array([-1.28, -0.52, 0.0, 0.52, 1.28])
"""Fifths of a normal distribution, in standard deviations."""


@dataclass(frozen=True)
class CastMade:
    """A cast that was called.

    Attributes:
        event: the call.
        ended: logic s at which the lure was back, or lost.
        reeled: what told that it was back, if anything did.
        catches: bites, fish and lost fish on it.
        touches: of the bottom or of what stands on it, on it.
        bearing: which way it went, degrees; None when neither bow nor course was known.
        hour_said: whether its hour off the bow was spoken; else it is taken to have
            gone over the bow.
        length: of the cast, m.
        x: m east of where its lure may have worked, all equally likely; empty when not
            known.
        y: the same, m north.
    """

    event: Logged
    ended: float
    reeled: Logged | None
    catches: tuple[Logged, ...]
    touches: tuple[Logged, ...]
    bearing: float | None
    hour_said: bool
    length: float
    x: Floats
    y: Floats


def casts_of(day: Day, lengths: Mapping[str, float] | None = None) -> list[CastMade]:
    """Return a day's casts in order; `lengths` has the usual cast of each rod by its name, m."""
    calls = day.of("cast")
    following = [*(call.t for call in calls[1:]), math.inf][: len(calls)]
    return [
        _made(
            day,
            call,
            until,
            call.size or (lengths or {}).get(call.rod or "", USUAL_CAST),
        )
        for call, until in zip(calls, following, strict=True)
    ]


def off_casts(day: Day, casts: Iterable[CastMade]) -> list[Logged]:
    """Return the catches that belong to no cast that was called."""
    placed = {catch.number for cast in casts for catch in cast.catches}
    return [catch for catch in day.of(*CATCH_EVENTS) if catch.number not in placed]


@dataclass(frozen=True)
class Catch:
    """A fish at the lure as one thing: its bite, then itself or its loss, with one rod and one place."""

    things: tuple[Logged, ...]

    @property
    def first(self) -> Logged:
        """Return what was told of it first."""
        return self.things[0]

    @property
    def what(self) -> LoggedWhat:
        """Return what became of it."""
        return self.things[-1].what

    @property
    def fish(self) -> Logged | None:
        """The fish in the boat, if there was one."""
        return next((one for one in self.things if one.what == "fish"), None)

    @cached_property
    def at_lure(self) -> Logged:
        """The one of its things that tells where the lure was: the first that knows, else the first."""
        return next((one for one in self.things if one.lure_at is not None), self.first)

    @property
    def lure_depth(self) -> float | None:
        """Return how deep the lure was when it was taken, m."""
        return self.at_lure.lure_depth


def catches_of(things: Iterable[Logged], within: float = 90.0) -> list[Catch]:
    """Return bites, fish and lost fish as catches.

    A fish belongs to the bite it names (`Logged.catch`); one that was logged before
    they were named, to a bite on its rod so many s before.
    """
    found: list[list[Logged]] = []
    for thing in things:
        mine = _begun(thing, found, within)
        if mine is None:
            found.append([thing])
        else:
            mine.append(thing)
    return [Catch(tuple(one)) for one in found]


def _begun(
    thing: Logged, found: Sequence[list[Logged]], within: float
) -> list[Logged] | None:
    """Return the catch that a thing goes on with; None when it begins one."""
    if thing.catch is not None:
        named = (one for one in found if any(it.number == thing.catch for it in one))
        return next(named, None)
    if found and _of_bite(thing, found[-1][-1], within):
        return found[-1]
    return None


def _of_bite(thing: Logged, last: Logged, within: float) -> bool:
    came_later = thing.what != "bite" and last.what == "bite"
    return came_later and thing.rod == last.rod and thing.t - last.t <= within


def _made(day: Day, call: Logged, until: float, length: float) -> CastMade:
    within = [thing for thing in day.standing if call.t < thing.t < until]
    over = next((thing for thing in within if thing.what in ENDS_CAST), None)
    reeled, ended = None, min(until, call.t + LONGEST_CAST_S)
    if over is not None and over.t <= ended:
        ended = over.t
        if over.what == "reeled in":
            reeled = over
    mine = [
        thing
        for thing in within
        if thing.t <= ended + CATCH_AFTER_CAST_S and thing.rod == call.rod
    ]
    hour = CLOCK_HOUR_BY_WORDS.get(call.detail or "")
    bearing = _bearing(day, call, hour)
    aim = AIM_UNKNOWN_RAD
    if hour is not None:
        aim = AIM_SAID_RAD
    x, y = _worked(day, call, bearing, length, aim)
    return CastMade(
        event=call,
        ended=ended,
        reeled=reeled,
        catches=tuple(thing for thing in mine if thing.what in CATCH_EVENTS),
        touches=tuple(
            thing for thing in mine if thing.what in ("touch", "snag", "broke off")
        ),
        bearing=bearing,
        hour_said=hour is not None,
        length=length,
        x=x,
        y=y,
    )


def _bearing(day: Day, call: Logged, hour: int | None) -> float | None:
    """Return which way a cast went: as it was foretold, else its hour off the bow, else over the bow."""
    if (foretold := day.outlooks.get(call.number)) is not None:
        return foretold.bearing
    if call.heading is None:
        return None
    return (call.heading + 30.0 * (hour or 0)) % 360.0


def _worked(
    day: Day, call: Logged, bearing: float | None, length: float, aim: float
) -> tuple[Floats, Floats]:
    boat = day.xy(call.boat)
    if boat is None or bearing is None:
        return np.empty(0), np.empty(0)
    angles, far = np.meshgrid(math.radians(bearing) + aim * _ASIDE, length * _ALONG)
    return (boat[0] + far * np.sin(angles)).ravel(), (
        boat[1] + far * np.cos(angles)
    ).ravel()
