"""Lines that have gone slack somewhere: they can pull but not push, and lie where they were.

The nodes of a line are free to come nearer to each other than the line between them is
long; then there is no tension there, and water drags at the folded line as at any
other. So the belly of a slack line stays where it is, and draws the lure back along its
track when the reel goes on. A step in time is by a backward difference of first order:
drag, tension and weight all come from convex potentials in the nodes' places, so that a
Newton method with a line search finds the balance from nearly anywhere. Only the lip's
pull does not; it counts as far as the lure was led by the nose an instant before.

Lines are solved side by side, a case each: B cases, N pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import (
    BOTTOM_STIFFNESS_N_M,
    LOAD_FADE_M,
    SURFACE_STIFFNESS_N_M,
    Case,
    Quadrature,
    dot,
    pressed,
)
from companion.dive.drag import cylinder_with_slope

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

STIFFNESS_N = 100.0
"""Tension at which the line would be drawn to twice its length: about that of nylon.
Stiffer and more sudden lines take Newton's method ten times as long and are no nearer
to `tests/outside/test_dive_stops.py`."""
SOFT_STRETCH = 0.02
"""Stretch over which the line begins to hold."""
CREEP_MPS = 0.03
"""Speed along the line below which its drag goes with speed, not its square: else nothing holds it."""
DAMPING_SPEED_MPS = 0.1
"""Speed added to those that the slope of the drag is taken at in the first Newton step; later less."""
NEWTON_TOLERANCE_M = 1e-3
SLACK_NEWTON_MAX_ITERATIONS = 40
"""With 12 a lure that lies on the bottom behind a drifting boat finds no balance, however short the step."""
LINE_SEARCH_TRIES = 3
SEARCHED_FROM_M = 2e-3
"""Newton moves shorter than this are taken as they are."""


def _soft(stretch: Floats) -> tuple[Floats, Floats]:
    """Return how much of a stretch is held, and the slope of that; soft over SOFT_STRETCH."""
    share = np.clip(stretch / SOFT_STRETCH, 0.0, 1.0)
    return np.where(
        share < 1.0, 0.5 * SOFT_STRETCH * share**2, stretch - 0.5 * SOFT_STRETCH
    ), share


@dataclass(slots=True, eq=False)
class SlackLines:
    """Lines at an instant.

    Attributes:
        nodes: places of the ends of their pieces, lure first, without the rod tip, (B,
            N).
        moving: velocity of these, m/s, (B, N).
        tip: place of the rod tip, (B,).
        tension: of the pieces, N, (B, N).
        led: share of its lift that the lure's lip has, (B,).
        swum: distance the lure has swum, m, (B,).
        tip_force: what line and lure are drawn with at the rod tip, N, (B,).
    """

    nodes: Vectors
    moving: Vectors
    tip: Vectors
    tension: Floats
    led: Floats
    swum: Floats
    tip_force: Vectors

    @property
    def chords(self) -> Vectors:
        """From each node to the next towards the rod, m, (B, N)."""
        return np.diff(self.nodes, append=self.tip[:, None], axis=1)

    @property
    def middles(self) -> Vectors:
        """Places of the middles of the pieces, (B, N)."""
        return self.nodes + 0.5 * self.chords


@dataclass(frozen=True, slots=True, eq=False)
class ReelAndTip:
    """The acts of reel and rod tip until the next instant.

    Attributes:
        step: time until then, s.
        length: line out then, m, (B,).
        reeling: speed the reel takes in line with, m/s, (B,).
        tip: place of the rod tip then, (B,).
    """

    step: float
    length: Floats
    reeling: Floats
    tip: Vectors


def advanced(
    lines: SlackLines, case: Case, points: Quadrature, then: ReelAndTip
) -> SlackLines | None:
    """Return the lines at the next instant; None where no balance was found for one of them."""
    step = _Step(lines, case, points, then)
    nodes = step.balanced(lines.nodes + then.step * lines.moving)
    if nodes is None:
        return None
    return step.lines(nodes)


class _Step:
    """One step in time: the force on the nodes at a trial of their places."""

    def __init__(
        self, was: SlackLines, case: Case, points: Quadrature, then: ReelAndTip
    ) -> None:
        self.was, self.case, self.then = was, case, then
        self.h = then.step
        self.rest = then.length[:, None] * points.weight
        constants = case.line_constants(points, then.length)
        self.normal, self.tangential, self.weight = (
            constants.normal,
            constants.tangential,
            constants.weight,
        )
        self.reynolds = constants.reynolds
        chords, self.middles = was.chords, was.middles
        self.along = chords / (np.abs(chords) + 1e-9)
        self.across = 1j * self.along
        self.sliding = then.reeling[:, None] * points.xi * self.along
        rise = np.clip(1.0 + self.middles.imag / LOAD_FADE_M, 0.0, 1.0)
        self.wet = rise * rise * (3.0 - 2.0 * rise)

    def balanced(self, nodes: Vectors) -> Vectors | None:
        """Return the nodes in balance, by Newton's method; None where it finds none for one line."""
        force, damping = self.force(nodes), DAMPING_SPEED_MPS
        for _ in range(SLACK_NEWTON_MAX_ITERATIONS):
            move = self._newton_move(force, damping)
            if move is None:
                return None
            nodes, force = self._searched(nodes, force, move)
            damping *= 0.25
            if np.abs(move).max() < NEWTON_TOLERANCE_M:
                return nodes
        return None

    def force(self, nodes: Vectors) -> Vectors:
        """Return the force on the nodes, N, (B, N); nothing when in balance."""
        chords = np.diff(nodes, append=self.then.tip[:, None], axis=1)
        self.size = np.abs(chords) + 1e-9
        self.towards = chords / self.size
        stretched, self.stiffness = _soft(self.size / self.rest - 1.0)
        self.tension = STIFFNESS_N * stretched
        pull = self.tension * self.towards
        load = 0.5 * self._load(
            (nodes + 0.5 * chords - self.middles) / self.h + self.sliding
        )
        force = pull + load
        force[:, 1:] += load[:, :-1] - pull[:, :-1]
        force[:, 0] += self._lure_force(nodes[:, 0])
        return np.asarray(force)

    def _newton_move(self, force: Vectors, damping: float) -> Vectors | None:
        """Return the move of the nodes that would end the force, the last one asked for."""
        cases, n = force.shape
        wanted = -np.stack([force.real, force.imag], axis=2).reshape(cases, 2 * n, 1)
        try:
            move = np.linalg.solve(self.jacobian(damping), wanted).reshape(cases, n, 2)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(move).all():
            return None
        return np.asarray(move[:, :, 0] + 1j * move[:, :, 1])

    def _searched(
        self, nodes: Vectors, force: Vectors, move: Vectors
    ) -> tuple[Vectors, Vectors]:
        """Return nodes and force so far along a move that the force along it has become less."""
        most = np.abs(move).max(axis=1)
        share = np.minimum(1.0, 1.0 / (most + 1e-30))
        along = dot(force, move).sum(axis=1)
        for _ in range(LINE_SEARCH_TRIES):
            tried = self.force(nodes + share[:, None] * move)
            now = dot(tried, move).sum(axis=1)
            good = (np.abs(now) <= 0.9 * np.abs(along)) | (most < SEARCHED_FROM_M)
            if good.all():
                break
            less = np.where(
                now < 0.0, np.clip(along / (along - now + 1e-30), 0.1, 0.7), 0.5
            )
            share = np.where(good, share, share * less)
        return nodes + share[:, None] * move, tried

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
        return np.asarray(
            share * (1j * self.weight - across * self.across - along * self.along)
        )

    def _lure_force(self, place: Vectors) -> Vectors:
        """Return the force of water, weight, surface and bottom on the lures, N; note its derivatives."""
        case, was = self.case, self.was
        moved = place - was.nodes[:, 0]
        v = moved / self.h
        speed = np.abs(v) + 1e-9
        self.swum = was.swum + np.abs(moved)
        share = np.clip(self.swum / case.onset, 0.0, 1.0)
        turned = 1.0 + 1j * case.lift * share * share * (3.0 - 2.0 * share) * was.led
        force = -case.drag * turned * speed * v - 1j * case.buoyancy
        inertia = np.zeros_like(speed) if case.mass is None else case.mass / self.h
        force = force - inertia * (v - was.moving[:, 0])
        # By a move in x and in z: the drag's slope has v's own direction in it.
        slopes = [
            -case.drag
            * turned
            * (speed * d + v * dot(v, np.full_like(v, d)) / speed)
            / self.h
            - inertia / self.h * d
            for d in (1.0, 1j)
        ]
        held, holding = self._held(place)
        self.lure_slopes = [
            slope + hold for slope, hold in zip(slopes, holding, strict=True)
        ]
        return np.asarray(force + held)

    def _held(self, place: Vectors) -> tuple[Vectors, list[Vectors]]:
        """Return the force of surface and bottom on the lures, N, and its derivatives by x and z."""
        out, outing = pressed(-place.imag)
        force: Vectors = np.asarray(1j * SURFACE_STIFFNESS_N_M * out)
        slopes: list[Vectors] = [
            0.0 * place,
            np.asarray(-1j * SURFACE_STIFFNESS_N_M * outing),
        ]
        if self.case.bottom is None:
            return force, slopes
        dug, down = self.case.bottom.pushed(place)
        held, holding = pressed(dug)
        normal = BOTTOM_STIFFNESS_N_M * down / np.abs(down) ** 2
        slopes = [
            np.asarray(s - normal * holding * dot(down, np.full_like(down, d)))
            for s, d in zip(slopes, (1.0, 1j), strict=True)
        ]
        return np.asarray(force - normal * held), slopes

    def jacobian(self, damping: float = 0.0) -> Floats:
        """Return the derivative of the last force by x and z of the nodes in turn, (B, 2 N, 2 N).

        `damping`, m/s, is added to the speeds at which the slope of the line's drag is
        taken.
        """
        cases, n = self.size.shape
        loose = self.tension / self.size
        tight = STIFFNESS_N * self.stiffness / self.rest + 1e-6
        pull = _along_and_across(self.towards, tight, loose)
        across = self.stiff_across + damping * self.rest * self.normal
        drag = _along_and_across(self.along, self.stiff_along, across) / (4.0 * self.h)
        matrix = np.zeros((cases, n, 2, n, 2))
        i = np.arange(n)
        both, apart = np.moveaxis(pull + drag, 1, 0), np.moveaxis(pull - drag, 1, 0)
        matrix[:, i, :, i, :] -= both
        matrix[:, i[1:], :, i[1:], :] -= both[:-1]
        matrix[:, i[:-1], :, i[1:], :] += apart[:-1]
        matrix[:, i[1:], :, i[:-1], :] += apart[:-1]
        for b, slope in enumerate(self.lure_slopes):
            matrix[:, 0, 0, 0, b] += slope.real
            matrix[:, 0, 1, 0, b] += slope.imag
        return matrix.reshape(cases, 2 * n, 2 * n)

    def lines(self, nodes: Vectors) -> SlackLines:
        """Return the lines as they are with their nodes in balance."""
        moving = (nodes - self.was.nodes) / self.h
        drag = self.case.drag * np.abs(moving[:, 0]) ** 2
        return SlackLines(
            nodes=nodes,
            moving=moving,
            tip=self.then.tip,
            tension=self.tension,
            led=np.clip(2.0 * self.tension[:, 0] / (drag + 1e-12), 0.0, 1.0),
            swum=self.swum,
            tip_force=-self.tension[:, -1] * self.towards[:, -1],
        )


def _along_and_across(direction: Vectors, along: Floats, across: Floats) -> Floats:
    """Return symmetric matrices: `along` in a direction, `across` square to it; (B, N, 2, 2)."""
    e = np.stack([direction.real, direction.imag], axis=-1)
    return np.asarray(
        across[..., None, None] * np.eye(2)
        + (along - across)[..., None, None] * e[..., :, None] * e[..., None, :]
    )
