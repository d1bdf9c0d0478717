"""The records of what happened, from what casting computed: logged things, outlooks, lessons, matches.

Every logged thing of a trip is made here, with the boat and the lure as they were.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import msgspec

from companion.casting.cast import CastInProgress, Whereabouts
from companion.casting.deck import Deck, Lesson
from companion.casting.hand import lure_at, rod_of, whole_way
from companion.casting.match import Standing
from companion.casting.outlook import Band
from companion.casting.planning import Planner
from companion.casting.pose import bow_of
from companion.events import (
    Fix,
    Learned,
    Logged,
    LoggedWhat,
    Match,
    Outlook,
    RodTaken,
    TopAhead,
    Undone,
    told_place,
)
from companion.lakebed.bed import Bed
from companion.lakebed.marks import FIX_RADIUS_M, Mark
from companion.tackle import Rod
from companion.trip.state import Moment, TripState
from companion.units import LengthUnit, rounded
from companion.voice import commands as c
from companion.voice.grammar import Grammar

REACTION_S = 0.7
"""Time between what happens at the lure and the first word about it. Common practice, no source."""


class Rooms(NamedTuple):
    """The rooms that a trip works with.

    Attributes:
        deck: the rods and what is believed of them.
        bed: the waters.
        planner: finds casts.
        grammar: the commands as they are on this boat.
        unit: what depths are spoken in.
        reaction: s between what happens at the lure and the first word about it.
    """

    deck: Deck
    bed: Bed
    planner: Planner
    grammar: Grammar
    unit: LengthUnit
    reaction: float = REACTION_S


def logged(
    rooms: Rooms,
    state: TripState,
    moment: Moment,
    what: LoggedWhat,
    detail: str | None = None,
    size: float | None = None,
) -> Logged:
    """Return the next logged thing, with the boat as it was and the rod in hand.

    `detail` and `size` are those of `Logged`, kg or m.
    """
    boat, rod = moment.boat, rod_of(rooms.deck, state.hand)
    wind_from = boat.wind_from
    if wind_from is not None:
        wind_from = round(wind_from) % 360
    return Logged(
        t=moment.t,
        utc=moment.utc,
        number=state.last_number + 1,
        what=what,
        detail=detail,
        size=rounded(size, 3),
        boat=moment.fix,
        heading=boat.heading,
        speed=boat.speed,
        water_speed=rounded(boat.water_speed, 2),
        bottom=boat.depth,
        water_temperature=boat.water_temperature,
        wind_speed=rounded(boat.wind_speed, 1),
        wind_from=wind_from,
        rod=rod.name,
        lure=rod.lure.name,
        line=rod.line_name,
        clip=moment.clip,
    )


def logged_at_lure(
    rooms: Rooms,
    state: TripState,
    moment: Moment,
    what: LoggedWhat,
    detail: str | None = None,
) -> Logged:
    """Return a thing that happened at the lure, where the lure was."""
    return _put_at(
        logged(rooms, state, moment, what, detail),
        _lure_then(rooms, state, moment),
        rooms.bed,
    )


def logged_touch(
    rooms: Rooms, state: TripState, moment: Moment, detail: str | None = None
) -> Logged:
    """Return a touch of the bottom: the lure is on it, where that is mapped, beside the model's depth."""
    where = _lure_then(rooms, state, moment)
    thing = _put_at(logged(rooms, state, moment, "touch", detail), where, rooms.bed)
    depth = where.depth_touching(thing.lure_bottom)
    if thing.lure_bottom is None or depth is None:
        return thing
    return msgspec.structs.replace(
        thing, lure_depth=round(depth, 3), model_depth=thing.lure_depth
    )


def _lure_then(rooms: Rooms, state: TripState, moment: Moment) -> Whereabouts:
    """Return where the lure was when that happened which the words tell of."""
    then = moment.began - rooms.reaction
    return lure_at(rooms.deck, state.hand, then, moment.fix, bow_of(moment.boat))


def _put_at(thing: Logged, where: Whereabouts, bed: Bed) -> Logged:
    """Return a thing with the lure where it was, which is not below the mapped bottom."""
    bottom = bottom_at(bed, where.at)
    depth = rounded(where.depth_above(bottom), 3)
    return msgspec.structs.replace(
        thing, lure_depth=depth, lure_at=where.at, lure_bottom=bottom
    )


def logged_landed(
    rooms: Rooms,
    state: TripState,
    moment: Moment,
    what: LoggedWhat,
    weight: float | None = None,
) -> Logged:
    """Return what came of a bite: where the lure was then, not where the fish is taken off it.

    Without a bite told of, the fish may have struck anywhere on the way of the cast.
    `weight` in kg.
    """
    fish = logged(rooms, state, moment, what, size=weight)
    bite = state.bite_before(moment.began, rod_of(rooms.deck, state.hand).name)
    if bite is None:
        way = whole_way(
            rooms.deck, state.hand, moment.began, moment.fix, bow_of(moment.boat)
        )
        return msgspec.structs.replace(fish, lure_at=way.at)
    return msgspec.structs.replace(
        fish,
        lure_depth=bite.lure_depth,
        lure_at=bite.lure_at,
        lure_bottom=bite.lure_bottom,
        catch=bite.number,
    )


def bottom_at(bed: Bed, place: Fix | None) -> float | None:
    """Return how deep it is at a place, m, as far as that is mapped."""
    if place is None:
        return None
    found = bed.bottom(place.lat, place.lon)
    if found is None:
        return None
    return round(found[0], 3)


def put_mark(
    rooms: Rooms, command: c.MarkPlace, moment: Moment
) -> tuple[Mark, Fix] | None:
    """Put a mark on the lakebed and return it, with where it lies; None without the boat's place."""
    boat, fix = moment.boat, moment.fix
    if fix is None:
        return None
    mark = rooms.bed.mark(
        command.kind,
        fix.lat,
        fix.lon,
        depth=command.depth,
        distance=command.distance or 0.0,
        hour=command.clock,
        heading=bow_of(boat),
        utc=moment.utc,
        known_within=fix.radius or FIX_RADIUS_M,
    )
    area = rooms.bed.area_of(fix.lat, fix.lon)
    assert area is not None, "a mark lies on an area"
    return mark, told_place(*area.where(mark), mark.radius)


def with_place_of_mark(thing: Logged, command: c.MarkPlace, at: Fix) -> Logged:
    """Return a logged mark with its place, where that is not under the boat."""
    if command.distance is None or command.clock is None:
        return thing
    return msgspec.structs.replace(thing, at=at)


def undone(moment: Moment, thing: Logged) -> Undone:
    """Return that a logged thing was taken back."""
    return Undone(t=moment.t, utc=moment.utc, number=thing.number, what=thing.what)


def rod_taken(t: float, utc: str | None, deck: Deck, rod: Rod) -> RodTaken:
    """Return which rod is in hand."""
    return RodTaken(
        t=t,
        utc=utc,
        rod=rod.name,
        lure=rod.lure.name,
        line=rod.line_name,
        reach=round(deck.reach(rod), 3),
    )


def outlook_of(
    t: float, utc: str | None, number: int, cast: CastInProgress
) -> Outlook | None:
    """Return what a cast, logged as `number`, will meet; None when there is nothing to go by."""
    seen = cast.outlook
    if seen is None or cast.bearing is None:
        return None
    seconds = _best(seen.after)
    if seconds is not None:
        seconds += cast.retrieved_from - t
    return Outlook(
        t=t,
        utc=utc,
        cast=number,
        rod=cast.rod.name,
        bearing=round(cast.bearing, 1),
        state=seen.verdict,
        sureness=seen.sureness,
        chance=round(seen.chance, 3),
        distance=rounded(_best(seen.distance), 2),
        seconds=rounded(seconds, 2),
        contact=rounded(seen.contact, 2),
        margin=rounded(_best(seen.margin), 3),
        mapped=round(seen.mapped, 3),
        tops=tuple(
            TopAhead(
                round(top.top.distance, 2),
                round(top.clearance.best, 3),
                round(top.chance, 3),
            )
            for top in seen.tops
        ),
    )


def _best(band: Band | None) -> float | None:
    if band is None:
        return None
    return band.best


def learned(t: float, utc: str | None, lesson: Lesson) -> Learned:
    """Return what is now believed of a rod."""
    rod, belief = lesson
    return Learned(
        t=t,
        utc=utc,
        rod=rod.name,
        lure=rod.lure.name,
        line=rod.line_name,
        reach=round(belief.reach.best, 3),
        low=round(belief.reach.low, 3),
        high=round(belief.reach.high, 3),
        was=round(belief.before.best, 3),
        evidence=belief.touches + belief.without_touch,
    )


def match_of(
    t: float,
    utc: str | None,
    rod: Rod,
    reach: float,
    standing: Standing,
    *,
    where: Literal["in range", "below"],
) -> Match:
    """Return how a rod stands against the bottom; `where` tells where that bottom is."""
    by = standing.margin
    if by is not None:
        by = abs(by)
    return Match(
        t=t,
        utc=utc,
        rod=rod.name,
        state=standing.state,
        by=rounded(by, 3),
        depth=rounded(standing.depth, 3),
        reach=round(reach, 3),
        where=where,
    )
