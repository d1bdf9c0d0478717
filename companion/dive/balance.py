"""The balance of forces on a line and a lure, and its derivative: the kernel of every solve.

A vector in the vertical plane is one complex number, horizontal + 1j * downward:
turning it by a right angle is multiplying by 1j, and the dot product of a and b is the
real part of conj(a) b. The first axis of every array is the case, so that many casts
are solved at once; B cases, N points on the line.

The line is described by its angle phi at N points, at the fraction xi of its length
from the lure. Positions follow by integrating exp(1j phi) downward from the rod tip, so
the line cannot stretch; the force in it follows by integrating the loads upward from
the lure. What is left to solve is that the line points where its force does: N
equations, no sparse Jacobian and none that is large.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.dive.bottom import SolverBottom
from companion.dive.drag import CylinderDrag

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

SURFACE_STIFFNESS_N_M = 50.0
"""Stiffness, N/m, with which the water surface holds a lure down that a line pulls up."""
BOTTOM_STIFFNESS_N_M = 1000.0
"""Stiffness, N/m, with which the bottom holds a lure up."""
PENALTY_ONSET_M = 0.005
"""Depth, m, over which surface and bottom begin to hold: a sudden edge stops Newton's method."""
LOAD_FADE_M = 0.1
"""Height above water, m, over which the load on a line fades to nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Quadrature:
    """Points along the line and the sums that integrate over it.

    Attributes:
        xi: fraction of the line's length from the lure, shape (N,).
        weight: share of the length that each point stands for, shape (N,), adding up to
            1.
        below: integrates from the lure to each point, shape (N, N).
        above: integrates from each point to the rod tip, shape (N, N).
    """

    xi: Floats
    weight: Floats
    below: Floats
    above: Floats

    @classmethod
    def graded(cls, n: int, longest: float = 4.0) -> Quadrature:
        """Return n pieces with a point in the middle of each (second order), the lowest the shortest.

        The line bends most at the lure; the uppermost piece is `longest` times the
        lowest.
        """
        weight = np.geomspace(1.0, longest, n)
        weight /= weight.sum()
        below: Floats = np.tril(np.ones((n, n)), -1) * weight + np.diag(0.5 * weight)
        return cls(np.cumsum(weight) - 0.5 * weight, weight, below, weight - below)

    @classmethod
    def gauss(cls, n: int) -> Quadrature:
        """Return n Gauss-Legendre points (spectral order, for a smooth line as in a steady tow)."""
        x, w = np.polynomial.legendre.leggauss(n)
        # The k-th Legendre coefficient of the polynomial that is 1 at point j and 0 at
        # the others.
        basis = (
            np.polynomial.legendre.legvander(x, n - 1).T
            * (np.arange(n)[:, None] + 0.5)
            * w
        )
        sums = np.polynomial.legendre.legval(
            x, np.polynomial.legendre.legint(basis, lbnd=-1)
        )
        below: Floats = 0.5 * np.asarray(sums, dtype=float).T
        return cls(0.5 * (x + 1.0), 0.5 * w, below, 0.5 * w - below)


@dataclass(frozen=True, slots=True, eq=False)
class LineConstants:
    """Coefficients of the load on a length of line: one line a column, or one point of it a column.

    Attributes:
        normal: rho d / 2 times the line-drag factor, and times Cn where that is fixed.
        reynolds: Reynolds number per m/s; None where Cn is fixed.
        tangential: rho Ct pi d / 2.
        weight: in water, N/m.
    """

    normal: Floats
    reynolds: Floats | None
    tangential: Floats
    weight: Floats

    def mixed(self, share: Floats) -> LineConstants:
        """Return the means over points of which each line makes up a share, (B, N, lines): (B, N)."""
        reynolds = None if self.reynolds is None else _mean(share, self.reynolds)
        return LineConstants(
            _mean(share, self.normal),
            reynolds,
            _mean(share, self.tangential),
            _mean(share, self.weight),
        )


def _mean(share: Floats, values: Floats) -> Floats:
    return np.asarray((share @ values[:, :, None])[:, :, 0])


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """The constants of B cases in the form the kernel uses.

    Attributes:
        lines: of the lines tied to each other, the lure's first, (B, lines).
        knots: distance from the lure, m, at which each but the first begins, (B, lines
            - 1).
        drag: rho S Cd / 2 of the lure, (B,).
        lift: its working lift ratio, (B,).
        onset: its onset distance, m, (B,), never 0.
        buoyancy: N, (B,).
        mass: own and added mass, kg, (B,); None leaves it out.
        each_axis: drag of the lure on each component by itself.
        slide: speed, m/s, taken for the tangential drag instead of the true one; None
            the true one.
        bottom: the bottom under the lure; None for deep water.
    """

    lines: LineConstants
    knots: Floats
    drag: Floats
    lift: Floats
    onset: Floats
    buoyancy: Floats
    mass: Floats | None = None
    each_axis: bool = False
    slide: float | None = None
    bottom: SolverBottom | None = None

    def line_constants(self, points: Quadrature, length: Floats) -> LineConstants:
        """Return the constants at every point while so much line is out, m, (B,): (B, N), or (B, 1)."""
        if not self.knots.shape[1]:
            return self.lines
        edges = length[:, None] * np.append(0.0, np.cumsum(points.weight))
        # What of each piece of line lies nearer to the lure than each knot, and than
        # the rod tip.
        nearer = np.clip(
            (self.knots[:, None, :] - edges[:, :-1, None])
            / np.diff(edges, axis=1)[:, :, None],
            0.0,
            1.0,
        )
        return self.lines.mixed(np.diff(nearer, axis=2, prepend=0.0, append=1.0))


@dataclass(slots=True, eq=False)
class Instant:
    """The state of one instant before it is solved; B cases, N points.

    Velocities are rate * position + past: what a backward difference leaves open.

    Attributes:
        length: of the line, m, (B,).
        line: its constants at every point, (B, N) or (B, 1).
        reeling: speed at which it is taken in, m/s, (B,).
        tip: place of the rod tip, (B,).
        rate: weight of the new position in the velocity, 1/s, (B,); 0 in a steady tow.
        past_line: the rest of the line points' velocity, m/s, (B, N).
        past_lure: the rest of the lure's velocity, m/s, (B,).
        past_speed: the rest of the lure's acceleration, m/s2, (B,).
        last_lure: where the lure was an instant before, (B,).
        swum: distance the lure had swum by then, m, (B,).
        led: share of its lift that the lure's lip has, (B,): 1 on a lure pulled by the
            nose, less on one that swings or sinks on a line with little pull.
    """

    length: Floats
    line: LineConstants
    reeling: Floats
    tip: Vectors
    rate: Floats
    past_line: Vectors
    past_lure: Vectors
    past_speed: Vectors
    last_lure: Vectors
    swum: Floats
    led: Floats


def pressed(depth: Floats) -> tuple[Floats, Floats]:
    """Return how far a soft edge gives way before it holds, m, and its slope; soft over SOFT."""
    if (depth <= 0.0).all():
        nothing = np.zeros_like(depth)
        return nothing, nothing
    soft = np.clip(depth / PENALTY_ONSET_M, 0.0, 1.0)
    return np.where(
        depth > PENALTY_ONSET_M,
        depth - 0.5 * PENALTY_ONSET_M,
        0.5 * PENALTY_ONSET_M * soft * soft,
    ), soft


def dot(a: Vectors, b: Vectors) -> Floats:
    """Return the dot product of vectors written as complex numbers, elementwise."""
    return a.real * b.real + a.imag * b.imag


class Balance:
    """The balance at one trial phi, (B, N): residual, then on demand the Jacobian.

    Attributes:
        line: places of the points on the line, (B, N).
        lure: place of the lure, (B,).
        velocity: of the lure, m/s, (B,).
        residual: force across the line at each point, N, (B, N), nothing when solved.
        tension: force along the line, N, (B, N).
    """

    def __init__(
        self, case: Case, points: Quadrature, now: Instant, phi: Floats
    ) -> None:
        self.case, self.points, self.now, self.phi = case, points, now, phi
        self.along = np.exp(1j * phi)
        drawn = now.length[:, None] * self.along
        self.line = now.tip[:, None] - drawn @ points.above.T
        self.lure = now.tip - drawn @ points.weight
        self.velocity = now.rate * self.lure + now.past_lure
        self._line_load()
        self._lure_force()
        force = -(
            self.force[:, None] + now.length[:, None] * (self.load @ points.below.T)
        )
        turned = np.conj(self.along) * force
        self.residual, self.tension = turned.imag, turned.real

    @property
    def across(self) -> Vectors:
        """Direction across the line at each point, (B, N)."""
        return np.asarray(1j * self.along)

    def _line_load(self) -> None:
        """Drag and weight per length of line, N/m, (B, N)."""
        now, line = self.now, self.now.line
        moving = now.rate[:, None] * self.line + now.past_line
        turned = np.conj(self.along) * moving
        self.sideways, self.endways = turned.imag, turned.real
        sliding = (
            self.endways + now.reeling[:, None] * self.points.xi
            if self.case.slide is None
            else self.case.slide
        )
        self.sideways_speed, self.pace = np.abs(self.sideways), np.abs(sliding)
        self.coefficient = None
        per_speed = line.normal * self.sideways_speed
        if line.reynolds is not None:
            self.coefficient = CylinderDrag(self.sideways_speed * line.reynolds)
            per_speed = per_speed * self.coefficient.value
        self.normal = per_speed * self.sideways
        self.tangential = line.tangential * self.pace * sliding
        # Across is along turned by a right angle.
        self.load_in_water = (
            1j * line.weight - (self.tangential + 1j * self.normal) * self.along
        )
        self.rise = None
        self.load = self.load_in_water
        if self.line.imag.min() < 0.0:
            self.rise = np.clip(1.0 + self.line.imag / LOAD_FADE_M, 0.0, 1.0)
            self.load = self._wet * self.load_in_water

    @property
    def _wet(self) -> Floats | float:
        """Share of the load that each point of the line has: none above the water."""
        if self.rise is None:
            return 1.0
        return np.asarray(self.rise * self.rise * (3.0 - 2.0 * self.rise))

    @property
    def _normal_slope(self) -> Floats:
        """Slope of the drag across the line by the sideways speed, N s/m2."""
        line = self.now.line
        if self.coefficient is None:
            return np.asarray(2.0 * line.normal * self.sideways_speed)
        steeper = 2.0 * self.coefficient.value + self.coefficient.slope
        return np.asarray(line.normal * steeper * self.sideways_speed)

    @property
    def _tangential_slope(self) -> Floats:
        """The same of the drag along the line."""
        if self.case.slide is not None:
            return np.zeros_like(self.sideways_speed)
        return np.asarray(2.0 * self.now.line.tangential * self.pace)

    def _lure_force(self) -> None:
        """Force of the water, its weight, the surface and the bottom on the lure, N, (B,)."""
        case, v = self.case, self.velocity
        self.speed = np.abs(v) + 1e-12
        self.step = self.lure - self.now.last_lure
        self.stepped = np.abs(self.step)
        share = np.minimum((self.now.swum + self.stepped) / case.onset, 1.0)
        self.swum_share = share
        self.lifting = case.lift * (share * share * (3.0 - 2.0 * share)) * self.now.led
        square = self.speed * v
        drag = (
            np.abs(v.real) * v.real + 1j * np.abs(v.imag) * v.imag
            if case.each_axis
            else square
        )
        force = -case.drag * (drag + 1j * self.lifting * square) - 1j * case.buoyancy
        self.outing = None
        if self.lure.imag.min() < 0.0:
            out, self.outing = pressed(-self.lure.imag)
            force = force + 1j * SURFACE_STIFFNESS_N_M * out
        if case.bottom is not None:
            self.dug, self.downward = case.bottom.pushed(self.lure)
            held, self.holding = pressed(self.dug)
            force = (
                force
                - BOTTOM_STIFFNESS_N_M
                * held
                * self.downward
                / np.abs(self.downward) ** 2
            )
        if case.mass is not None:
            force = force - case.mass * (self.now.rate * v + self.now.past_speed)
        self.force = force

    def jacobian(self, brisk: float = 0.0) -> Floats:
        """Return the derivative of the residual by phi, (B, N, N).

        `brisk`, m/s, is added to the sideways speed where the slope of the line's drag
        is taken: a line at rest has none, and would be thrown about by Newton's method.
        """
        across = self.across
        drawn = -self.now.length[:, None] * across
        line = self.points.above * drawn[:, None, :]
        lure = self.points.weight * drawn
        load = self.now.length[:, None, None] * (
            self.points.below @ self._load_derivative(line, brisk)
        )
        rows = dot(
            across[:, :, None], -(self._force_derivative(lure)[:, None, :] + load)
        )
        i = np.arange(rows.shape[1])
        rows[:, i, i] -= self.tension
        return rows

    def _load_derivative(self, line: Vectors, brisk: float) -> Vectors:
        """Derivative of the line load, given that of the points' places; both (B, N, N)."""
        turned = self.across
        across, along = turned[:, :, None], self.along[:, :, None]
        moving = self.now.rate[:, None, None] * line
        sideways, endways = dot(across, moving), dot(along, moving)
        i = np.arange(line.shape[1])
        sideways[:, i, i] -= self.endways
        endways[:, i, i] += self.sideways
        slope = self._normal_slope + 2.0 * brisk * self.now.line.normal
        wet = self._wet
        normal = (wet * slope)[:, :, None] * sideways
        tangential = (wet * self._tangential_slope)[:, :, None] * endways
        load: Vectors = -(across * normal + along * tangential)
        load[:, i, i] += wet * (self.normal * self.along - self.tangential * turned)
        if self.rise is not None:
            wetting = 6.0 * self.rise * (1.0 - self.rise) / LOAD_FADE_M
            load += (wetting * self.load_in_water)[:, :, None] * line.imag
        return load

    def _force_derivative(self, lure: Vectors) -> Vectors:
        """Derivative of the force on the lure, given that of its place; both (B, N)."""
        case = self.case
        v, speed = self.velocity[:, None], self.speed[:, None]
        moving = self.now.rate[:, None] * lure
        faster = dot(v, moving) / speed
        square = speed * moving + v * faster
        drag = square
        if case.each_axis:
            drag = 2.0 * (
                np.abs(v.real) * moving.real + 1j * np.abs(v.imag) * moving.imag
            )
        force: Vectors = -case.drag[:, None] * (
            drag + 1j * self.lifting[:, None] * square
        )
        share = self.swum_share
        taking_up = 6.0 * share * (1.0 - share) / case.onset
        heading = self.step / (self.stepped + 1e-12)
        lifting = (case.lift * taking_up * self.now.led)[:, None] * dot(
            heading[:, None], lure
        )
        force = force - 1j * (case.drag[:, None] * speed * v) * lifting
        if self.outing is not None:
            outing = SURFACE_STIFFNESS_N_M * self.outing[:, None]
            force = force - 1j * outing * lure.imag
        if case.bottom is not None:
            held = (
                BOTTOM_STIFFNESS_N_M
                * self.holding
                * self.downward
                / np.abs(self.downward) ** 2
            )
            force = force - held[:, None] * dot(self.downward[:, None], lure)
        if case.mass is not None:
            force = force - (case.mass * self.now.rate)[:, None] * moving
        return force
