"""Whether the depth under the boat matches the reach of the rod in hand, and when to say so.

Depth flickers by a foot from ping to ping (revisits of one spot differ by a median of 0.35 m in real
recordings), so the raw comparison would chatter. Here the depth is the median of the last seconds, a
state has to be left by a clear amount and for a while before it counts as left, and nothing is said
twice while nothing changes.
"""

from __future__ import annotations

from collections import deque
from statistics import median_low
from typing import Literal

import msgspec

MatchState = Literal["touch", "clear", "short", "unknown"]
"""touch: the lure gets to the bottom; clear: it passes close above; short: it stays well above it."""


class MatchRules(msgspec.Struct, frozen=True):
    """When a change of match counts and is worth a word.

    Attributes:
        near: margin up to which the lure still passes close above the bottom, m.
        play: how far past a limit the margin has to be before the state changes, m.
        dwell: how long a new state has to hold before it counts, s.
        interval: the shortest time between two spoken lines about the match, s.
        step: the change of the spoken amount that is worth saying within one state, m.
        window: the span of time the depth is smoothed over by its median, s.
    """

    near: float = 1.0
    play: float = 0.3
    dwell: float = 2.0
    interval: float = 8.0
    step: float = 0.9
    window: float = 3.0


class Standing(msgspec.Struct, frozen=True):
    """How the rod stands against the bottom: the state, the smoothed depth and the margin, m.

    `margin` is depth minus reach: negative when the lure would dig.
    """

    state: MatchState
    depth: float | None = None
    margin: float | None = None


UNKNOWN = Standing("unknown")
JUST_CLEAR_M = 0.1524
"""Half a foot: a margin smaller than this is no whole foot, and "clear by 0 feet" is no thing to say."""


class MatchWatch:
    """Follows depth and reach, and hands out a standing when it has changed enough to be said."""

    def __init__(self, rules: MatchRules | None = None) -> None:
        self.rules = rules or MatchRules()
        self._depths: deque[tuple[float, float]] = deque()
        self._said = UNKNOWN
        self._said_at = float("-inf")
        self._pending: MatchState | None = None
        self._pending_since = 0.0

    @property
    def depth(self) -> float | None:
        """The smoothed depth below the surface, m, or None when it is not known."""
        return median_low(z for _, z in self._depths) if self._depths else None

    def forget_depth(self) -> None:
        """Drop the depths seen so far: they are stale."""
        self._depths.clear()
        self._said = UNKNOWN
        self._pending = None

    def start_over(self) -> None:
        """Let the next depth be judged afresh and said: another rod is in hand."""
        self._said = UNKNOWN
        self._said_at = float("-inf")
        self._pending = None

    def take(self, t: float, depth: float, reach: float | None) -> Standing | None:
        """Fold in a depth below the surface, m, at logic time t, s; return what is worth saying now.

        `reach` is the reach of the rod in hand, m, or None when there is no rod or no answer.
        """
        self._keep(t, depth)
        if reach is None:
            return None
        standing = self.standing(reach)
        if standing.state != self._said.state:
            return self._new_state(t, standing)
        self._pending = None
        if self._moved(standing) and t - self._said_at >= self.rules.interval:
            return self._say(t, standing)
        return None

    def standing(self, reach: float) -> Standing:
        """Return how a rod of this reach, m, stands against the depth as now smoothed."""
        depth = self.depth
        if depth is None:
            return UNKNOWN
        margin = depth - reach
        return Standing(self._state(margin), depth, margin)

    def _keep(self, t: float, depth: float) -> None:
        self._depths.append((t, depth))
        while self._depths[0][0] < t - self.rules.window:
            self._depths.popleft()

    def _state(self, margin: float) -> MatchState:
        """Judge a margin, with play around the limits of the state that was last said."""
        touch_limit, near_limit = 0.0, self.rules.near
        if self._said.state == "touch":
            touch_limit += self.rules.play
        elif self._said.state == "short":
            near_limit -= self.rules.play
        elif self._said.state == "clear":
            touch_limit -= self.rules.play
            near_limit += self.rules.play
        if margin <= touch_limit:
            return "touch"
        return "clear" if margin <= near_limit else "short"

    def _new_state(self, t: float, standing: Standing) -> Standing | None:
        if self._said.state == "unknown":
            return self._say(t, standing)
        if self._pending != standing.state:
            self._pending, self._pending_since = standing.state, t
        held = t - self._pending_since >= self.rules.dwell
        return self._say(t, standing) if held and t - self._said_at >= self.rules.interval else None

    def _moved(self, standing: Standing) -> bool:
        if standing.state == "touch" or standing.margin is None or self._said.margin is None:
            return False
        return abs(standing.margin - self._said.margin) >= self.rules.step

    def _say(self, t: float, standing: Standing) -> Standing:
        self._said, self._said_at, self._pending = standing, t, None
        return standing
