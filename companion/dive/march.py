"""From instant to instant: when to solve, and how to get from one balance to the next."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import Balance, Case, Instant, Quadrature
from companion.dive.limits import DiveError
from companion.dive.slack import ReelAndTip, SlackLines, advanced

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

BDF_ORDER = 3
"""Order of the backward differences once enough instants are known."""
NEWTON_TOLERANCE_RAD = 1e-4
"""Turn of the line, rad, at which a balance counts as solved: a reach is the same
within 0.01 % as with a hundredth of it; with twice as much it may be 1 % off."""
NEWTON_REST_RAD = 3e-5
"""The same for the turn still to come, by how fast the last two shrank."""
DAMPING_SPEED_M_S = 2.0
"""Sideways speed, m/s, added to the line's when Newton's method has failed once."""
NEWTON_MAX_ITERATIONS = 40
"""Newton steps before a solve is given up and the time step halved."""
MAX_TURN_AT_ONCE_RAD = 0.5
"""Turn of the line, rad, that Newton's method makes at most at once."""
MAX_TURN_PER_STEP_RAD = 0.8
"""Turn of the line, rad, in one time step that is not believed."""
LEAST_PULL_N = 1e-3
"""Tension below which the line counts as slack."""
NEARLY_IN = 0.25
"""Share of the line left at which a path may end early: at the boat a light lure has no steady balance."""
MIN_STEP_S = 1e-3
"""Time step, s, below which a step that finds no balance is not halved again."""
SLACK_STEP_S = 0.06
"""Longest time step while the line is slack."""


@dataclass(frozen=True, slots=True, eq=False)
class TimeGrid:
    """The instants to solve at, and what reel and boat do there; n instants after the start, B cases.

    Attributes:
        t: s, (n + 1, B).
        length: of line out, m, (n + 1, B).
        reeling: m/s, (n + 1, B).
        tip: place of the rod tip, (n + 1, B).
    """

    t: Floats
    length: Floats
    reeling: Floats
    tip: Vectors

    def __len__(self) -> int:
        return len(self.t)

    def split(self, k: int, share: float = 0.5) -> TimeGrid:
        """Return the plan with one more instant between k - 1 and k, at a share of the time between."""
        between = (a[k - 1] + share * (a[k] - a[k - 1]) for a in self._all())
        return TimeGrid(
            *(
                np.insert(a, k, m, axis=0)
                for a, m in zip(self._all(), between, strict=True)
            )
        )

    def until(self, k: int) -> TimeGrid:
        """Return the plan without instant k and what follows."""
        return TimeGrid(self.t[:k], self.length[:k], self.reeling[:k], self.tip[:k])

    def _all(self) -> tuple[Floats, Floats, Floats, Vectors]:
        return self.t, self.length, self.reeling, self.tip


@dataclass(slots=True, eq=False)
class State:
    """A solved instant.

    Attributes:
        t: s, (B,).
        phi: angle of the line, rad, (B, N).
        line: places of the points on the line, (B, N).
        lure: place of the lure, (B,).
        velocity: of the lure, m/s, (B,).
        pull: tension of the line at the lure, N, (B,).
        swum: distance the lure has swum, m, (B,).
        led: share of its lift that its lip has, (B,).
        tension: of the line at its points, N, (B, N); where it is folded, the unknown
            of `companion.dive.slack`, below 0.
        tip_force: what line and lure are drawn with at the rod tip, N, (B,).
        touching: whether the lure touches the bottom, (B,).
    """

    t: Floats
    phi: Floats
    line: Vectors
    lure: Vectors
    velocity: Vectors
    pull: Floats
    swum: Floats
    led: Floats
    tension: Floats
    tip_force: Vectors
    touching: NDArray[np.bool_]


class PastWeights(NamedTuple):
    """The weights of known instants at a later one, by the polynomial through them.

    Attributes:
        rate: of the later one's own value in its derivative, 1/s, (B,).
        past: of the known values in that, 1/s, (known, B).
        ahead: of them in the value that the polynomial has then, (known, B).
    """

    rate: Floats
    past: Floats
    ahead: Floats


def past_weights(known: Sequence[Floats], t: Floats) -> PastWeights:
    """Return the weights of values at known times at a later time t, s, all (B,)."""
    times = np.array(known)
    gaps = t - times
    apart = times[:, None] - times
    own = np.arange(len(times))
    apart[own, own] = 1.0
    ahead = gaps.prod(axis=0) / (gaps * apart.prod(axis=1))
    return PastWeights((1.0 / gaps).sum(axis=0), -ahead / gaps, ahead)


def solve_balance(
    case: Case, points: Quadrature, now: Instant, phi: Floats, brisk: float = 0.0
) -> Balance | None:
    """Return the balance at an instant, by Newton's method from the angles phi; None if it fails.

    A step that makes the balance much worse is taken back and halved: drag, square to
    speed, has no slope at rest. The Jacobian is kept while it shrinks the error at
    least threefold a step. With `brisk`, m/s, the line's drag is first taken for
    steeper than it is: slower, but surer from rest.
    """
    inverse, last, change, whole = None, math.inf, np.zeros_like(phi), np.ones(len(phi))
    share, off = whole, np.full(len(phi), math.inf)
    for tried in range(NEWTON_MAX_ITERATIONS):
        balance = Balance(case, points, now, phi)
        left = np.abs(balance.residual).max(axis=1)
        worse = left > 1.2 * off + 1e-9
        if worse.any() and share.min() > 0.05:
            phi = phi + np.where(worse, 0.5 * share, 0.0)[:, None] * change
            share = np.where(worse, 0.5 * share, share)
            inverse = None
            continue
        off = left
        try:
            if inverse is None:
                inverse = np.linalg.inv(balance.jacobian(brisk))
        except np.linalg.LinAlgError:
            return None
        change = (inverse @ balance.residual[:, :, None])[:, :, 0]
        turns = np.abs(change)
        worst = float(turns.max())
        if not math.isfinite(worst):
            return None
        share = whole
        if worst > MAX_TURN_AT_ONCE_RAD:
            share = np.minimum(1.0, MAX_TURN_AT_ONCE_RAD / (turns.max(axis=1) + 1e-30))
        phi = phi - share[:, None] * change
        if (
            worst < NEWTON_TOLERANCE_RAD
            or _still_to_come(worst, last) < NEWTON_REST_RAD
        ):
            return Balance(case, points, now, phi)
        if brisk > 0.0:
            brisk, inverse = (0.6 * brisk if brisk > 1e-3 else 0.0), None
        if worst > 0.3 * last or (tried == 0 and worst > 0.05):
            inverse = None
        last = worst
    return None


def _still_to_come(turn: float, last: float) -> float:
    """Return how far a line still turns after a turn, rad, if all shrink as this one did beside the last.

    Infinity where they do not shrink well, or the last was too great to tell.
    """
    if turn > 10.0 * NEWTON_TOLERANCE_RAD or not turn < 0.5 * last < math.inf:
        return math.inf
    return turn * turn / (last - turn)


class March:
    """Goes through a plan from a first state; iterate it for the solved states, the first included.

    A line can pull but not push. When somewhere it would push (the reel stops under a
    lure that floats up, or the boat comes nearer faster than the line comes in), it is
    solved as one that may lie folded (`companion.dive.slack`) until it is tight all
    along. Only single cases go slack, and only where `may_slacken`: in a steady
    retrieve no line does.
    """

    def __init__(
        self,
        case: Case,
        points: Quadrature,
        plan: TimeGrid,
        first: State,
        *,
        may_slacken: bool = False,
    ) -> None:
        self.case, self.points, self.plan = case, points, plan
        self.known = [first]
        """States since the last event, oldest first: what differences are taken over."""
        self.tries = 0
        self.may_slacken = may_slacken
        self.slack: SlackLines | None = None

    def __iter__(self) -> Iterator[State]:
        first, k = self.known[-1], 1
        yield first
        while k < len(self.plan):
            state = self._taut(k) if self.slack is None else self._slack(k, self.slack)
            if state is None:
                continue
            event = not self.known or (state.touching != self.known[-1].touching).any()
            self.known = [state] if event else [*self.known[1 - BDF_ORDER :], state]
            k, self.tries = k + 1, 0
            yield state
            if (
                len(state.lure) == 1
                and self._out_in_front(state, k - 1) * self._out_in_front(first, 0)
                <= 0.0
            ):
                # Below the rod tip the retrieve is over; a boat that runs over its line
                # is not followed.
                self.plan = self.plan.until(k)

    def _out_in_front(self, state: State, k: int) -> float:
        return float(state.lure[0].real - self.plan.tip[k, 0].real)

    def _taut(self, k: int) -> State | None:
        """Return the state at instant k with the line taut; None after changing the plan or going slack."""
        step = float((self.plan.t[k] - self.plan.t[k - 1]).max())
        weights = past_weights([state.t for state in self.known], self.plan.t[k])
        phis = np.array([state.phi for state in self.known])
        guess = (weights.ahead[:, :, None] * phis).sum(axis=0)
        now = self._instant(k, weights)
        balance = solve_balance(self.case, self.points, now, guess)
        if balance is None:
            balance = solve_balance(
                self.case, self.points, now, self.known[-1].phi, brisk=DAMPING_SPEED_M_S
            )
        if (
            balance is not None
            and np.abs(balance.phi - self.known[-1].phi).max() > MAX_TURN_PER_STEP_RAD
        ):
            balance = None
        if balance is not None and not (
            self.may_slacken and (balance.tension <= LEAST_PULL_N).any()
        ):
            return state_of(self.plan.t[k], balance)
        if self.may_slacken and step <= 1.01 * SLACK_STEP_S:
            self.slack = self._let_go(k - 1)
            return None
        if (
            step < MIN_STEP_S
            and (self.plan.length[k] < NEARLY_IN * self.plan.length[0]).all()
        ):
            self.plan = self.plan.until(k)
            return None
        if step < MIN_STEP_S:
            raise self._lost(k)
        self.plan, self.tries = self.plan.split(k), self.tries + 1
        if self.tries > 2:
            # Perhaps a jump at the last instant spoils every difference taken over it.
            self.known = self.known[-1:]
        return None

    def _let_go(self, k: int) -> SlackLines:
        """Return the line at instant k, the last one solved, as one that may lie slack."""
        return let_go(
            self.known[-1], self.points, self.plan.length[k], self.plan.tip[k]
        )

    def _slack(self, k: int, line: SlackLines) -> State | None:
        """Return the state at instant k with the line slack somewhere; None after a change of plan."""
        step = float(self.plan.t[k, 0] - self.plan.t[k - 1, 0])
        if step > SLACK_STEP_S * 1.01:
            self.plan = self.plan.split(k, 1.0 / math.ceil(step / SLACK_STEP_S))
        plan = self.plan
        then = ReelAndTip(
            float(plan.t[k, 0] - plan.t[k - 1, 0]),
            plan.length[k],
            plan.reeling[k],
            plan.tip[k],
        )
        found = advanced(line, self.case, self.points, then)
        if found is None:
            if step < MIN_STEP_S:
                raise self._lost(k)
            self.plan = self.plan.split(k)
            return None
        self.slack = None if (found.tension > 2.0 * LEAST_PULL_N).all() else found
        if self.slack is None:
            self.known = self.known[:0]
        return self._state(plan.t[k], found)

    def _state(self, t: Floats, line: SlackLines) -> State:
        lure, bottom = line.nodes[:, 0], self.case.bottom
        return State(
            t=t,
            phi=np.angle(line.chords) % (2.0 * math.pi),
            line=line.middles,
            lure=lure,
            velocity=line.moving[:, 0],
            pull=line.tension[:, 0],
            swum=line.swum,
            led=line.led,
            tension=line.tension,
            tip_force=line.tip_force,
            touching=np.zeros(len(lure), dtype=bool)
            if bottom is None
            else bottom.pushed(lure)[0] > 0.0,
        )

    def _lost(self, k: int) -> DiveError:
        last = self.known[-1]
        where = f"lure at {last.lure[0].real:.2f} m, depth {last.lure[0].imag:.2f} m"
        return DiveError(f"found no balance at {self.plan.t[k].max():.2f} s: {where}")

    def _instant(self, k: int, weights: PastWeights) -> Instant:
        plan, known, past = self.plan, self.known, weights.past
        lines = np.array([state.line for state in known])
        lures = np.array([state.lure for state in known])
        velocities = np.array([state.velocity for state in known])
        return Instant(
            length=plan.length[k],
            line=self.case.line_constants(self.points, plan.length[k]),
            reeling=plan.reeling[k],
            tip=plan.tip[k],
            rate=weights.rate,
            past_line=(past[:, :, None] * lines).sum(axis=0),
            past_lure=(past * lures).sum(axis=0),
            past_speed=(past * velocities).sum(axis=0),
            last_lure=known[-1].lure,
            swum=known[-1].swum,
            led=known[-1].led,
        )


def state_of(t: Floats, balance: Balance) -> State:
    """Return the state that a solved balance is at time t, (B,)."""
    case, now = balance.case, balance.now
    force = balance.force + now.length * (balance.load @ balance.points.weight)
    pull = np.abs(balance.force)
    return State(
        t=t,
        phi=balance.phi,
        line=balance.line,
        lure=balance.lure,
        velocity=balance.velocity,
        pull=pull,
        swum=now.swum + balance.stepped,
        tension=balance.tension,
        led=np.clip(2.0 * pull / (case.drag * balance.speed**2), 0.0, 1.0),
        tip_force=force,
        touching=np.zeros(len(t), dtype=bool)
        if case.bottom is None
        else balance.dug > 0.0,
    )


def let_go(last: State, points: Quadrature, length: Floats, tip: Vectors) -> SlackLines:
    """Return the lines of a solved instant as ones that may lie slack; length of line, m, and tip, (B,)."""
    chords = length[:, None] * points.weight * np.exp(1j * last.phi)
    nodes = tip[:, None] - np.cumsum(chords[:, ::-1], axis=1)[:, ::-1]
    return SlackLines(
        nodes=nodes,
        moving=0.0 * nodes
        + np.where(np.arange(len(points.xi)) == 0, last.velocity[:, None], 0.0),
        tip=tip,
        tension=last.tension,
        led=last.led,
        swum=last.swum,
        tip_force=last.tip_force,
    )
