"""How the rods match the bottom, and when a change of that is a change at all.

What counts is what an angler can do about it: nothing, where the rod in hand gets down;
take another rod, where that one gets down and this does not, or where this one digs
deep and a lesser would do; move, where none gets down. Depth flickers by a foot from
ping to ping (revisits of one spot differ by a median of 0.35 m in real recordings), so
a limit has to be passed by a clear amount, and for a while, before it counts: a
deadband and an on-delay, as alarm practice has them (ISA-18.2, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

MatchState = Literal["touch", "clear", "short", "unknown"]
"""touch: the lure gets to the bottom; clear: it passes close above; short: it stays well above it."""


class MatchRules(msgspec.Struct, frozen=True):
    """The rules by which a change of match counts.

    Attributes:
        near: margin up to which the lure still passes close above the bottom, m.
        deadband: how far past a limit the bottom has to be before the state changes, m.
        dwell: how long it has to stay there, s, and for two pings at least.
        digs: how much deeper than the bottom a rod may reach before a lesser one is
            worth naming, m.
    """

    near: float = 1.0
    deadband: float = 0.25
    dwell: float = 1.5
    digs: float = 1.5


class Standing(msgspec.Struct, frozen=True):
    """The rod in hand against the bottom.

    Attributes:
        state: whether its lure gets down.
        depth: of the bottom, m below the surface.
        margin: depth minus reach, m: negative where the lure would dig.
        better: the number of the rod that would do better; None where none would.
    """

    state: MatchState
    depth: float | None = None
    margin: float | None = None
    better: int | None = None

    @property
    def action(self) -> tuple[bool, int | None]:
        """Return what an angler can do about it: whether the lure gets down, and which rod to take.

        Where it digs, it is all one which lesser rod would do: who was told once and
        digs on means to.
        """
        if self.state == "touch":
            return True, None if self.better is None else ANY_LESSER
        return False, self.better


ANY_LESSER = 0
"""Stands in an action for whichever lesser rod would do."""
UNKNOWN_MATCH = Standing("unknown")
JUST_CLEAR_M = 0.1524
"""Half a foot: a margin smaller than this is no whole foot, and "clear by 0 feet" is no thing to say."""


class MatchWatch:
    """Follows the bottom against the reach of every rod, and tells how the one in hand stands.

    Attributes:
        standing: as it counts now.
    """

    def __init__(self, rules: MatchRules | None = None) -> None:
        self.rules = rules or MatchRules()
        self.standing = UNKNOWN_MATCH
        self._down: dict[int, bool] = {}
        self._pending: dict[int, float] = {}

    def forget(self) -> None:
        """Know nothing of the bottom: the depth was lost, or is another's."""
        self.standing = UNKNOWN_MATCH
        self._down.clear()
        self._pending.clear()

    def accept_depth(
        self, t: float, depth: float, reaches: Mapping[int, float], in_hand: int
    ) -> Standing:
        """Fold in a depth of the bottom, m below the surface, at logic time t, s, and return the standing.

        Args:
            t: logic time, s.
            depth: of the bottom, m below the surface.
            reaches: how deep each rod's lure gets, m, by the rod's number.
            in_hand: the number of the rod in hand.
        """
        for number, reach in reaches.items():
            self._judge(t, number, depth - reach)
        self.standing = self._standing(depth, reaches, in_hand)
        return self.standing

    def _judge(self, t: float, number: int, margin: float) -> None:
        """Follow whether a rod gets down; a change counts when it has stood for the dwell."""
        before = self._down.get(number)
        if before is None:
            self._down[number] = margin <= 0.0
            return
        limit = -self.rules.deadband
        if before:
            limit = self.rules.deadband
        down = margin <= limit
        if down == before:
            self._pending.pop(number, None)
        elif t - self._pending.setdefault(number, t) >= self.rules.dwell:
            self._down[number] = down
            del self._pending[number]

    def _standing(
        self, depth: float, reaches: Mapping[int, float], in_hand: int
    ) -> Standing:
        margin = depth - reaches[in_hand]
        least = min(
            (n for n in reaches if self._down[n]),
            key=lambda n: reaches[n],
            default=None,
        )
        if self._down[in_hand]:
            deep = (
                margin < -self.rules.digs
                and least is not None
                and reaches[least] < reaches[in_hand]
            )
            return Standing("touch", depth, margin, least if deep else None)
        state: MatchState = "clear" if margin <= self.rules.near else "short"
        named = self.standing.better
        if (
            named is not None
            and self._down.get(named)
            and reaches[named] - depth <= self.rules.digs
        ):
            return Standing(
                state, depth, margin, named
            )  # the rod named before still does
        return Standing(state, depth, margin, least)
