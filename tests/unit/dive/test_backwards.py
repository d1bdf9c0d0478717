from dataclasses import replace

import numpy as np
import pytest

from companion.dive import (
    BRAID_KG_M3,
    DiveError,
    Line,
    Lure,
    Retrieve,
    lift_ratio_for,
    lure_for_descent,
    lure_for_reach,
    lure_for_two_reaches,
    solve,
)


@pytest.mark.parametrize("reach", [2.5, 4.0, 5.5, 7.0])
@pytest.mark.parametrize(
    "line", [Line(0.3e-3), Line(0.25e-3, BRAID_KG_M3), Line(0.4e-3)]
)
def test_the_lure_found_reaches_the_depth_stated(reach, line):
    lure, retrieve = Lure(0.003, onset=3.0, buoyancy=0.1), Retrieve(38.0)
    found = lure_for_reach(reach, line, lure, retrieve)
    assert solve(line, found, retrieve).reach == pytest.approx(reach, rel=5e-4)
    assert replace(found, lift_ratio=0.0) == lure


def test_back_and_forth():
    line, lure, retrieve = (
        Line(0.33e-3),
        Lure(0.002, 0.9, 2.0, 0.08),
        Retrieve(30.0, 1.2),
    )
    reach = solve(line, lure, retrieve).reach
    assert lift_ratio_for(reach, line, lure, retrieve) == pytest.approx(0.9, rel=2e-3)


@pytest.mark.parametrize("reach", [30.0, -1.0])
def test_a_depth_out_of_reach_is_said_so(reach):
    with pytest.raises(DiveError, match="out of this lure's range"):
        lift_ratio_for(reach, Line(0.33e-3), Lure(0.002), Retrieve(30.0))


TRUE, LINE = Lure(0.0019, 0.7, 3.0, 0.006), Line(0.285e-3, 1775.0)
LONG, SHORT = Retrieve(41.0), Retrieve(18.0)


def test_a_second_depth_tells_how_much_the_lure_is_dragged():
    first, second = (solve(LINE, TRUE, retrieve).reach for retrieve in (LONG, SHORT))
    guessed = replace(TRUE, drag_area=0.0014, buoyancy=TRUE.buoyancy * 14.0 / 19.0)
    found = lure_for_two_reaches(first, LINE, guessed, LONG, (second, LINE, SHORT))
    assert found.drag_area == pytest.approx(TRUE.drag_area, rel=0.03)
    assert found.buoyancy == pytest.approx(TRUE.buoyancy, rel=0.03)
    assert found.lift_ratio == pytest.approx(TRUE.lift_ratio, rel=0.03)


def test_where_it_is_down_tells_how_soon_its_lip_takes_hold():
    path = solve(LINE, TRUE, LONG)
    rising = slice(0, int(path.z.argmax()))
    after = 41.0 - np.interp(0.9 * path.reach, path.z[rising], path.x[rising])
    found = lure_for_descent(
        path.reach, LINE, replace(TRUE, onset=8.0), LONG, float(after)
    )
    assert found.onset == pytest.approx(TRUE.onset, abs=0.4)


def test_a_second_statement_that_does_not_fit_says_what_would():
    first = solve(LINE, TRUE, LONG).reach
    with pytest.raises(
        DiveError, match=r"does not fit the first statement; for this lure"
    ):
        lure_for_two_reaches(first, LINE, TRUE, LONG, (5.5, LINE, SHORT))
