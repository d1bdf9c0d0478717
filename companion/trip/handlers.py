"""What a trip does when it is spoken to: one handler for each command.

A handler takes the command, the moment it was spoken in, the state and the rooms it
works with, and returns an `Outcome`: the state as it is then, what happened, and the
reply. It changes nothing else but what the command is meant to change: beliefs of the
deck, marks and level of the bed.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from functools import partial, singledispatch
from typing import Literal, NamedTuple

from companion.casting.cast import CastInProgress
from companion.casting.deck import (
    Lesson,
    best_for,
    better_than,
    lessons_of,
    relined,
    rods_with_line,
    solve_rig,
)
from companion.casting.deflection import lost_for
from companion.casting.hand import (
    SLOWEST_RISE_MPS,
    Aim,
    Hand,
    begin_cast,
    drift_of_next_cast,
    rod_of,
    solve_advice,
    solve_start,
    solve_stop,
    start_reel,
    stop_reel,
    take_rod,
)
from companion.casting.hand import lure_at as lure_now
from companion.casting.lessons import (
    Taught,
    forget_rod,
    learn_no_touch,
    learn_touch,
    solve_lesson,
    unlearn,
)
from companion.casting.planning import Found
from companion.casting.pose import STILL_WATER, BoatPose, Current, bow_of, pose_of
from companion.casting.solving import Solve
from companion.events import AnyEvent, Logged, MarkKind, current_notice, level_notice
from companion.tackle import Rod
from companion.trip import entries, wording
from companion.trip.entries import Rooms
from companion.trip.searches import Question
from companion.trip.state import Carried, Moment, TripState
from companion.units import LengthUnit, Units
from companion.voice import commands as c
from companion.voice.grammar import Grammar, clock_words


class Outcome(NamedTuple):
    """The outcome of a command.

    Attributes:
        state: the trip's state afterwards.
        events: what happened, in order.
        reply: the line to be spoken; None for none.
        about: what the reply is about.
        taught: what is now believed of rods, where the command changed it.
        keeps_bed: marks or level changed, and the battery may be switched off any time.
        asks: what the planner has to find before there is a reply.
    """

    state: TripState
    events: tuple[AnyEvent, ...] = ()
    reply: str | None = None
    about: Literal["answer", "outlook"] = "answer"
    taught: tuple[Lesson, ...] = ()
    keeps_bed: bool = False
    asks: Question | None = None


HARD_KINDS: Collection[MarkKind] = (
    "tree top",
    "rock pile",
    "brush pile",
    "stump",
    "rock",
)
"""Marks of what throws a lure off."""
BELOW_BOTTOM_M = 0.5
"""How far below the bottom under the boat a top has to be told to be a slip: depths flicker."""
HARD_ASIDE_M = 5.0
"""How far beside a cast such a mark still counts."""
CALLED_OUT = ("lost the fish", "lost it", "broke off")
"""Wordings that people also use among themselves, to tell what happened to them another day."""


def out_of_place(
    command: c.Command,
    text: str,
    t: float,
    began: float,
    state: TripState,
    grammar: Grammar,
) -> str | None:
    """Return why a command means nothing at logic time t, s, so that its words were talk; None where it does.

    Only what people say to each other as well is asked: "no, two", "say again", "going
    again", the rest of a command, and what is `CALLED_OUT`. `began` is when its first
    word came, logic s.
    """
    if isinstance(command, c.Correct | c.SayAgain | c.GoOn):
        return _nothing_before(command, t, began, state, grammar)
    if command == c.WaterCurrent() and state.current == STILL_WATER:
        return "no current was told"
    if isinstance(command, c.StopReel | c.StartReel):
        return _no_such_reel(command, state.hand.cast_at(t))
    if text in CALLED_OUT and not state.fished_lately(t):
        return "no cast or bite lately"
    return None


def _nothing_before(
    command: c.Correct | c.SayAgain | c.GoOn,
    t: float,
    began: float,
    state: TripState,
    grammar: Grammar,
) -> str | None:
    if isinstance(command, c.Correct) and state.to_correct(t) is None:
        return "nothing to put right"
    if isinstance(command, c.SayAgain) and state.to_repeat(t) is None:
        return "nothing was said lately"
    if isinstance(command, c.GoOn) and not _gone_on(command, began, state, grammar):
        return "no command that goes on so"
    return None


def _no_such_reel(
    command: c.StopReel | c.StartReel, cast: CastInProgress | None
) -> str | None:
    if cast is None:
        return "no cast under way"
    if isinstance(command, c.StartReel) and not cast.stopped:
        return "no stop was told"
    return None


def _gone_on(
    command: c.GoOn, began: float, state: TripState, grammar: Grammar
) -> Carried | None:
    """Return the command just before, with the rest of its words that began so late; None where none fits."""
    last = state.to_go_on(began)
    if last is None:
        return None
    meant = grammar.completed(last.command, command.rest)
    if meant is None:
        return None
    return last._replace(command=meant)


def carry_out(
    command: c.Command, moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    """Carry out a command, and remember it as one that can be put right.

    One that destroys what cannot be had again asks to be repeated first.
    """
    question = _question(command, state, rooms)
    if question is not None and not state.is_repeated(command, moment.t):
        outcome = Outcome(replace(state, asked=(command, moment.t)), reply=question)
    else:
        outcome = handle(command, moment, replace(state, asked=None), rooms)
    if isinstance(command, c.Correct | c.GoOn | c.ThatWasRod | c.UndoThat):
        return outcome
    number = next(
        (event.number for event in outcome.events if isinstance(event, Logged)), None
    )
    return outcome._replace(state=outcome.state.with_carried(command, moment, number))


def _question(command: c.Command, state: TripState, rooms: Rooms) -> str | None:
    """Return what to ask before a fish or a rod's lessons are given up; None for any other command."""
    last = state.last_standing
    if isinstance(command, c.UndoThat) and last is not None and last.what == "fish":
        return wording.AGAIN_TO_UNDO_FISH
    if isinstance(command, c.ForgetRod) and rooms.deck.rod(command.number) is not None:
        return wording.again_to_forget(command.number)
    return None


@singledispatch
def to_solve_first(
    _command: object, _moment: Moment, _state: TripState, _rooms: Rooms
) -> Solve | None:
    """Return what a command needs that the engine should not solve itself; None where there is nothing."""
    return None


@to_solve_first.register
def _(
    command: c.HoldTip, _moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    held = _held(command, state, rooms)
    if held is None:
        return None
    return solve_rig(rooms.deck, held)


@to_solve_first.register
def _(
    command: c.RigLine, _moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    if rods_with_line(rooms.deck, command.strength, state.hand.number):
        return None
    rod = relined(rod_of(rooms.deck, state.hand), command.strength)
    return solve_rig(rooms.deck, rod)


@to_solve_first.register
def _(
    _command: c.StopReel, moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    cast = _cast_under_way(state, moment)
    if cast is None or cast.stopped:
        return None
    return solve_stop(rooms.deck, cast, moment.began)


@to_solve_first.register
def _(
    command: c.Touched, moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    if command.on == "wood":
        return None
    return _lesson_first(moment, state, rooms, moment.began)


@to_solve_first.register
def _(
    _command: c.ReeledIn, moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    return _lesson_first(moment, state, rooms, None)


@to_solve_first.register
def _(command: c.Cast, moment: Moment, state: TripState, rooms: Rooms) -> Solve | None:
    boat, aim = _pose_at(moment, state), _aim_of(command)
    before = state.hand.cast
    return solve_advice(rooms.deck, state.hand, moment.began, boat, aim, before)


@to_solve_first.register
def _(
    _command: c.StartReel, moment: Moment, state: TripState, rooms: Rooms
) -> Solve | None:
    cast = _cast_under_way(state, moment)
    if cast is None or not cast.stopped:
        return None
    return solve_start(rooms.deck, cast, moment.began)


def _lesson_first(
    moment: Moment, state: TripState, rooms: Rooms, touched_at: float | None
) -> Solve | None:
    cast = _cast_under_way(state, moment)
    if cast is None or cast is state.lessons.spent or moment.late:
        return None
    return solve_lesson(rooms.deck, cast, touched_at)


def in_doubt(
    outcome: Outcome, command: c.Command, other: c.Command, rooms: Rooms
) -> Outcome:
    """Return an outcome whose reply says the value that was taken and the one that may have been spoken."""
    taken, instead = (rooms.grammar.confirmation(one) for one in (command, other))
    if (
        taken is None
        or instead is None
        or taken == instead
        or outcome.state.asked is not None
    ):
        return outcome
    return outcome._replace(reply=wording.or_else(taken, instead), about="answer")


@singledispatch
def handle(
    command: object, _moment: Moment, _state: TripState, _rooms: Rooms
) -> Outcome:
    """Do what a command asks for, and return what came of it.

    Raises:
        TypeError: no handler is registered for this kind of command.
    """
    raise TypeError(
        f"no handler for {type(command).__name__}: add one to companion.trip.handlers"
    )


# --- what happens at the lure ---------------------------------------------------------------------------


@handle.register
def _(command: c.LogBite, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    return _at_lure(command, moment, _cast_spent(state, moment), rooms, "bite")


@handle.register
def _(command: c.Snagged, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    outcome = _at_lure(command, moment, _cast_spent(state, moment), rooms, "snag")
    if rod_of(rooms.deck, state.hand).lure.rises < SLOWEST_RISE_MPS:
        return outcome
    return outcome._replace(reply=f"{outcome.reply}, {wording.LET_IT_FLOAT}")


@handle.register
def _(command: c.BrokeOff, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    outcome = _at_lure(command, moment, _cast_spent(state, moment), rooms, "broke off")
    return outcome._replace(
        state=replace(outcome.state, hand=outcome.state.hand.without_cast())
    )


@handle.register
def _(command: c.LogFish, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    state = _cast_spent(state, moment)
    fish = entries.logged_landed(rooms, state, moment, "fish", command.weight)
    return _logged(command, fish, state, rooms)


@handle.register
def _(command: c.LostFish, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    state = _cast_spent(state, moment)
    return _logged(
        command, entries.logged_landed(rooms, state, moment, "lost fish"), state, rooms
    )


@handle.register
def _(command: c.Touched, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    if command.on == "wood":  # it stands above the bottom, nobody knows how high
        touch = entries.logged_at_lure(rooms, state, moment, "touch", command.on)
        outcome = _logged(command, touch, _cast_spent(state, moment), rooms)
        return _with_what_is_lost(outcome, command, moment, state, rooms)
    outcome = _logged(
        command, entries.logged_touch(rooms, state, moment, command.on), state, rooms
    )
    outcome = _with_what_is_lost(outcome, command, moment, state, rooms)
    number, cast, boat = (
        outcome.state.last_number,
        _cast_under_way(state, moment),
        moment.fix,
    )
    if moment.late:
        return outcome._replace(state=_cast_spent(outcome.state, moment))
    taught = learn_touch(rooms.deck, state.lessons, number, moment.began, cast, boat)
    return _with_lesson(outcome, moment, taught)


def _with_what_is_lost(
    outcome: Outcome, command: c.Touched, moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    """Return an outcome that tells for how long a lure that is thrown off widely has lost the bottom."""
    cast = _cast_under_way(state, moment)
    if command.on is None or cast is None or cast.rod.lure.deflection != "wide":
        return outcome
    far, _, depth, _ = cast.at(moment.began - rooms.reaction)
    path = rooms.deck.path(cast.rod)
    words = wording.off_the_bottom(
        lost_for(path.x, path.z, far, depth, "wide"), rooms.unit
    )
    return outcome._replace(reply=f"{outcome.reply}, {words}")


# --- casts and places -----------------------------------------------------------------------------------


@handle.register
def _(command: c.Cast, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    state = _with_cast(command, moment, state, rooms)
    cast = state.hand.cast
    assert cast is not None, "a cast has just begun"
    if moment.late:
        state = replace(state, lessons=state.lessons.with_spent(cast))
    towards, length = None, command.distance
    if command.clock is not None:
        towards = clock_words(command.clock)
    if command.short:
        length = cast.length
    thing = entries.logged(rooms, state, moment, "cast", towards, length)
    outcome = _logged(command, thing, state, rooms)
    seen = entries.outlook_of(moment.t, moment.utc, thing.number, cast)
    if seen is None:
        return outcome
    outcome = outcome._replace(events=(*outcome.events, seen))
    line = wording.cast_outlook(
        cast, moment.t, rooms.unit, _better_for_cast(rooms, cast)
    )
    hit = _after_a_hit(cast, rooms)
    if line is not None and hit is not None:
        line = f"{line}, {hit}"
    return _with_outlook(outcome, line)


def _after_a_hit(cast: CastInProgress, rooms: Rooms) -> str | None:
    """Return for how long a hit loses the bottom, of a lure that is thrown off widely over something hard."""
    seen = cast.outlook
    if cast.rod.lure.deflection != "wide" or not _goes_over_hard(cast, rooms):
        return None
    if seen is None or seen.verdict != "touch" or seen.distance is None:
        return None
    away, path = seen.distance.best, rooms.deck.path(cast.rod)
    depth = cast.bottom_at(away)
    if depth is None:
        return None
    lost = lost_for(path.x, path.z, away, depth, "wide")
    return wording.after_a_hit(lost, rooms.unit)


def _goes_over_hard(cast: CastInProgress, rooms: Rooms) -> bool:
    """Return whether marked rock or timber lies along a cast."""
    at, bearing = cast.origin, cast.bearing
    if at is None or bearing is None:
        return False
    area = rooms.bed.area_of(at.lat, at.lon)
    if area is None:
        return False
    place = area.place(at.lat, at.lon)
    on_way = area.marks.along(*place, bearing, cast.length, HARD_ASIDE_M)
    return any(one.mark.kind in HARD_KINDS for one in on_way)


def _with_outlook(outcome: Outcome, line: str | None) -> Outcome:
    """Return an outcome that is answered by the line about what the cast will meet, if there is one."""
    if line is None:
        return outcome
    return outcome._replace(reply=line, about="outlook")


@handle.register
def _(command: c.ReeledIn, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    cast = _cast_under_way(state, moment)
    state = replace(state, hand=state.hand.without_cast())
    outcome = _logged(
        command, entries.logged(rooms, state, moment, "reeled in"), state, rooms
    )
    if moment.late:
        return outcome
    return _with_lesson(
        outcome,
        moment,
        learn_no_touch(rooms.deck, state.lessons, outcome.state.last_number, cast),
    )


@handle.register
def _(command: c.StopReel, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    cast = _cast_under_way(state, moment)
    if cast is None:
        return Outcome(state, reply=wording.NO_CAST)
    if not cast.stopped:
        state = _with_reel(state, stop_reel(rooms.deck, state.hand, moment.began))
    return Outcome(state, reply=_confirmation(command, rooms))


@handle.register
def _(command: c.StartReel, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    cast = _cast_under_way(state, moment)
    if cast is None:
        return Outcome(state, reply=wording.NO_CAST)
    if not cast.stopped:
        return Outcome(state, reply=wording.NO_STOP)
    state = _with_reel(state, start_reel(rooms.deck, state.hand, moment.began))
    cast = state.hand.cast
    assert cast is not None, "its reel turns again"
    outcome = Outcome(state, reply=_confirmation(command, rooms))
    if cast is state.lessons.spent:
        return outcome
    return _with_outlook(outcome, wording.cast_outlook(cast, moment.t, rooms.unit))


@handle.register
def _(command: c.MarkPlace, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    thing = entries.logged(rooms, state, moment, "mark", command.kind, command.depth)
    placed = entries.put_mark(rooms, command, moment)
    if placed is None:
        return _logged(command, thing, state, rooms)
    mark, at = placed
    state = replace(state, marks={**state.marks, thing.number: mark})
    thing = entries.with_place_of_mark(thing, command, at)
    outcome = _logged(command, thing, state, rooms)._replace(keeps_bed=True)
    if not _lies_below_bottom(command, moment.boat.depth):
        return outcome
    bottom = wording.bottom_is(moment.boat.depth or 0.0, rooms.unit)
    return outcome._replace(reply=f"{outcome.reply}, {bottom}")


def _lies_below_bottom(command: c.MarkPlace, bottom: float | None) -> bool:
    """Return whether a top that was told lies below the bottom under the boat, m, where it was marked."""
    if command.depth is None or command.distance is not None or bottom is None:
        return False
    return command.depth > bottom + BELOW_BOTTOM_M


# --- rods -----------------------------------------------------------------------------------------------


@handle.register
def _(command: c.TakeRod, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    hand = take_rod(rooms.deck, state.hand, command.number)
    if hand is None:
        return Outcome(state, reply=wording.no_such_rod(command.number))
    taken = entries.rod_taken(
        moment.t, moment.utc, rooms.deck, rod_of(rooms.deck, hand)
    )
    return Outcome(replace(state, hand=hand), (taken,), _confirmation(command, rooms))


@handle.register
def _(command: c.HoldTip, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    held = _held(command, state, rooms)
    if held is None:
        return Outcome(state, reply=wording.CAST_TOO_SHORT)
    rooms.deck.rerig(held)
    cast = _cast_under_way(state, moment)
    if cast is not None and not any(stop.told for stop in cast.stops):
        state = _with_cast_again(state, rooms, cast)
    taken = entries.rod_taken(moment.t, moment.utc, rooms.deck, held)
    return Outcome(state, (taken,), _confirmation(command, rooms))


@handle.register
def _(command: c.RigLine, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    deck = rooms.deck
    carrying = rods_with_line(deck, command.strength, state.hand.number)
    if carrying:
        rod, reply = carrying[0], _confirmation(command, rooms)
        hand = take_rod(deck, state.hand, rod.number) or state.hand
    else:
        rod = deck.rerig(relined(rod_of(deck, state.hand), command.strength))
        reply, hand = (
            wording.rod_rigged(rod.name, command.strength),
            state.hand.without_cast(),
        )
    taken = entries.rod_taken(moment.t, moment.utc, deck, rod)
    return Outcome(replace(state, hand=hand), (taken,), reply)


@handle.register
def _(_command: c.WhichRod, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    boat = pose_of(moment.boat_now, state.current)
    depth, in_hand = moment.boat_now.depth, state.hand.number
    search = rooms.planner.which_rod(boat, in_hand)
    if depth is None:
        here, gets_down = wording.DEPTH_NOT_KNOWN, True
    else:
        drift = drift_of_next_cast(state.hand, moment.t, boat)
        rod = best_for(rooms.deck, depth, drift, in_hand)
        reach = rooms.deck.reach(rod, drift)
        here = wording.rod_for_depth(rod, reach, depth, rooms.unit)
        gets_down = reach >= depth
    if search is None:
        return Outcome(state, reply=here)
    none = wording.NOTHING_IN_RANGE if gets_down else here
    answer = partial(_rod_found, boat.heading, rooms.unit, none)
    return Outcome(state, asks=Question(search, answer))


@handle.register
def _(_command: c.WhereFrom, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    boat = pose_of(moment.boat_now, state.current)
    search = rooms.planner.where_from(boat)
    if search is None:
        return Outcome(state, reply=wording.NOTHING_MAPPED)
    return Outcome(
        state, asks=Question(search, partial(_place_found, boat.heading, rooms.unit))
    )


def _rod_found(heading: float | None, unit: LengthUnit, none: str, found: Found) -> str:
    if found.plan is None:
        return none
    return wording.which_rod(found.plan, heading, unit)


def _place_found(heading: float | None, unit: LengthUnit, found: Found) -> str:
    return wording.where_from(found.plan, found.boat, heading, unit)


# --- questions ------------------------------------------------------------------------------------------


@handle.register
def _(_command: c.HowDeep, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    return Outcome(
        state, reply=wording.depth_under_boat(moment.boat_now.depth, rooms.unit)
    )


@handle.register
def _(
    _command: c.HowDeepLure, moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    if state.hand.cast_at(moment.t) is None:
        boat = pose_of(moment.boat_now, state.current)
        drift = drift_of_next_cast(state.hand, moment.t, boat)
        reach = rooms.deck.reach(rod_of(rooms.deck, state.hand), drift)
        return Outcome(state, reply=wording.lure_reach(reach, rooms.unit))
    depth = lure_now(rooms.deck, state.hand, moment.t, None, None).depth
    return Outcome(state, reply=wording.lure_depth(depth or 0.0, rooms.unit))


@handle.register
def _(
    _command: c.WhatLearned, _moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    in_hand = rod_of(rooms.deck, state.hand)
    return Outcome(
        state, reply=wording.lesson(lessons_of(rooms.deck), in_hand, rooms.unit)
    )


@handle.register
def _(_command: c.SayAgain, moment: Moment, state: TripState, _rooms: Rooms) -> Outcome:
    last = state.to_repeat(moment.t)
    if last is None:
        return Outcome(state)
    return Outcome(state, reply=last.text)


@handle.register
def _(
    _command: c.WhatCanISay, _moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    text = rooms.grammar.what_can_i_say(state.helps_given)
    return Outcome(replace(state, helps_given=state.helps_given + 1), reply=text)


# --- settings of the day --------------------------------------------------------------------------------


@handle.register
def _(command: c.WaterLevel, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    rooms.bed.water_level(command.rise)
    notice = level_notice(moment.t, moment.utc, command.rise)
    return Outcome(state, (notice,), _confirmation(command, rooms), keeps_bed=True)


@handle.register
def _(
    command: c.WaterCurrent, moment: Moment, state: TripState, rooms: Rooms
) -> Outcome:
    towards = 0.0
    if command.clock is not None:
        bow = bow_of(moment.boat)
        if bow is None:
            return Outcome(state, reply=wording.HEADING_NOT_KNOWN)
        towards = (bow + 30.0 * command.clock) % 360.0
    current = Current(command.speed, towards)
    notice = current_notice(moment.t, moment.utc, current.speed, current.towards)
    reply = _confirmation(command, rooms)
    return Outcome(replace(state, current=current), (notice,), reply)


@handle.register
def _(command: c.ForgetRod, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    rod = rooms.deck.rod(command.number)
    if rod is None:
        return Outcome(state, reply=wording.no_such_rod(command.number))
    outcome = Outcome(state, reply=_confirmation(command, rooms))
    return _with_lesson(outcome, moment, forget_rod(rooms.deck, state.lessons, rod))


@handle.register
def _(command: c.Quiet, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    policy = state.policy.with_quiet(moment.t, command.minutes)
    return Outcome(replace(state, policy=policy), reply=_confirmation(command, rooms))


@handle.register
def _(command: c.SpeakUp, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    policy = state.policy.with_quiet(moment.t, 0.0)
    return Outcome(replace(state, policy=policy), reply=_confirmation(command, rooms))


# --- what is put right ----------------------------------------------------------------------------------


@handle.register
def _(_command: c.UndoThat, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    last = state.last_standing
    if last is None:
        return Outcome(state.without_carried(), reply=wording.NOTHING_TO_UNDO)
    if last.what == "cast":
        state = replace(state, hand=state.hand.without_cast())
    outcome = _take_back(
        last, moment, Outcome(state.without_carried(last.number)), rooms
    )
    return outcome._replace(reply=wording.taken_back(last.what))


@handle.register
def _(command: c.Correct, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    last = state.to_correct(moment.t)
    if last is None:
        return Outcome(state)
    meant = c.corrected(last.command, command, Units(rooms.unit))
    if meant is None:
        return Outcome(state, reply=wording.NO_SUCH_NUMBER)
    return _redo((last._replace(command=meant),), moment, Outcome(state), rooms)


@handle.register
def _(command: c.GoOn, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    meant = _gone_on(command, moment.began, state, rooms.grammar)
    if meant is None:
        return Outcome(state)
    return _redo((meant,), moment, Outcome(state), rooms)


@handle.register
def _(command: c.ThatWasRod, moment: Moment, state: TripState, rooms: Rooms) -> Outcome:
    last = next((one for one in reversed(state.carried) if one.number), None)
    standing = state.last_standing
    if last is None or standing is None or last.number != standing.number:
        return Outcome(state, reply=wording.NOTHING_TO_CORRECT)
    hand = take_rod(rooms.deck, state.hand, command.number)
    if hand is None:
        return Outcome(state, reply=wording.no_such_rod(command.number))
    cast = _cast_under_way(state, last.moment)
    state = replace(state, hand=hand)
    if cast is not None:
        state = _with_cast_again(state, rooms, cast)
    taken = entries.rod_taken(
        moment.t, moment.utc, rooms.deck, rod_of(rooms.deck, hand)
    )
    of_catch = {thing.number for thing in state.catch_of(standing)}
    again = tuple(one for one in state.carried if one.number in of_catch)
    outcome = _redo(again, moment, Outcome(state, (taken,)), rooms)
    return outcome._replace(reply=_confirmation(command, rooms), about="answer")


def _redo(
    carried: tuple[Carried, ...], moment: Moment, before: Outcome, rooms: Rooms
) -> Outcome:
    """Carry out commands again, put right, as of when they were first spoken; what they logged is undone."""
    outcome = before
    for one in reversed(carried):
        thing = next(
            (it for it in outcome.state.standing if it.number == one.number), None
        )
        if thing is not None:
            outcome = _take_back(thing, moment, outcome, rooms)
    numbers = {one.number for one in carried}
    kept = tuple(one for one in outcome.state.carried if one.number not in numbers)
    outcome = outcome._replace(state=replace(outcome.state, carried=kept))
    for one in carried:
        then = one.moment._replace(t=moment.t, utc=moment.utc)
        outcome = _after(outcome, carry_out(one.command, then, outcome.state, rooms))
    return outcome


def _take_back(thing: Logged, moment: Moment, before: Outcome, rooms: Rooms) -> Outcome:
    """Take back a logged thing with what it left behind: its mark, and what it taught."""
    state = before.state.without_logged(thing.number)
    mark = state.marks.get(thing.number)
    if mark is not None:
        rooms.bed.unmark(mark)
        left = {
            number: other
            for number, other in state.marks.items()
            if number != thing.number
        }
        state = replace(state, marks=left)
    events = (*before.events, entries.undone(moment, thing))
    outcome = before._replace(
        state=state, events=events, keeps_bed=before.keeps_bed or mark is not None
    )
    return _with_lesson(
        outcome, moment, unlearn(rooms.deck, state.lessons, thing.number)
    )


def _after(before: Outcome, outcome: Outcome) -> Outcome:
    """Return two outcomes, one after the other, as one; the reply is the later one's."""
    return outcome._replace(
        events=before.events + outcome.events,
        taught=before.taught + outcome.taught,
        keeps_bed=before.keeps_bed or outcome.keeps_bed,
    )


def _with_lesson(outcome: Outcome, moment: Moment, taught: Taught) -> Outcome:
    lessons, lesson = taught
    state = replace(outcome.state, lessons=lessons)
    if lesson is None:
        return outcome._replace(state=state)
    told = entries.learned(moment.t, moment.utc, lesson)
    return outcome._replace(
        state=state, events=(*outcome.events, told), taught=(*outcome.taught, lesson)
    )


# --- parts of the above ---------------------------------------------------------------------------------


def _logged(
    command: c.Command, thing: Logged, state: TripState, rooms: Rooms
) -> Outcome:
    return Outcome(state.with_logged(thing), (thing,), _confirmation(command, rooms))


def _at_lure(
    command: c.Command,
    moment: Moment,
    state: TripState,
    rooms: Rooms,
    what: Literal["bite", "snag", "broke off"],
) -> Outcome:
    return _logged(
        command, entries.logged_at_lure(rooms, state, moment, what), state, rooms
    )


def _confirmation(command: c.Command, rooms: Rooms) -> str:
    return rooms.grammar.confirmation(command) or "done"


def _cast_under_way(state: TripState, moment: Moment) -> CastInProgress | None:
    return state.hand.cast_at(moment.began)


def _with_reel(state: TripState, hand: Hand) -> TripState:
    """Return the state with the reel stopped or turning; a cast that teaches nothing more still does not."""
    lessons = state.lessons.with_cast_gone_on(state.hand.cast, hand.cast)
    return replace(state, hand=hand, lessons=lessons)


def _cast_spent(state: TripState, moment: Moment) -> TripState:
    return replace(
        state, lessons=state.lessons.with_spent(_cast_under_way(state, moment))
    )


def _with_cast(
    command: c.Cast,
    moment: Moment,
    state: TripState,
    rooms: Rooms,
    before: CastInProgress | None = None,
) -> TripState:
    boat, aim = _pose_at(moment, state), _aim_of(command)
    before = before or state.hand.cast
    hand = begin_cast(rooms.deck, state.hand, moment.began, boat, aim, before)
    return replace(state, hand=hand)


def _pose_at(moment: Moment, state: TripState) -> BoatPose:
    """Return where the boat was and how it moved when the words began."""
    return pose_of(moment.boat, state.current)._replace(fix=moment.fix)


def _aim_of(command: c.Cast) -> Aim:
    return Aim(command.clock, command.distance, command.short)


def _with_cast_again(
    state: TripState, rooms: Rooms, begun: CastInProgress | None
) -> TripState:
    """Return the state with the last cast begun again as it was called: its rod is another, or held so.

    `begun` is the cast as it was begun before.
    """
    cast = next(
        (one for one in reversed(state.carried) if isinstance(one.command, c.Cast)),
        None,
    )
    if cast is None or not isinstance(cast.command, c.Cast):
        return state
    before = state.hand.cast
    again = _with_cast(cast.command, cast.moment, state, rooms, begun)
    return replace(
        again, lessons=state.lessons.with_cast_gone_on(before, again.hand.cast)
    )


def _held(command: c.HoldTip, state: TripState, rooms: Rooms) -> Rod | None:
    """Return the rod in hand as it is to be held; None where its cast is too short for that."""
    rod = rod_of(rooms.deck, state.hand)
    try:
        return rod.with_tip(command.held, rooms.deck.tips[rod.number][command.held])
    except ValueError:
        return None


def _better_for_cast(rooms: Rooms, cast: CastInProgress) -> int | None:
    """Return the number of a rod that gets down where this cast stays short; None when none does."""
    seen = cast.outlook
    if seen is None or seen.verdict != "short" or seen.margin is None:
        return None
    better = better_than(
        rooms.deck, cast.rod, rooms.deck.reach(cast.rod) + seen.margin.best
    )
    if better is None:
        return None
    return better.number
