import math

import pytest

from companion.dive import DiveError, Line, Lure, Profile, Retrieve, steady, with_stop


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Line(0.003), "line diameter is 3 mm, expected 0.05 to 1.5 mm"),
        (lambda: Line(0.3e-3, density=100.0), "line density is 100 kg/m3"),
        (lambda: Line(0.3e-3, drag_factor=-1.0), "line drag factor"),
        (lambda: Line(math.nan), "line diameter is nan"),
        (lambda: Lure(0.0), "lure drag area is 0 cm2"),
        (lambda: Lure(0.002, lift_ratio=11.0), "lure lift ratio"),
        (lambda: Lure(0.002, buoyancy=math.inf), "lure buoyancy"),
        (lambda: Lure(0.002, mass=-0.1), "lure mass"),
        (lambda: Retrieve(1.0), "cast is 1 m, expected 2 to 260 m"),
        (lambda: Retrieve(40.0, speed=9.0), "retrieve speed"),
        (lambda: Retrieve(40.0, tip_height=6.0), "rod tip height"),
        (lambda: Retrieve(40.0, drift=-6.0), "drift"),
        (lambda: Retrieve(40.0, temperature=60.0), "water temperature"),
        (lambda: Profile((0.0, 1.0), (1.0,)), "as many speeds as times"),
        (lambda: Profile((1.0, 1.0), (1.0, 2.0)), "must rise"),
        (lambda: Profile((0.0,), (math.nan,)), "not a number"),
        (
            lambda: (
                with_stop(1.0, 5.0, 2.0)
                and Retrieve(40.0, with_stop(1.0, 5.0, 2.0)).stopped_at(1.0, 1.0)
            ),
            "one",
        ),
    ],
)
def test_what_is_out_of_range_is_said_so(make, says):
    with pytest.raises(DiveError, match=says):
        make()


def test_a_profile_runs_the_distance_under_its_curve():
    profile = Profile((1.0, 2.0, 4.0), (0.0, 1.0, 0.5))
    assert profile.distance(1.0) == 0.0
    assert profile.distance(2.0) == pytest.approx(0.5)
    assert profile.distance(4.0) == pytest.approx(0.5 + 1.5)
    assert profile.distance(6.0) == pytest.approx(2.0 + 1.0)
    assert steady(0.8).distance(10.0) == pytest.approx(8.0)


@pytest.mark.parametrize("length", [0.0, 0.3, 0.4, 2.0])
def test_a_stop_takes_line_in_before_and_after(length):
    profile = with_stop(1.0, 5.0, length)
    assert profile.at(4.9) == 1.0
    assert profile.at(5.2) == pytest.approx(0.0)
    assert profile.at(5.0 + max(length, 0.4)) == 1.0
