"""Questions to the planner that take longer than the engine may stand still.

A trip that a boat records says at its start that answers come when they are found. From
then on a question waits, another thread works at it, and a line in the recording tells
the instant at which its answer is taken: so a replay, which works it out then, gives it
at the same logic time. Any other recording has its answers at once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from companion.casting.planning import Found, Search
from companion.trip import wording
from companion.trip.presence import NEVER_S
from companion.trip.speech import Speech

LOOKING_AFTER_S = 1.0
"""An answer that has not come by then is said to be looked for."""


class Question(NamedTuple):
    """A question to the planner: the search that answers it, and what words the reply."""

    search: Search
    reply: Callable[[Found], str]


class _Waiting(NamedTuple):
    question: Question
    looking_at: float


class Searches:
    """Keeps the questions that are not answered yet, in order.

    Attributes:
        come_when_found: answers wait for the recording's word; else they come at once.
    """

    def __init__(self, speech: Speech) -> None:
        self.come_when_found = False
        self._speech = speech
        self._waiting: deque[_Waiting] = deque()
        self._new: list[Search] = []

    @property
    def next_due(self) -> float:
        """Return when it is to be said that an answer is looked for, logic s; infinite when it is not."""
        return min((one.looking_at for one in self._waiting), default=NEVER_S)

    def ask(self, t: float, question: Question) -> None:
        """Put a question at logic time t, s."""
        if not self.come_when_found:
            self._reply(t, question)
            return
        self._waiting.append(_Waiting(question, t + LOOKING_AFTER_S))
        self._new.append(question.search)

    def say_looking(self, t: float) -> None:
        """Say at logic time t, s, that what is due is looked for."""
        self._waiting = deque(
            one._replace(looking_at=NEVER_S) if one.looking_at <= t else one
            for one in self._waiting
        )
        self._speech.say(t, wording.LOOKING, "answer")

    def answer_first(self, t: float) -> None:
        """Answer the first question that waits, at logic time t, s."""
        if self._waiting:
            question = self._waiting.popleft().question
            self._new = [one for one in self._new if one is not question.search]
            self._reply(t, question)

    def take_new(self) -> Sequence[Search]:
        """Return the searches that nobody works at yet, in order; they count as taken."""
        new, self._new = self._new, []
        return new

    def _reply(self, t: float, question: Question) -> None:
        self._speech.say(t, question.reply(question.search.found), "answer")
