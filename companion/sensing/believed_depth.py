"""Which of a sounder's depths are believed to be of the bottom, ping by ping, with no future to look into.

One depth is believed. A ping that can be the same bottom a little further on is
believed at once: it may differ by `step + share * depth`, and by `slope` for each metre
the boat went since. One that cannot is kept apart, with those like it. If the pings
come back, those apart were false echoes; if they stay, it is a ledge, and believed once
`proof_pings` of them span `proof` seconds. Some count for less. Pings of exactly one
value far off are what a sounder sends that holds a false echo, as on recordings of
others: they are believed after `proof_frozen`. Twice the believed depth is the second
echo's, and takes `proof_doubled`. A metre of water straight after several is the
transducer ringing, and so is one that goes on and on under a fast boat.

Until something is believed anew, the last believed depth grows old and then is not
known.

What is spoken and shown needs an answer at once; what is mapped can wait. So every ping
is judged twice: when it comes, and once for good, when what came after it has told. The
second is the same decision with hindsight: the pings that proved a ledge are of the
bottom, and so is a pile crossed between two believed depths, if a bottom may rise so
steeply; a shallow under a fast boat is of the bottom if it ends soon.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median
from typing import Literal, NamedTuple

import msgspec

Belief = Literal["believed", "provisional", "refused"]
"""What is made of a ping: of the bottom; perhaps of the bottom, not to be spoken of; not of the bottom."""
Reason = Literal[
    "no bottom",
    "beyond range",
    "doubled echo",
    "deep spike",
    "stuck near the surface",
    "above the bottom",
    "scatter",
    "never confirmed",
]
"""Why a ping is not of the bottom."""


SMOOTHED_OVER_S = 2.0
"""Depths are smoothed over this time ..."""
FEWEST_SMOOTHED = 3
"""... where so many pings came in it."""
SHORTEST_PATIENCE_S = 5.0
PATIENCE_PINGS = 3.5
"""The last believed ping stands for the present for at least that time, and for as many pings missed."""
INTERVAL_MEMORY = 0.2
"""Weight of the latest interval between pings in their mean."""
RECENT_SHALLOWS = 15
"""Of so many pings the middle one tells whether it is shallow."""


class Ping(NamedTuple):
    """A ping: logic time, s, depth below the surface, m, and its number, counted from 0."""

    t: float
    depth: float
    number: int = 0


class DepthRules(msgspec.Struct, frozen=True):
    """The rules of belief (common practice, no source; held against logs by tests/bench/real_logs.py).

    Attributes:
        deepest: no sounder of these boats sees deeper, m.
        step: how far two pings of one bottom may differ wherever the boat is, m.
        share: the same, as a share of the depth.
        slope: the same for each metre of way made good, m per m.
        steep: the same with hindsight, between two depths that are believed.
        way: the most way that counts, m.
        proof_pings: how many pings prove another bottom.
        proof: how long they have to span, s.
        proof_frozen: the same where they all have one value, `far` from the believed
            one, s.
        far: how far off a frozen value is doubted, as a share of the believed depth.
        proof_doubled: the same at twice the believed depth, s.
        forget: believed depths older than this hold nothing back, s.
        shallow: a depth below the transducer up to which it may be ringing, m.
        fast: speed from which a long shallow is doubted, m/s.
        run: how long, m.
    """

    deepest: float = 200.0
    step: float = 0.5
    share: float = 0.05
    slope: float = 0.3
    steep: float = 0.7
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

    def fault(self, depth: float) -> Reason | None:
        """Return why a depth, m, cannot be one whatever is around it; None: it can."""
        if not math.isfinite(depth) or depth <= 0.0:
            return "no bottom"
        if depth > self.deepest:
            return "beyond range"
        return None

    def is_one_bottom(
        self, before: Ping, ping: Ping, speed: float, steep: bool = False
    ) -> bool:
        """Tell whether two pings may be of one bottom, at a speed made good, m/s; `steep`: with hindsight."""
        way = min(speed * (ping.t - before.t), self.way)
        slope = self.steep if steep else self.slope
        allowed = self.step + self.share * min(before.depth, ping.depth) + slope * way
        return abs(ping.depth - before.depth) <= allowed

    def goes_on(
        self, last: Ping, run: list[Ping] | None, ping: Ping, speed: float
    ) -> bool:
        """Tell whether a ping continues the believed bottom rather than a run that is kept apart."""
        if not self.is_one_bottom(last, ping, speed):
            return False
        return run is None or abs(ping.depth - last.depth) <= abs(
            ping.depth - run[-1].depth
        )

    def is_proved(self, run: list[Ping], last: Ping | None, back: bool = False) -> bool:
        """Tell whether a run is another bottom than the last believed ping's; `back`: the one before it."""
        if len(run) < self.proof_pings:
            return False
        if last is None:
            return True
        span = run[-1].t - run[0].t
        if _is_doubled(run[-1].depth, last.depth):
            return span >= self.proof_doubled
        if self.is_frozen(run, last) and not back:
            return span >= self.proof_frozen
        return span >= self.proof

    def is_frozen(self, run: list[Ping], last: Ping) -> bool:
        """Tell whether a run far off the last believed ping is of one value, as a held echo is."""
        far = abs(run[-1].depth - last.depth) > self.far * last.depth
        return far and len({round(ping.depth, 2) for ping in run}) < self.proof_pings

    def leading_over(
        self, last: Ping, apart: list[Ping], ping: Ping, speed: float
    ) -> list[Ping]:
        """Return the pings over which a steep bottom may lead from the last believed one to a later one."""
        way = [last]
        for one in apart:
            if one.t <= ping.t and self.is_one_bottom(way[-1], one, speed, steep=True):
                way.append(one)
        while len(way) > 1 and not self.is_one_bottom(way[-1], ping, speed, steep=True):
            way.pop()
        return way[1:]


class Settled(NamedTuple):
    """A ping that has been judged for good.

    Attributes:
        number: of the ping.
        reason: why it is not of the bottom; None: it is.
        bottom: the depth that was believed when it was refused, m.
        run: the number of the first of the pings that it was judged with.
    """

    number: int
    reason: Reason | None = None
    bottom: float = math.nan
    run: int = -1


class Verdict(NamedTuple):
    """The number of a ping, what is made of it now, and which pings have been judged for good by it."""

    number: int
    belief: Belief
    settled: tuple[Settled, ...]


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
        self._count = 0
        self._began = False
        self._believed: deque[Ping] = deque()
        self._unproved: list[Ping] = []
        self._apart: list[list[Ping]] = []
        self._settled: list[Settled] = []
        self._shallows = _Shallows(self.rules)
        self._frozen = _Frozen(self.rules)
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

        A sounder too slow for a median gives its last ping: a median of two would be
        the shallower one.
        """
        recent = [ping.depth for ping in self._believed if ping.t > t - SMOOTHED_OVER_S]
        if len(recent) >= FEWEST_SMOOTHED:
            return median(recent)
        if self.last is None:
            return None
        return self.last.depth

    def accept_ping(self, t: float, depth: float, speed: float) -> Verdict:
        """Fold in a depth below the surface, m, at logic time t, s; the boat makes good `speed` m/s."""
        ping = Ping(t, depth, self._count)
        self._count += 1
        belief = self._judge(ping, speed)
        return Verdict(ping.number, belief, self._take_settled())

    def finish(self) -> tuple[Settled, ...]:
        """Judge for good what still waits, for no more pings come; what is not confirmed is refused."""
        self._settle_bottom(self._frozen.release())
        self._settle_bottom(self._shallows.release())
        self._give_up()
        self._refuse(self._unproved, "never confirmed")
        self._unproved = []
        return self._take_settled()

    def _judge(self, ping: Ping, speed: float) -> Belief:
        fault = self.rules.fault(ping.depth)
        if fault is not None:
            self._refuse([ping], fault)
            return "refused"
        since = self._time_since(ping.t)
        if self.last is not None and ping.t - self.last.t > self.rules.forget:
            self._believed.clear()
            self._settle_bottom(self._frozen.release())
            self._give_up()
        shallow = self._shallows.accept(ping, speed * since, since, self.transducer)
        if shallow == "ringing":
            self._refuse([*self._shallows.release(), ping], "stuck near the surface")
            return "refused"
        if shallow == "clear":
            self._settle_bottom(self._shallows.release())
        if not self._began:
            self._began = True
            self._believed.append(ping)
            self._level = ping.depth
            self._unproved = [ping]
            return "believed"
        return self._compare(ping, speed)

    def _time_since(self, t: float) -> float:
        """Return the time since the ping before, s, and learn how often they come."""
        since = 0.0 if self._latest is None else t - self._latest
        self._latest = t
        if 0.0 < since < SHORTEST_PATIENCE_S:
            self._interval += INTERVAL_MEMORY * (since - self._interval)
        return since

    def _compare(self, ping: Ping, speed: float) -> Belief:
        """Judge a ping by the believed bottom and by what is kept apart."""
        last = self.last
        alike = [
            run for run in self._apart if self.rules.is_one_bottom(run[-1], ping, speed)
        ]
        run = min(alike, key=lambda run: abs(run[-1].depth - ping.depth), default=None)
        if last is not None and self.rules.goes_on(last, run, ping, speed):
            self._look_back(last, ping, speed)
            return self._believe([ping])
        if self._rings(ping):
            self._refuse([ping], "stuck near the surface")
            return "refused"
        if run is None:
            run = []
            self._apart.append(run)
        run.append(ping)
        self._drop_old(ping.t)
        if not self.rules.is_proved(run, last, self._frozen.is_former(ping)):
            return "provisional"
        self._apart.remove(run)
        self._settle_frozen(run, last)
        self._look_back(last, run[0], speed)
        self._refuse(self._unproved, "scatter")
        self._unproved = []
        self._believed.clear()
        return self._believe(run)

    def _believe(self, pings: list[Ping]) -> Belief:
        self._believed.extend(pings)
        self._level = pings[-1].depth
        while self._believed[0].t < self._believed[-1].t - SMOOTHED_OVER_S:
            self._believed.popleft()
        if self._unproved:
            self._prove(pings)
        else:
            self._settle_bottom(self._shallows.hold(self._frozen.hold(pings)))
        return "believed"

    def _settle_frozen(self, run: list[Ping], last: Ping | None) -> None:
        """Judge the echo that was held when another bottom is proved, and hold that if it is one."""
        back = self._frozen.is_former(run[-1])
        held = self._frozen.release()
        if back:
            self._refuse(held, _reason(held, run[-1]))
        else:
            self._settle_bottom(held)
        if last is not None and not back and self.rules.is_frozen(run, last):
            self._frozen.begin(last)

    def _prove(self, pings: list[Ping]) -> None:
        """Settle what the first ping began, once enough others have gone on from it."""
        self._unproved += pings
        span = self._unproved[-1].t - self._unproved[0].t
        if len(self._unproved) >= self.rules.proof_pings and span >= self.rules.proof:
            self._settle_bottom(self._shallows.hold(self._unproved))
            self._unproved = []

    def _look_back(self, last: Ping | None, ping: Ping, speed: float) -> None:
        """Judge what was kept apart, now that the bottom is believed to go on, or anew, with a ping."""
        apart = sorted(one for run in self._apart for one in run)
        leading: list[Ping] = []
        if last is not None:
            leading = self.rules.leading_over(last, apart, ping, speed)
        self._settle_bottom(self._shallows.hold(leading))
        for run in self._apart:
            rest = [one for one in run if one not in leading]
            if rest:
                self._refuse(rest, _reason(rest, last))
        self._apart = []

    def _drop_old(self, t: float) -> None:
        old = [run for run in self._apart if t - run[-1].t > self.rules.proof_doubled]
        for run in old:
            self._refuse(run, _reason(run, self.last))
            self._apart.remove(run)

    def _give_up(self) -> None:
        for run in self._apart:
            self._refuse(run, "never confirmed")
        self._apart = []

    def _rings(self, ping: Ping) -> bool:
        """Tell whether a ping is a metre of water straight after several: the transducer ringing.

        It is not where a metre was the bottom until one echo was held.
        """
        return (
            ping.depth - self.transducer <= self.rules.shallow
            and ping.depth < self._level / 3.0
            and not self._frozen.is_former(ping)
        )

    def _refuse(self, pings: list[Ping], reason: Reason) -> None:
        bottom = math.nan if self.last is None else self.last.depth
        self._settled += [
            Settled(ping.number, reason, bottom, pings[0].number) for ping in pings
        ]

    def _settle_bottom(self, pings: list[Ping]) -> None:
        self._settled += [Settled(ping.number) for ping in pings]

    def _take_settled(self) -> tuple[Settled, ...]:
        settled, self._settled = tuple(self._settled), []
        return settled


def _reason(run: list[Ping], last: Ping | None) -> Reason:
    if last is None:
        return "scatter"
    if _is_doubled(run[0].depth, last.depth):
        return "doubled echo"
    if run[0].depth > last.depth:
        return "deep spike"
    return "above the bottom"


def _is_doubled(depth: float, believed: float) -> bool:
    return abs(depth - 2.0 * believed) <= 0.08 * depth


class _Shallows:
    """Doubts a very shallow bottom under a fast boat; once it has gone on for too long, it is ringing."""

    def __init__(self, rules: DepthRules) -> None:
        self._rules = rules
        self._recent: deque[tuple[Ping, float, float]] = deque(maxlen=RECENT_SHALLOWS)
        self._held: list[Ping] = []
        self._way = 0.0
        self._state: Literal["clear", "doubtful", "ringing"] = "clear"

    def accept(
        self, ping: Ping, way: float, since: float, transducer: float
    ) -> Literal["clear", "doubtful", "ringing"]:
        """Fold in a ping, way, m, and time, s, since the one before, and the transducer's depth, m."""
        self._recent.append((ping, way, since))
        if not self._is_doubtful(transducer):
            self._state, self._way = "clear", 0.0
            return self._state
        if self._state == "clear":
            self._state = "doubtful"
        self._way += way
        if self._way >= self._rules.run:
            self._state = "ringing"
        return self._state

    def hold(self, pings: list[Ping]) -> list[Ping]:
        """Keep believed pings back while they are doubtful; return those that are not."""
        if self._state == "clear":
            return pings
        self._held += pings
        return []

    def release(self) -> list[Ping]:
        """Return what was kept back."""
        held, self._held = self._held, []
        return held

    def _is_doubtful(self, transducer: float) -> bool:
        rules, recent = self._rules, self._recent
        shallow = transducer + rules.shallow
        if recent[-1][0].depth > shallow and self._state == "clear":
            return False
        # Once it rings, only a slow boat or a clearly deeper bottom ends it.
        if self._state == "ringing":
            shallow = transducer + 2.0 * rules.shallow
        if median(ping.depth for ping, _, _ in recent) > shallow:
            return False
        steps = list(recent)[1:]
        way, lasted = (
            sum(way for _, way, _ in steps),
            sum(since for _, _, since in steps),
        )
        return len(recent) < rules.proof_pings or way >= rules.fast * lasted


class _Frozen:
    """Keeps back the pings of a bottom far off the former one, until they are of more than one value.

    Such a bottom is believed, and may yet be a false echo that the sounder held: it is
    one when the former bottom comes back before the value has varied.
    """

    def __init__(self, rules: DepthRules) -> None:
        self._rules = rules
        self._former: Ping | None = None
        self._held: list[Ping] = []

    def begin(self, former: Ping) -> None:
        """Keep back what is believed from now on, after a former bottom."""
        self._former = former

    def hold(self, pings: list[Ping]) -> list[Ping]:
        """Keep believed pings back while they are of one value; return those that are not."""
        if self._former is None:
            return pings
        self._held += pings
        span = self._held[-1].t - self._held[0].t
        values = {round(ping.depth, 2) for ping in self._held}
        if len(values) < self._rules.proof_pings and span < self._rules.proof_doubled:
            return []
        return self.release()

    def is_former(self, ping: Ping) -> bool:
        """Tell whether a ping is of the former bottom, while the present one may be a held echo."""
        former = self._former
        return former is not None and self._rules.is_one_bottom(former, ping, 0.0)

    def release(self) -> list[Ping]:
        """Return what was kept back; the present bottom is as good as any."""
        held, self._held, self._former = self._held, [], None
        return held
