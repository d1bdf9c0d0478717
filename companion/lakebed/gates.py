"""Gates against false echoes: where the pings were that are of the bottom, and where the others.

What is of the bottom is decided in one place, `companion.sensing.believed_depth`, for
whatever is spoken, shown and mapped. Here each ping's place, known once the fix after
it is, meets its verdict, known once enough pings came after it; whichever is later lets
it pass. Lengths are metres, times logic seconds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from companion.lakebed.soundings import Sounding
from companion.sensing.believed_depth import BelievedDepth, Settled

MOST_WAITING = 5_000
"""So many pings wait for their place or their verdict at most; the oldest are given up."""


@dataclass(slots=True)
class Excursion:
    """Returns from above a bottom that was believed before and after them: `soundings`, and its depth, m."""

    bottom: float
    soundings: list[Sounding] = field(default_factory=list)


class Gate:
    """Passes soundings of the bottom; `dropped` counts the rest by reason.

    `excursions` collects what was dropped from above the bottom since it was last
    taken, for `companion.lakebed.cover`.
    """

    def __init__(self) -> None:
        self.dropped: Counter[str] = Counter()
        self.excursions: list[Excursion] = []
        self._placed: dict[int, Sounding] = {}
        self._settled: dict[int, Settled] = {}
        self._above: dict[int, Excursion] = {}

    def accept_place(self, sounding: Sounding) -> list[Sounding]:
        """Take where a ping was; return the sounding if it is of the bottom for good."""
        settled = self._settled.pop(sounding.ping, None)
        if settled is not None:
            return self._join(sounding, settled)
        self._placed[sounding.ping] = sounding
        if len(self._placed) > MOST_WAITING:
            del self._placed[next(iter(self._placed))]
        return []

    def settle(self, settled: Iterable[Settled]) -> list[Sounding]:
        """Take verdicts for good; return the soundings now known to be of the bottom."""
        passed = []
        for one in settled:
            sounding = self._placed.pop(one.number, None)
            if sounding is not None:
                passed += self._join(sounding, one)
                continue
            self._settled[one.number] = one
            if len(self._settled) > MOST_WAITING:
                del self._settled[next(iter(self._settled))]
        return passed

    def leave(self) -> None:
        """Forget places and counts: the boat is on another water, on a plane of its own."""
        self.dropped = Counter()
        self._placed.clear()
        self._above.clear()

    def _join(self, sounding: Sounding, settled: Settled) -> list[Sounding]:
        if settled.reason is None:
            # Places come in order: what was above the bottom before this one is
            # complete.
            self.excursions += [
                self._above.pop(run) for run in list(self._above) if run < sounding.ping
            ]
            return [sounding]
        self.dropped[settled.reason] += 1
        if settled.reason == "above the bottom":
            self._above.setdefault(
                settled.run, Excursion(settled.bottom)
            ).soundings.append(sounding)
        return []


class TrackGate:
    """A gate for a track whose places are known: it judges each sounding as it comes.

    Attributes:
        gate: counts what was dropped, and why.
    """

    def __init__(self) -> None:
        self.gate = Gate()
        self._belief = BelievedDepth()
        self._last: Sounding | None = None

    def push(self, sounding: Sounding) -> list[Sounding]:
        """Take a sounding; return those now known to be of the bottom."""
        last, self._last = self._last, sounding
        speed = 0.0
        if last is not None and sounding.t > last.t:
            way = math.hypot(sounding.east - last.east, sounding.north - last.north)
            speed = way / (sounding.t - last.t)
        verdict = self._belief.accept_ping(sounding.t, sounding.depth, speed)
        self.gate.accept_place(sounding._replace(ping=verdict.number))
        return self.gate.settle(verdict.settled)

    def flush(self) -> list[Sounding]:
        """End of the track: return what was still held and is believed; count what was never proved."""
        return self.gate.settle(self._belief.finish())
