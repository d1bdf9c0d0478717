"""Gates against false echoes: what is not the bottom is dropped and counted, real ledges stay.

The gate believes a level. A sounding that could be the same bottom a little further on is kept at
once. One that could not is held: if the soundings come back to the believed level, what was held was
a spike, a second echo, or something above the bottom; if they stay, it was a ledge and all of it is
kept. A bottom of a metre or so that goes on and on under a fast boat is the sounder ringing in deep
water. All lengths are metres, times logic seconds.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass
from statistics import median

from companion.lakebed.soundings import Sounding

_RECENT = 15
_MOST_RUNS = 6


@dataclass(frozen=True, slots=True)
class GateLimits:
    """The limits of the gates (common practice, no source; checked on recorded logs).

    Two soundings are of one bottom when their depths differ by at most
    `step + share * depth + slope * distance`, distance counted up to `near` m. Held soundings are
    believed after `proof` s (`proof_doubled` when they look like a second echo) and `proof_pings`.
    Depths up to `shallow` m below the transducer are doubted when a boat faster than `fast` m/s keeps
    them for `run` m.
    """

    deepest: float = 200.0
    step: float = 0.5
    share: float = 0.05
    slope: float = 0.7
    near: float = 6.0
    proof: float = 4.0
    proof_doubled: float = 15.0
    proof_pings: int = 4
    shallow: float = 1.5
    fast: float = 2.5
    run: float = 100.0


class Excursion:
    """Returns from above a bottom that was seen before and after them.

    `soundings` are the returns, `bottom` the believed depth, m; `seen` the last sounding of it.
    """

    __slots__ = ("bottom", "seen", "soundings")

    def __init__(self, soundings: list[Sounding], bottom: float, seen: Sounding) -> None:
        self.soundings = soundings
        self.bottom = bottom
        self.seen = seen


class Gate:
    """Passes soundings of the bottom; `dropped` counts the rest by reason.

    `excursions` collects what was dropped from above the bottom since it was last taken, for
    `companion.lakebed.cover`.
    """

    def __init__(self, limits: GateLimits | None = None) -> None:
        self._limits = limits or GateLimits()
        self._last: Sounding | None = None
        self._held: list[list[Sounding]] = []
        self._shallows = _Shallows(self._limits)
        self.dropped: Counter[str] = self._shallows.dropped
        self.excursions: list[Excursion] = []

    @property
    def transducer(self) -> float:
        """Return how far below the surface the transducer hangs, m: a sounder rings at a distance from it."""
        return self._shallows.transducer

    @transducer.setter
    def transducer(self, depth: float) -> None:
        self._shallows.transducer = depth

    def push(self, sounding: Sounding) -> list[Sounding]:
        """Take a sounding; return those now known to be of the bottom, in order of time."""
        fault = self._fault(sounding)
        if fault is not None:
            self.dropped[fault] += 1
            return []
        run = next((run for run in reversed(self._held) if self._same_bottom(run[-1], sounding)), None)
        if self._last is not None and self._goes_on(self._last, run, sounding):
            self._drop_held(self._last)
            self._last = sounding
            return self._shallows.push(sounding)
        run = self._hold(run, sounding)
        return self._believe(run) if self._proved(run) else []

    def flush(self) -> list[Sounding]:
        """End of the day: return what the gates still held and believe; count what was never proved."""
        self._drop_all_held("never confirmed")
        self._last = None
        return self._shallows.flush()

    def _fault(self, sounding: Sounding) -> str | None:
        if not math.isfinite(sounding.depth) or sounding.depth <= 0.0:
            return "no bottom"
        return "beyond range" if sounding.depth > self._limits.deepest else None

    def _same_bottom(self, a: Sounding, b: Sounding) -> bool:
        limits = self._limits
        way = min(_way(a, b), limits.near)
        allowed = limits.step + limits.share * min(a.depth, b.depth) + limits.slope * way
        return abs(b.depth - a.depth) <= allowed

    def _goes_on(self, last: Sounding, run: list[Sounding] | None, sounding: Sounding) -> bool:
        """Return whether a sounding continues the believed bottom rather than what is held beside it."""
        if not self._same_bottom(last, sounding):
            return False
        return run is None or abs(sounding.depth - last.depth) <= abs(sounding.depth - run[-1].depth)

    def _hold(self, run: list[Sounding] | None, sounding: Sounding) -> list[Sounding]:
        if run is not None:
            run.append(sounding)
            return run
        self._held.append([sounding])
        if len(self._held) > _MOST_RUNS:
            self.dropped["scatter"] += len(self._held.pop(0))
        return self._held[-1]

    def _proved(self, run: list[Sounding]) -> bool:
        if len(run) < self._limits.proof_pings:
            return False
        if self._last is not None and self._rings(run[-1].depth, self._last.depth):
            return False
        doubled = self._last is not None and _is_double(run[-1].depth, self._last.depth)
        proof = self._limits.proof_doubled if doubled else self._limits.proof
        return run[-1].t - run[0].t >= proof

    def _rings(self, depth: float, believed: float) -> bool:
        """A metre of water straight after several is the transducer ringing, however long it lasts."""
        return depth <= self._shallows.depth and depth < believed / 3.0

    def _believe(self, run: list[Sounding]) -> list[Sounding]:
        self._held.remove(run)
        if self._last is None:
            self._drop_all_held("scatter")
        else:
            self._drop_held(self._last)
        self._last = run[-1]
        return [kept for sounding in run for kept in self._shallows.push(sounding)]

    def _drop_all_held(self, reason: str) -> None:
        if self._held:
            self.dropped[reason] += sum(map(len, self._held))
            self._held.clear()

    def _drop_held(self, believed: Sounding) -> None:
        for run in self._held:
            self.dropped[self._reason(run[0].depth, believed.depth)] += len(run)
            if run[0].depth < believed.depth and not self._rings(run[0].depth, believed.depth):
                self.excursions.append(Excursion(run, believed.depth, believed))
        self._held.clear()

    def _reason(self, depth: float, believed: float) -> str:
        if _is_double(depth, believed):
            return "doubled echo"
        if depth > believed:
            return "deep spike"
        return "stuck near the surface" if self._rings(depth, believed) else "above the bottom"


def _is_double(depth: float, believed: float) -> bool:
    return abs(depth - 2.0 * believed) <= 0.08 * depth


class _Shallows:
    """Doubts a very shallow bottom under a fast boat: held at first, dropped once it has gone on too long."""

    def __init__(self, limits: GateLimits) -> None:
        self._limits = limits
        self._recent: deque[Sounding] = deque(maxlen=_RECENT)
        self._held: list[Sounding] = []
        self._ringing = False
        self.transducer = 0.0
        self.dropped: Counter[str] = Counter()

    @property
    def depth(self) -> float:
        """The depth below the surface, m, down to which a sounding is doubted."""
        return self.transducer + self._limits.shallow

    def push(self, sounding: Sounding) -> list[Sounding]:
        self._recent.append(sounding)
        if not self._doubtful():
            return [*self.flush(), sounding]
        self._held.append(sounding)
        if _way(self._held[0], sounding) >= self._limits.run:
            self._ringing = True
        if self._ringing:
            self.dropped["stuck near the surface"] += len(self._held)
            self._held.clear()
        return []

    def flush(self) -> list[Sounding]:
        kept, self._held = self._held, []
        self._ringing = False
        return kept

    def _doubtful(self) -> bool:
        recent, limits = self._recent, self._limits
        if recent[-1].depth > self.depth and not self._held and not self._ringing:
            return False
        # Once it rings, only a slow boat or a clearly deeper bottom ends it.
        ends = self.transducer + limits.shallow * (2.0 if self._ringing else 1.0)
        if median(sounding.depth for sounding in recent) > ends:
            return False
        lasted = recent[-1].t - recent[0].t
        return len(recent) < limits.proof_pings or _way(recent[0], recent[-1]) >= limits.fast * lasted


def _way(a: Sounding, b: Sounding) -> float:
    return math.hypot(b.east - a.east, b.north - a.north)
