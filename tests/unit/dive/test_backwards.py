import re
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
    lure_for_reach,
    shaped_lure,
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


GUESSED = replace(
    TRUE, drag_area=0.0014, buoyancy=TRUE.buoyancy * 14.0 / 19.0, onset=4.0
)
"""Drag area a quarter less and onset a third more than the truth."""


def down_after(lure):
    path = solve(LINE, lure, LONG)
    rising = slice(0, int(path.z.argmax()))
    return 41.0 - float(np.interp(0.9 * path.reach, path.z[rising], path.x[rising]))


def test_a_second_depth_tells_how_much_the_lure_is_dragged():
    first, second = (solve(LINE, TRUE, retrieve).reach for retrieve in (LONG, SHORT))
    found = shaped_lure(first, LINE, GUESSED, LONG, (second, LINE, SHORT))
    for retrieve, wanted in ((LONG, first), (SHORT, second)):
        assert solve(LINE, found, retrieve).reach == pytest.approx(wanted, abs=0.02)
    assert found.buoyancy / found.drag_area == pytest.approx(
        TRUE.buoyancy / TRUE.drag_area, rel=0.01
    )


def test_where_it_is_down_tells_how_soon_its_lip_takes_hold():
    first = solve(LINE, TRUE, LONG).reach
    guessed = replace(TRUE, onset=8.0)
    found = shaped_lure(first, LINE, guessed, LONG, down_after=down_after(TRUE))
    assert down_after(found) == pytest.approx(down_after(TRUE), abs=0.05)
    assert found.onset < 6.5 < down_after(guessed)


def test_both_tell_the_lure():
    first, second = (solve(LINE, TRUE, retrieve).reach for retrieve in (LONG, SHORT))
    also = second, LINE, SHORT
    found = shaped_lure(first, LINE, GUESSED, LONG, also, down_after(TRUE))
    assert found.drag_area == pytest.approx(TRUE.drag_area, rel=0.06)
    assert found.onset == pytest.approx(TRUE.onset, rel=0.12)
    assert found.lift_ratio == pytest.approx(TRUE.lift_ratio, rel=0.03)


def test_a_second_statement_that_does_not_fit_says_what_would():
    first = solve(LINE, TRUE, LONG).reach
    with pytest.raises(DiveError) as refused:
        shaped_lure(first, LINE, TRUE, LONG, (5.5, LINE, SHORT))
    told = re.fullmatch(
        r"a second depth of 18 ft \(5.5 m\) does not fit the first statement; "
        r"for this lure it can be ([\d.]+) to ([\d.]+) ft \(([\d.]+) to ([\d.]+) m\)",
        str(refused.value),
    )
    feet_least, feet_most, least, most = (float(one) for one in told.groups())
    assert (feet_least, feet_most) == pytest.approx(
        (least / 0.3048, most / 0.3048), rel=0.01
    )
    assert least < solve(LINE, TRUE, SHORT).reach < most < 5.5
    with pytest.raises(DiveError, match=r"is down of 32\.8 yd \(30 m\) does not fit"):
        shaped_lure(first, LINE, TRUE, LONG, down_after=30.0)
