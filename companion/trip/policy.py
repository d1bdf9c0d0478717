"""When a line nobody asked for may be spoken: all of it in one place.

An angler who is told too much stops listening. Answers are always given. What is volunteered gives way to
"quiet", keeps its distance from the last volunteered line, and is not said at all rather than late. A
danger to the lure goes before everything but quiet. Which changes are worth a word at all is not decided
here but where they are noticed (`companion.trip.volunteer`, `companion.trip.wording`).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

Kind = Literal["danger", "match", "cover", "water"]
"""What is volunteered: a tree top ahead of the lure, the match of rod and bottom, cover, the level."""

LINES_APART_S = 4.0
"""The shortest time between two volunteered lines."""
COVER_APART_S = 60.0
"""The shortest time between two words about possible cover."""
NOTHING_SPOKEN: Mapping[Kind, float] = MappingProxyType({})


class SpeechPolicy(NamedTuple):
    """Decides whether a volunteered line may be spoken: a value, replaced when one was, or quiet asked for.

    Attributes:
        quiet_until: logic time until which nothing is volunteered, s.
        spoken_at: when a line of each kind was last spoken, logic s.
    """

    quiet_until: float = float("-inf")
    spoken_at: Mapping[Kind, float] = NOTHING_SPOKEN

    def with_quiet(self, t: float, minutes: float) -> SpeechPolicy:
        """Return the policy that volunteers nothing for so long from logic time t, s; 0 ends it."""
        return self._replace(quiet_until=t + 60.0 * minutes)

    def with_spoken(self, t: float, kind: Kind) -> SpeechPolicy:
        """Return the policy after a line of this kind was spoken at logic time t, s."""
        return self._replace(spoken_at={**self.spoken_at, kind: t})

    def allows(self, t: float, kind: Kind, *, casting: bool) -> bool:
        """Tell whether a line may be spoken at logic time t, s.

        `casting` tells that a cast is under way whose outlook has been told.
        """
        if t < self.quiet_until:
            return False
        if kind == "danger":
            return True
        if casting or t - max(self.spoken_at.values(), default=float("-inf")) < LINES_APART_S:
            return False
        return kind != "cover" or t - self.spoken_at.get("cover", float("-inf")) >= COVER_APART_S
