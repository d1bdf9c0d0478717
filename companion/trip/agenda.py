"""What was said and waits for its turn: each utterance is heard at the instant it was decided."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import NamedTuple

from companion.trip.presence import NEVER_S
from companion.voice.heard import Hearing


class Utterance(NamedTuple):
    """Words as they reach the engine: when their sound began and they were decided, and the clip's name.

    `began` and `ended` are UTC in a recording, logic seconds when live: `began` is that
    of the sound's first sample, `ended` of when it was decided what they are. `words`
    is asked once, when the engine gets to them, for what was heard; until then the
    recogniser may still be at work. `tapped` tells that a button stood for them, so
    that no wake words come before them.
    """

    began: datetime | float
    ended: datetime | float
    words: Callable[[], str | Hearing]
    clip: str | None = None
    tapped: bool = False


class Agenda:
    """Keeps utterances until their logic time has come.

    Args:
        logic_time: returns the logic time, s, of a UTC instant; None while no clock of
            it is known.
    """

    def __init__(self, logic_time: Callable[[datetime], float | None]) -> None:
        self._logic_time = logic_time
        self._unplaced: list[Utterance] = []
        self._placed: list[tuple[float, int, Utterance]] = []
        self._count = 0

    @property
    def next_at(self) -> float:
        """Return when the next utterance is to be heard, logic s; infinite when none is known to be."""
        return self._placed[0][0] if self._placed else NEVER_S

    @property
    def waits(self) -> bool:
        """Return whether an utterance waits."""
        return bool(self._placed or self._unplaced)

    def add(self, utterance: Utterance) -> None:
        """Have an utterance wait."""
        self._unplaced.append(utterance)

    def place_all(self, now: float) -> None:
        """Give what waits its logic time, not before `now`, s, as far as the recording's clock is known."""
        waiting, self._unplaced = self._unplaced, []
        for utterance in waiting:
            ended = self.logic_time_of(utterance.ended)
            if ended is None:
                self._unplaced.append(utterance)
            else:
                self._count += 1
                heapq.heappush(self._placed, (max(ended, now), self._count, utterance))

    def pop_next(self) -> Utterance:
        """Take the next utterance off."""
        return heapq.heappop(self._placed)[2]

    def pop_rest(self, now: float) -> Iterator[tuple[float, Utterance]]:
        """Take everything off, with its logic time, s: `now` where that is not known or is past."""
        placed, self._placed = sorted(self._placed), []
        unplaced, self._unplaced = self._unplaced, []
        for t, _, utterance in placed:
            yield max(t, now), utterance
        for utterance in unplaced:
            yield now, utterance

    def logic_time_of(self, instant: datetime | float) -> float | None:
        """Return the logic time, s, of an instant of an utterance; None while it is not known."""
        if isinstance(instant, datetime):
            return self._logic_time(instant)
        return instant
