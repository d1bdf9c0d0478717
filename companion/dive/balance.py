"""The balance of forces on a line and a lure, and its derivative: the kernel of every solve.

A vector in the vertical plane is one complex number, horizontal + 1j * downward: turning it by a right
angle is multiplying by 1j, and the dot product of a and b is the real part of conj(a) b. The first axis
of every array is the case, so that many casts are solved at once; B cases, N points on the line.

The line is described by its angle phi and its tension T at N points, at the fraction xi of its length
from the lure. Positions follow by integrating exp(1j phi) downward from the rod tip, so the line cannot
stretch; the force in it follows by integrating the loads upward from the lure. What is left to solve is
that the line points where its force does, 2 N equations in all: no Jacobian is sparse, and none is large.

A line can pull but not push. Where the tension falls towards SLACK, a piece of line takes up less than
its length, in proportion: a heap of slack line, without a change of equations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.dive.bottom import Bottom
from companion.dive.drag import cylinder_with_slope

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

SLACK = 1e-4
"""Tension, N, under which a line counts as slack."""
LOOSE = 20.0 * SLACK
"""Tension, N, under which the force across takes the place of the angle as unknown."""
SURFACE = 50.0
"""Stiffness, N/m, with which the water surface holds a lure down that a line pulls up."""
GROUND = 300.0
"""Stiffness, N/m, with which the bottom holds a lure up."""
SPLASH = 0.1
"""Height above water, m, over which the load on a line fades to nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points along the line and the sums that integrate over it.

    Attributes:
        xi: fraction of the line's length from the lure, shape (N,).
        weight: share of the length that each point stands for, shape (N,), adding up to 1.
        below: integrates from the lure to each point, shape (N, N).
        above: integrates from each point to the rod tip, shape (N, N).
    """

    xi: Floats
    weight: Floats
    below: Floats
    above: Floats

    @classmethod
    def even(cls, n: int) -> Points:
        """Return n equal pieces with a point in the middle of each (second order)."""
        below: Floats = (np.tril(np.ones((n, n)), -1) + 0.5 * np.eye(n)) / n
        return cls((np.arange(n) + 0.5) / n, np.full(n, 1.0 / n), below, 1.0 / n - below)

    @classmethod
    def gauss(cls, n: int) -> Points:
        """Return n Gauss-Legendre points (spectral order, for a smooth line as in a steady tow)."""
        x, w = np.polynomial.legendre.leggauss(n)
        # The k-th Legendre coefficient of the polynomial that is 1 at point j and 0 at the others.
        basis = np.polynomial.legendre.legvander(x, n - 1).T * (np.arange(n)[:, None] + 0.5) * w
        below = 0.5 * np.polynomial.legendre.legval(x, np.polynomial.legendre.legint(basis, lbnd=-1)).T
        return cls(0.5 * (x + 1.0), 0.5 * w, below, 0.5 * w - below)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """The constants of B cases in the form the kernel uses; arrays of shape (B, 1) or (B,).

    Attributes:
        normal: rho d / 2 times the line-drag factor, and times Cn where that is fixed, (B, 1).
        reynolds: Reynolds number per m/s, (B, 1); None where Cn is fixed.
        tangential: rho Ct pi d / 2, (B, 1).
        weight: of the line in water, N/m, (B, 1).
        drag: rho S Cd / 2 of the lure, (B,).
        lift: its working lift ratio, (B,).
        onset: its onset distance, m, (B,), never 0.
        buoyancy: N, (B,).
        mass: own and added mass, kg, (B,); None leaves it out.
        each_axis: drag of the lure on each component by itself.
        slide: speed, m/s, taken for the tangential drag instead of the true one; None the true one.
        bottom: the bottom under the lure; None for deep water.
    """

    normal: Floats
    reynolds: Floats | None
    tangential: Floats
    weight: Floats
    drag: Floats
    lift: Floats
    onset: Floats
    buoyancy: Floats
    mass: Floats | None = None
    each_axis: bool = False
    slide: float | None = None
    bottom: Bottom | None = None


@dataclass(slots=True, eq=False)
class Instant:
    """What is known about one instant before it is solved; B cases, N points.

    Velocities are rate * position + past: what a backward difference leaves open.

    Attributes:
        length: of the line, m, (B,).
        reeling: speed at which it is taken in, m/s, (B,).
        tip: place of the rod tip, (B,).
        rate: weight of the new position in the velocity, 1/s, (B,); 0 in a steady tow.
        past_line: the rest of the line points' velocity, m/s, (B, N).
        past_lure: the rest of the lure's velocity, m/s, (B,).
        past_speed: the rest of the lure's acceleration, m/s2, (B,).
        last_lure: where the lure was an instant before, (B,).
        swum: distance the lure had swum by then, m, (B,).
    """

    length: Floats
    reeling: Floats
    tip: Vectors
    rate: Floats
    past_line: Vectors
    past_lure: Vectors
    past_speed: Vectors
    last_lure: Vectors
    swum: Floats


def dot(a: Vectors, b: Vectors) -> Floats:
    """Return the dot product of vectors written as complex numbers, elementwise."""
    return a.real * b.real + a.imag * b.imag


class Balance:
    """The balance at one trial (phi, T): residual, then on demand the Jacobian.

    Attributes:
        line: places of the points on the line, (B, N).
        lure: place of the lure, (B,).
        velocity: of the lure, m/s, (B,).
        residual: of the 2 N equations, N, (B, 2 N): force across the line, force along it less T.
    """

    def __init__(self, case: Case, points: Points, now: Instant, phi: Floats, tension: Floats) -> None:
        self.case, self.points, self.now = case, points, now
        self.along = np.exp(1j * phi)
        self.across = 1j * self.along
        rooted = np.sqrt(tension * tension + SLACK * SLACK)
        self.taut, self.tautening = tension / rooted, SLACK * SLACK / rooted**3
        self.tension = tension
        drawn = now.length[:, None] * self.taut * self.along
        self.line = now.tip[:, None] - drawn @ points.above.T
        self.lure = now.tip - drawn @ points.weight
        self.velocity = now.rate * self.lure + now.past_lure
        self._line_load()
        self._lure_force()
        force = -(self.force[:, None] + now.length[:, None] * (self.load @ points.below.T))
        self.force_across, self.force_along = dot(self.across, force), dot(self.along, force)
        self.residual = np.concatenate([self.force_across, self.force_along - tension], axis=1)

    def _line_load(self) -> None:
        """Drag and weight per length of line, N/m, (B, N)."""
        case, now = self.case, self.now
        moving = now.rate[:, None] * self.line + now.past_line
        self.sideways, self.endways = dot(self.across, moving), dot(self.along, moving)
        sliding = self.endways + now.reeling[:, None] * self.points.xi if case.slide is None else case.slide
        speed, pace = np.abs(self.sideways), np.abs(sliding)
        if case.reynolds is None:
            per_speed, self.normal_slope = case.normal * speed, 2.0 * case.normal * speed
        else:
            cn, slope = cylinder_with_slope(speed * case.reynolds)
            per_speed, self.normal_slope = case.normal * cn * speed, case.normal * (2.0 * cn + slope) * speed
        self.normal = per_speed * self.sideways
        self.tangential = case.tangential * pace * sliding
        self.tangential_slope = 2.0 * case.tangential * pace if case.slide is None else 0.0 * speed
        rise = np.clip(1.0 + self.line.imag / SPLASH, 0.0, 1.0)
        self.wet = rise * rise * (3.0 - 2.0 * rise)
        self.wetting = 6.0 * rise * (1.0 - rise) / SPLASH
        self.load_in_water = 1j * case.weight - self.normal * self.across - self.tangential * self.along
        self.load = self.wet * self.load_in_water

    def _lure_force(self) -> None:
        """Force of the water, its weight, the surface and the bottom on the lure, N, (B,)."""
        case, v = self.case, self.velocity
        self.speed = np.abs(v) + 1e-12
        step = self.lure - self.now.last_lure
        self.stepped = np.abs(step)
        self.heading = step / (self.stepped + 1e-12)
        share = np.clip((self.now.swum + self.stepped) / case.onset, 0.0, 1.0)
        self.swimming = share * share * (3.0 - 2.0 * share)
        self.taking_up = 6.0 * share * (1.0 - share) / case.onset
        # The lip works only on a lure that is pulled by the nose: not on one that floats up on a slack line.
        self.pull = 2.0 * self.tension[:, 0] / (case.drag * self.speed**2)
        self.led = np.clip(self.pull, 0.0, 1.0)
        self.lifting = case.lift * self.swimming * self.led
        square = self.speed * v
        drag = np.abs(v.real) * v.real + 1j * np.abs(v.imag) * v.imag if case.each_axis else square
        force = -case.drag * (drag + 1j * self.lifting * square) - 1j * case.buoyancy
        force = force + 1j * SURFACE * np.maximum(-self.lure.imag, 0.0)
        if case.bottom is not None:
            self.dug, self.downward = case.bottom.pushed(self.lure)
            force = force - GROUND * self.dug * self.downward / np.abs(self.downward) ** 2
        if case.mass is not None:
            force = force - case.mass * (self.now.rate * v + self.now.past_speed)
        self.force = force

    def jacobian(self) -> Floats:
        """Return the derivative of the residual by (phi, T), (B, 2 N, 2 N)."""
        now, n = self.now, len(self.points.xi)
        # A taut point's unknown is its angle; a slack one's is the force across, which stays defined at rest.
        slack = self.tension < LOOSE
        turned = np.where(slack, self.taut / self.tension, self.taut)
        drawn = np.concatenate([turned * self.across, self.tautening * self.along], axis=1)
        drawn = -now.length[:, None] * drawn
        line = np.concatenate([self.points.above, self.points.above], axis=1) * drawn[:, None, :]
        lure = np.concatenate([self.points.weight, self.points.weight]) * drawn
        load = now.length[:, None, None] * (self.points.below @ self._load_derivative(line))
        force = -(self._force_derivative(lure)[:, None, :] + load)
        rows = np.concatenate([dot(self.across[:, :, None], force), dot(self.along[:, :, None], force)], 1)
        i = np.arange(n)
        rows[:, i, i] -= np.where(slack, 1.0, self.force_along)
        rows[:, n + i, i] += np.where(slack, 0.0, self.force_across)
        rows[:, n + i, n + i] -= 1.0
        return rows

    def _load_derivative(self, line: Vectors) -> Vectors:
        """Derivative of the line load, given that of the points' places; both (B, N, 2 N)."""
        across, along = self.across[:, :, None], self.along[:, :, None]
        moving = self.now.rate[:, None, None] * line
        sideways, endways = dot(across, moving), dot(along, moving)
        i = np.arange(line.shape[1])
        per_turn = np.where(self.tension < LOOSE, 1.0 / self.tension, 1.0)
        sideways[:, i, i] -= per_turn * self.endways
        endways[:, i, i] += per_turn * self.sideways
        normal = (self.wet * self.normal_slope)[:, :, None] * sideways
        tangential = (self.wet * self.tangential_slope)[:, :, None] * endways
        load: Vectors = -(across * normal + along * tangential)
        load[:, i, i] += per_turn * self.wet * (self.normal * self.along - self.tangential * self.across)
        if self.wetting.any():
            load += (self.wetting * self.load_in_water)[:, :, None] * line.imag
        return load

    def _force_derivative(self, lure: Vectors) -> Vectors:
        """Derivative of the force on the lure, given that of its place; both (B, 2 N)."""
        case = self.case
        v, speed = self.velocity[:, None], self.speed[:, None]
        moving = self.now.rate[:, None] * lure
        faster = dot(v, moving) / speed
        square = speed * moving + v * faster
        drag = square
        if case.each_axis:
            drag = 2.0 * (np.abs(v.real) * moving.real + 1j * np.abs(v.imag) * moving.imag)
        force: Vectors = -case.drag[:, None] * (drag + 1j * self.lifting[:, None] * square)
        lifting = (case.lift * self.taking_up * self.led)[:, None] * dot(self.heading[:, None], lure)
        half_led = np.where((self.pull > 0.0) & (self.pull < 1.0), case.lift * self.swimming, 0.0)
        if half_led.any():
            lifting -= (half_led * self.pull)[:, None] * 2.0 * faster / speed
            lifting[:, len(self.points.xi)] += half_led * 2.0 / (case.drag * self.speed**2)
        force = force - 1j * (case.drag[:, None] * speed * v) * lifting
        force = force - 1j * np.where(self.lure.imag < 0.0, SURFACE, 0.0)[:, None] * lure.imag
        if case.bottom is not None:
            held = np.where(self.dug > 0.0, GROUND, 0.0) * self.downward / np.abs(self.downward) ** 2
            force = force - held[:, None] * dot(self.downward[:, None], lure)
        if case.mass is not None:
            force = force - (case.mass * self.now.rate)[:, None] * moving
        return force
