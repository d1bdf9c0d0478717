"""Which of a sounder's depths are believed to be of the bottom, ping by ping, with no future to look into.

One depth is believed. A ping that can be the same bottom a little further on is believed at once: it may
differ by `step + share * depth`, and by `slope` for each metre the boat went since. One that cannot is kept
apart, with those like it. If the pings come back, those apart were false echoes; if they stay, it is a ledge,
and believed once `proof_pings` of them span `proof` seconds. Some count for less. Pings of exactly one value
far off are what a sounder sends that holds a false echo, as on recordings of others: they are believed after
`proof_frozen`. Twice the believed depth is the second echo's, and takes `proof_doubled`. A metre of
water straight after several is the transducer ringing, and so is one that goes on and on under a fast boat.

Until something is believed anew, the last believed depth grows old and then is not known.
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import Literal, NamedTuple

import msgspec

Belief = Literal["believed", "provisional", "refused"]
"""What is made of a ping: of the bottom; perhaps of the bottom, not to be spoken of; not of the bottom."""


SMOOTHED_OVER_S = 2.0
"""Depths are smoothed over this time ..."""
FEWEST_SMOOTHED = 3
"""... where so many pings came in it."""
SHORTEST_PATIENCE_S = 5.0
PATIENCE_PINGS = 3.5
"""The last believed ping stands for the present for at least that time, and for as many pings missed."""
INTERVAL_MEMORY = 0.2
"""Weight of the latest interval between pings in their mean."""


class DepthRules(msgspec.Struct, frozen=True):
    """The rules of belief (common practice, no source; held against logs by tests/bench/real_logs.py).

    Attributes:
        step: how far two pings of one bottom may differ wherever the boat is, m.
        share: the same, as a share of the depth.
        slope: the same for each metre of way made good, m per m.
        way: the most way that counts, m.
        proof_pings: how many pings prove another bottom.
        proof: how long they have to span, s.
        proof_frozen: the same where they all have one value, `far` from the believed one, s.
        far: how far off a frozen value is doubted, as a share of the believed depth.
        proof_doubled: the same at twice the believed depth, s.
        forget: believed depths older than this hold nothing back, s.
        shallow: a depth below the transducer up to which it may be ringing, m.
        fast: speed from which a long shallow is doubted, m/s.
        run: how long, m.
    """

    step: float = 0.5
    share: float = 0.05
    slope: float = 0.3
    way: float = 6.0
    proof_pings: int = 3
    proof: float = 2.0
    proof_frozen: float = 6.0
    far: float = 0.4
    proof_doubled: float = 15.0
    forget: float = 20.0
    shallow: float = 1.5
    fast: float = 2.5
    run: float = 100.0


class Ping(NamedTuple):
    """A ping: logic time, s, and depth below the surface, m."""

    t: float
    depth: float


class BelievedDepth:
    """Follows a sounder and tells which depth is believed.

    Attributes:
        rules: what is believed.
        transducer: how far below the surface the transducer is, m.
    """

    def __init__(self, rules: DepthRules | None = None) -> None:
        self.rules = rules or DepthRules()
        self.transducer = 0.0
        self._latest: float | None = None
        self._believed: deque[Ping] = deque()
        self._apart: list[list[Ping]] = []
        self._shallow_way = 0.0
        self._interval = 1.0
        self._level = 0.0

    @property
    def last(self) -> Ping | None:
        """The last believed ping; None when nothing is believed."""
        return self._believed[-1] if self._believed else None

    @property
    def oldest(self) -> float:
        """Return the age, s, up to which a believed ping stands for now: a few pings may be missed."""
        return max(SHORTEST_PATIENCE_S, PATIENCE_PINGS * self._interval)

    def smoothed(self, t: float) -> float | None:
        """Return the median of what was believed of late, m; None when nothing is believed.

        A sounder too slow for a median gives its last ping: a median of two would be the shallower one.
        """
        recent = [ping.depth for ping in self._believed if ping.t > t - SMOOTHED_OVER_S]
        if len(recent) >= FEWEST_SMOOTHED:
            return median(recent)
        return None if self.last is None else self.last.depth

    def forget(self) -> None:
        """Believe nothing: the depth was lost."""
        self._believed.clear()
        self._apart.clear()

    def accept_ping(self, t: float, depth: float, speed: float) -> Belief:
        """Fold in a depth below the surface, m, at logic time t, s; the boat makes good `speed` m/s."""
        ping, last = Ping(t, depth), self.last
        if self._latest is None:
            self._latest = t
            return self._believe([ping])
        since, self._latest = t - self._latest, t
        if since < SHORTEST_PATIENCE_S:
            self._interval += INTERVAL_MEMORY * (since - self._interval)
        if last is not None and t - last.t > self.rules.forget:
            self.forget()
            last = None
        if self._rings_under_way(ping, since, speed):
            return "refused"
        run = next((run for run in self._apart if self._is_one_bottom(run[-1], ping, speed)), None)
        if last is not None and self._goes_on(last, run, ping, speed):
            return self._believe([ping])
        if run is None:
            run = []
            self._apart.append(run)
        run.append(ping)
        self._apart = [one for one in self._apart if t - one[-1].t <= self.rules.proof_doubled]
        if self._rings(ping):
            return "refused"
        return self._believe(run) if self._is_proved(run, last) else "provisional"

    def _is_one_bottom(self, before: Ping, ping: Ping, speed: float) -> bool:
        rules = self.rules
        way = min(speed * (ping.t - before.t), rules.way)
        allowed = rules.step + rules.share * min(before.depth, ping.depth) + rules.slope * way
        return abs(ping.depth - before.depth) <= allowed

    def _goes_on(self, last: Ping, run: list[Ping] | None, ping: Ping, speed: float) -> bool:
        """Tell whether a ping continues the believed bottom rather than what is kept apart."""
        if not self._is_one_bottom(last, ping, speed):
            return False
        return run is None or abs(ping.depth - last.depth) <= abs(ping.depth - run[-1].depth)

    def _is_proved(self, run: list[Ping], last: Ping | None) -> bool:
        rules = self.rules
        if len(run) < rules.proof_pings:
            return False
        if last is None:
            return True
        span = run[-1].t - run[0].t
        if abs(run[-1].depth - 2.0 * last.depth) <= 0.08 * run[-1].depth:
            return span >= rules.proof_doubled
        far = abs(run[-1].depth - last.depth) > rules.far * last.depth
        frozen = far and len({round(ping.depth, 2) for ping in run}) < rules.proof_pings
        return span >= (rules.proof_frozen if frozen else rules.proof)

    def _believe(self, pings: list[Ping]) -> Belief:
        if len(pings) > 1:
            self._believed.clear()
        self._believed.extend(pings)
        self._apart.clear()
        self._level = pings[-1].depth
        while self._believed[0].t < self._believed[-1].t - SMOOTHED_OVER_S:
            self._believed.popleft()
        return "believed"

    def _rings(self, ping: Ping) -> bool:
        return ping.depth - self.transducer <= self.rules.shallow and ping.depth < self._level / 3.0

    def _rings_under_way(self, ping: Ping, since: float, speed: float) -> bool:
        """Tell whether a shallow has gone on under a fast boat for longer than there are such shallows."""
        if speed < self.rules.fast or ping.depth - self.transducer > self.rules.shallow:
            self._shallow_way = 0.0
        else:
            self._shallow_way += speed * since
        return self._shallow_way > self.rules.run
