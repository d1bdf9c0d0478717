"""The boat's way over ground and through the water."""

import msgspec
import pytest

from companion.casting.pose import BoatPose, Current, bow_of, fix_of, pose_of
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


def test_which_way_the_bow_points():
    heading = BoatState(t=0.0, heading=10.0, speed=5.0, course=90.0)
    assert bow_of(heading) == 10.0
    assert bow_of(BoatState(t=0.0, speed=0.51, course=90.0)) == 90.0
    assert bow_of(BoatState(t=0.0, speed=0.5, course=90.0)) is None
    assert bow_of(BoatState(t=0.0, course=90.0)) is None


def test_without_a_course_a_speed_goes_nowhere():
    assert BoatPose(speed=2.0).speed_towards(0.0) == 0.0
    assert BoatPose(course=0.0).speed_towards(0.0) == 0.0


def test_a_log_in_a_current_tells_what_is_left_of_it():
    """Bow north and 1 m/s over ground, by the log 0.4 through a water that should give it 0.5."""
    pose = BoatPose(None, 0.0, 0.0, 1.0, 0.4, Current(0.5, 0.0))
    assert pose.water_speed_towards(0.0) == pytest.approx(0.4)
    assert pose.water_speed_towards(90.0) == pytest.approx(0.0, abs=1e-9)
    assert pose.water_speed_towards(180.0) == pytest.approx(-0.4)
    at_an_angle = BoatPose(None, 30.0, 30.0, 1.0, 0.4, Current(0.5, 30.0))
    assert at_an_angle.water_speed_towards(30.0) == pytest.approx(0.4)


@pytest.mark.parametrize(("log", "is_asked"), [(0.149, False), (0.15, True)])
def test_a_log_is_asked_from_the_speed_at_which_its_wheel_turns(log, is_asked):
    pose = BoatPose(None, 0.0, 0.0, 1.0, log)
    assert pose.water_speed_towards(0.0) == pytest.approx(log if is_asked else 1.0)


def test_a_place_has_the_doubt_of_the_gps_and_of_what_was_moved_since():
    boat = BoatState(t=0.0, lat=45.0, lon=-93.0)
    still, moved = fix_of(boat), fix_of(boat, 10.0)
    assert (still.lat, still.lon) == (45.0, -93.0)
    assert moved.radius > 2.0 * still.radius
    assert still.radius == round(still.radius, 1)
    assert fix_of(BoatState(t=0.0, lat=45.0)) is fix_of(BoatState(t=0.0, lon=5.0))
    under_way = msgspec.structs.replace(boat, speed=1.0, course=5.0, heading=7.0)
    pose = pose_of(under_way, Current(1.0, 2.0))
    assert pose == BoatPose(still, 7.0, 5.0, 1.0, None, Current(1.0, 2.0))
