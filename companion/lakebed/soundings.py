"""Depth joined to place: where the transducer was at the moment of each ping.

Fixes, headings and pings arrive in any interleaving, each dated by when it was true. A
ping waits until the fix after it is known, and is placed between the two. Times are
logic seconds; east and north are metres on the lake's plane; bearings are degrees clockwise
from true north; depths are metres.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass
from typing import NamedTuple

USUAL_SOUND_SPEED = 1500.0
"""Speed of sound, m/s, that sounders commonly assume (common practice, no source)."""
MOST_GAP_S = 4.0
"""A ping further than this from a fix has a position only where the boat goes on as before, s."""
JUMP_MPS = 45.0
"""Fixes that imply more than this are jumps, m/s."""

LONGEST_STEADY_GAP_S = 15.0
"""Between fixes further apart nobody knows where a boat went, however straight it seems to go."""
MOST_BEND_M = 4.0
"""How far off the straight line a boat may have been between two fixes for pings there to have a place, m:
about a receiver's own error."""
_ONE_FIX_S = 0.9  # sentences closer than this tell one fix twice
_TOLD_TWICE_S = 0.05  # and than this do not tell how fast it goes
_MAX_WAITING = 2000
_RELIABLE_COURSE = 0.5
_HEADING_AGE = 2.0
_JUMP_ROOM = 30.0
_AGREEING_FIXES = 3


class Sounding(NamedTuple):
    """One ping: logic time s, place of the transducer m, depth of the bottom below the surface m, number."""

    t: float
    east: float
    north: float
    depth: float
    ping: int = 0


class BoatFix(NamedTuple):
    """One position of the antenna: logic time s, east and north m."""

    t: float
    east: float
    north: float


@dataclass(frozen=True, slots=True)
class Mounting:
    """The transducer's place in the boat: so far ahead and to starboard of the antenna, m."""

    forward: float = 0.0
    starboard: float = 0.0


def sound_speed(temperature: float) -> float:
    """Return the speed of sound in fresh water at the surface, m/s, at a temperature in degrees C.

    Marczak 1997, J. Acoust. Soc. Am. 102, 2776 (coefficients from memory), 0 to 95
    degrees.

    Raises:
        ValueError: the temperature is outside that range.
    """
    if not 0.0 <= temperature <= 95.0:
        raise ValueError(f"water temperature {temperature} C: expected 0 to 95")
    coefficients = (
        1402.385,
        5.038813,
        -5.799136e-2,
        3.287156e-4,
        -1.398845e-6,
        2.787860e-9,
    )
    return sum(c * temperature**power for power, c in enumerate(coefficients))


class Joiner:
    """Joins pings to places as both stream in; `dropped` counts what could not be placed, by reason."""

    def __init__(self, mounting: Mounting | None = None) -> None:
        self._mounting = mounting or Mounting()
        self._waiting: deque[tuple[float, float, int]] = deque()
        self._fix: BoatFix | None = None
        self._leg: BoatFix | None = None  # when it ended, and how fast it went, m/s
        self._strays: list[BoatFix] = []
        self._heading: tuple[float, float] | None = None
        self.dropped: Counter[str] = Counter()

    def heading(self, t: float, degrees: float) -> None:
        """Take the bow's true heading at `t`."""
        self._heading = (t, degrees)

    def depth(self, t: float, depth: float, ping: int = 0) -> None:
        """Take a depth below the surface, m, of a ping of that number; it waits for the next fix."""
        if len(self._waiting) >= _MAX_WAITING:
            self._waiting.popleft()
            self.dropped["no position"] += 1
        self._waiting.append((t, depth, ping))

    def fix(self, t: float, east: float, north: float) -> list[Sounding]:
        """Take a position of the antenna; return the soundings it completes, in order of time."""
        fix = BoatFix(t, east, north)
        if not self._believable(fix):
            return []
        before, self._fix = self._fix, fix
        known = before if self._knows_way(before, fix) else None
        placed: list[Sounding] = []
        while self._waiting and self._waiting[0][0] <= fix.t:
            sounding = self._place(known, fix, *self._waiting.popleft())
            if sounding is not None:
                placed.append(sounding)
        return placed

    def _knows_way(self, before: BoatFix | None, after: BoatFix) -> bool:
        """Tell whether the boat went straight between two fixes, as it does over seconds, and follow how.

        Over longer it is taken to, if it goes on as it came: one that turns half way is
        off the line by half of the gap times by how much its velocity is another.
        """
        if before is None or after.t - before.t < _ONE_FIX_S:
            return before is not None
        gap, came = after.t - before.t, self._leg
        east = (after.east - before.east) / gap
        north = (after.north - before.north) / gap
        self._leg = BoatFix(after.t, east, north)
        if gap <= 2.0 * MOST_GAP_S:
            return True
        if came is None or before.t - came.t > _ONE_FIX_S or gap > LONGEST_STEADY_GAP_S:
            return False
        return (
            math.hypot(east - came.east, north - came.north) * gap / 2.0 <= MOST_BEND_M
        )

    def flush(self) -> None:
        """Give up on pings still waiting for a fix, counting them."""
        if self._waiting:
            self.dropped["no position"] += len(self._waiting)
            self._waiting.clear()

    def _believable(self, fix: BoatFix) -> bool:
        if self._fix is None or not self._jumped(self._fix, fix):
            self._strays.clear()
            return self._fix is None or fix.t >= self._fix.t or self._went_back(fix)
        if self._strays and self._jumped(self._strays[-1], fix):
            self._strays.clear()
        self._strays.append(fix)
        if len(self._strays) < _AGREEING_FIXES:
            self.dropped["jump in position"] += 1
            return False
        # Three fixes agree with each other and not with the old one: the old one was
        # wrong.
        self._strays.clear()
        self._fix = None
        return True

    def _went_back(self, fix: BoatFix) -> bool:
        """Time ran backwards: keep order by refusing the fix, unless the clock was truly set back."""
        assert self._fix is not None
        if self._fix.t - fix.t < MOST_GAP_S:
            self.dropped["fix out of order"] += 1
            return False
        self._fix = None
        return True

    def _jumped(self, a: BoatFix, b: BoatFix) -> bool:
        allowed = _JUMP_ROOM + JUMP_MPS * abs(b.t - a.t)
        return math.hypot(b.east - a.east, b.north - a.north) > allowed

    def _place(
        self, before: BoatFix | None, after: BoatFix, t: float, depth: float, ping: int
    ) -> Sounding | None:
        if before is None or before.t - t > MOST_GAP_S:
            self.dropped["no position"] += 1
            return None
        gap, share = after.t - before.t, 1.0
        if gap > _TOLD_TWICE_S:
            share = (t - before.t) / gap
        east = before.east + share * (after.east - before.east)
        north = before.north + share * (after.north - before.north)
        shift_east, shift_north = self._lever(before, after, t)
        return Sounding(t, east + shift_east, north + shift_north, depth, ping)

    def _lever(self, before: BoatFix, after: BoatFix, t: float) -> tuple[float, float]:
        """Return the way from antenna to transducer, m east and north; zero when no heading is known."""
        forward, starboard = self._mounting.forward, self._mounting.starboard
        if forward == 0.0 and starboard == 0.0:
            return 0.0, 0.0
        bow = self._bow(before, after, t)
        if bow is None:
            return 0.0, 0.0
        sine, cosine = math.sin(bow), math.cos(bow)
        return forward * sine + starboard * cosine, forward * cosine - starboard * sine

    def _bow(self, before: BoatFix, after: BoatFix, t: float) -> float | None:
        """Return the bow's bearing, rad: the compass when fresh, else the course made good."""
        if self._heading is not None and abs(t - self._heading[0]) <= _HEADING_AGE:
            return math.radians(self._heading[1])
        east, north = after.east - before.east, after.north - before.north
        if math.hypot(east, north) < _RELIABLE_COURSE:
            return None
        return math.atan2(east, north)
