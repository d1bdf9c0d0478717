"""Which way the boat goes by its fixes, how sure that is, and where it was a moment ago."""

import numpy as np
import pytest

from companion.sensing import moved, range_and_bearing
from companion.sensing.course_made_good import KEPT_S, LONGEST_GAP_S, CourseMadeGood

HERE = (45.0, -93.0)


def sailed(course, speed, *, seconds=60, noise=0.0, seed=0, start=HERE, turn=0.0):
    """Feed the fixes of a boat, one a second; `turn` in degrees a second."""
    rng, way, place = np.random.default_rng(seed), CourseMadeGood(), start
    for t in range(seconds):
        seen = moved(*moved(*place, 0.0, rng.normal(0, noise)), 90.0, rng.normal(0, noise))
        way.accept_fix(float(t), *seen)
        place = moved(*place, course + turn * t, speed)
    return way


def off(course, other):
    return abs((course - other + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("course", [0.0, 90.0, 222.0, 359.5])
@pytest.mark.parametrize("speed", [0.4, 1.0, 5.0])
def test_a_straight_way_is_told_with_its_speed(course, speed):
    made = sailed(course, speed).made_good(59.0)
    assert off(made.course, course) < 0.5
    assert made.speed == pytest.approx(speed, rel=0.02)


@pytest.mark.parametrize("speed", [0.3, 0.6, 1.5])
def test_nine_in_ten_are_within_the_error_told(speed):
    made = [sailed(70.0, speed, noise=0.7, seed=seed).made_good(59.0) for seed in range(300)]
    known = [one for one in made if one is not None]
    assert len(known) > 80, "the slower the boat, the less often it has a direction"
    assert np.mean([off(one.course, 70.0) <= one.error for one in known]) >= 0.85


def test_a_boat_at_rest_has_no_direction_whatever_its_fixes_do():
    told = [sailed(0.0, 0.0, noise=1.0, seed=seed).made_good(59.0) for seed in range(100)]
    assert sum(one is not None for one in told) <= 3
    assert sailed(0.0, 0.0, noise=1.0).speed < 0.4


def test_fixes_that_scatter_more_than_they_should_make_it_less_sure():
    calm, wild = sailed(70.0, 2.0, noise=0.5).made_good(59.0), sailed(70.0, 2.0, noise=4.0).made_good(59.0)
    assert wild is None or wild.error > 2.0 * calm.error


def test_a_boat_that_turns_is_followed_within_its_error():
    made = sailed(0.0, 1.5, seconds=40, turn=3.0).made_good(39.0)
    assert off(made.course, 3.0 * 38) <= made.error


def test_the_first_seconds_tell_no_direction():
    assert sailed(0.0, 2.0, seconds=4).made_good(3.0) is None
    assert sailed(0.0, 2.0, seconds=4).speed is None


def test_after_a_gap_it_begins_anew():
    way = sailed(0.0, 2.0)
    assert way.made_good(59.0 + LONGEST_GAP_S + 0.1) is None
    way.accept_fix(70.0, *HERE)
    assert way.made_good(70.0) is None


def test_where_it_was_between_two_fixes():
    way = sailed(0.0, 5.0)
    lat, lon = way.place_at(30.25)
    away, _ = range_and_bearing(*HERE, lat, lon)
    assert away == pytest.approx(151.25, abs=0.05)
    assert way.place_at(59.0 + 2.0) is not None, "the last fix, while it is fresh"
    assert way.place_at(59.0 + LONGEST_GAP_S + 0.1) is None
    assert way.place_at(-1.0) is None


def test_it_remembers_a_minute():
    way = sailed(0.0, 1.0, seconds=200)
    assert way.place_at(199.0 - KEPT_S + 1.0) is not None
    assert way.place_at(199.0 - KEPT_S - 2.0) is None


def test_the_180th_meridian_is_crossed_the_short_way():
    way = sailed(90.0, 5.0, start=(-17.0, 179.999))
    made = way.made_good(59.0)
    assert off(made.course, 90.0) < 0.5
    lat, lon = way.place_at(40.5)
    assert (lat, abs(lon)) == (pytest.approx(-17.0, abs=1e-6), pytest.approx(180.0, abs=0.01))


def test_a_fix_that_came_before_the_last_one_is_passed_over():
    way = sailed(0.0, 2.0)
    way.accept_fix(30.0, 10.0, 10.0)
    assert way.made_good(59.0).speed == pytest.approx(2.0, rel=0.02)
