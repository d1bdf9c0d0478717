"""The one loop: takes sentences and spoken words in the order they happened, and emits events.

Live and replay run this same code; they differ in where the bytes come from and in the
clock. All times here are logic seconds as `sensing` tells them, so nothing depends on
how fast a recording is read or on how its bytes were cut into chunks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import partial

from msgspec.structs import replace

from companion.casting.deck import Deck
from companion.casting.hand import Hand, rod_of
from companion.casting.planning import Planner, Search
from companion.casting.pose import STILL_WATER, Current, pose_of
from companion.casting.solving import Solve
from companion.casting.view import SideWatch, rods_view
from companion.events import Notice, Outlook, TripBegan, TripEnded
from companion.glance import Glance, RodView
from companion.lakebed.bed import Bed
from companion.sensing import Chunk, Failed, Position, Reading, Remark, Sensing, Warned
from companion.trip import entries, wording
from companion.trip.agenda import Agenda, Utterance
from companion.trip.core import TripCore
from companion.trip.dialogue import Dialogue
from companion.trip.entries import REACTION_S, Rooms
from companion.trip.keep import Emit, Keep, KeepNothing
from companion.trip.lookout import Lookout
from companion.trip.policy import SpeechPolicy
from companion.trip.searches import Searches
from companion.trip.solves import Solves
from companion.trip.speech import Speech
from companion.trip.state import TripState
from companion.units import LengthUnit
from companion.voice.grammar import Grammar

ROW_EVERY_S = 1.0
"""How often the state of the boat is handed to the logbook."""


class Engine:
    """Folds chunks and utterances into events.

    Args:
        name: what the trip is called.
        sensing: turns chunks into readings and keeps the state of the boat.
        deck: the rods aboard.
        grammar: the commands as they are on this boat.
        unit: what depths are spoken in.
        emit: called with every event, in order.
        bed: the waters the boat has been on.
        keep: where readings, beliefs and soundings go.
        reaction: s between what happens at the lure and the first word about it.
        policy: when it may speak unasked.
        current: of the water, until it is told.
        raises: an error of the program's own in one reading or utterance is raised, not
            passed over.
    """

    def __init__(
        self,
        name: str,
        sensing: Sensing,
        deck: Deck,
        grammar: Grammar,
        unit: LengthUnit,
        emit: Emit,
        bed: Bed | None = None,
        keep: Keep | None = None,
        reaction: float = REACTION_S,
        policy: SpeechPolicy = SpeechPolicy(),  # noqa: B008  # a value, never changed
        current: Current = STILL_WATER,
        *,
        raises: bool = True,
    ) -> None:
        bed = bed or Bed()
        rooms = Rooms(deck, bed, Planner(deck, bed), grammar, unit, reaction)
        state = TripState(Hand(deck.rods[0].number), policy=policy, current=current)
        self._name = name
        self._sensing = sensing
        self._core = TripCore(
            sensing, rooms, state, emit, keep or KeepNothing(), raises=raises
        )
        self._agenda = Agenda(sensing.at)
        self._speech = Speech(self._core)
        self._lookout = Lookout(self._core, self._speech)
        self._searches = Searches(self._speech)
        self._side = SideWatch(deck)
        self._solves = Solves()
        self._dialogue = Dialogue(
            self._core,
            self._speech,
            self._lookout,
            self._searches,
            self._solves,
            self._agenda.logic_time_of,
        )
        self._now = 0.0
        self._due = float("-inf")
        self._row_due = 0.0
        self._begun = False

    @property
    def now(self) -> float:
        """Logic time of the latest thing taken in, s."""
        return self._now

    @property
    def utc(self) -> datetime | None:
        """UTC at `now`; None until the GPS has told it."""
        return self._sensing.utc(self._now)

    def glance(self, t: float) -> Glance:
        """Return what can be seen at logic time t, s."""
        boat, state = self._core.boat.at(t), self._core.state
        pose = pose_of(boat)
        depth = boat.depth
        if self._lookout.depth_lost:
            depth = None
        bottom, ahead = self._lookout.bottom, self._lookout.looks_ahead
        if depth is None:
            bottom, ahead = None, False
        rods: tuple[RodView, ...] = ()
        side = None
        if self._lookout.rods_known:
            deck = self._core.rooms.deck
            rods = rods_view(deck, state.hand, bottom)
            side = self._side.view(state.hand, t, pose)
        glance = Glance(
            **self._core.stamp(t),
            boat=pose.fix,
            heading=boat.heading,
            speed=boat.speed,
            depth=depth,
            depth_at=self._lookout.depth_seen,
            ahead=ahead,
            water_temperature=boat.water_temperature,
            rods=rods,
            rods_known=self._lookout.rods_known,
            side=side,
            foretold=_foretold(state, t),
            logged=len(state.standing),
        )
        return _with_last_words(glance, state)

    def keep_in(self, keep: Keep) -> None:
        """Hand readings, beliefs and soundings to this from now on."""
        self._core.keep = keep

    def chunk(self, chunk: Chunk) -> None:
        """Fold in bytes from a source."""
        self._fold(self._sensing.feed(chunk))

    def utterance(self, utterance: Utterance) -> None:
        """Fold in words; those that end later than the sentences have got to wait until then."""
        self._agenda.add(utterance)
        self._due = float("-inf")

    def take_searches(self) -> Sequence[Search]:
        """Return the searches that have been asked for since the last call, for another thread to work at.

        The recording's word that one is found is to follow for each, in order.
        """
        return self._searches.take_new()

    def take_solves(self) -> Sequence[Solve]:
        """Return what has to be solved since the last call, for another thread to work at.

        The recording's word that it is solved is to follow for each, in order.
        """
        return self._solves.take_new()

    def finish(self) -> None:
        """Take in what the last lines still hold, hear what still waits, and end the trip."""
        core, bed = self._core, self._core.rooms.bed
        self._fold(self._sensing.finish())
        if not self._begun:
            self._begin(self._now)
        self._catch_up(self._now)
        if self._lookout.rods_known or self._agenda.waits:
            core.guard(self._now, partial(self._solves.finish, self._now))
        for t, utterance in self._agenda.pop_rest(self._now):
            core.guard(t, partial(self._hear, t, utterance))
        core.guard(self._now, lambda: bed.finish(core.boat.finish()))
        core.keep.lakebed(self._now, bed, over=True)
        dropped = dict(
            sorted((self._sensing.dropped + bed.dropped + core.errors).items())
        )
        sentences = sum(self._sensing.counts.values())
        core.emit(
            TripEnded(**core.stamp(self._now), sentences=sentences, dropped=dropped)
        )

    def _fold(self, readings: Iterator[tuple[float, Reading]]) -> None:
        for t, reading in readings:
            if not self._begun:
                self._begin(t, reading)
            if t >= self._due:
                self._catch_up(t)
            self._now = t
            try:
                self._fold_reading(t, reading)
            except Exception as error:
                self._core.pass_over(t, error)

    def _fold_reading(self, t: float, reading: Reading) -> None:
        verdict = self._core.boat.accept_reading(t, reading)
        for hint in self._core.rooms.bed.accept_reading(t, reading, verdict):
            self._lookout.accept_cover(t, hint)
        if verdict is not None:
            self._lookout.accept_verdict(t, verdict)
        elif isinstance(reading, Position):
            self._lookout.accept_position(t, reading)
        elif isinstance(reading, Warned):
            self._core.emit(Notice(**self._core.stamp(t), text=reading.text))
        elif isinstance(reading, Remark):
            self._fold_remark(t, reading)
        elif isinstance(reading, Failed):
            raise reading.error

    def _fold_remark(self, t: float, remark: Remark) -> None:
        """Pass on what the program itself had to tell, live or as it was recorded."""
        if remark.finds_later:
            self._searches.come_when_found = True
        elif remark.found:
            self._searches.answer_first(t)
        elif remark.solves_later:
            self._solves.come_later = True
        elif remark.solved:
            self._solves.go_on_with_first(t)
            self._catch_up(t)
        if remark.text is None:
            return
        if remark.tapped:
            tapped = Utterance(t, t, partial(str, remark.text), tapped=True)
            if self._solves.waits:
                self._agenda.add(tapped)
            else:
                self._hear(t, tapped)
            return
        self._core.emit(Notice(**self._core.stamp(t), text=remark.text))
        if remark.aloud:
            self._speech.say_note(t, remark.text)

    def _catch_up(self, t: float) -> None:
        """Do everything that was due up to logic time t, in the order it was due."""
        self._agenda.place_all(self._now)
        while (due := self._next_due()) <= t:
            try:
                self._do_due(due)
            except Exception as error:
                self._core.pass_over(due, error)
                break  # what comes next may be the same again: it waits for the next sentence
        if t >= self._row_due:
            self._row_due = t + ROW_EVERY_S
            self._core.guard(t, partial(self._keep_row, t))
        self._due = min(self._next_due(), self._row_due)

    def _begin(self, t: float, first: Reading | None = None) -> None:
        self._begun = True
        self._now = t
        core, deck = self._core, self._core.rooms.deck
        rods = {rod.name: f"{rod.lure.name} on {rod.line_name}" for rod in deck.rods}
        core.emit(TripBegan(**core.stamp(t), name=self._name, rods=rods))
        self._solves.come_later = isinstance(first, Remark) and first.solves_later
        solve = deck.solve_beliefs()
        self._solves.ask(t, solve, partial(self._take_beliefs, solve))

    def _take_beliefs(self, solved: Solve, t: float) -> None:
        """Take what is believed of the rods, and the first of them in hand, at logic time t, s."""
        core, deck = self._core, self._core.rooms.deck
        try:
            deck.take_beliefs(solved)
        except ValueError as error:  # a lure cannot be as it is described
            core.emit(Notice(**core.stamp(t), text=str(error)))
            self._speech.say_note(t, wording.RODS_NOT_KNOWN)
            return
        rod = rod_of(deck, core.state.hand)
        core.emit(entries.rod_taken(**core.stamp(t), deck=deck, rod=rod))
        self._lookout.accept_rods(t)

    def _next_due(self) -> float:
        due = min(self._lookout.next_due, self._searches.next_due)
        if self._solves.waits:  # what was said after waits as well
            return due
        return min(due, self._agenda.next_at)

    def _do_due(self, t: float) -> None:
        self._now = max(self._now, t)
        if self._lookout.next_due <= t:
            self._lookout.do_due(t)
        elif self._searches.next_due <= t:
            self._searches.say_looking(t)
        else:
            self._hear(t, self._agenda.pop_next())

    def _hear(self, t: float, utterance: Utterance) -> None:
        self._now = max(self._now, t)
        self._dialogue.hear(self._now, utterance)

    def _keep_row(self, t: float) -> None:
        core = self._core
        with core.outside():
            core.keep.reading(t, self._sensing.utc(t), core.boat.at(t))
            core.keep.lakebed(t, core.rooms.bed)
        self._lookout.look_at_level(t)
        self._lookout.look_at_current(t)


def _foretold(state: TripState, t: float) -> Outlook | None:
    """Return what the cast under way at logic time t, s, meets; None without one."""
    cast = state.hand.cast_at(t)
    if cast is None:
        return None
    casts = [thing.number for thing in state.standing if thing.what == "cast"]
    return entries.outlook_of(t, None, max(casts, default=0), cast)


def _with_last_words(glance: Glance, state: TripState) -> Glance:
    """Return a glance with the last line spoken and the last words heard, as far as there are any."""
    said, heard = state.said, state.heard
    if said is not None:
        glance = replace(glance, said=said.text, said_at=said.t)
    if heard is not None:
        glance = replace(
            glance, heard=heard.text, heard_at=heard.t, understood=heard.command
        )
    return glance
