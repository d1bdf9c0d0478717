"""An independent dive: point masses on springs that cannot push, integrated by scipy's stiff solver.

It shares nothing with `companion.dive` but the drag coefficient of a cylinder and the
properties of water. Unlike the product's line this one has inertia and stretches, its
drag is taken per segment at the velocity of the segment's middle, and its tension is
never negative, so that it may fall slack anywhere. Newton's second law for each node;
positions in the vertical plane, x towards the lure, z downwards, m, and y sideways
where the boat moves across the cast.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import solve_ivp

from companion.dive import Water
from companion.dive.drag import cylinder_with_slope

GRAVITY = 9.80665


@dataclass
class Piece:
    """A piece of line: length, m (the last may be endless), diameter, m, density, kg/m3."""

    length: float
    diameter: float
    density: float


@dataclass
class ElasticLine:
    """A cast, reeled in: `run` gives the lure's track.

    Attributes:
        pieces: of line, from the lure on; the last is endless.
        reel: (times, speeds), s and m/s, straight between.
        drift: speed of the rod tip away from the lure, m/s.
        across: the same square to the cast, m/s.
        nodes: of the whole line at first; the leader has its own in proportion, at
            least four.
        grading: how much longer the topmost segment of the main line is than the
            lowest, times.
    """

    pieces: list[Piece]
    drag_area: float
    lift: float
    onset: float
    buoyancy: float
    mass: float
    cast: float
    reel: tuple[tuple[float, ...], tuple[float, ...]]
    tip: float = 0.5
    drift: float = 0.0
    across: float = 0.0
    temperature: float = 18.0
    nodes: int = 32
    grading: float = 1.0
    stiffness: float = 800.0
    damping: float = 1.0
    until: float | None = None
    track: list[tuple[float, float, float]] = field(default_factory=list)

    def run(self, left: float = 2.0) -> np.ndarray:
        """Return t, x and z of the lure, shape (n, 3), until `left` m of line are out or `until`, s."""
        water = Water(self.temperature)
        self.rho, self.nu = water.density, water.kinematic_viscosity
        full = math.hypot(self.cast, self.tip)
        self._lay(full)
        n = len(self.rest)
        along = np.concatenate([[0.0], np.cumsum(self.rest)]) / full
        place = np.stack(
            [self.cast * (1.0 - along), -self.tip * along, 0.0 * along], axis=1
        )[:n, : self.dims]
        state = np.concatenate([place.ravel(), np.zeros(self.dims * n), [0.0]])
        t, out = 0.0, full
        self.track = [(0.0, self.cast, 0.0)]
        while n >= 3 and out > left:
            self.n, self.top_full, self.t0 = n, self.rest[-1], t
            shortest = 0.35 * self.rest[-2]
            end = self._time_until(t, max(self.rest[-1] - shortest, 1e-3))
            ending = self.until is not None and end >= self.until
            end = min(end, self.until) if self.until is not None else end
            knots = [k for k in self.reel[0] if t < k < end]
            for a, b in zip([t, *knots], [*knots, end], strict=True):
                state = self._integrate(a, b, state)
            self.rest[-1] -= self._reeled(t, end)
            out, t = float(self.rest.sum()), end
            if ending:
                break
            # The uppermost node goes onto the reel; the segment below it grows by what
            # is left above.
            self.rest[-2] += self.rest[-1]
            self.diameter[-2] = (
                self.diameter[-1]
                if self.rest[-1] > 0.5 * self.rest[-2]
                else self.diameter[-2]
            )
            self.rest, self.diameter, self.density = (
                self.rest[:-1],
                self.diameter[:-1],
                self.density[:-1],
            )
            d = self.dims
            state = np.concatenate(
                [state[: d * (n - 1)], state[d * n : d * (2 * n - 1)], state[-1:]]
            )
            n -= 1
        return np.array(self.track)

    @property
    def dims(self) -> int:
        """Return how many dimensions it moves in."""
        return 3 if self.across else 2

    def _lay(self, full: float) -> None:
        """Cut the line into segments, none of which reaches over two pieces."""
        rest, diameter, density, gone = [], [], [], 0.0
        for k, piece in enumerate(self.pieces):
            length = (
                full - gone
                if k == len(self.pieces) - 1
                else min(piece.length, full - gone)
            )
            if length <= 0.0:
                break
            count = max(4, round(self.nodes * length / full))
            share = (
                np.linspace(1.0, self.grading, count)
                if length > 0.5 * full
                else np.ones(count)
            )
            rest.append(length * share / share.sum())
            diameter += [piece.diameter] * count
            density += [piece.density] * count
            gone += length
        self.rest = np.concatenate(rest)
        self.diameter, self.density = np.array(diameter), np.array(density)

    def _speed(self, t: float) -> float:
        return float(np.interp(t, *self.reel))

    def _reeled(self, a: float, b: float) -> float:
        knots = np.array([a, *(k for k in self.reel[0] if a < k < b), b])
        return float(np.trapezoid(np.interp(knots, *self.reel), knots))

    def _time_until(self, t: float, length: float) -> float:
        """Return when so much more line has come in, s."""
        low, high = t, t + 1.0
        while self._reeled(t, high) < length:
            high += 1.0
            if high > t + 200.0:
                return high
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (
                (middle, high) if self._reeled(t, middle) < length else (low, middle)
            )
        return high

    def _integrate(self, a: float, b: float, state: np.ndarray) -> np.ndarray:
        # scipy's BDF subtracts a row of its differences before it was ever written; it
        # is overwritten later. Its numeric Jacobian enlarges a step without end where
        # nothing depends on a variable.
        with np.errstate(invalid="ignore", over="ignore"):
            found = solve_ivp(
                self._rates,
                (a, b),
                state,
                method="BDF",
                rtol=2e-4,
                atol=2e-5,
                vectorized=True,
                first_step=min(1e-3, 0.5 * (b - a)),
            )
        assert found.success, found.message
        self.track += [
            (float(t), float(y[0]), float(y[1]))
            for t, y in zip(found.t[1:], found.y.T[1:], strict=True)
        ]
        return found.y[:, -1]

    def _rates(self, t: float, y: np.ndarray) -> np.ndarray:
        single = y.ndim == 1
        y = y[:, None] if single else y
        n, k, d = self.n, y.shape[1], self.dims
        r, v = y[: d * n].reshape(n, d, k), y[d * n : 2 * d * n].reshape(n, d, k)
        tip = np.array([-self.drift * t, -self.tip, self.across * t])[:d]
        tip_v = np.array([-self.drift, 0.0, self.across])[:d]
        tip, tip_v = (np.broadcast_to(it[:, None], (d, k)) for it in (tip, tip_v))
        rest = self.rest.copy()
        rest[-1] = self.top_full - self._reeled(self.t0, t)
        ends, speeds = np.concatenate([r, tip[None]]), np.concatenate([v, tip_v[None]])
        spans = np.diff(ends, axis=0)
        length = np.sqrt((spans**2).sum(1)) + 1e-9
        along = spans / length[:, None]
        stretching = (np.diff(speeds, axis=0) * along).sum(1)
        reel = self._speed(t)
        stretching[-1] += reel
        pull = self.stiffness * (length / rest[:, None] - 1.0)
        pull = np.where(
            pull > 0.0, np.maximum(pull + self.damping * stretching, 0.0), 0.0
        )
        force = np.zeros((n + 1, d, k))
        force[:-1] += pull[:, None] * along
        force[1:] -= pull[:, None] * along
        material = speeds.copy()
        top = material[-1] + along[-1] * reel
        middle = 0.5 * (material[1:] + material[:-1])
        middle[-1] = 0.5 * (material[-2] + top)
        load = (
            self._line_load(middle, along, rest)
            * self._wet(0.5 * (ends[1:, 1] + ends[:-1, 1]))[:, None]
        )
        force[:-1] += 0.5 * load
        force[1:] += 0.5 * load
        area = math.pi / 4.0 * self.diameter**2
        mass = np.zeros(n + 1)
        mass[:-1] += 0.5 * rest * area * (self.density + self.rho)
        mass[1:] += 0.5 * rest * area * (self.density + self.rho)
        mass[0] += self.mass
        force[0] += self._lure_force(r[0], v[0], y[-1], pull[0])
        rates = np.concatenate(
            [
                v.reshape(d * n, k),
                (force[:-1] / mass[:-1, None, None]).reshape(d * n, k),
                np.sqrt((v[0] ** 2).sum(0))[None],
            ]
        )
        return rates[:, 0] if single else rates

    def _wet(self, depth: np.ndarray) -> np.ndarray:
        return np.clip(1.0 + depth / 0.05, 0.0, 1.0)

    def _line_load(
        self, u: np.ndarray, along: np.ndarray, rest: np.ndarray
    ) -> np.ndarray:
        """Drag and weight in water of every segment, N."""
        sliding = (u * along).sum(1)
        across = u - sliding[:, None] * along
        speed = np.sqrt((across**2).sum(1))
        d = self.diameter[:, None]
        load = (
            -0.5
            * self.rho
            * (d * cylinder_with_slope(speed * d / self.nu)[0] * speed)[:, None]
            * across
        )
        load -= (
            0.5
            * self.rho
            * math.pi
            * 0.02
            * (d * np.abs(sliding) * sliding)[:, None]
            * along
        )
        load[:, 1] += (
            math.pi / 4.0 * d**2 * (self.density - self.rho)[:, None] * GRAVITY
        )
        return load * rest[:, None, None]

    def _lure_force(
        self, r: np.ndarray, v: np.ndarray, swum: np.ndarray, pull: np.ndarray
    ) -> np.ndarray:
        share = np.clip(swum / self.onset, 0.0, 1.0)
        k = 0.5 * self.rho * self.drag_area * np.sqrt((v**2).sum(0))
        lift = self.lift * share**2 * (3.0 - 2.0 * share)
        # The lip pulls down as far as the lure is led by the nose: none on a lure that
        # swims free.
        drag = k * np.sqrt((v**2).sum(0)) + 1e-9
        lift = lift * np.clip(2.0 * pull / drag, 0.0, 1.0)
        force = -k * v + k * lift * self._lifted(v)
        force[1] -= self.buoyancy
        force[1] += 100.0 * np.maximum(-r[1], 0.0)
        return force

    def _lifted(self, v: np.ndarray) -> np.ndarray:
        """Velocities turned by a right angle, downwards, in the upright plane they lie in."""
        if self.dims == 2:
            return np.stack([v[1], -v[0]])
        level = np.sqrt(v[0] ** 2 + v[2] ** 2) + 1e-9
        return np.stack([-v[1] * v[0] / level, level, -v[1] * v[2] / level])
