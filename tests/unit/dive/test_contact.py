import numpy as np
import pytest

from companion.dive import (
    DiveError,
    Line,
    Lure,
    Retrieve,
    SolverBottom,
    TreeTop,
    clearance,
    contact,
    first_touch,
    solve,
    stop_to_clear,
    stretches,
)

LINE, LURE, CAST = Line(0.35e-3), Lure(0.003, 1.0, 2.0, 0.1), Retrieve(40.0)


@pytest.fixture(scope="module")
def free():
    return solve(LINE, LURE, CAST)


def ledge(shallow, deep, at):
    """Shallow near the boat, deep beyond."""
    return SolverBottom(
        np.array([0.0, at, at + 0.15, 60.0]), np.array([shallow, shallow, deep, deep])
    )


@pytest.mark.parametrize(
    ("x", "z"),
    [([1.0], [2.0]), ([0, 1], [1.0]), ([0, 0], [1, 1]), ([0, np.nan], [1, 1])],
)
def test_a_bottom_must_make_sense(x, z):
    with pytest.raises(DiveError, match="bottom"):
        SolverBottom(np.array(x, dtype=float), np.array(z, dtype=float))


def test_a_bottom_is_unknown_beyond_its_points():
    bottom = SolverBottom(np.array([10.0, 20.0]), np.array([3.0, 5.0]))
    assert bottom.depth(15.0) == pytest.approx(4.0)
    assert np.isnan(bottom.depth([5.0, 25.0])).all()


def test_first_touch_of_the_free_path_is_where_contact_begins(free):
    for bottom in (
        SolverBottom.flat(4.5),
        ledge(3.0, 6.5, 20.0),
        SolverBottom(np.array([0.0, 45.0]), np.array([2.0, 7.0])),
    ):
        t, x, z = first_touch(free, bottom)
        met = contact(LINE, LURE, CAST, bottom)
        assert met.first is not None
        # Contact is seen at instants half a second apart at most.
        assert met.first.begins == pytest.approx(x, abs=0.6)
        assert met.first.touched_at == pytest.approx(t, abs=0.6)
        assert met.first.depth == pytest.approx(z, abs=0.15)


def test_clear_water_is_clear(free):
    assert first_touch(free, SolverBottom.flat(9.0)) is None
    met = contact(LINE, LURE, CAST, SolverBottom.flat(9.0))
    assert met.first is None
    assert met.length == 0.0


def test_on_a_flat_bottom_the_lure_leaves_where_the_line_lifts_it(free):
    met = contact(LINE, LURE, CAST, SolverBottom.flat(4.5))
    assert len(met.stretches) == 1
    stretch = met.stretches[0]
    assert met.path.reach == pytest.approx(4.5, abs=0.01)
    assert stretch.begins > 25.0
    assert 3.0 < stretch.leaves < 12.0
    assert met.length == pytest.approx(stretch.begins - stretch.leaves)
    # The free lure has long passed its deepest point when the held one comes off.
    assert stretch.leaves < free.reach_at
    x = np.linspace(stretch.leaves + 0.5, stretch.begins - 0.5, 20)
    np.testing.assert_allclose([met.path.depth_at(v) for v in x], 4.5, atol=0.02)


def test_a_deeper_bottom_is_touched_later_and_shorter():
    shallow, deep = (
        contact(LINE, LURE, CAST, SolverBottom.flat(z)) for z in (3.5, 6.0)
    )
    assert shallow.first.begins > deep.first.begins
    assert shallow.length > deep.length > 0.0


def test_a_slope_up_towards_the_boat_is_followed():
    bottom = SolverBottom(np.array([0.0, 45.0]), np.array([1.5, 8.0]))
    met = contact(LINE, LURE, CAST, bottom)
    x = np.linspace(met.stretches[0].leaves + 0.5, met.first.begins - 0.5, 20)
    np.testing.assert_allclose(
        [met.path.depth_at(v) for v in x], bottom.depth(x), atol=0.03
    )


def test_a_ledge_is_climbed_and_another_left_free():
    up = contact(LINE, LURE, CAST, ledge(4.0, 6.0, 18.0))
    on_top = up.path.z[(up.path.x < 15.0) & (up.path.x > 10.0)]
    np.testing.assert_allclose(on_top, 4.0, atol=0.02)
    down = contact(LINE, LURE, CAST, ledge(7.0, 3.5, 22.0))
    just_past = down.path.depth_at(20.0)
    assert 3.5 < just_past < 6.5, "it swims down from the edge, it does not drop"


def test_a_rough_bottom_holds_the_lure_up():
    rng = np.random.default_rng(4)
    x = np.arange(0.0, 46.0)
    bottom = SolverBottom(x, 5.0 + np.cumsum(rng.normal(0.0, 0.15, len(x))))
    met = contact(LINE, LURE, CAST, bottom)
    below = met.path.z - bottom.depth(met.path.over_ground)
    assert np.nanmax(below) < 0.01
    assert met.length > 3.0


def test_stretches_need_a_bottom(free):
    with pytest.raises(DiveError, match="without a bottom"):
        stretches(free, SolverBottom.flat(5.0))


def test_clearance_over_a_tree_top(free):
    depth = free.depth_at(20.0)
    assert clearance(free, TreeTop(20.0, depth + 0.7)) == pytest.approx(0.7, abs=0.01)
    assert clearance(free, TreeTop(20.0, depth - 0.7)) == pytest.approx(-0.7, abs=0.01)
    assert clearance(free, TreeTop(55.0, 3.0)) is None
    assert clearance(free, TreeTop(25.0, 7.0, x_spread=3.0)) < clearance(
        free, TreeTop(25.0, 7.0)
    )


def test_a_stop_lets_a_floating_lure_over(free):
    top = TreeTop(20.0, free.depth_at(20.0) - 0.2, x_spread=0.3)
    stop = stop_to_clear(LINE, LURE, CAST, top, margin=0.25)
    assert stop is not None
    assert stop.length > 0.5
    assert stop.clearance == 0.25
    path = solve(LINE, LURE, CAST.stopped_at(stop.begins, stop.length))
    assert clearance(path, top) == pytest.approx(0.3, abs=0.1)
    assert (
        clearance(
            solve(LINE, LURE, CAST.stopped_at(stop.begins, 0.5 * stop.length)), top
        )
        < 0.25
    )


def test_no_stop_where_none_is_needed_or_none_helps():
    assert stop_to_clear(LINE, LURE, CAST, TreeTop(20.0, 9.0)).length == 0.0
    assert stop_to_clear(LINE, LURE, CAST, TreeTop(60.0, 1.0)) is None
    sinking = Lure(0.003, 1.0, 2.0, -0.05)
    assert stop_to_clear(LINE, sinking, CAST, TreeTop(20.0, 4.0)) is None
