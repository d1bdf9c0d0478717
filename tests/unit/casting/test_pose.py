"""The boat's way over ground and through the water."""

import pytest

from companion.casting.pose import Current, pose_of
from companion.sensing import BoatState

HELD = BoatState(t=0.0, heading=0.0, speed=0.0, course=0.0)
DRIFTING = BoatState(t=0.0, heading=90.0, speed=0.5, course=0.0)
NORTH = Current(0.5, 0.0)


def test_a_boat_held_in_a_current_moves_against_the_water():
    pose = pose_of(HELD, NORTH)
    assert pose.speed_towards(0.0) == 0.0
    assert pose.water_speed_towards(0.0) == pytest.approx(-0.5)
    assert pose.water_speed_towards(60.0) == pytest.approx(-0.25)


def test_a_boat_that_goes_with_the_water_is_at_rest_in_it():
    assert pose_of(DRIFTING, NORTH).water_speed_towards(0.0) == pytest.approx(0.0)
    assert pose_of(DRIFTING, NORTH).speed_towards(0.0) == pytest.approx(0.5)


def test_a_log_tells_the_part_along_the_bow_and_the_gps_the_rest():
    """Bow east, set north: the log tells of the east, what is known of the north stays."""
    logged = BoatState(t=0.0, heading=90.0, speed=0.5, course=0.0, water_speed=0.4)
    assert pose_of(logged).water_speed_towards(90.0) == pytest.approx(0.4)
    assert pose_of(logged).water_speed_towards(0.0) == pytest.approx(0.5)
    held = BoatState(t=0.0, heading=0.0, speed=0.0, course=0.0, water_speed=0.6)
    assert pose_of(held).water_speed_towards(0.0) == pytest.approx(0.6), (
        "held against a current of 0.6"
    )
    assert pose_of(held).water_speed_towards(180.0) == pytest.approx(-0.6)


def test_a_log_that_may_have_stalled_is_not_asked():
    stalled = BoatState(t=0.0, heading=0.0, speed=0.3, course=0.0, water_speed=0.0)
    assert pose_of(stalled).water_speed_towards(0.0) == pytest.approx(0.3)


def test_what_is_not_known_is_taken_for_rest():
    assert pose_of(BoatState(t=0.0)).water_speed_towards(10.0) == 0.0
