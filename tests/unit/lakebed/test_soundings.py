import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.lakebed.soundings import (
    Joiner,
    Mounting,
    depth_below_surface,
    sound_speed,
)


def test_a_ping_is_placed_between_the_fixes_around_it():
    joiner = Joiner()
    joiner.fix(0.0, 0.0, 0.0)
    joiner.depth(0.25, 5.0)
    (sounding,) = joiner.fix(1.0, 4.0, 8.0)
    assert sounding == (0.25, 1.0, 2.0, 5.0, 0)


def test_latencies_move_the_ping_back_to_when_it_was_true():
    joiner = Joiner(Mounting(fix_latency=0.5, depth_latency=1.0))
    joiner.fix(0.5, 0.0, 0.0)  # true at 0
    joiner.depth(1.5, 5.0)  # true at 0.5
    (sounding,) = joiner.fix(1.5, 4.0, 0.0)  # true at 1
    assert sounding.t == pytest.approx(0.5)
    assert sounding.east == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("heading", "east", "north"),
    [(0.0, 0.5, -3.0), (90.0, -3.0, -0.5), (180.0, -0.5, 3.0), (270.0, 3.0, 0.5)],
)
def test_the_transducer_lies_off_the_antenna_as_the_bow_points(heading, east, north):
    joiner = Joiner(Mounting(forward=-3.0, starboard=0.5))
    joiner.heading(0.0, heading)
    joiner.fix(0.0, 10.0, 10.0)
    joiner.depth(0.5, 5.0)
    (sounding,) = joiner.fix(1.0, 10.0, 10.0)
    assert (sounding.east - 10.0, sounding.north - 10.0) == pytest.approx((east, north))


def test_without_a_compass_the_course_made_good_stands_in_and_a_resting_boat_has_none():
    joiner = Joiner(Mounting(forward=-2.0))
    joiner.fix(0.0, 0.0, 0.0)
    joiner.depth(1.0, 5.0)
    (moving,) = joiner.fix(1.0, 3.0, 0.0)
    assert (moving.east, moving.north) == pytest.approx((1.0, 0.0))
    joiner.depth(2.0, 5.0)
    (resting,) = joiner.fix(2.0, 3.0, 0.0)
    assert (resting.east, resting.north) == (3.0, 0.0)


def test_pings_without_fixes_around_them_are_counted_not_guessed():
    joiner = Joiner()
    joiner.depth(0.0, 5.0)
    joiner.fix(1.0, 0.0, 0.0)
    joiner.depth(10.0, 5.0)
    assert joiner.fix(20.0, 5.0, 0.0) == []
    joiner.depth(21.0, 5.0)
    joiner.flush()
    assert joiner.dropped == {"no position": 3}


def test_one_fix_that_jumps_is_dropped_and_the_track_goes_on():
    joiner = Joiner()
    joiner.fix(0.0, 0.0, 0.0)
    joiner.depth(0.5, 5.0)
    assert joiner.fix(1.0, 4000.0, 0.0) == []
    (sounding,) = joiner.fix(2.0, 4.0, 0.0)
    assert sounding.east == pytest.approx(1.0)
    assert joiner.dropped == {"jump in position": 1}


def test_a_position_that_was_wrong_from_the_start_is_given_up_when_three_fixes_say_so():
    joiner = Joiner()
    joiner.fix(0.0, 4000.0, 0.0)
    for t in (1.0, 2.0, 3.0):
        joiner.fix(t, t, 0.0)
    joiner.depth(3.5, 5.0)
    (sounding,) = joiner.fix(4.0, 4.0, 0.0)
    assert sounding.east == pytest.approx(3.5)


def test_a_fix_a_little_out_of_order_is_dropped():
    joiner = Joiner()
    joiner.fix(10.0, 0.0, 0.0)
    joiner.fix(9.0, 1.0, 0.0)
    assert joiner.dropped == {"fix out of order": 1}


def test_waiting_pings_are_bounded():
    joiner = Joiner()
    for i in range(5000):
        joiner.depth(float(i), 5.0)
    joiner.flush()
    assert joiner.dropped["no position"] == 5000


@given(st.floats(0.3, 100.0), st.floats(0.0, 2.0))
def test_depth_below_surface_adds_where_the_transducer_hangs(reading, hung):
    assert depth_below_surface(reading, hung) == pytest.approx(reading + hung)


def test_colder_water_carries_sound_slower_so_the_true_depth_is_less():
    corrected = depth_below_surface(20.0, 0.0, temperature=8.0)
    assert corrected == pytest.approx(20.0 * sound_speed(8.0) / 1500.0)
    assert corrected < 20.0


@pytest.mark.parametrize("temperature", [-1.0, 96.0, math.nan])
def test_a_temperature_that_is_no_water_is_refused(temperature):
    with pytest.raises(ValueError, match="expected 0 to 95"):
        sound_speed(temperature)
