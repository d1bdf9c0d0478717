"""Which way the boat goes by its fixes, how sure that is, and where it was a moment ago."""

from itertools import pairwise

import numpy as np
import pytest

from companion.sensing import moved, range_and_bearing
from companion.sensing.course_made_good import (
    ACCELERATION_DENSITY_M2_S3,
    FIT_MEMORY,
    FIX_NOISE_M,
    KEPT_S,
    KNOWN_WITHIN_DEG,
    LONGEST_GAP_S,
    SETTLED_S,
    CourseMadeGood,
)
from companion.sensing.localplane import metres_per_degree

HERE = (45.0, -93.0)


def sailed(course, speed, *, seconds=60, noise=0.0, seed=0, start=HERE, turn=0.0):
    """Feed the fixes of a boat, one a second; `turn` in degrees a second."""
    rng, way, place = np.random.default_rng(seed), CourseMadeGood(), start
    for t in range(seconds):
        seen = moved(
            *moved(*place, 0.0, rng.normal(0, noise)), 90.0, rng.normal(0, noise)
        )
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
    made = [
        sailed(70.0, speed, noise=0.7, seed=seed).made_good(59.0) for seed in range(300)
    ]
    known = [one for one in made if one is not None]
    assert len(known) > 80, "the slower the boat, the less often it has a direction"
    assert np.mean([off(one.course, 70.0) <= one.error for one in known]) >= 0.85


def test_a_boat_at_rest_has_no_direction_whatever_its_fixes_do():
    told = [
        sailed(0.0, 0.0, noise=1.0, seed=seed).made_good(59.0) for seed in range(100)
    ]
    assert sum(one is not None for one in told) <= 3
    assert sailed(0.0, 0.0, noise=1.0).speed < 0.4


def test_fixes_that_scatter_more_than_they_should_make_it_less_sure():
    calm, wild = (
        sailed(70.0, 2.0, noise=0.5).made_good(59.0),
        sailed(70.0, 2.0, noise=4.0).made_good(59.0),
    )
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
    assert (lat, abs(lon)) == (
        pytest.approx(-17.0, abs=1e-6),
        pytest.approx(180.0, abs=0.01),
    )


def test_a_fix_that_came_before_the_last_one_is_passed_over():
    way = sailed(0.0, 2.0)
    way.accept_fix(30.0, 10.0, 10.0)
    assert way.made_good(59.0).speed == pytest.approx(2.0, rel=0.02)


def by_matrices(fixes):
    """Return course, error and speed by the textbook's Kalman filter, in matrices: x, y, vx, vy.

    Prediction and update as in Bar-Shalom, Li & Kirubarajan 2001, table 5.2.4-1, the
    process noise of the nearly-constant-velocity model as in 6.2.2-12 (from memory);
    the fit is the mean squared innovation in units of what is expected, and the error
    told is that of a direction with 90 % of a normal distribution.
    """
    scale, x, p = (
        metres_per_degree(fixes[0][1]),
        np.zeros(4),
        np.diag([FIX_NOISE_M**2] * 2 + [4.0] * 2),
    )
    see, noise, fit = np.eye(2, 4), FIX_NOISE_M**2 * np.eye(2), 1.0
    for (before, *_), (t, lat, lon) in pairwise(fixes):
        dt = t - before
        step = np.eye(4) + dt * np.eye(4, k=2)
        q = np.kron([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]], np.eye(2))
        x, p = step @ x, step @ p @ step.T + ACCELERATION_DENSITY_M2_S3 * q
        off = (
            np.array([(lon - fixes[0][2]) * scale[0], (lat - fixes[0][1]) * scale[1]])
            - see @ x
        )
        expected = see @ p @ see.T + noise
        fit += FIT_MEMORY * (off @ np.linalg.solve(expected, off) / 2 - fit)
        gain = p @ see.T @ np.linalg.inv(expected)
        x, p = x + gain @ off, (np.eye(4) - gain @ see) @ p
    speed = float(np.hypot(x[2], x[3]))
    error = np.degrees(np.arctan2(1.645 * np.sqrt(p[2, 2] * max(fit, 1.0)), speed))
    return np.degrees(np.arctan2(x[2], x[3])) % 360.0, error, speed


@pytest.mark.parametrize("seed", range(8))
def test_it_is_the_textbooks_filter(seed):
    """Fixes at uneven times, as rough as receivers are or rougher."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([0.2, 1.0, 2.5], 30)) + 100.0
    way = np.cumsum(
        rng.normal(1.0, 0.2, (30, 2)) * np.diff(t, prepend=t[0])[:, None], axis=0
    )
    way += rng.normal(0.0, (0.3, 2.0)[seed % 2], way.shape)
    north, east = metres_per_degree(45.0)[1], metres_per_degree(45.0)[0]
    fixes = [
        (float(s), 45.0 + y / north, -93.0 + x / east)
        for s, (x, y) in zip(t, way, strict=True)
    ]
    made = CourseMadeGood()
    for fix in fixes:
        made.accept_fix(*fix)
    course, error, speed = by_matrices(fixes)
    assert made.speed == pytest.approx(speed, rel=1e-6)
    told = made.made_good(fixes[-1][0])
    assert (told is None) == (error > KNOWN_WITHIN_DEG)
    if told is not None:
        assert (told.course, told.error, told.speed) == pytest.approx(
            (course, error, speed), rel=1e-6
        )


def test_a_direction_is_told_from_the_fifth_second_on():
    way = CourseMadeGood()
    for t in range(int(SETTLED_S) + 1):
        assert way.speed is None
        way.accept_fix(10.0 + t, *moved(*HERE, 90.0, 2.0 * t))
    assert way.made_good(10.0 + SETTLED_S).course == pytest.approx(90.0, abs=0.5)
    assert way.made_good(10.0 + SETTLED_S + LONGEST_GAP_S) is not None
    assert way.made_good(10.0 + SETTLED_S + LONGEST_GAP_S + 0.01) is None


def test_fixes_as_far_apart_as_the_longest_gap_are_of_one_track():
    way = CourseMadeGood()
    for n in range(4):
        way.accept_fix(LONGEST_GAP_S * n, *moved(*HERE, 0.0, 10.0 * n))
    assert way.speed == pytest.approx(2.0, rel=0.02)
    assert way.place_at(LONGEST_GAP_S * 1.5) is not None
    way.accept_fix(LONGEST_GAP_S * 4 + 0.01, *moved(*HERE, 0.0, 40.0))
    assert way.speed is None, "a track of its own, one fix long"
    assert way.place_at(LONGEST_GAP_S * 3.5) is None


def test_where_it_was_at_the_very_time_of_a_fix_and_at_the_edges_of_what_is_kept():
    way = CourseMadeGood()
    places = [(45.0, -93.0), (45.001, -93.002), (45.003, -93.001)]
    for t, place in enumerate(places):
        way.accept_fix(float(t), *place)
    assert way.place_at(0.0) == places[0]
    assert way.place_at(1.0) == pytest.approx(places[1])
    assert way.place_at(2.0) == places[2]
    assert way.place_at(2.0 + LONGEST_GAP_S) == places[2]
    assert way.place_at(-0.01) is None
    assert CourseMadeGood().place_at(0.0) is None
    assert way.place_at(1.25) == pytest.approx((45.0015, -93.00175))


def test_a_fix_of_the_same_instant_is_passed_over():
    way = CourseMadeGood()
    way.accept_fix(1.0, 45.0, -93.0)
    way.accept_fix(1.0, 46.0, -93.0)
    assert way.place_at(1.0) == (45.0, -93.0)
    assert way.made_good(1.0) is None


def test_the_oldest_fix_kept_is_a_minute_old():
    way = CourseMadeGood()
    for t in range(int(KEPT_S) + 1):
        way.accept_fix(float(t), 45.0 + t, -93.0)
    assert way.place_at(0.0) == (45.0, -93.0)
    way.accept_fix(KEPT_S + 0.5, 105.0, -93.0)
    assert way.place_at(0.0) is None
