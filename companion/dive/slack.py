"""A line that has gone slack somewhere: it can pull but not push, and lies where it was.

Its nodes are free to come nearer to each other than the line between them is long; then there is no tension
there, and water drags at the folded line as at any other. So the belly of a slack line stays where it is, and
draws the lure back along its track when the reel goes on. A step in time is by a backward difference of first
order: drag, tension and weight all come from convex potentials in the nodes' places, so that a Newton method
with a line search finds the balance from anywhere. Only the lip's pull does not; it counts as far as the lure
was led by the nose an instant before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import GROUND, SPLASH, SURFACE, Case, Points, dot, pressed
from companion.dive.drag import cylinder_with_slope

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

STIFFNESS_N = 1000.0
"""Tension at which the line would be drawn to twice its length: it hardly stretches."""
CREEP_MPS = 0.01
"""Speed along the line below which its drag goes with speed, not its square: else nothing holds it."""
BRISK_MPS = 0.1
"""Speed added to those that the slope of the drag is taken at in the first Newton step; later less."""
SOFT_STRETCH = 2e-4
"""Stretch over which the line begins to hold: a sudden edge stops Newton's method."""
NEWTON_TOLERANCE_M = 5e-5
NEWTON_MAX_ITERATIONS = 60
LINE_SEARCH_TRIES = 6
SEARCHED_FROM_M = 2e-3
"""Newton moves shorter than this are taken as they are."""


def _soft(stretch: Floats) -> tuple[Floats, Floats]:
    """Return how much of a stretch is held, and the slope of that; soft over SOFT_STRETCH."""
    share = np.clip(stretch / SOFT_STRETCH, 0.0, 1.0)
    return np.where(share < 1.0, 0.5 * SOFT_STRETCH * share**2, stretch - 0.5 * SOFT_STRETCH), share


@dataclass(slots=True, eq=False)
class SlackLine:
    """One line at an instant.

    Attributes:
        t: s.
        nodes: places of the ends of its pieces, lure first, without the rod tip, (N,).
        tip: place of the rod tip.
        velocity: of the lure, m/s.
        tension: of its pieces, N, (N,).
        led: share of its lift that the lure's lip has.
        swum: distance the lure has swum, m.
        tip_force: what line and lure are drawn with at the rod tip, N.
    """

    t: float
    nodes: Vectors
    tip: complex
    velocity: complex
    tension: Floats
    led: float
    swum: float
    tip_force: complex = 0j

    @property
    def chords(self) -> Vectors:
        """From each node to the next towards the rod, m, (N,)."""
        return np.diff(self.nodes, append=self.tip)

    @property
    def middles(self) -> Vectors:
        """Places of the middles of its pieces, (N,)."""
        return self.nodes + 0.5 * self.chords


def advanced(
    line: SlackLine, case: Case, points: Points, t: float, length: float, reeling: float, tip: complex
) -> SlackLine | None:
    """Return the line at time t, s, with so much out, m, reeled in at so many m/s; None: none found."""
    step = _Step(line, case, points, t, length, reeling, tip)
    nodes, force = line.nodes, step.force(line.nodes)
    for number in range(NEWTON_MAX_ITERATIONS):
        move = step.newton_move(nodes, force, BRISK_MPS * 0.25**number)
        if move is None:
            return None
        nodes, force = step.searched(nodes, force, move)
        if np.abs(move).max() < NEWTON_TOLERANCE_M:
            return step.line(nodes)
    return None


class _Step:
    """One step in time of a slack line: the force on its nodes at a trial of their places."""

    def __init__(
        self,
        was: SlackLine,
        case: Case,
        points: Points,
        t: float,
        length: float,
        reeling: float,
        tip: complex,
    ) -> None:
        self.was, self.case, self.t, self.tip = was, case, t, tip
        self.h = t - was.t
        self.rest = length * points.weight
        constants = case.line_constants(points, np.array([length]))
        n = len(points.xi)
        self.normal, self.tangential, self.weight = (
            np.broadcast_to(a[0], n) for a in (constants.normal, constants.tangential, constants.weight)
        )
        self.reynolds = None if constants.reynolds is None else np.broadcast_to(constants.reynolds[0], n)
        chords, self.middles = was.chords, was.middles
        self.along = chords / (np.abs(chords) + 1e-9)
        self.across = 1j * self.along
        self.sliding = reeling * points.xi * self.along
        rise = np.clip(1.0 + self.middles.imag / SPLASH, 0.0, 1.0)
        self.wet = rise * rise * (3.0 - 2.0 * rise)

    def force(self, nodes: Vectors) -> Vectors:
        """Return the force on the nodes, N, (N,); nothing when in balance."""
        chords = np.diff(nodes, append=self.tip)
        self.size = np.abs(chords) + 1e-9
        self.towards = chords / self.size
        stretched, self.stiffness = _soft(self.size / self.rest - 1.0)
        self.tension = STIFFNESS_N * stretched
        pull = self.tension * self.towards
        load = 0.5 * self._load((nodes + 0.5 * chords - self.middles) / self.h + self.sliding)
        force = pull + load
        force[1:] += load[:-1] - pull[:-1]
        force[0] += self._lure_force(complex(nodes[0]))
        return np.asarray(force)

    def newton_move(self, nodes: Vectors, force: Vectors, brisk: float) -> Vectors | None:
        """Return the move of the nodes that would end the force; `force` was the last one asked for."""
        try:
            move = np.linalg.solve(self.jacobian(nodes, brisk), -np.concatenate([force.real, force.imag]))
        except np.linalg.LinAlgError:
            return None
        return move[: len(nodes)] + 1j * move[len(nodes) :] if np.isfinite(move).all() else None

    def searched(self, nodes: Vectors, force: Vectors, move: Vectors) -> tuple[Vectors, Vectors]:
        """Return nodes and force so far along a move that the force along it has become less."""
        most = float(np.abs(move).max())
        share = min(1.0, 1.0 / (most + 1e-30))
        along = float(dot(force, move).sum())
        for _ in range(LINE_SEARCH_TRIES):
            tried = self.force(nodes + share * move)
            now = float(dot(tried, move).sum())
            if abs(now) <= 0.9 * abs(along) or most < SEARCHED_FROM_M:
                break
            share *= min(max(along / (along - now + 1e-30), 0.1), 0.7) if now < 0.0 else 0.5
        return nodes + share * move, tried

    def _load(self, moving: Vectors) -> Vectors:
        """Return drag and weight of each piece, N; `moving` is the velocity of its middle, m/s."""
        sideways, endways = dot(self.across, moving), dot(self.along, moving)
        speed = np.abs(sideways)
        cn, slope = np.ones_like(speed), np.zeros_like(speed)
        if self.reynolds is not None:
            cn, slope = cylinder_with_slope(speed * self.reynolds)
        share = self.wet * self.rest
        self.stiff_across = share * self.normal * (2.0 * cn + slope) * speed
        self.stiff_along = share * self.tangential * (2.0 * np.abs(endways) + CREEP_MPS)
        across = self.normal * cn * speed * sideways
        along = self.tangential * (np.abs(endways) + CREEP_MPS) * endways
        return np.asarray(share * (1j * self.weight - across * self.across - along * self.along))

    def _lure_force(self, place: complex) -> complex:
        """Return the force of water, weight, surface and bottom on the lure, N; note its derivatives."""
        case, was = self.case, self.was
        moved = place - was.nodes[0]
        v = moved / self.h
        speed = abs(v) + 1e-9
        share = min((was.swum + abs(moved)) / float(case.onset[0]), 1.0)
        drag, lift = float(case.drag[0]), float(case.lift[0]) * share * share * (3.0 - 2.0 * share) * was.led
        turned = 1.0 + 1j * lift
        force = -drag * turned * speed * v - 1j * float(case.buoyancy[0])
        # By a move in x and in z: the drag's slope has v's own direction in it.
        slopes = [
            -drag * turned * (speed * d + v * (v.conjugate() * d).real / speed) / self.h for d in (1.0, 1j)
        ]
        held, holding = self._held(place)
        force += held
        inertia = 0.0 if case.mass is None else float(case.mass[0]) / self.h
        force -= inertia * (v - was.velocity)
        self.lure_slopes = [
            slope + hold - inertia / self.h * d
            for slope, hold, d in zip(slopes, holding, (1.0, 1j), strict=True)
        ]
        self.swum = was.swum + abs(moved)
        return complex(force)

    def _held(self, place: complex) -> tuple[complex, list[complex]]:
        """Return the force of surface and bottom on the lure, N, and its derivatives by x and z."""
        out, outing = pressed(np.array([-place.imag]))
        force, slopes = 1j * SURFACE * float(out[0]), [0j, -1j * SURFACE * float(outing[0])]
        if self.case.bottom is None:
            return force, slopes
        dug, downward = self.case.bottom.pushed(np.array([place]))
        held, holding = pressed(dug)
        down = complex(downward[0])
        normal = GROUND * down / abs(down) ** 2
        slopes = [
            s - normal * float(holding[0]) * (down.conjugate() * d).real
            for s, d in zip(slopes, (1.0, 1j), strict=True)
        ]
        return force - normal * float(held[0]), slopes

    def jacobian(self, nodes: Vectors, brisk: float = 0.0) -> Floats:
        """Return the derivative of the last force by the nodes' x and z, (2 N, 2 N).

        `brisk`, m/s, is added to the speeds at which the slope of the line's drag is taken.
        """
        n = len(nodes)
        e, size = self.towards, self.size
        tight = STIFFNESS_N * self.stiffness / self.rest + 1e-6
        loose = self.tension / size
        ends = np.eye(n, k=1) - np.eye(n)
        middles = 0.5 * (np.eye(n, k=1) + np.eye(n))
        matrix = np.empty((2 * n, 2 * n))
        parts = ((e.real, e.imag), (self.along.real, self.along.imag))
        for a in (0, 1):
            for b in (0, 1):
                same = float(a == b)
                pull = loose * same + (tight - loose) * parts[0][a] * parts[0][b]
                along = parts[1][a] * parts[1][b]
                drag = (self.stiff_across + brisk * self.rest * self.normal) * (
                    same - along
                ) + self.stiff_along * along
                matrix[a * n : a * n + n, b * n : b * n + n] = -(
                    ends.T @ (pull[:, None] * ends) + middles.T @ ((drag / self.h)[:, None] * middles)
                )
        for b, slope in enumerate(self.lure_slopes):
            matrix[0, b * n] += slope.real
            matrix[n, b * n] += slope.imag
        return matrix

    def line(self, nodes: Vectors) -> SlackLine:
        """Return the line as it is with its nodes in balance."""
        velocity = (nodes[0] - self.was.nodes[0]) / self.h
        drag = float(self.case.drag[0]) * abs(velocity) ** 2
        return SlackLine(
            t=self.t,
            nodes=nodes,
            tip=self.tip,
            velocity=velocity,
            tension=self.tension,
            led=float(np.clip(2.0 * self.tension[0] / (drag + 1e-12), 0.0, 1.0)),
            swum=self.swum,
            tip_force=complex(-self.tension[-1] * self.towards[-1]),
        )
