"""All that a trip remembers of what was said and done: one value, replaced and never changed.

What the boat has learned of rods and bottom is not here: that is the deck's and the
bed's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from companion.casting.hand import Hand
from companion.casting.lessons import Lessons
from companion.casting.pose import STILL_WATER, Current, fix_of
from companion.events import Fix, Heard, Logged, Said
from companion.lakebed.marks import Mark
from companion.sensing import BoatState
from companion.trip.policy import SpeechPolicy
from companion.voice.commands import Command

CORRECTED_WITHIN_S = 30.0
"""How long after a command its number can be put right: later, "no, two" is talk."""
GOES_ON_WITHIN_S = 0.6
"""How long after a command was taken the rest of its words may begin: "log fish", then
"eight pounds". Later, the answer has begun, and what is said is another thing."""
REPEATED_WITHIN_S = 60.0
"""How long after a line it can be asked for again: later, "say again" is talk."""
FISHED_WITHIN_S = 180.0
"""How long after a cast, or what happened on it, "lost it" tells of that: later, it is talk."""
SURE_WITHIN_S = 12.0
"""How long after it asked to be repeated a command can be: later, it asks again."""
CATCH_WITHIN_S = 600.0
"""How long after a bite a fish, or its loss, can have come of it: a fight of ten minutes."""


LATE_AFTER_S = 1.0
"""Words that are decided later than this after the last of them are late."""
REACTION_SCATTER_S = 0.3
"""How much the time between what happens and the first word varies, one sigma. Common practice, no source."""


class Moment(NamedTuple):
    """The time and place at which a command was spoken.

    `t` and `utc` are when its words ended, `began` when they began (logic s). `boat` is
    the boat when that happened which the words tell of, a little before they began;
    `boat_now` the boat when they ended. `late` is how long after their last word they
    were decided, s, where that was too long.
    """

    t: float
    began: float
    utc: str | None
    boat: BoatState
    boat_now: BoatState
    clip: str | None = None
    late: float = 0.0

    @property
    def fix(self) -> Fix | None:
        """The boat's place when that happened; the radius grows with its speed and with the lateness."""
        timing = math.hypot(REACTION_SCATTER_S, self.late / math.sqrt(12.0))
        return fix_of(self.boat, timing * (self.boat.speed or 0.0))


class Carried(NamedTuple):
    """A command that was carried out, the moment it was spoken in, and the number it was logged as."""

    command: Command
    moment: Moment
    number: int | None


@dataclass(frozen=True)
class TripState:
    """The memory of a trip.

    Attributes:
        hand: the rod in hand, its cast under way and where the last one went.
        standing: the logged things that were not taken back, in order.
        last_number: the number of the last thing logged; 0 before the first.
        carried: the commands that can still be put right, in order.
        marks: the marks put on the bed, by the number of what was logged.
        lessons: what casts have taught.
        policy: what was volunteered, and whether quiet was asked for.
        said: the last line.
        heard: the last utterance.
        helps_given: how often help was asked for.
        current: of the water, as it was last told.
        asked: the command that asked to be repeated before it is carried out, and when,
            logic s.
    """

    hand: Hand
    standing: tuple[Logged, ...] = ()
    last_number: int = 0
    carried: tuple[Carried, ...] = ()
    marks: Mapping[int, Mark] = field(default_factory=dict)
    lessons: Lessons = Lessons()  # noqa: RUF009  # a value, never changed
    policy: SpeechPolicy = SpeechPolicy()  # noqa: RUF009
    said: Said | None = None
    heard: Heard | None = None
    helps_given: int = 0
    current: Current = STILL_WATER
    asked: tuple[Command, float] | None = None

    def is_repeated(self, command: Command, t: float) -> bool:
        """Tell whether a command that asked to be repeated is, at logic time t, s."""
        return (
            self.asked is not None
            and self.asked[0] == command
            and t - self.asked[1] <= SURE_WITHIN_S
        )

    @property
    def last_standing(self) -> Logged | None:
        """The last logged thing that stands; None when nothing does."""
        return next(reversed(self.standing), None)

    def with_logged(self, logged: Logged) -> TripState:
        """Return the state after one more thing was logged."""
        return replace(
            self, standing=(*self.standing, logged), last_number=logged.number
        )

    def without_logged(self, number: int) -> TripState:
        """Return the state after the logged thing `number` was taken back."""
        return replace(
            self,
            standing=tuple(thing for thing in self.standing if thing.number != number),
        )

    def bite_before(self, t: float, rod: str) -> Logged | None:
        """Return the bite that a fish told of at logic time t, s, came from; None when none was told.

        It is the last one on this rod, with neither another cast nor another fish
        since.
        """
        for thing in reversed(self.standing):
            if (
                thing.what in ("cast", "fish", "lost fish", "broke off")
                or t - thing.t > CATCH_WITHIN_S
                or (thing.what == "bite" and thing.rod != rod)
            ):
                return None
            if thing.what == "bite":
                return thing
        return None

    def fished_lately(self, t: float) -> bool:
        """Tell whether a cast is under way at logic time t, s, or something of one was told not long ago."""
        recent = (thing for thing in self.standing if t - thing.t <= FISHED_WITHIN_S)
        told = any(
            thing.what not in ("mark", "fish", "lost fish", "broke off")
            for thing in recent
        )
        return told or self.hand.cast_at(t) is not None

    def catch_of(self, thing: Logged) -> tuple[Logged, ...]:
        """Return everything that stands of a logged thing's catch, in order; without a catch, itself."""
        first = thing.catch or thing.number
        return tuple(one for one in self.standing if first in (one.number, one.catch))

    def to_correct(self, t: float) -> Carried | None:
        """Return the command that can be put right at logic time t, s; None when there is none."""
        return self._last_carried(t, CORRECTED_WITHIN_S)

    def to_go_on(self, began: float) -> Carried | None:
        """Return the command that words which began at `began`, logic s, can be the rest of, or None."""
        return self._last_carried(began, GOES_ON_WITHIN_S)

    def _last_carried(self, t: float, within: float) -> Carried | None:
        """Return the last command if it was carried out within so long before logic time t, s."""
        if not self.carried or t - self.carried[-1].moment.t > within:
            return None
        return self.carried[-1]

    def to_repeat(self, t: float) -> Said | None:
        """Return the line that can be said again at logic time t, s; None when there is none."""
        if self.said is None or t - self.said.t > REPEATED_WITHIN_S:
            return None
        return self.said

    def with_carried(
        self, command: Command, moment: Moment, number: int | None
    ) -> TripState:
        """Return the state after a command; one before it that logged nothing can be put right no more."""
        kept = tuple(one for one in self.carried if one.number)
        return replace(self, carried=(*kept, Carried(command, moment, number)))

    def without_carried(self, *numbers: int) -> TripState:
        """Return the state in which the commands logged as these numbers, and those not logged, are gone."""
        return replace(
            self,
            carried=tuple(
                o for o in self.carried if o.number and o.number not in numbers
            ),
        )
