"""What can be seen at one instant: the engine's state as plain data, for the page and for whoever shows it.

`Engine.glance` makes one; nothing in it can be changed, and nothing of the engine can
be reached through it. Lengths are metres, depths below the surface, times logic
seconds, angles degrees from true north. None means not known, and is never shown as a
number.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from companion import events
from companion.events import Fix

Outlook = Literal["touch", "clear", "short", "unknown"]
"""touch: the lure gets to the bottom; clear: it passes close above it; short: it stays well above it."""


class RodView(msgspec.Struct, frozen=True, kw_only=True):
    """A rod as it lies rigged.

    Attributes:
        number: its number.
        name: what it is called.
        lure: the lure's name.
        line: the line's name.
        in_hand: whether it is the one in hand.
        reach: the deepest its lure gets on its usual cast, m.
        low: what the reach is above nineteen times in twenty, m.
        high: what the reach is below nineteen times in twenty, m.
        state: how it would stand against the bottom that rods are matched against
            (`Glance.ahead`).
        margin: that bottom's depth minus the reach, m.
    """

    number: int
    name: str
    lure: str
    line: str
    in_hand: bool
    reach: float
    low: float
    high: float
    state: Outlook = "unknown"
    margin: float | None = None


class BottomPoint(msgspec.Struct, frozen=True, array_like=True):
    """The bottom somewhere along the cast: distance from the rod tip, depth and its sigma, m."""

    away: float
    depth: float | None
    sigma: float | None


class SideView(msgspec.Struct, frozen=True, kw_only=True):
    """The water along the cast, seen from the side.

    Without a cast under way it is the usual cast of the rod in hand over the bow, and
    `lure` is None.

    Attributes:
        bearing: which way it goes, degrees.
        under_way: whether a cast is being fished.
        path: points (distance from the rod tip, depth) of the lure's way, m, from the
            landing to the rod.
        shallow: the same way at the low end of its band.
        deep: the same at the high end.
        bottom: the mapped bottom below it, by rising distance; empty when nothing is
            mapped.
        tops: tree tops near the line: (distance, depth), m.
        lure: where the lure is now: (distance, depth), m.
    """

    bearing: float | None
    under_way: bool
    path: tuple[tuple[float, float], ...]
    shallow: tuple[tuple[float, float], ...]
    deep: tuple[tuple[float, float], ...]
    bottom: tuple[BottomPoint, ...] = ()
    tops: tuple[tuple[float, float], ...] = ()
    lure: tuple[float, float] | None = None


class Glance(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the glance page shows.

    Attributes:
        t: logic time, s.
        utc: the same instant as ISO 8601.
        boat: where the boat is.
        heading: of the bow, degrees.
        speed: over ground, m/s.
        depth: of the water under the boat, m, None when it is not known now.
        depth_at: logic time of the last depth that was, s.
        ahead: whether rods are matched against the bottom in the casting range; else it
            is that under the boat.
        water_temperature: degrees Celsius.
        rods: every rod, in the order of their numbers.
        rods_known: whether it is known what they reach; until then there are none here.
        side: the water along the cast.
        foretold: what the cast under way meets, as its rod is held and its reel was
            stopped by now; None without one.
        said: the last line spoken.
        said_at: when, logic s.
        heard: the last words heard.
        heard_at: when, logic s.
        understood: the name of the command they were, None when they were none.
        logged: how many logged things stand.
    """

    t: float
    utc: str | None = None
    boat: Fix | None = None
    heading: float | None = None
    speed: float | None = None
    depth: float | None = None
    depth_at: float | None = None
    ahead: bool = False
    water_temperature: float | None = None
    rods: tuple[RodView, ...] = ()
    rods_known: bool = True
    side: SideView | None = None
    foretold: events.Outlook | None = None
    said: str | None = None
    said_at: float | None = None
    heard: str | None = None
    heard_at: float | None = None
    understood: str | None = None
    logged: int = 0
