from dataclasses import replace

import pytest

from companion.dive import BRAID_KG_M3, DiveError, Line, Lure, Retrieve, lift_ratio_for, lure_for_reach, solve


@pytest.mark.parametrize("reach", [2.5, 4.0, 5.5, 7.0])
@pytest.mark.parametrize("line", [Line(0.3e-3), Line(0.25e-3, BRAID_KG_M3), Line(0.4e-3)])
def test_the_lure_found_reaches_the_depth_stated(reach, line):
    lure, retrieve = Lure(0.003, onset=3.0, buoyancy=0.1), Retrieve(38.0)
    found = lure_for_reach(reach, line, lure, retrieve)
    assert solve(line, found, retrieve).reach == pytest.approx(reach, rel=5e-4)
    assert replace(found, lift_ratio=0.0) == lure


def test_back_and_forth():
    line, lure, retrieve = Line(0.33e-3), Lure(0.002, 0.9, 2.0, 0.08), Retrieve(30.0, 1.2)
    reach = solve(line, lure, retrieve).reach
    assert lift_ratio_for(reach, line, lure, retrieve) == pytest.approx(0.9, rel=2e-3)


@pytest.mark.parametrize("reach", [30.0, -1.0])
def test_a_depth_out_of_reach_is_said_so(reach):
    with pytest.raises(DiveError, match="out of this lure's range"):
        lift_ratio_for(reach, Line(0.33e-3), Lure(0.002), Retrieve(30.0))
