"""The steady tow against exact solutions and independent programs.

S seen in the source named, M from memory, C computed with the independent code named.
The published figures take water of 1000 kg/m3; here the coefficients are scaled to the
water's true density, which leaves every force the same.
"""

import math

import pytest

from companion.dive import Line, Lure, Water, tow

RHO = Water(15.0).density
SCALE = 1000.0 / RHO


def line(d=0.3e-3, density=1000.0, cn=1.2, ct=0.0):
    return Line(
        d, RHO + density - 1000.0, normal_drag=cn * SCALE, tangential_drag=ct * SCALE
    )


def pulling(back, down, speed=1.0):
    """A lure that pulls back and down with these forces, N."""
    return Lure(drag_area=back / (0.5 * RHO * speed**2), buoyancy=-down)


@pytest.mark.parametrize(
    ("back", "down", "depth", "layback"),
    [(1.0, 1.0, 12.769442, 37.386272), (0.5, 0.8, 11.623240, 37.411351)],
)
def test_neutral_line_normal_drag_only(back, down, depth, layback):
    """Exact: cot(phi) = c0 + R s / T0 (elementary; C), 40 m of line at 1 m/s."""
    shape = tow(line(), pulling(back, down), 1.0, 40.0)
    assert shape.depth == pytest.approx(depth, rel=1e-4)
    assert shape.layback == pytest.approx(layback, rel=1e-4)
    assert shape.tension == pytest.approx(math.hypot(back, down), rel=1e-4)


def test_angle_at_the_tip():
    """Exact, as above (C)."""
    assert tow(line(), pulling(1.0, 1.0), 1.0, 40.0).top_angle == pytest.approx(
        9.32320, rel=2e-4
    )


@pytest.mark.parametrize("length", [5.0, 12.5, 40.0, 90.0])
@pytest.mark.parametrize(("back", "down"), [(1.0, 1.0), (0.3, 2.0), (2.0, 0.4)])
def test_closed_form_at_other_lengths(length, back, down):
    """Exact: depth and layback in asinh and square root, worked out here."""
    r, t0, c0 = 0.5 * 1000 * 1.2 * 0.3e-3, math.hypot(back, down), back / down
    c1 = c0 + r * length / t0
    shape = tow(line(), pulling(back, down), 1.0, length)
    assert shape.depth == pytest.approx(
        t0 / r * (math.asinh(c1) - math.asinh(c0)), rel=1e-4
    )
    assert shape.layback == pytest.approx(
        t0 / r * (math.hypot(1, c1) - math.hypot(1, c0)), rel=1e-4
    )


def test_constant_tangential_load():
    """C: the assumption of Pode 1951, DTMB Report 687 (M), Ct = 0.02."""
    shape = tow(line(ct=0.02), pulling(1.0, 1.0), 1.0, 40.0, sliding_at_full_speed=True)
    assert shape.depth == pytest.approx(13.173961, rel=1e-4)
    assert shape.layback == pytest.approx(37.278315, rel=1e-4)
    assert shape.tension == pytest.approx(1.791205, rel=1e-4)


@pytest.mark.parametrize(("heaviness", "degrees"), [(1.0, 51.8273), (0.1, 17.9642)])
def test_critical_angle_of_a_long_heavy_line(heaviness, degrees):
    """Exact: cos(phi_c) = (-k + sqrt(k^2 + 4)) / 2 with k weight over normal drag."""
    d, speed, density = 1e-3, 0.4, 3000.0
    weight = (density - 1000.0) * math.pi * d * d / 4 * 9.80665
    cn = weight / heaviness / (0.5 * 1000 * d * speed**2)
    # A light lure far below leaves the angle at the tip to the line alone.
    shape = tow(line(d, density, cn=cn), pulling(1e-3, 1e-3, speed), speed, 60.0)
    assert shape.top_angle == pytest.approx(degrees, abs=0.01)


def test_tangential_drag_in_full():
    """C: scipy solve_ivp 13.076935 / 37.306828 / 1.743664; WHOI Cable 13.07692 /
    37.30688 / 1.74367; MoorDyn 2.7.2 without stretch 13.0768 / 37.3069."""
    shape = tow(line(ct=0.02), pulling(1.0, 1.0), 1.0, 40.0)
    assert shape.depth == pytest.approx(13.076935, rel=1e-4)
    assert shape.layback == pytest.approx(37.306828, rel=1e-4)
    assert shape.tension == pytest.approx(1.743664, rel=1e-4)


@pytest.mark.parametrize(
    ("length", "depth", "layback"),
    [(10, 5.3431, 8.3890), (20, 8.6975, 17.8017), (30, 11.1402, 27.4968)],
)
def test_shorter_lines(length, depth, layback):
    """C: the independent programs above."""
    shape = tow(line(ct=0.02), pulling(1.0, 1.0), 1.0, length)
    assert shape.depth == pytest.approx(depth, rel=1e-4)
    assert shape.layback == pytest.approx(layback, rel=1e-4)


def test_nylon():
    """C: the independent programs above; nylon 1140 kg/m3, 40 m."""
    shape = tow(line(density=1140.0, ct=0.02), pulling(0.5, 0.8), 1.0, 40.0)
    assert shape.depth == pytest.approx(12.07174, rel=1e-4)
    assert shape.layback == pytest.approx(37.31194, rel=1e-4)
    assert shape.tension == pytest.approx(1.27572, rel=1e-4)


def test_polyvinylidene_fluoride():
    """C: the independent programs above; 1780 kg/m3, 0.25 mm, Cn 1.3, 1.2 m/s, 60 m."""
    shape = tow(
        line(0.25e-3, 1780.0, cn=1.3, ct=0.02), pulling(1.0, 1.5, 1.2), 1.2, 60.0
    )
    assert shape.depth == pytest.approx(17.72533, rel=1e-4)
    assert shape.layback == pytest.approx(56.17247, rel=1e-4)
    assert shape.tension == pytest.approx(2.40921, rel=1e-4)
