"""From instant to instant: when to solve, and how to get from one balance to the next."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import LOOSE, Balance, Case, Instant, Points
from companion.dive.limits import DiveError

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

ORDER = 3
"""Order of the backward differences once enough instants are known."""
CLOSE = 3e-5
"""Change of line angle, rad, and relative change of tension at which a balance counts as solved."""
TRIES = 25
"""Newton steps before a solve is given up and the time step halved."""
HALVINGS = 10
"""How often one time step may be halved."""


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
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

    def halfway(self, k: int) -> Plan:
        """Return the plan with one more instant halfway between k - 1 and k."""
        middle = (0.5 * (a[k - 1] + a[k]) for a in (self.t, self.length, self.reeling, self.tip))
        return Plan(*(np.insert(a, k, m, axis=0) for a, m in zip(self._all(), middle, strict=True)))

    def _all(self) -> tuple[Floats, Floats, Floats, Vectors]:
        return self.t, self.length, self.reeling, self.tip


@dataclass(slots=True, eq=False)
class State:
    """A solved instant: time (B,), angles and tensions (B, N), places and velocity, force at the tip (B,)."""

    t: Floats
    phi: Floats
    tension: Floats
    line: Vectors
    lure: Vectors
    velocity: Vectors
    swum: Floats
    tip_force: Floats
    touching: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(1, dtype=bool))


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
        math.prod([(t - u) / (own - u) for j, u in enumerate(times) if j != i], start=one)
        for i, own in enumerate(times)
    ]


def solve_balance(
    case: Case, points: Points, now: Instant, phi: Floats, tension: Floats
) -> tuple[Balance, Floats, Floats] | None:
    """Return the balance at an instant with its angles and tensions, by Newton's method; None if it fails.

    The Jacobian is kept while it shrinks the error at least threefold a step. Once that has failed for
    long, steps are halved, which ends a to and fro between the two sides of a contact.
    """
    inverse, last = None, math.inf
    for tried in range(TRIES):
        balance = Balance(case, points, now, phi, tension)
        if inverse is None:
            inverse, slack = np.linalg.inv(balance.jacobian()), tension < LOOSE
        change = (inverse @ balance.residual[:, :, None])[:, :, 0]
        error = size_of(change, balance, slack)
        if not math.isfinite(error.max()):
            return None
        step = np.minimum(1.0 if tried < 12 else 0.5, 0.5 / (error + 1e-30))
        phi, tension = moved(phi, tension, -step[:, None] * change, slack)
        worst = float(error.max())
        if worst < CLOSE:
            return Balance(case, points, now, phi, tension), phi, tension
        if worst > 0.3 * last or (tried == 0 and worst > 0.05):
            inverse = None
        last = worst
    return None


def size_of(change: Floats, balance: Balance, slack: NDArray[np.bool_]) -> Floats:
    """Return the size of a Newton step, (B,): the larger of turn of the line, rad, and change of pull."""
    n = slack.shape[1]
    turn = np.where(slack, balance.taut / balance.tension, balance.taut) * change[:, :n]
    turn = np.hypot(turn, balance.tautening * change[:, n:]).max(axis=1)
    pull = np.abs(change[:, n:]).max(axis=1) / (balance.tension.max(axis=1) + 1e-3)
    return np.maximum(turn, pull)


def moved(phi: Floats, tension: Floats, by: Floats, slack: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return angles and tensions a Newton step further; no tension falls more than tenfold or to 0."""
    n = phi.shape[1]
    turned = phi + np.where(slack, 0.0, by[:, :n])
    pulled = np.maximum(tension + by[:, n:], 0.1 * tension)
    if slack.any():
        force = tension + by[:, n:] + 1j * by[:, :n]
        turned = np.where(slack, turned + np.angle(force), turned)
        pulled = np.where(slack, np.abs(force), pulled)
    return turned, np.maximum(pulled, 1e-9)


class March:
    """Goes through a plan from a first state; iterate it for the solved states, the first included."""

    def __init__(self, case: Case, points: Points, plan: Plan, first: State) -> None:
        self.case, self.points, self.plan = case, points, plan
        self.known = [first]
        """States since the last event, oldest first: what differences are taken over."""

    def __iter__(self) -> Iterator[State]:
        yield self.known[-1]
        k, halved = 1, 0
        while k < len(self.plan):
            state = self._step(k)
            if state is None:
                halved += 1
                if halved > HALVINGS:
                    raise DiveError(f"found no balance at {self.plan.t[k].max():.2f} s: {self._where()}")
                self.plan = self.plan.halfway(k)
                # A jump at the last instant spoils every difference taken over it.
                self.known = self.known[-1:]
                continue
            if (state.touching != self.known[-1].touching).any():
                self.known = []
            self.known = [*self.known[1 - ORDER :], state] if self.known else [state]
            k, halved = k + 1, 0
            yield state

    def _where(self) -> str:
        last = self.known[-1]
        return f"lure at {last.lure[0].real:.2f} m, depth {last.lure[0].imag:.2f} m"

    def _instant(self, k: int) -> Instant:
        plan, known = self.plan, self.known[::-1]
        rate, *past = backward_weights([plan.t[k], *(s.t for s in known)])
        return Instant(
            length=plan.length[k],
            reeling=plan.reeling[k],
            tip=plan.tip[k],
            rate=rate,
            past_line=sum(
                (w[:, None] * s.line for w, s in zip(past, known, strict=True)), 0j * known[0].line
            ),
            past_lure=sum((w * s.lure for w, s in zip(past, known, strict=True)), 0j * known[0].lure),
            past_speed=sum((w * s.velocity for w, s in zip(past, known, strict=True)), 0j * known[0].lure),
            last_lure=known[0].lure,
            swum=known[0].swum,
        )

    def _guess(self, t: Floats) -> tuple[Floats, Floats]:
        weights = ahead_weights([s.t for s in self.known], t)
        last = self.known[-1]
        phi = sum((w[:, None] * s.phi for w, s in zip(weights, self.known, strict=True)), 0.0 * last.phi)
        pull = sum((w[:, None] * s.tension for w, s in zip(weights, self.known, strict=True)), 0.0 * last.phi)
        return phi, np.clip(pull, 0.3 * last.tension, 3.0 * last.tension)

    def _step(self, k: int) -> State | None:
        t = self.plan.t[k]
        now, last = self._instant(k), self.known[-1]
        found = solve_balance(self.case, self.points, now, *self._guess(t))
        if found is None:
            found = solve_balance(self.case, self.points, now, last.phi, last.tension)
        return None if found is None else state_of(t, *found)


def state_of(t: Floats, balance: Balance, phi: Floats, tension: Floats) -> State:
    """Return the state that a solved balance is at time t, (B,)."""
    force = balance.force + balance.now.length * (balance.load @ balance.points.weight)
    case = balance.case
    return State(
        t=t,
        phi=phi,
        tension=tension,
        line=balance.line,
        lure=balance.lure,
        velocity=balance.velocity,
        swum=balance.now.swum + balance.stepped,
        tip_force=np.abs(force),
        touching=np.zeros(len(t), dtype=bool) if case.bottom is None else balance.dug > 0.0,
    )
