"""What the companion does and says when it is spoken to: one method for each command."""

from __future__ import annotations

from functools import singledispatchmethod
from typing import Literal, NamedTuple

import msgspec

from companion.casting import plan_words
from companion.casting.cast import GPS_RADIUS, Cast
from companion.casting.deck import Aim, Deck, Lesson, Moment
from companion.casting.lessons import Lessons, Remember
from companion.casting.manners import Manners
from companion.casting.planning import Planner
from companion.casting.tell import learned_event, outlook_event
from companion.casting.words import spoken_lesson, spoken_outlook
from companion.events import AnyEvent, Fix, Logged, LoggedWhat, Notice, RodTaken, Said, Undone
from companion.lakebed.bed import Bed
from companion.lakebed.marks import Mark
from companion.sensing import BoatState
from companion.tackle import Rod
from companion.units import FOOT, LengthUnit, spoken_depth
from companion.voice import commands as c
from companion.voice.grammar import Grammar, clock_words, number_words

REACTION = 0.7
"""Seconds between what happens at the lure and the first word about it. Common practice, no source."""
PUT_RIGHT_WITHIN = 30.0
"""How long after a command its number can be put right, s: later, "no, two" is talk."""
CATCH_WITHIN_S = 600.0
"""How long after a bite a fish, or its loss, can have come of it, s: a fight of ten minutes."""
SAY_AGAIN_WITHIN = 60.0
"""How long after a line it can be asked for again, s: later, "say again" is talk."""


class Scene(NamedTuple):
    """The moment a command was spoken in.

    `t` and `utc` are when its words ended, `began` when they began (logic s); `boat` is the boat then.
    """

    t: float
    began: float
    utc: str | None
    boat: BoatState
    clip: str | None = None


class Ledger:
    """Numbers the trip's logged things, and knows which still stand."""

    def __init__(self) -> None:
        self._standing: list[Logged] = []
        self._last = 0

    @property
    def number(self) -> int:
        """The number of the last thing logged; 0 before the first."""
        return self._last

    @property
    def standing(self) -> int:
        """How many things stand."""
        return len(self._standing)

    def next_number(self) -> int:
        """Return the number for the next thing."""
        self._last += 1
        return self._last

    def add(self, logged: Logged) -> None:
        """Keep a thing as standing."""
        self._standing.append(logged)

    def take_back(self) -> Logged | None:
        """Take back the last thing that stands; None when nothing does."""
        return self._standing.pop() if self._standing else None

    def bite_before(self, t: float, rod: str) -> Logged | None:
        """Return the bite that a fish told of at logic time t, s, came from; None when none was told.

        It is the last one on this rod, with neither another cast nor another fish since.
        """
        for thing in reversed(self._standing):
            if thing.what in ("cast", "fish", "lost fish") or t - thing.t > CATCH_WITHIN_S:
                return None
            if thing.what == "bite":
                return thing if thing.rod == rod else None
        return None

    def last_standing(self) -> int | None:
        """Return the number of the last thing that stands; None when nothing does."""
        return self._standing[-1].number if self._standing else None


class Carried(NamedTuple):
    """A command that was carried out, the moment it was spoken in, and the number it was logged as."""

    command: c.Command
    scene: Scene
    number: int | None


class Answers:
    """Carries out commands on the deck and the ledger, and words the answers."""

    def __init__(
        self,
        deck: Deck,
        grammar: Grammar,
        unit: LengthUnit,
        bed: Bed,
        manners: Manners,
        remember: Remember,
        reaction: float = REACTION,
    ) -> None:
        self.last_said: Said | None = None
        self._deck = deck
        self._bed = bed
        self._manners = manners
        self._reaction = reaction
        self._marked: dict[int, Mark] = {}
        self._grammar = grammar
        self._unit: LengthUnit = unit
        self._ledger = Ledger()
        self._planner = Planner(deck, bed)
        self._lessons = Lessons(deck, remember)
        self._times_asked = 0
        self._carried: list[Carried] = []

    @property
    def standing(self) -> int:
        """How many logged things stand."""
        return self._ledger.standing

    def out_of_place(self, command: c.Command, t: float) -> str | None:
        """Return why a command means nothing just now, so that its words were talk; None where it does.

        Only what people say to each other as well is asked: "no, two" and "say again".
        """
        if isinstance(command, c.Correct) and self._to_put_right(t) is None:
            return "nothing to put right"
        if isinstance(command, c.SayAgain) and not self._said_lately(t):
            return "nothing was said lately"
        return None

    def _to_put_right(self, t: float) -> Carried | None:
        last = self._carried[-1] if self._carried else None
        return None if last is None or t - last.scene.t > PUT_RIGHT_WITHIN else last

    def _said_lately(self, t: float) -> bool:
        return self.last_said is not None and t - self.last_said.t <= SAY_AGAIN_WITHIN

    def answer(self, command: c.Command, scene: Scene) -> list[AnyEvent]:
        """Carry out a command and return what happened, the spoken answer last."""
        events = self._do(command, scene)
        if isinstance(command, c.UndoThat):
            undone = {event.number for event in events if isinstance(event, Undone)}
            self._carried = [it for it in self._carried if it.number and it.number not in undone]
        elif not isinstance(command, (c.Correct, c.ThatWasRod)):
            number = next((event.number for event in events if isinstance(event, Logged)), None)
            self._carried = [it for it in self._carried if it.number]
            self._carried.append(Carried(command, scene, number))
        return events

    def rod_taken(self, scene: Scene, rod: Rod) -> RodTaken:
        """Return the event that tells which rod is in hand."""
        return RodTaken(
            t=scene.t,
            utc=scene.utc,
            rod=rod.name,
            lure=rod.lure.name,
            line=rod.line.name,
            reach=round(self._deck.reach(rod), 3),
        )

    @singledispatchmethod
    def _do(self, command: object, _scene: Scene) -> list[AnyEvent]:
        raise TypeError(f"no answer for {type(command).__name__}: add a method to Answers")

    @_do.register
    def _(self, command: c.LogBite, scene: Scene) -> list[AnyEvent]:
        self._lessons.something_else(self._cast_at(scene))
        return self._log(command, scene, "bite")

    @_do.register
    def _(self, command: c.LogFish, scene: Scene) -> list[AnyEvent]:
        self._lessons.something_else(self._cast_at(scene))
        return self._log_landed(command, scene, "fish", command.weight)

    @_do.register
    def _(self, command: c.LostFish, scene: Scene) -> list[AnyEvent]:
        self._lessons.something_else(self._cast_at(scene))
        return self._log_landed(command, scene, "lost fish")

    @_do.register
    def _(self, command: c.Touched, scene: Scene) -> list[AnyEvent]:
        logged, said = self._log(command, scene, "touch")
        lesson = self._lessons.touched(
            self._ledger.number, scene.began, self._cast_at(scene), fix_of(scene.boat)
        )
        return [logged, *self._told_lesson(scene, lesson), said]

    @_do.register
    def _(self, command: c.Snagged, scene: Scene) -> list[AnyEvent]:
        self._lessons.something_else(self._cast_at(scene))
        return self._log(command, scene, "snag")

    @_do.register
    def _(self, command: c.MarkPlace, scene: Scene) -> list[AnyEvent]:
        events = self._log(command, scene, "mark", detail=command.kind, size=command.depth, at_lure=False)
        at = self._mark(command, scene)
        if command.distance is None or command.clock is None:
            return events
        return [msgspec.structs.replace(e, at=at) if isinstance(e, Logged) else e for e in events]

    @_do.register
    def _(self, command: c.Cast, scene: Scene) -> list[AnyEvent]:
        cast = self._begin(command, scene)
        towards = None if command.clock is None else clock_words(command.clock)
        far = cast.length if command.short else command.distance
        logged, said = self._log(command, scene, "cast", detail=towards, size=far, at_lure=False)
        seen = outlook_event(scene.t, scene.utc, self._ledger.number, cast)
        if seen is None:
            return [logged, said]
        line = spoken_outlook(cast, scene.t, self._unit, self._better(cast))
        return [logged, seen, said if line is None else self._said(scene, line, "outlook")]

    @_do.register
    def _(self, command: c.ReeledIn, scene: Scene) -> list[AnyEvent]:
        cast = self._cast_at(scene)
        self._deck.end_cast()
        logged, said = self._log(command, scene, "reeled in", at_lure=False)
        return [logged, *self._told_lesson(scene, self._lessons.reeled_in(self._ledger.number, cast)), said]

    @_do.register
    def _(self, command: c.TakeRod, scene: Scene) -> list[AnyEvent]:
        rod = self._deck.take(command.number)
        if rod is None:
            return [self._said(scene, f"there is no number {number_words(command.number)}")]
        return [self.rod_taken(scene, rod), self._confirmed(command, scene)]

    @_do.register
    def _(self, command: c.RigLine, scene: Scene) -> list[AnyEvent]:
        carrying = self._deck.with_line(command.strength)
        if not carrying:
            rod = self._deck.rig(command.strength)
            text = f"{rod.name} now has {command.strength} pound"
            return [self.rod_taken(scene, rod), self._said(scene, text)]
        self._deck.take(carrying[0].number)
        return [self.rod_taken(scene, carrying[0]), self._confirmed(command, scene)]

    @_do.register
    def _(self, _command: c.WhichRod, scene: Scene) -> list[AnyEvent]:
        boat = moment_of(scene.boat)
        found = self._planner.which_rod(boat)
        if found is not None:
            return [self._said(scene, plan_words.which_rod(found.plan, boat.heading, self._unit))]
        depth = scene.boat.depth
        if depth is None:
            return [self._said(scene, "depth not known")]
        rod = self._deck.best_for(depth)
        reach = self._deck.reach(rod)
        which, far = number_words(rod.number), spoken_depth(reach, self._unit)
        text = f"take number {which}, it gets to {far}"
        if reach < depth:
            text = f"none gets down, number {which} goes to {far}"
        return [self._said(scene, text)]

    @_do.register
    def _(self, _command: c.WhereFrom, scene: Scene) -> list[AnyEvent]:
        found = self._planner.where_from(moment_of(scene.boat))
        if found is None:
            return [self._said(scene, "nothing mapped here yet")]
        return [self._said(scene, plan_words.where_from(found.plan, found.boat, self._unit))]

    @_do.register
    def _(self, _command: c.HowDeep, scene: Scene) -> list[AnyEvent]:
        depth = scene.boat.depth
        text = "depth not known" if depth is None else f"{spoken_depth(depth, self._unit)} under us"
        return [self._said(scene, text)]

    @_do.register
    def _(self, _command: c.HowDeepLure, scene: Scene) -> list[AnyEvent]:
        if self._deck.cast_at(scene.t) is None:
            reach = self._deck.reach(self._deck.in_hand)
            return [self._said(scene, f"it gets to {spoken_depth(reach, self._unit)}")]
        depth = self._deck.lure(scene.t, None, None).depth
        return [self._said(scene, f"it is at {spoken_depth(depth or 0.0, self._unit)}")]

    @_do.register
    def _(self, command: c.WaterLevel, scene: Scene) -> list[AnyEvent]:
        self._bed.water_level(command.rise)
        notice = Notice(t=scene.t, utc=scene.utc, text=f"water level {command.rise:+.2f} m against the map")
        return [notice, self._confirmed(command, scene)]

    @_do.register
    def _(self, _command: c.UndoThat, scene: Scene) -> list[AnyEvent]:
        last = self._ledger.take_back()
        if last is None:
            return [self._said(scene, "nothing to take back")]
        if last.what == "cast":
            self._deck.end_cast()
        undone = Undone(t=scene.t, utc=scene.utc, number=last.number, what=last.what)
        lesson = self._taken_back(last.number)
        return [undone, *self._told_lesson(scene, lesson), self._said(scene, f"{last.what} taken back")]

    @_do.register
    def _(self, command: c.Correct, scene: Scene) -> list[AnyEvent]:
        last = self._to_put_right(scene.t)
        if last is None:
            return []
        better = c.corrected(last.command, command, FOOT if self._unit == "feet" else 1.0)
        if better is None:
            return [self._said(scene, "that had no such number")]
        return self._again(last, better, scene)

    @_do.register
    def _(self, command: c.ThatWasRod, scene: Scene) -> list[AnyEvent]:
        last = next((it for it in reversed(self._carried) if it.number), None)
        if last is None or last.number != self._ledger.last_standing():
            return [self._said(scene, "nothing logged to put right")]
        under_way = self._cast_at(last.scene) is not None
        rod = self._deck.take(command.number)
        if rod is None:
            return [self._said(scene, f"there is no number {number_words(command.number)}")]
        cast = next((it for it in reversed(self._carried) if isinstance(it.command, c.Cast)), None)
        if under_way and cast is not None and isinstance(cast.command, c.Cast):
            self._begin(cast.command, cast.scene)
        events = self._again(last, last.command, scene)
        return [self.rod_taken(scene, rod), *events[:-1], self._confirmed(command, scene)]

    @_do.register
    def _(self, _command: c.WhatLearned, scene: Scene) -> list[AnyEvent]:
        line = spoken_lesson(self._deck.lessons(), self._deck.in_hand, self._unit)
        return [self._said(scene, line)]

    @_do.register
    def _(self, command: c.ForgetRod, scene: Scene) -> list[AnyEvent]:
        rod = self._deck.rod(command.number)
        if rod is None:
            return [self._said(scene, f"there is no number {number_words(command.number)}")]
        return [learned_event(scene.t, scene.utc, self._lessons.forget(rod)), self._confirmed(command, scene)]

    @_do.register
    def _(self, _command: c.SayAgain, scene: Scene) -> list[AnyEvent]:
        return [] if self.last_said is None else [self._said(scene, self.last_said.text)]

    @_do.register
    def _(self, command: c.Quiet, scene: Scene) -> list[AnyEvent]:
        self._manners.quiet_for(scene.t, command.minutes)
        return [self._confirmed(command, scene)]

    @_do.register
    def _(self, command: c.SpeakUp, scene: Scene) -> list[AnyEvent]:
        self._manners.quiet_for(scene.t, 0.0)
        return [self._confirmed(command, scene)]

    @_do.register
    def _(self, _command: c.WhatCanISay, scene: Scene) -> list[AnyEvent]:
        text = self._grammar.what_can_i_say(self._times_asked)
        self._times_asked += 1
        return [self._said(scene, text)]

    def _begin(self, command: c.Cast, scene: Scene) -> Cast:
        aim = Aim(command.clock, command.distance, command.short)
        return self._deck.begin_cast(scene.began, moment_of(scene.boat), aim)

    def _again(self, last: Carried, command: c.Command, scene: Scene) -> list[AnyEvent]:
        """Carry out a command put right, as of when it was first spoken; what it logged is undone."""
        events: list[AnyEvent] = []
        standing = self._ledger.last_standing()
        if last.number is not None and last.number == standing:
            undone = self._ledger.take_back()
            if undone is not None:
                events.append(Undone(t=scene.t, utc=scene.utc, number=undone.number, what=undone.what))
                events += self._told_lesson(scene, self._taken_back(undone.number))
        self._carried.remove(last)
        return events + self.answer(command, last.scene._replace(t=scene.t, utc=scene.utc))

    def _cast_at(self, scene: Scene) -> Cast | None:
        return self._deck.cast_at(scene.began)

    def _better(self, cast: Cast) -> int | None:
        """Return the number of a rod that gets down where this cast stays short; None when none does."""
        seen = cast.outlook
        if seen is None or seen.verdict != "short" or seen.margin is None:
            return None
        better = self._deck.better_than(cast.rod, self._deck.reach(cast.rod) + seen.margin.best)
        return None if better is None else better.number

    def _mark(self, command: c.MarkPlace, scene: Scene) -> Fix | None:
        """Put a mark on the lakebed and return where it lies; None when the boat's place is not known."""
        boat = scene.boat
        if boat.lat is None or boat.lon is None:
            return None
        mark = self._bed.mark(
            command.kind,
            boat.lat,
            boat.lon,
            depth=command.depth,
            distance=command.distance or 0.0,
            hour=command.clock,
            heading=heading_of(boat),
            utc=scene.utc,
        )
        self._marked[self._ledger.number] = mark
        area = self._bed.area_of(boat.lat, boat.lon)
        return None if area is None else Fix(*area.where(mark), round(mark.radius, 1))

    def _taken_back(self, number: int) -> Lesson | None:
        """Take back what a logged thing has left behind: its mark, and what it taught."""
        mark = self._marked.pop(number, None)
        if mark is not None:
            self._bed.unmark(mark)
        return self._lessons.take_back(number)

    def _bottom_at(self, place: Fix | None) -> float | None:
        """Return how deep it is at a place, m, as far as that is mapped."""
        found = None if place is None else self._bed.bottom(place.lat, place.lon)
        return None if found is None else round(found[0], 3)

    def _log(
        self,
        command: c.Command,
        scene: Scene,
        what: LoggedWhat,
        *,
        detail: str | None = None,
        size: float | None = None,
        at_lure: bool = True,
    ) -> list[AnyEvent]:
        logged = self._logged(scene, what, at_lure=at_lure)
        logged = msgspec.structs.replace(logged, detail=detail, size=None if size is None else round(size, 3))
        self._ledger.add(logged)
        return [logged, self._confirmed(command, scene)]

    def _log_landed(
        self, command: c.Command, scene: Scene, what: LoggedWhat, weight: float | None = None
    ) -> list[AnyEvent]:
        """Log what came of a bite: where the lure was then, not where the fish is taken off it.

        Without a bite told of, the fish may have struck anywhere on the way of the cast.
        """
        bite = self._ledger.bite_before(scene.began, self._deck.in_hand.name)
        events = self._log(command, scene, what, size=weight, at_lure=False)
        if bite is not None:
            struck = {
                "lure_depth": bite.lure_depth,
                "lure_at": bite.lure_at,
                "lure_bottom": bite.lure_bottom,
                "catch": bite.number,
            }
        else:
            way = self._deck.whole_way(scene.began, fix_of(scene.boat), heading_of(scene.boat))
            struck = {"lure_at": way.at}
        return [msgspec.structs.replace(e, **struck) if isinstance(e, Logged) else e for e in events]

    def _logged(self, scene: Scene, what: LoggedWhat, *, at_lure: bool) -> Logged:
        boat, rod = scene.boat, self._deck.in_hand
        fix = fix_of(boat)
        lure = self._deck.lure(scene.began - self._reaction, fix, heading_of(boat)) if at_lure else None
        return Logged(
            t=scene.t,
            utc=scene.utc,
            number=self._ledger.next_number(),
            what=what,
            boat=fix,
            heading=boat.heading,
            speed=boat.speed,
            bottom=boat.depth,
            water_temperature=boat.water_temperature,
            rod=rod.name,
            lure=rod.lure.name,
            line=rod.line.name,
            lure_depth=None if lure is None or lure.depth is None else round(lure.depth, 3),
            lure_at=None if lure is None else lure.at,
            lure_bottom=None if lure is None else self._bottom_at(lure.at),
            clip=scene.clip,
        )

    def _confirmed(self, command: c.Command, scene: Scene) -> Said:
        return self._said(scene, self._grammar.confirmation(command) or "done")

    def _said(self, scene: Scene, text: str, about: Literal["answer", "outlook"] = "answer") -> Said:
        return Said(t=scene.t, utc=scene.utc, text=text, about=about)

    def _told_lesson(self, scene: Scene, lesson: Lesson | None) -> list[AnyEvent]:
        return [] if lesson is None else [learned_event(scene.t, scene.utc, lesson)]


def moment_of(boat: BoatState) -> Moment:
    """Return where the boat is and how it moves."""
    return Moment(fix_of(boat), heading_of(boat), boat.course, boat.speed)


def fix_of(boat: BoatState) -> Fix | None:
    """Return the boat's place; None when it is not known."""
    if boat.lat is None or boat.lon is None:
        return None
    return Fix(boat.lat, boat.lon, GPS_RADIUS)


def heading_of(boat: BoatState) -> float | None:
    """Return which way the bow points, degrees true: the heading, else the course of a moving boat."""
    if boat.heading is not None:
        return boat.heading
    under_way = boat.speed is not None and boat.speed > 0.5
    return boat.course if under_way else None
