"""What must hold whatever the rig, over drawn rigs."""

import math
from dataclasses import replace

import numpy as np
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from companion.dive import (
    DEFAULT_DETAIL,
    NYLON_KG_M3,
    DiveError,
    Line,
    Lure,
    Retrieve,
    Water,
    solve,
    solve_many,
)
from companion.dive.balance import Quadrature
from companion.dive.march import March, TimeGrid
from companion.dive.solver import case_of, landed, line_left, shared_plan
from companion.units import GRAVITY

RHO = Water(15.0).density
few = settings(max_examples=20, deadline=None)


def reals(low, high):
    return st.floats(low, high, allow_nan=False)


diameters = reals(0.15e-3, 0.5e-3)
lures = st.builds(
    Lure,
    drag_area=reals(8e-4, 6e-3),
    lift_ratio=reals(0.1, 1.6),
    onset=reals(0.0, 8.0),
    buoyancy=reals(0.0, 0.06),
)
retrieves = st.builds(
    Retrieve, cast=reals(12.0, 60.0), speed=reals(0.7, 2.0), tip_height=reals(0.0, 2.0)
)


def reaches(*cases):
    """Reaches of (line, lure, retrieve) solved on the same instants, so that they compare to 0.1 %."""
    return [p.reach for p in solve_many([c[:2] for c in cases], [c[2] for c in cases])]


def not_less(deeper, shallower):
    assert deeper >= shallower * 0.998 - 0.005, (deeper, shallower)


@few
@given(
    diameters, reals(1.05, 1.8), lures, retrieves, st.sampled_from([RHO, NYLON_KG_M3])
)
def test_a_thicker_line_is_never_deeper(d, thicker, lure, retrieve, density):
    """Where the line's weight is little beside what pulls the lure down.

    A nylon line sinks. On a lure that hardly dives, the extra weight of a thicker one
    pulls it deeper.
    """
    weight = (
        (density - RHO)
        * GRAVITY
        * math.pi
        / 4.0
        * (thicker**2 - 1.0)
        * d**2
        * retrieve.cast
    )
    lift = 0.5 * RHO * lure.drag_area * lure.lift_ratio * retrieve.speed**2
    assume(weight <= 0.05 * (lift - lure.buoyancy))
    thin, thick = reaches(
        (Line(d, density), lure, retrieve), (Line(d * thicker, density), lure, retrieve)
    )
    not_less(thin, thick)


@few
@given(diameters, lures, retrieves, reals(1.05, 1.8))
def test_a_longer_cast_is_never_shallower(d, lure, retrieve, longer):
    line = Line(d)
    short, long = reaches(
        (line, lure, retrieve),
        (line, lure, replace(retrieve, cast=retrieve.cast * longer)),
    )
    not_less(long, short)


@few
@given(diameters, lures, retrieves, reals(1.05, 1.5))
def test_more_lift_is_never_shallower(d, lure, retrieve, more):
    line = Line(d)
    less, lifted = reaches(
        (line, lure, retrieve),
        (line, replace(lure, lift_ratio=lure.lift_ratio * more), retrieve),
    )
    not_less(lifted, less)


@few
@given(diameters, lures, retrieves)
def test_reach_is_at_most_the_cast(d, lure, retrieve):
    path = solve(Line(d), lure, retrieve)
    assert 0.0 <= path.reach <= retrieve.cast
    assert (
        np.hypot(path.x, path.z + retrieve.tip_height) <= path.line_out * 1.001 + 0.02
    )[path.z > 0.0].all()


@few
@given(diameters, lures, retrieves, reals(0.3, 3.0))
def test_speed_matters_only_through_buoyancy_and_weight(d, lure, retrieve, other):
    """With neither, and a fixed drag coefficient, every force goes with speed squared."""
    line, plain = Line(d, RHO, normal_drag=1.3), replace(lure, buoyancy=0.0)
    still = replace(retrieve, tip_height=0.0)
    one, two = reaches((line, plain, still), (line, plain, replace(still, speed=other)))
    assert math.isclose(one, two, rel_tol=2e-3, abs_tol=2e-3)


@few
@given(diameters, lures, reals(12.0, 40.0), reals(0.5, 2.0))
def test_units_do_not_matter(d, lure, cast, scale):
    """All lengths scaled, forces by their square: the same path, scaled."""
    line = Line(d, RHO, normal_drag=1.3)
    big_line = Line(d * scale, RHO, normal_drag=1.3)
    big_lure = Lure(
        lure.drag_area * scale**2,
        lure.lift_ratio,
        lure.onset * scale,
        lure.buoyancy * scale**2,
    )
    one, two = reaches(
        (line, lure, Retrieve(cast, tip_height=0.0)),
        (big_line, big_lure, Retrieve(cast * scale, tip_height=0.0)),
    )
    assert math.isclose(one * scale, two, rel_tol=5e-3, abs_tol=0.01)


@few
@given(diameters, lures, retrieves)
def test_left_is_as_right(d, lure, retrieve):
    """The same cast to the other side, in the kernel: mirrored, to rounding."""
    rigs, points = [(Line(d), lure)], Quadrature.graded(10)
    plan = shared_plan(rigs, [retrieve], DEFAULT_DETAIL, [line_left(retrieve)])
    case = case_of(rigs, retrieve.water)
    right = list(
        March(
            case,
            points,
            plan,
            landed(case, points, plan, np.array([retrieve.cast + 0j])),
        )
    )
    other = replace(case, lift=-case.lift)
    mirrored = TimeGrid(plan.t, plan.length, plan.reeling, -plan.tip.conj())
    first = landed(other, points, mirrored, np.array([-retrieve.cast + 0j]))
    left = list(March(other, points, mirrored, first))
    there, here = (np.array([s.lure[0] for s in side]) for side in (right, left))
    np.testing.assert_allclose(-here.conj(), there, atol=2e-3)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.builds(
        Line,
        diameter=reals(0.05e-3, 1.5e-3),
        density=reals(800.0, 3000.0),
        drag_factor=reals(0.0, 5.0),
        tangential_drag=reals(0.0, 0.2),
    ),
    st.builds(
        Lure,
        drag_area=reals(1e-5, 0.05),
        lift_ratio=reals(0.0, 4.0),
        onset=reals(0.0, 30.0),
        buoyancy=reals(-20.0, 2.0),
        mass=st.none() | reals(0.001, 2.0),
    ),
    reals(2.0, 150.0),
    reals(0.05, 5.0),
    reals(0.0, 1.0),
    reals(0.0, 40.0),
)
@example(
    Line(1.45e-3, 800.0, 0.0, tangential_drag=0.0), Lure(1e-5), 2.0, 0.0625, 0.0, 0.0
)
@example(
    Line(0.72e-3, 1581.0, 0.0, tangential_drag=0.0),
    Lure(1e-5, 1.1, 18.0, -11.8),
    142.8,
    0.09,
    0.76,
    40.0,
)
def test_no_value_that_is_not_a_number_over_the_full_range(
    line, lure, cast, speed, tip, temperature
):
    retrieve = Retrieve(
        cast, speed, min(5.0 * tip, 0.5 * cast), temperature=temperature
    )
    hardly_dragged = line.drag_factor < 0.01 and lure.drag_area < 2e-5
    try:
        path = solve(line, lure, retrieve)
    except DiveError:
        # No settings say that: nothing but its own weight holds such a line.
        assert hardly_dragged
        return
    for values in (path.t, path.x, path.z, path.line_out, path.tension):
        assert np.isfinite(values).all()
    # A centimetre for the same line, whose lure swings where it is held by the surface.
    longest = math.hypot(cast, retrieve.tip_height) + 0.05
    assert path.reach <= longest + 0.01 * hardly_dragged
