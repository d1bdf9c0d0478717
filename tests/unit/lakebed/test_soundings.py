import math

import pytest

from companion.lakebed.soundings import (
    MOST_BEND_M,
    Joiner,
    Mounting,
    sound_speed,
)


def test_a_ping_is_placed_between_the_fixes_around_it():
    joiner = Joiner()
    joiner.fix(0.0, 0.0, 0.0)
    joiner.depth(0.25, 5.0)
    (sounding,) = joiner.fix(1.0, 4.0, 8.0)
    assert sounding == (0.25, 1.0, 2.0, 5.0, 0)


def test_a_late_ping_between_two_sentences_of_one_fix_is_not_thrown_far():
    joiner = Joiner()
    joiner.fix(0.0, 0.0, 0.0)
    joiner.fix(1.0, 3.0, 0.0)
    joiner.depth(0.5005, 5.0)
    (sounding,) = joiner.fix(1.001, 3.2, 0.0)
    assert sounding.east == pytest.approx(1.5, abs=2.0)


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


def sailed(way, every, gaps=()):
    """Return the pings of each second that are placed, with the true place, and what was dropped.

    A fix is told twice, as receivers do, every so many s, but not at `gaps`.
    """
    joiner, placed = Joiner(), []
    for t in range(121):
        joiner.depth(float(t) - 0.5, 5.0, t)
        if t % every == 0 and t not in gaps:
            placed += joiner.fix(float(t), *way(t))
            placed += joiner.fix(t + 0.05, *way(t))
    return [(one, way(one.t)) for one in placed], joiner.dropped


def test_between_fixes_of_every_ten_seconds_a_boat_that_goes_on_steadily_has_places():
    placed, dropped = sailed(lambda t: (2.0 * t, 0.5 * t), 10)
    assert len(placed) == 110  # the first way was not followed yet
    assert dropped == {"no position": 11}
    for one, true in placed:
        assert (one.east, one.north) == pytest.approx(true, abs=0.2)


def test_one_that_turns_or_is_not_heard_of_for_longer_has_none_there():
    def turning(t):
        return (2.0 * min(t, 63.0), 2.0 * max(t - 63.0, 0.0))

    placed, dropped = sailed(turning, 10)
    assert dropped == {"no position": 31}  # the turn is in one, the next goes otherwise
    for one, true in placed:
        assert math.dist((one.east, one.north), true) <= MOST_BEND_M
    placed, _ = sailed(lambda t: (2.0 * t, 0.0), 10, gaps=(60,))
    assert not [one for one, _ in placed if 50.0 < one.t <= 70.0]
    assert len(placed) == 90


@pytest.mark.parametrize(("radius", "follows"), [(20.0, False), (40.0, True)])
def test_a_boat_that_circles_is_placed_where_it_hardly_leaves_the_straight_line(
    radius, follows
):
    def circling(t):
        return radius * math.sin(1.5 * t / radius), radius * math.cos(1.5 * t / radius)

    placed, _ = sailed(circling, 10)
    assert bool(placed) == follows
    for one, true in placed:
        assert math.dist((one.east, one.north), true) <= MOST_BEND_M / 4.0


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


@pytest.mark.parametrize("temperature", [-1.0, 96.0, math.nan])
def test_a_temperature_that_is_no_water_is_refused(temperature):
    with pytest.raises(ValueError, match="expected 0 to 95"):
        sound_speed(temperature)
