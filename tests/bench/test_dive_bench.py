"""How long the dive takes, as ratios to a lumped-mass line integrated by scipy in the same run.

The lumped-mass line is written here from scratch and shares nothing with
`companion.dive` but the drag coefficient of a cylinder: point masses joined by springs,
Newton's second law, scipy's stiff BDF solver. So it also checks the answer, and does so
in every test run.
"""

import math
import time
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from companion.casting.outlook import DRAW_COUNT
from companion.dive import DEFAULT_DETAIL, Line, Lure, Retrieve, solve
from companion.dive.calibration import Calibration
from companion.dive.drag import cylinder_with_slope
from companion.dive.evidence import SAID_LENGTH_SCATTER, CalibratedRig, Stated, Touch

CAST, SPEED, LIFT = 40.0, 1.0, 1.0
LINE = Line(0.35e-3, 1140.0)
LURE = Lure(drag_area=0.0015, lift_ratio=LIFT, onset=2.0, buoyancy=-0.02, mass=0.02)
RETRIEVE = Retrieve(CAST, SPEED, tip_height=0.0)


@dataclass
class LumpedMass:
    """A line of point masses and springs; the uppermost spring shortens as the reel takes line in."""

    elements: int = 16
    stiffness: float = 2000.0
    damping: float = 2.0

    def reach(self):
        """Return the greatest depth of the lure, m."""
        water = RETRIEVE.water
        self.rho, self.nu = water.density, water.kinematic_viscosity
        piece = CAST / self.elements
        n = self.elements
        place = np.stack([np.linspace(CAST, 0.0, n + 1)[:-1], np.zeros(n)], axis=1)
        state, deepest = np.concatenate([place.ravel(), np.zeros(2 * n), [0.0]]), 0.0
        self.rest, self.upper = piece, piece
        while n >= 3:
            self.n = n
            lasts = (self.upper - 0.35 * piece) / SPEED
            # scipy 1.17's BDF subtracts a row of its table of differences before it was
            # ever written: whether there is NaN in that memory, and so a warning, is
            # chance. What comes of it is overwritten.
            with np.errstate(invalid="ignore"):
                run = solve_ivp(
                    self.rates,
                    (0.0, lasts),
                    state,
                    method="BDF",
                    rtol=1e-4,
                    atol=1e-5,
                    max_step=piece / 4,
                    t_eval=np.linspace(0.0, lasts, 12),
                )
            assert run.success
            deepest = max(deepest, float(run.y[1].max()))
            if run.y[1, -1] < deepest - 0.05:
                return deepest
            # The uppermost mass goes onto the reel; the spring below it grows by what
            # is left above.
            keep = run.y[:, -1]
            state = np.concatenate(
                [keep[: 2 * n - 2], keep[2 * n : 4 * n - 2], keep[-1:]]
            )
            self.upper, n = 1.35 * piece, n - 1
        return deepest

    def rates(self, t, state):
        n = self.n
        r, v, swum = (
            state[: 2 * n].reshape(n, 2),
            state[2 * n : 4 * n].reshape(n, 2),
            state[-1],
        )
        rest = np.full(n, self.rest)
        rest[-1] = self.upper - SPEED * t
        ends = np.vstack([r, [0.0, 0.0]])
        spans = np.diff(ends, axis=0)
        length = np.hypot(*spans.T)
        along = spans / length[:, None]
        slide = np.diff(np.vstack([v, [0.0, 0.0]]), axis=0)
        # Material leaves through the rod tip, so the last spring's rate of stretch has
        # the reel in it.
        stretching = (slide * along).sum(1)
        stretching[-1] += SPEED
        pull = np.maximum(
            self.stiffness * (length / rest - 1.0) + self.damping * stretching, 0.0
        )
        force = pull[:, None] * along
        force[1:] -= pull[:-1, None] * along[:-1]
        area = math.pi / 4 * LINE.diameter**2
        share = 0.5 * rest.copy()
        share[1:] += 0.5 * rest[:-1]
        force += self._line_drag(v, along, rest)
        force[:, 1] += share * area * (LINE.density - self.rho) * 9.80665
        force[0] += self._lure(v[0], swum)
        # The water moved along counts across the line; taken all round it is a
        # negligible inertia.
        mass = share * area * (LINE.density + self.rho)
        mass[0] += LURE.mass
        return np.concatenate(
            [v.ravel(), (force / mass[:, None]).ravel(), [np.hypot(*v[0])]]
        )

    def _line_drag(self, v, along, rest):
        """Drag on each span, at the mean velocity of its ends, half of it on either end."""
        tip = np.vstack([v, along[-1:] * SPEED])
        u = 0.5 * (tip[1:] + tip[:-1])
        sliding = (u * along).sum(1)
        across = u - sliding[:, None] * along
        speed = np.hypot(*across.T)
        d = LINE.diameter
        drag = (
            -0.5
            * self.rho
            * d
            * (cylinder_with_slope(speed * d / self.nu)[0] * speed)[:, None]
            * across
        )
        drag -= (
            0.5
            * self.rho
            * math.pi
            * d
            * LINE.tangential_drag
            * (np.abs(sliding) * sliding)[:, None]
            * along
        )
        drag *= rest[:, None]
        halves = 0.5 * drag
        halves[1:] += 0.5 * drag[:-1]
        return halves

    def _lure(self, v, swum):
        share = min(swum / LURE.onset, 1.0)
        lift = LURE.lift_ratio * share**2 * (3.0 - 2.0 * share)
        k = 0.5 * self.rho * LURE.drag_area * np.hypot(*v)
        return (
            -k * v + k * lift * np.array([v[1], -v[0]]) - np.array([0.0, LURE.buoyancy])
        )


@pytest.fixture(scope="module")
def peer():
    """Reach, m, and time taken, s, of the lumped-mass line."""
    began = time.perf_counter()
    reach = LumpedMass().reach()
    return reach, time.perf_counter() - began


def spent(call, times):
    call()
    began = time.perf_counter()
    for _ in range(times):
        call()
    return (time.perf_counter() - began) / times


def test_agrees_with_the_lumped_mass(peer):
    """C: 16 springs, EA 2000 N, against 14 rigid pieces: within 0.5 % of the reach."""
    assert solve(LINE, LURE, RETRIEVE).reach == pytest.approx(peer[0], rel=0.005)


def test_cold_solve(benchmark, peer):
    """Aim: at most 30 ms for a 40 m cast at 0.5 % error."""
    path = benchmark(lambda: solve(LINE, LURE, RETRIEVE))
    fine = solve(LINE, LURE, RETRIEVE, detail=DEFAULT_DETAIL.finer(4)).reach
    took = spent(lambda: solve(LINE, LURE, RETRIEVE), 3)
    print(
        f"\ncold solve {took * 1e3:.1f} ms, off by {abs(path.reach / fine - 1):.2%}; "
        f"lumped mass {peer[1]:.1f} s: {peer[1] / took:.0f} times as long"
    )
    assert path.reach == pytest.approx(fine, rel=0.005)


@pytest.fixture(scope="module")
def learned():
    """What the engine asks: a rig's calibration, and how long it took to make, s."""
    stated = Stated(LURE, LINE, RETRIEVE, solve(LINE, LURE, RETRIEVE).reach)
    rig = CalibratedRig("rod", LINE, RETRIEVE)
    began = time.perf_counter()
    return Calibration(stated, [rig]), time.perf_counter() - began


def test_a_rig_made_ready(learned, peer):
    """Once for each rod, when the program starts."""
    print(
        f"\na rig made ready in {learned[1]:.2f} s; lumped mass {peer[1]:.1f} s for one path"
    )
    assert learned[0].reach("rod").best == pytest.approx(peer[0], rel=0.02)


@pytest.mark.parametrize("length", [None, 0.5 * CAST])
def test_a_cast(benchmark, learned, peer, length):
    """Aim: at most 20 ms. What every spoken cast asks: all the casts it may be, from a drifting boat."""
    calibration, _ = learned

    def ask():
        return calibration.casts(
            "rod", DRAW_COUNT, length, SAID_LENGTH_SCATTER, drift=0.2
        )

    casts = benchmark(ask)
    took = spent(ask, 10)
    print(
        f"\n{DRAW_COUNT} casts of {length or CAST:.0f} m in {took * 1e3:.1f} ms; "
        f"lumped mass {peer[1]:.1f} s for one: a path is {peer[1] / took * DRAW_COUNT:.0f} times as quick"
    )
    assert casts.depth.shape[0] == DRAW_COUNT


@pytest.mark.parametrize("length", [None, 0.5 * CAST])
def test_a_lesson(benchmark, learned, length):
    """What a touch asks: the likelihood on the whole grid, then the reach that is now believed."""
    calibration, _ = learned
    touch = Touch("rod", ((0.0, 4.0),), 15.0, drift=0.2, alike=12.0, length=length)

    def ask():
        calibration.learn(touch)
        reach = calibration.reach("rod")
        calibration.forget()
        return reach

    reach = benchmark(ask)
    cells = calibration._grids["rod"].prior.size
    print(f"\na touch learned from over {cells} cells in {spent(ask, 3) * 1e3:.0f} ms")
    assert reach.low < reach.best < reach.high
