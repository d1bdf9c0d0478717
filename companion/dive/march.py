"""From instant to instant: when to solve, and how to get from one balance to the next."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

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
DAMPING_SPEED_M_S = 2.0
"""Sideways speed, m/s, added to the line's when Newton's method has failed once."""
NEWTON_MAX_ITERATIONS = 40
"""Newton steps before a solve is given up and the time step halved."""
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


def backward_weights(times: list[Floats]) -> list[Floats]:
    """Return the weights of values at times (newest first) in the derivative at the newest, each (B,)."""
    newest, rest = times[0], times[1:]
    weights = [sum((1.0 / (newest - u) for u in rest), np.zeros_like(newest))]
    for i, own in enumerate(rest):
        others = [u for j, u in enumerate(rest) if j != i]
        over = math.prod([newest - u for u in others], start=np.ones_like(newest))
        under = math.prod([own - u for u in others], start=np.ones_like(newest))
        weights.append(over / (under * (own - newest)))
    return weights


def ahead_weights(times: list[Floats], t: Floats) -> list[Floats]:
    """Return the weights of values at times in the polynomial through them at t, each (B,)."""
    one = np.ones_like(t)
    return [
        math.prod(
            [(t - u) / (own - u) for j, u in enumerate(times) if j != i], start=one
        )
        for i, own in enumerate(times)
    ]


def solve_balance(
    case: Case, points: Quadrature, now: Instant, phi: Floats, brisk: float = 0.0
) -> Balance | None:
    """Return the balance at an instant, by Newton's method from the angles phi; None if it fails.

    A step that makes the balance much worse is taken back and halved: drag, square to
    speed, has no slope at rest. The Jacobian is kept while it shrinks the error at
    least threefold a step. With `brisk`, m/s, the line's drag is first taken for
    steeper than it is: slower, but surer from rest.
    """
    inverse, last, share, change = None, math.inf, np.ones(len(phi)), np.zeros_like(phi)
    off = np.full(len(phi), math.inf)
    for tried in range(NEWTON_MAX_ITERATIONS):
        balance = Balance(case, points, now, phi)
        worse = np.abs(balance.residual).max(axis=1) > 1.2 * off + 1e-9
        if worse.any() and share.min() > 0.05:
            phi = phi + np.where(worse, 0.5 * share, 0.0)[:, None] * change
            share = np.where(worse, 0.5 * share, share)
            inverse = None
            continue
        off = np.abs(balance.residual).max(axis=1)
        try:
            if inverse is None:
                inverse = np.linalg.inv(balance.jacobian(brisk))
        except np.linalg.LinAlgError:
            return None
        change = (inverse @ balance.residual[:, :, None])[:, :, 0]
        turn = np.abs(change).max(axis=1)
        worst = float(turn.max())
        if not math.isfinite(worst):
            return None
        share = np.minimum(1.0, 0.5 / (turn + 1e-30))
        phi = phi - share[:, None] * change
        if worst < NEWTON_TOLERANCE_RAD:
            return Balance(case, points, now, phi)
        if brisk > 0.0:
            brisk, inverse = (0.6 * brisk if brisk > 1e-3 else 0.0), None
        if worst > 0.3 * last or (tried == 0 and worst > 0.05):
            inverse = None
        last = worst
    return None


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
        guess = self._guess(self.plan.t[k])
        now = self._instant(k)
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

    def _instant(self, k: int) -> Instant:
        plan, known = self.plan, self.known[::-1]
        rate, *past = backward_weights([plan.t[k], *(s.t for s in known)])
        return Instant(
            length=plan.length[k],
            line=self.case.line_constants(self.points, plan.length[k]),
            reeling=plan.reeling[k],
            tip=plan.tip[k],
            rate=rate,
            past_line=sum(
                (w[:, None] * s.line for w, s in zip(past, known, strict=True)),
                0j * known[0].line,
            ),
            past_lure=sum(
                (w * s.lure for w, s in zip(past, known, strict=True)),
                0j * known[0].lure,
            ),
            past_speed=sum(
                (w * s.velocity for w, s in zip(past, known, strict=True)),
                0j * known[0].lure,
            ),
            last_lure=known[0].lure,
            swum=known[0].swum,
            led=known[0].led,
        )

    def _guess(self, t: Floats) -> Floats:
        weights = ahead_weights([s.t for s in self.known], t)
        last = self.known[-1].phi
        return sum(
            (w[:, None] * s.phi for w, s in zip(weights, self.known, strict=True)),
            0.0 * last,
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
