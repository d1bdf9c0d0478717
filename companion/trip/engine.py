"""The one loop: takes sentences and spoken words in the order they happened, and emits events.

Live and replay run this same code; they differ in where the bytes come from and in the clock. All times
here are logic seconds as `sensing` tells them, so nothing depends on how fast a recording is read or on
how its bytes were cut into chunks.
"""

from __future__ import annotations

import heapq
import logging
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Literal, NamedTuple, Protocol, TypedDict

import msgspec

from companion.casting.deck import Deck
from companion.casting.hand import Hand, pose_of, rod_of
from companion.casting.planning import Planner
from companion.casting.view import rods_view, side_view
from companion.clock import written
from companion.dive.calibration import Belief
from companion.events import AnyEvent, DepthNews, Heard, Notice, Said, TripBegan, TripEnded
from companion.glance import Glance
from companion.lakebed.bed import Area, Bed
from companion.sensing import (
    BoatState,
    Chunk,
    Depth,
    Failed,
    MaximumAges,
    Position,
    Reading,
    Remark,
    Sensing,
    Warned,
)
from companion.trip import entries, wording
from companion.trip.believed_boat import BelievedBoat
from companion.trip.entries import REACTION_S, Rooms
from companion.trip.handlers import Outcome, carry_out, out_of_place
from companion.trip.policy import Kind, SpeechPolicy
from companion.trip.presence import NEVER, Presence
from companion.trip.state import Moment, TripState
from companion.trip.volunteer import Matched, Noticed, Stamp, Volunteer
from companion.units import LengthUnit
from companion.voice.commands import Command
from companion.voice.grammar import Grammar
from companion.voice.heard import Hearing, hearing_of

ROW_EVERY = 1.0
"""How often the state of the boat is handed to the logbook, s."""
KNOWN_COVER = 12.0
"""Possible cover this near to a mark is what was marked, and no news, m."""
_LOG = logging.getLogger(__name__)

Emit = Callable[[AnyEvent], None]
About = Literal["match", "outlook", "answer", "depth", "notice"]
ABOUT: Mapping[Kind, About] = {
    "danger": "outlook",
    "match": "match",
    "cover": "notice",
    "water": "notice",
    "depth": "depth",
    "position": "notice",
    "notice": "notice",
}
"""What a volunteered line is about, as a `Said` event tells it."""


class Known(NamedTuple):
    """What the boat knew before a trip.

    Attributes:
        beliefs: what touches taught of each lure, by its name.
        areas: the waters it has been on.
    """

    beliefs: Mapping[str, Belief] = {}
    areas: Sequence[Area] = ()


class Keep(Protocol):
    """Where a trip's readings and what it has taught are kept."""

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Take the state of the boat, about once a second of logic time."""

    def belief(self, lure: str, belief: Belief) -> None:
        """Take what is now believed of a lure."""

    def lakebed(self, t: float, bed: Bed, *, now: bool = False, over: bool = False) -> None:
        """Take the lakebed as it is at logic time t, s, about once a second.

        `now` asks for it to be on the disk at once, because a mark or the level may have changed; `over`
        tells that the trip is.
        """


class KeepNothing:
    """Keeps nothing: there is no logbook."""

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Let it go."""

    def belief(self, lure: str, belief: Belief) -> None:
        """Let it go."""

    def lakebed(self, t: float, bed: Bed, *, now: bool = False, over: bool = False) -> None:
        """Let it go."""


class Utterance(NamedTuple):
    """Words as they reach the engine: when their sound began and they were decided, and the clip's name.

    `began` and `ended` are UTC in a recording, logic seconds when live: `began` is that of the sound's first
    sample, `ended` of when it was decided what they are. `words` is asked once, when the engine gets to them,
    for what was heard; until then the recogniser may still be at work.
    """

    began: datetime | float
    ended: datetime | float
    words: Callable[[], str | Hearing]
    clip: str | None = None


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
        raises: an error of the program's own in one reading or utterance is raised, not passed over.
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
        *,
        raises: bool = True,
    ) -> None:
        self._name = name
        self._sensing = sensing
        self._boat = BelievedBoat(sensing)
        self._bed = bed or Bed()
        self._rooms = Rooms(deck, self._bed, Planner(deck, self._bed), grammar, unit, reaction)
        self._state = TripState(Hand(deck.rods[0].number), policy=policy)
        self._volunteer = Volunteer(deck, unit)
        self._outlet = emit
        self.keep: Keep = keep or KeepNothing()
        self._raises = raises
        self._errors: Counter[str] = Counter()
        self._outside_error: Exception | None = None
        self._depth = Presence(MaximumAges().depth)
        self._position = Presence(MaximumAges().position)
        self._matched: Matched | None = None
        self._match_due = NEVER
        self._unplaced: list[Utterance] = []
        self._agenda: list[tuple[float, int, Utterance]] = []
        self._placed = 0
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
        boat, deck, state = self._boat.at(t), self._rooms.deck, self._state
        pose = pose_of(boat)
        depth = None if self._depth.lost else boat.depth
        said, heard = state.said, state.heard
        return Glance(
            **self._stamp(t),
            boat=pose.fix,
            heading=boat.heading,
            speed=boat.speed,
            depth=depth,
            depth_at=self._depth.seen,
            water_temperature=boat.water_temperature,
            rods=rods_view(deck, state.hand, self._volunteer.bottom if depth is not None else None),
            side=side_view(deck, state.hand, t, pose),
            said=None if said is None else said.text,
            said_at=None if said is None else said.t,
            heard=None if heard is None else heard.text,
            heard_at=None if heard is None else heard.t,
            understood=None if heard is None else heard.command,
            logged=len(state.standing),
        )

    def chunk(self, chunk: Chunk) -> None:
        """Fold in bytes from a source."""
        self._fold(self._sensing.feed(chunk))

    def _fold(self, readings: Iterator[tuple[float, Reading]]) -> None:
        for t, reading in readings:
            if t >= self._due:
                self._catch_up(t)
            self._now = t
            try:
                self._fold_reading(t, reading)
            except Exception as error:
                self._pass_over(t, error)

    def _fold_reading(self, t: float, reading: Reading) -> None:
        for hint in self._bed.take(t, reading):
            if not self._bed.marked_near(hint.lat, hint.lon, KNOWN_COVER):
                self._volunteered(t, self._volunteer.notice_cover(self._at(t), hint))
        if isinstance(reading, Depth):
            self._take_depth(t, reading)
        elif isinstance(reading, Position):
            self._take_position(t, reading)
        elif isinstance(reading, Warned):
            self._emit(Notice(**self._stamp(t), text=reading.text))
        elif isinstance(reading, Remark):
            self._take_remark(t, reading)
        elif isinstance(reading, Failed):
            raise reading.error

    def _emit(self, event: AnyEvent) -> None:
        with self._outside():
            self._outlet(event)

    @contextmanager
    def _outside(self) -> Iterator[None]:
        """Let what is given out fail for whoever takes it: that is not for passing over here."""
        try:
            yield
        except Exception as error:
            self._outside_error = error
            raise

    def _guarded(self, t: float, do: Callable[[], None]) -> None:
        """Do something; an error in it is passed over."""
        try:
            do()
        except Exception as error:
            self._pass_over(t, error)

    def _pass_over(self, t: float, error: Exception) -> None:
        """Count an error of the program's own and note each kind once; the trip goes on.

        Raises:
            Exception: the error, if it came from where events and what is to be kept go, or in a test.
        """
        if error is self._outside_error or self._raises:
            raise error
        kind = _kind_of(error)
        self._errors[kind] += 1
        if self._errors[kind] == 1:
            _LOG.error("an error was passed over", exc_info=error)
            self._emit(Notice(**self._stamp(t), text=f"error passed over: {kind}"))

    def utterance(self, utterance: Utterance) -> None:
        """Fold in words; those that end later than the sentences have got to wait until then."""
        self._unplaced.append(utterance)
        self._due = float("-inf")

    def finish(self) -> None:
        """Take in what the last lines still hold, hear what still waits, and end the trip."""
        self._fold(self._sensing.finish())
        self._catch_up(self._now)
        for t, _, utterance in sorted(self._agenda):
            self._guarded(t, partial(self._hear, max(t, self._now), utterance))
        for utterance in self._unplaced:
            self._guarded(self._now, partial(self._hear, self._now, utterance))
        self._agenda, self._unplaced = [], []
        self._guarded(self._now, self._bed.finish)
        self.keep.lakebed(self._now, self._bed, over=True)
        dropped = dict(sorted((self._sensing.dropped + self._bed.dropped + self._errors).items()))
        sentences = sum(self._sensing.counts.values())
        self._emit(TripEnded(**self._stamp(self._now), sentences=sentences, dropped=dropped))

    def _catch_up(self, t: float) -> None:
        """Do everything that was due up to logic time t, in the order it was due."""
        if not self._begun:
            self._begin(t)
        self._place_utterances()
        while (due := self._next_due()) <= t:
            try:
                self._do_due(due)
            except Exception as error:
                self._pass_over(due, error)
                break  # what comes next may be the same again: it waits for the next sentence
        if t >= self._row_due:
            self._row_due = t + ROW_EVERY
            self._guarded(t, partial(self._keep_row, t))
        self._due = min(self._next_due(), self._row_due)

    def _keep_row(self, t: float) -> None:
        with self._outside():
            self.keep.reading(t, self._sensing.utc(t), self._boat.at(t))
            self.keep.lakebed(t, self._bed)
        self._volunteered(t, self._volunteer.notice_level(self._at(t), self._bed.level_hint()))

    def _begin(self, t: float) -> None:
        self._begun = True
        self._now = t
        deck = self._rooms.deck
        rods = {rod.name: f"{rod.lure.name} on {rod.line_name}" for rod in deck.rods}
        self._emit(TripBegan(**self._stamp(t), name=self._name, rods=rods))
        self._emit(entries.rod_taken(**self._stamp(t), deck=deck, rod=rod_of(deck, self._state.hand)))

    def _next_due(self) -> float:
        spoken = self._agenda[0][0] if self._agenda else NEVER
        there = (self._depth, self._position)
        lost = min(due for one in there for due in (one.expires, one.untold, one.back_untold))
        return min(lost, self._volunteer.remind_at, self._match_due, spoken)

    def _do_due(self, t: float) -> None:
        self._now = max(self._now, t)
        if self._depth.expires <= t:
            self._depth.lose(t)
            self._volunteer.forget_depth()
            self._matched = None
            self._emit(DepthNews(**self._stamp(t), state="lost"))
        elif self._position.expires <= t:
            self._position.lose(t)
            self._emit(Notice(**self._stamp(t), text=wording.POSITION_LOST))
        elif self._depth.untold <= t:
            self._depth.loss_told(t, spoken=self._speak_up(t, wording.DEPTH_LOST, "depth"))
        elif self._position.untold <= t:
            self._position.loss_told(t, spoken=self._speak_up(t, wording.POSITION_LOST, "position"))
        elif self._depth.back_untold <= t:
            self._depth.back_told()
            depth = self._boat.smoothed_depth(t)
            if depth is not None:
                self._say(t, wording.depth_back(depth, self._rooms.unit), "depth")
        elif self._position.back_untold <= t:
            self._position.back_told()
            self._say(t, wording.POSITION_BACK, "notice")
        elif self._volunteer.remind_at <= t:
            self._volunteered(t, self._volunteer.remind(t, self._state.hand))
        elif self._match_due <= t:
            self._tell_match(t)
        else:
            _, _, utterance = heapq.heappop(self._agenda)
            self._hear(t, utterance)

    def _place_utterances(self) -> None:
        """Give utterances their logic time, as far as the recording's clock is known yet."""
        waiting, self._unplaced = self._unplaced, []
        for utterance in waiting:
            ended = self._logic(utterance.ended)
            if ended is None:
                self._unplaced.append(utterance)
            else:
                self._placed += 1
                heapq.heappush(self._agenda, (max(ended, self._now), self._placed, utterance))

    def _logic(self, instant: datetime | float) -> float | None:
        return self._sensing.at(instant) if isinstance(instant, datetime) else instant

    def _take_depth(self, t: float, reading: Depth) -> None:
        if not self._boat.accept_depth(t, reading):
            return
        depth = self._boat.smoothed_depth(t)
        assert depth is not None, "a depth was just believed"
        self._depth.maximum_age = self._boat.oldest_depth
        if self._depth.accept(t):
            self._emit(DepthNews(**self._stamp(t), state="back", depth=round(depth, 3)))
        if not self._depth.lost:
            self._match(t, depth)

    def _match(self, t: float, depth: float) -> None:
        """Look how the rods match a depth, m, and tell it where that has changed what can be done."""
        boat = pose_of(self._boat.at(t)) if self._volunteer.wants_boat(t) else None
        self._matched = self._volunteer.notice_depth(self._at(t), depth, self._state.hand, boat)
        self._tell_match(t)

    def _tell_match(self, t: float) -> None:
        self._match_due = NEVER
        matched, policy = self._matched, self._state.policy
        if matched is None or matched.action == policy.told:
            return
        begins = policy.told is None and not policy.wanted
        if begins or self._may_speak(t, "match"):
            self._emit(msgspec.structs.replace(matched.match, **self._stamp(t)))
            self._state = replace(self._state, policy=policy.with_told(matched.action))
            if not begins:  # how a trip begins asks for nothing to be done
                self._speak(t, matched.line, "match")
        elif policy.next_at("match") > t:
            self._match_due = policy.next_at("match")

    def _take_position(self, t: float, reading: Position) -> None:
        self._boat.accept_position(t, reading)
        if reading.lat is not None and self._position.accept(t):
            self._emit(Notice(**self._stamp(t), text=wording.POSITION_BACK))

    def _take_remark(self, t: float, remark: Remark) -> None:
        """Pass on what the program itself had to tell, live or as it was recorded."""
        if remark.text is None:
            return
        if remark.tapped:
            self._hear(t, Utterance(t, t, partial(str, remark.text)))
        else:
            self._emit(Notice(**self._stamp(t), text=remark.text))
            if remark.aloud and self._state.policy.allows_note(t, remark.text):
                policy = self._state.policy.with_note(t, remark.text)
                self._state = replace(self._state, policy=policy)
                self._say(t, remark.text, "notice")

    def _hear(self, t: float, utterance: Utterance) -> None:
        self._now = max(self._now, t)
        hearing = hearing_of(utterance.words())
        command = None if hearing.refused else self._rooms.grammar.parse(hearing.text)
        amiss = self._amiss(hearing, command, t)
        command = command if amiss is None else None
        heard = Heard(
            **self._stamp(t),
            text=hearing.text,
            clip=utterance.clip,
            command=None if command is None else command.name,
            reason=amiss,
            alternatives=hearing.alternatives,
            check=hearing.check,
            fit=hearing.fit,
            ended=hearing.ended,
            spoke=hearing.spoke,
        )
        self._state = replace(self._state, heard=heard)
        self._emit(heard)
        if command is not None:
            self._carry_out(command, t, utterance, 0.0 if hearing.spoke is None else hearing.spoke[0])

    def _amiss(self, hearing: Hearing, command: Command | None, t: float) -> str | None:
        """Return why what was heard is not to be carried out; None where it is."""
        if command is None:
            return hearing.refused or _why_not(hearing.text)
        return out_of_place(command, t, self._state)

    def _carry_out(self, command: Command, t: float, utterance: Utterance, first_word: float) -> None:
        """Carry out a command whose first word comes so long after its sound begins, s."""
        before = self._state.hand
        sound = self._logic(utterance.began)
        began = t if sound is None else min(t, sound + first_word)
        boat = self._boat.before(began - self._rooms.reaction, t)
        moment = Moment(
            began=began, boat=boat, boat_now=self._boat.at(t), clip=utterance.clip, **self._stamp(t)
        )
        outcome = carry_out(command, moment, self._state, self._rooms)
        self._state = outcome.state
        self._pass_on(outcome, t)
        hand = self._state.hand
        if hand.number != before.number:
            self._volunteer.look_anew()
            self._state = replace(self._state, policy=self._state.policy.with_match_wanted())
        if hand.cast is not None and hand.cast is not before.cast:
            self._volunteer.watch_cast(hand.cast, t)

    def _pass_on(self, outcome: Outcome, t: float) -> None:
        """Emit what came of a command, speak the reply, and have kept what has to be kept."""
        for lesson in outcome.taught:
            lure = lesson.rod.lure.name
            belief = self._rooms.deck.learned(lesson.rod).belief()
            with self._outside():
                self.keep.belief(lure, belief)
        for event in outcome.events:
            self._emit(event)
        if outcome.reply is not None:
            self._say(t, outcome.reply, outcome.about)
        if outcome.keeps_bed:
            with self._outside():
                self.keep.lakebed(t, self._bed, now=True)

    def _volunteered(self, t: float, noticed: Noticed | None) -> None:
        """Emit what was noticed, and speak of it if that is in place."""
        if noticed is None:
            return
        if noticed.event is not None:
            self._emit(noticed.event)
        self._speak_up(t, noticed.line, noticed.kind)

    def _speak_up(self, t: float, line: str, kind: Kind) -> bool:
        """Speak a line nobody asked for, if that is in place; return whether it was spoken."""
        spoken = self._may_speak(t, kind)
        if spoken:
            self._speak(t, line, kind)
        return spoken

    def _may_speak(self, t: float, kind: Kind) -> bool:
        cast = self._state.hand.cast_at(t)
        casting = cast is not None and cast.outlook is not None and cast.outlook.verdict != "unknown"
        return self._state.policy.allows(t, kind, casting=casting, speed=self._boat.speed(t))

    def _speak(self, t: float, line: str, kind: Kind) -> None:
        self._state = replace(self._state, policy=self._state.policy.with_spoken(t, kind))
        self._say(t, line, ABOUT[kind])

    def _say(self, t: float, text: str, about: About) -> None:
        said = Said(**self._stamp(t), text=text, about=about)
        self._state = replace(self._state, said=said)
        self._emit(said)

    def _at(self, t: float) -> Stamp:
        return Stamp(**self._stamp(t))

    def _stamp(self, t: float) -> _Stamp:
        utc = self._sensing.utc(t)
        return {"t": round(t, 3), "utc": None if utc is None else written(utc)}


class _Stamp(TypedDict):
    t: float
    utc: str | None


def _why_not(text: str) -> str:
    words = text.replace("[unk]", "").split()
    return "not one of the phrases" if words else "no words made out"


def _kind_of(error: Exception) -> str:
    """Return what an error is and in which function it arose: the same live and in a replay."""
    frames = traceback.extract_tb(error.__traceback__)
    return f"{type(error).__name__} in {frames[-1].name.strip('<>') if frames else 'the program'}"
