"""What is said to the companion: heard, understood, carried out and answered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from companion.events import Heard, Notice
from companion.trip import wording
from companion.trip.agenda import Utterance
from companion.trip.core import TripCore
from companion.trip.handlers import (
    Outcome,
    carry_out,
    in_doubt,
    out_of_place,
    to_solve_first,
)
from companion.trip.lookout import Lookout
from companion.trip.searches import Searches
from companion.trip.solves import Solves
from companion.trip.speech import Speech
from companion.trip.state import LATE_AFTER_S, Moment
from companion.voice.commands import Command
from companion.voice.heard import (
    NO_PHRASE,
    NO_WORDS,
    UNKNOWN_WORD,
    Hearing,
    hearing_of,
)

LATE_TOLD_EVERY_S = 600.0
"""The shortest time between two words about commands that are decided late."""


class Dialogue:
    """Hears utterances and does what they ask for.

    Args:
        core: the trip.
        speech: gives the replies.
        lookout: is told what a command has changed in the hand.
        searches: takes what the planner has to find.
        solves: takes what has to be solved before a command is carried out.
        logic_time_of: returns the logic time, s, of an instant of an utterance; None
            while it is not known.
    """

    def __init__(
        self,
        core: TripCore,
        speech: Speech,
        lookout: Lookout,
        searches: Searches,
        solves: Solves,
        logic_time_of: Callable[[datetime | float], float | None],
    ) -> None:
        self._core = core
        self._speech = speech
        self._lookout = lookout
        self._searches = searches
        self._solves = solves
        self._logic_time_of = logic_time_of

    def hear(self, t: float, utterance: Utterance) -> None:
        """Hear an utterance at logic time t, s, when it was decided."""
        core = self._core
        hearing = hearing_of(utterance.words())
        listed = None
        if not hearing.refused:
            listed = core.rooms.grammar.parse(hearing.text, woken=utterance.tapped)
        began = self._began(utterance, hearing, t)
        amiss = self._amiss(hearing, listed, t, began)
        command = name = None
        if listed is not None and amiss is None:
            command, name = listed, listed.name
        heard = Heard(
            **core.stamp(t),
            text=hearing.text,
            clip=utterance.clip,
            command=name,
            reason=amiss,
            alternatives=hearing.alternatives,
            check=hearing.check,
            fit=hearing.fit,
            ended=hearing.ended,
            spoke=hearing.spoke,
            doubt=hearing.doubt,
        )
        before = core.state.policy
        policy = before.with_heard(t, understood=command is not None)
        core.state = replace(core.state, heard=heard, policy=policy)
        core.emit(heard)
        if command is not None:
            moment = self._moment(t, utterance, hearing, began)
            self._carry_out(command, t, hearing, moment)
        elif (
            listed is None
            and hearing.is_like_a_command
            and before.allows_asking_again(t, began)
        ):
            core.state = replace(core.state, policy=policy._replace(asked_again=True))
            self._speech.say(t, wording.NOT_UNDERSTOOD, "unclear")

    def _began(self, utterance: Utterance, hearing: Hearing, t: float) -> float:
        """Return the logic time of an utterance's first word, s; at the latest t, when it was decided."""
        sound = self._logic_time_of(utterance.began)
        if sound is None:
            return t
        if hearing.spoke is not None:
            sound += hearing.spoke[0]
        return min(t, sound)

    def _lateness(self, utterance: Utterance, hearing: Hearing, t: float) -> float:
        """Return how long after its last word an utterance was decided, s, where that is late; else 0."""
        sound = self._logic_time_of(utterance.began)
        decided = self._logic_time_of(utterance.ended)
        if sound is None or decided is None or hearing.spoke is None:
            return 0.0
        # One that waited for another to be carried out was decided before.
        late = min(t, decided) - sound - hearing.spoke[1]
        if late <= LATE_AFTER_S:
            return 0.0
        return late

    def _amiss(
        self, hearing: Hearing, command: Command | None, t: float, began: float
    ) -> str | None:
        """Return why what was heard is not to be carried out; None where it is."""
        if command is None:
            return hearing.refused or _why_not(hearing.text)
        core = self._core
        return out_of_place(
            command, hearing.text, t, began, core.state, core.rooms.grammar
        )

    def _moment(
        self, t: float, utterance: Utterance, hearing: Hearing, began: float
    ) -> Moment:
        """Return the moment of a command whose first word came at logic time `began`, s."""
        core = self._core
        return Moment(
            began=began,
            boat=core.boat.before(began - core.rooms.reaction, t, began),
            boat_now=core.boat.at(t),
            clip=utterance.clip,
            late=self._lateness(utterance, hearing, t),
            **core.stamp(t),
        )

    def _carry_out(
        self, command: Command, t: float, hearing: Hearing, moment: Moment
    ) -> None:
        """Carry out a command of logic time t, s, at once or when what it needs is solved."""
        core = self._core
        solve = to_solve_first(command, moment, core.state, core.rooms)
        if solve is None:
            self._act(command, t, hearing, moment)
            return

        def go_on(solved_at: float) -> None:
            then = moment._replace(**core.stamp(solved_at))
            self._act(command, solved_at, hearing, then)

        self._solves.ask(t, solve, go_on)

    def _act(
        self, command: Command, t: float, hearing: Hearing, moment: Moment
    ) -> None:
        core = self._core
        before = core.state.hand
        outcome = carry_out(command, moment, core.state, core.rooms)
        other = core.rooms.grammar.parse(hearing.doubt or "")
        if other is not None:
            outcome = in_doubt(outcome, command, other, core.rooms)
        core.state = replace(outcome.state, policy=outcome.state.policy.with_command(t))
        self._pass_on(outcome, t)
        self._lookout.follow_hand(t, before)
        if moment.late:
            core.emit(Notice(**core.stamp(t), text=wording.heard_late(moment.late)))
            self._speech.say_note(t, wording.HEARD_LATE, LATE_TOLD_EVERY_S)

    def _pass_on(self, outcome: Outcome, t: float) -> None:
        """Emit what came of a command, speak the reply, and have kept what has to be kept."""
        core = self._core
        for lesson in outcome.taught:
            lure = lesson.rod.lure.name
            belief = core.rooms.deck.learned(lesson.rod).belief()
            with core.outside():
                core.keep.belief(lure, belief)
        for event in outcome.events:
            core.emit(event)
        if outcome.reply is not None:
            self._speech.say(t, outcome.reply, outcome.about)
        if outcome.asks is not None:
            self._searches.ask(t, outcome.asks)
        if outcome.keeps_bed:
            with core.outside():
                core.keep.lakebed(t, core.rooms.bed, now=True)


def _why_not(text: str) -> str:
    if text.replace(UNKNOWN_WORD, "").split():
        return NO_PHRASE
    return NO_WORDS
