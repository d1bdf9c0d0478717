"""When a line nobody asked for may be spoken: all of it in one place.

An angler who is told too much stops listening. Answers are always given. What is volunteered gives way to
"quiet", keeps its distance from the last volunteered line, and is not said at all rather than late. A
danger to the lure goes before everything but quiet. Which changes are worth a word at all is not decided
here but where they are noticed (`companion.casting.match`, `companion.casting.words`).
"""

from __future__ import annotations

from typing import Literal

Kind = Literal["danger", "match", "cover", "water"]
"""What is volunteered: a tree top ahead of the lure, the match of rod and bottom, cover, the level."""

APART = 4.0
"""The shortest time between two volunteered lines, s."""
COVER_EVERY = 60.0
"""The shortest time between two words about possible cover, s."""


class Manners:
    """Decides whether a volunteered line may be spoken now."""

    def __init__(self) -> None:
        self.quiet_until = float("-inf")
        self._said_at: dict[Kind, float] = {}

    def quiet_for(self, t: float, minutes: float) -> None:
        """Volunteer nothing for so long from logic time t, s; 0 ends it."""
        self.quiet_until = t + 60.0 * minutes

    def allows(self, t: float, kind: Kind, *, casting: bool) -> bool:
        """Tell whether a line may be spoken at logic time t, s, and take it as spoken if so.

        `casting` tells that a cast is under way whose outlook has been told.
        """
        if t < self.quiet_until or not self._in_place(t, kind, casting=casting):
            return False
        self._said_at[kind] = t
        return True

    def _in_place(self, t: float, kind: Kind, *, casting: bool) -> bool:
        if kind == "danger":
            return True
        if casting or t - max(self._said_at.values(), default=float("-inf")) < APART:
            return False
        return kind != "cover" or t - self._said_at.get("cover", float("-inf")) >= COVER_EVERY
