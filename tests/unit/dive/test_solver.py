import math
from dataclasses import replace

import numpy as np
import pytest

from companion.dive import (
    BRAID_KG_M3,
    DEFAULT_DETAIL,
    PVDF_KG_M3,
    DiveError,
    Line,
    Lure,
    Profile,
    Retrieve,
    SolverBottom,
    Water,
    solve,
    solve_many,
    tow,
)

LINE, LURE = Line(0.35e-3), Lure(0.003, 1.0, 2.0, 0.1)
RIGS = {
    "gradual": (Line(0.2e-3, BRAID_KG_M3), Lure(0.004, 0.5, 8.0, 0.02), Retrieve(60.0)),
    "steep": (LINE, LURE, Retrieve(40.0)),
    "straight down": (
        Line(0.3e-3, PVDF_KG_M3),
        Lure(0.003, 1.5, 0.5, 0.2),
        Retrieve(40.0, 1.5, 0.5),
    ),
    "slow": (LINE, Lure(0.0015, 1.0, 2.0, 0.1), Retrieve(40.0, 0.5)),
    "sinking": (
        LINE,
        Lure(0.001, 0.3, 2.0, -0.1),
        Retrieve(35.0, 0.8, 2.0, temperature=4.0),
    ),
}


@pytest.mark.parametrize("rig", RIGS)
def test_default_detail_is_within_half_a_percent(rig):
    coarse, fine = solve(*RIGS[rig]), solve(*RIGS[rig], detail=DEFAULT_DETAIL.finer(3))
    assert coarse.reach == pytest.approx(fine.reach, rel=0.005)
    far = np.linspace(0.15, 0.95, 30) * RIGS[rig][2].cast
    off = [coarse.depth_at(x) - fine.depth_at(x) for x in far]
    assert np.abs(off).max() < 0.01 * fine.reach


def test_solved_together_as_solved_alone():
    rigs = [RIGS[k][:2] for k in ("gradual", "steep", "slow")]
    retrieves = [
        Retrieve(25.0, 0.8),
        Retrieve(40.0, 1.2, drift=0.3),
        Retrieve(60.0, 1.0, drift=-0.3),
    ]
    together = solve_many(rigs, retrieves)
    for (line, lure), retrieve, path in zip(rigs, retrieves, together, strict=True):
        assert path.reach == pytest.approx(solve(line, lure, retrieve).reach, rel=0.005)


@pytest.mark.parametrize(
    ("second", "says"),
    [
        ((Line(0.3e-3, normal_drag=1.2), LURE, Retrieve(40.0)), "kind of drag"),
        ((LINE, Lure(0.003, mass=0.02), Retrieve(40.0)), "mass"),
        ((LINE, LURE, Retrieve(40.0, temperature=3.0)), "one temperature"),
        (
            (LINE, LURE, Retrieve(40.0, drift=Profile((0.0, 9.0), (0.0, 0.2)))),
            "constant speeds",
        ),
    ],
)
def test_what_cannot_be_solved_together_is_said_so(second, says):
    line, lure, retrieve = second
    with pytest.raises(DiveError, match=says):
        solve_many([(LINE, LURE), (line, lure)], [Retrieve(40.0), retrieve])


def test_a_path_tells_where_the_lure_is():
    path = solve(LINE, LURE, Retrieve(40.0))
    assert path.at(0.0) == (40.0, 0.0)
    assert path.at(path.reach_t) == pytest.approx(
        (path.reach_at, path.reach), rel=0.002
    )
    assert path.depth_at(path.reach_at) == pytest.approx(path.reach, rel=0.002)
    assert path.depth_at(50.0) is None
    assert path.depth_at(-3.0) is None
    assert (np.diff(path.t) > 0).all()
    assert (np.diff(path.line_out) < 0).all()
    assert np.hypot(path.x, path.z + 1.0).max() <= math.hypot(40.0, 1.0) + 1e-6


def test_a_floating_lure_rises_while_the_reel_rests_held_back_by_its_line():
    """More slowly than at the speed at which its drag is its buoyancy, and on a thin line nearly at it."""
    free = math.sqrt(LURE.buoyancy / (0.5 * Water(15.0).density * LURE.drag_area))

    def rise(line):
        path = solve(line, LURE, Retrieve(40.0).stopped_at(15.0, 4.0))
        (x0, z0), (x1, z1) = path.at(15.6), path.at(18.6)
        assert x1 == pytest.approx(x0, abs=0.25)
        assert path.at(25.0)[1] > z1, "it dives again when the reel goes on"
        return (z0 - z1) / 3.0

    assert free > rise(Line(0.06e-3, 1000.0)) > rise(Line(0.5e-3, 1000.0)) > 0.4 * free
    assert rise(Line(0.06e-3, 1000.0)) > 0.9 * free


def test_the_belly_of_a_slack_line_stays_and_draws_the_lure_back_down():
    """Back along its own track."""
    path = solve(LINE, LURE, Retrieve(40.0).stopped_at(15.0, 6.0))
    (_, before), (x1, after), (x2, later) = path.at(15.0), path.at(21.0), path.at(24.0)
    assert after < before - 0.8
    assert (later - after) / (x1 - x2) > 0.3


@pytest.mark.parametrize("start", [0.0, 20.0, 38.0])
@pytest.mark.parametrize("drift", [-0.8, 0.8])
def test_a_stop_anywhere_over_a_bottom_has_a_path(start, drift):
    retrieve = Retrieve(40.0, drift=drift).stopped_at(start, 6.0)
    path = solve(
        LINE, replace(LURE, buoyancy=-0.02), retrieve, bottom=SolverBottom.flat(4.0)
    )
    assert np.isfinite(path.z).all()
    assert path.z.max() <= 4.0
    assert (np.hypot(path.x, path.z + 1.0) <= path.line_out + 0.1).all()


def test_a_lure_that_floats_stops_at_the_surface():
    path = solve(
        LINE, Lure(0.003, 0.6, 2.0, 0.5), Retrieve(30.0, 1.2).stopped_at(8.0, 12.0)
    )
    assert path.at(18.0)[1] == 0.0


def test_a_sinking_lure_sinks_while_the_reel_rests():
    lure = Lure(0.001, 0.2, 2.0, -0.15)
    path = solve(LINE, lure, Retrieve(30.0).stopped_at(10.0, 4.0))
    assert path.at(13.8)[1] > path.at(10.2)[1] + 0.5
    chord = np.hypot(path.x, path.z + 1.0)
    assert (chord <= path.line_out + 0.01).all()


def test_own_mass_carries_a_lure_on_a_little_when_the_reel_stops():
    light = solve(
        LINE,
        Lure(0.003, 1.0, 2.0, 0.1, mass=0.001),
        Retrieve(40.0, 1.5).stopped_at(10.0, 4.0),
    )
    heavy = solve(
        LINE,
        Lure(0.003, 1.0, 2.0, 0.1, mass=0.2),
        Retrieve(40.0, 1.5).stopped_at(10.0, 4.0),
    )
    assert heavy.at(13.0)[0] < light.at(13.0)[0] - 0.02


def test_a_boat_that_draws_away_keeps_the_lure_deep():
    rest = solve(LINE, LURE, Retrieve(40.0))
    away = solve(LINE, LURE, Retrieve(40.0, drift=0.4))
    towards = solve(LINE, LURE, Retrieve(40.0, drift=-0.3))
    assert away.tip_x[-1] == pytest.approx(-0.4 * away.t[-1])
    assert away.reach > rest.reach > towards.reach
    assert away.over_ground[0] == pytest.approx(40.0)


def test_a_drift_with_the_reel_at_rest_becomes_the_steady_tow():
    retrieve = Retrieve(30.0, speed=0.0, tip_height=0.0, drift=0.8)
    path = solve(LINE, LURE, retrieve, until=120.0)
    steady = tow(LINE, LURE, 0.8, 30.0)
    assert path.z[-1] == pytest.approx(steady.depth, rel=0.01)
    assert path.x[-1] == pytest.approx(steady.layback, rel=0.01)
    assert path.tension[-1] == pytest.approx(steady.tension, rel=0.01)


def test_a_reel_that_never_takes_the_line_in_needs_an_end():
    with pytest.raises(DiveError, match="until"):
        solve(LINE, LURE, Retrieve(30.0, speed=Profile((5.0, 6.0), (1.0, 0.0))))
    path = solve(
        LINE, LURE, Retrieve(30.0, speed=Profile((5.0, 6.0), (1.0, 0.0))), until=9.0
    )
    assert path.t[-1] == pytest.approx(9.0)


def test_a_cast_shorter_than_the_rod_is_high_is_refused():
    with pytest.raises(DiveError, match="twice the tip's height"):
        solve(LINE, LURE, Retrieve(5.0, tip_height=3.0))


@pytest.mark.parametrize(
    ("speed", "length", "tip"), [(0.01, 20.0, 1.0), (1.0, 0.5, 0.0), (1.0, 4.0, 3.0)]
)
def test_a_tow_out_of_range_is_refused(speed, length, tip):
    with pytest.raises(DiveError, match="expected"):
        tow(LINE, LURE, speed, length, tip_height=tip)


def test_a_rod_tip_above_water_takes_little_from_a_tow():
    low, high = tow(LINE, LURE, 1.0, 30.0), tow(LINE, LURE, 1.0, 30.0, tip_height=1.5)
    assert low.depth - 1.5 < high.depth < low.depth
    assert high.z[-1] == -1.5


def test_a_bottom_far_below_changes_nothing():
    free = solve(LINE, LURE, Retrieve(40.0))
    deep = solve(LINE, LURE, Retrieve(40.0), bottom=SolverBottom.flat(30.0))
    assert deep.reach == pytest.approx(free.reach, rel=0.005)
    assert deep.touching is not None
    assert not deep.touching.any()
