import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.lakebed.marks import FIX_RADIUS_M, Mark, Marks, off_the_bow
from companion.units import YARD


@pytest.mark.parametrize(
    ("heading", "hour", "bearing"),
    [(0, 12, 0), (0, 3, 90), (90, 12, 90), (350, 1, 20), (180, 9, 90), (45, 2, 105)],
)
def test_hours_of_the_clock_are_from_the_bow(heading, hour, bearing):
    east, north, _ = off_the_bow(0.0, 0.0, heading, 20 * YARD, hour)
    angle = math.radians(bearing)
    assert (east, north) == pytest.approx(
        (18.288 * math.sin(angle), 18.288 * math.cos(angle)), abs=1e-9
    )


@given(st.floats(0, 60), st.floats(0, 360), st.floats(1, 12))
def test_a_guess_is_never_better_than_the_fix(distance, heading, hour):
    assert off_the_bow(0, 0, heading, distance, hour)[2] >= FIX_RADIUS_M


def test_bad_hours_and_distances_are_refused():
    with pytest.raises(ValueError, match="expected 1 to 12"):
        off_the_bow(0, 0, 0, 10, 13)
    with pytest.raises(ValueError, match="expected 0 or more"):
        off_the_bow(0, 0, 0, -1, 3)


def test_a_tree_top_keeps_its_depth_through_changing_levels():
    marks = Marks()
    tree = marks.add("tree top", 0, 0, depth=5.5, level=0.6)
    assert tree.top == pytest.approx(4.9)
    assert tree.top + 1.0 == pytest.approx(5.9)  # with the water a metre up


def test_marks_along_a_line_come_in_order_with_their_side():
    marks = Marks()
    marks.add("rock pile", 30, 4)
    marks.add("tree top", 10, -2, depth=4)
    marks.add("spot", 20, 15)
    marks.add("spot", -5, 0)
    found = marks.along(0, 0, 90, 40, aside=6)
    assert [(one.mark.kind, one.distance, one.aside) for one in found] == [
        ("tree top", pytest.approx(10), pytest.approx(2)),
        ("rock pile", pytest.approx(30), pytest.approx(-4)),
    ]


def test_marks_can_be_found_numbered_and_taken_away():
    marks = Marks([Mark(7, "ledge", 0, 0)])
    assert marks.add("point", 3, 4).number == 8
    assert [mark.number for mark in marks.near(0, 0, 5)] == [7, 8]
    assert marks.near(100, 0, 5) == []
    assert marks.remove(7).kind == "ledge"
    assert marks.remove(7) is None
    assert len(marks) == 1
