"""Where the lure was, had the logged rod been another: as the deck would have said with that rod in hand."""

from __future__ import annotations

from functools import partial

import msgspec
import pytest

from companion import config
from companion.casting.afterwards import COURSE_LOOK_BACK_S, Aftersight, lure_on
from companion.casting.deck import Deck
from companion.casting.ground import Unmapped
from companion.casting.hand import (
    Aim,
    Hand,
    begin_cast,
    lure_at,
    start_reel,
    stop_reel,
)
from companion.casting.pose import BoatPose, Current
from companion.events import Fix, Heard, Logged, RodTaken, current_notice
from companion.lakebed.marks import FIX_RADIUS_M
from companion.sensing import moved, range_and_bearing
from companion.voice.commands import StartReel, StopReel

RODS = config.parse(config.example_text(), "example").rods
HERE = Fix(45.0, -140.0, FIX_RADIUS_M)
REACTION = 0.7


def call(t: float = 100.0, **more: object) -> Logged:
    known = {
        "detail": "two o'clock",
        "boat": boat(t),
        "heading": 40.0,
        "speed": 0.5,
        "rod": "rod 1",
    }
    return Logged(t=t, number=1, what="cast", **known | more)


def bite(t: float = 120.0) -> Logged:
    return Logged(
        t=t, number=2, what="bite", boat=boat(t), heading=40.0, speed=0.5, rod="rod 1"
    )


def boat(t: float) -> Fix:
    """It drifts south at half a metre a second."""
    return Fix(*moved(HERE.lat, HERE.lon, 180.0, 0.5 * t), FIX_RADIUS_M)


def trip(*events: object) -> Aftersight:
    return Aftersight(events, lambda thing: thing.t - 1.0, boat, REACTION)


def as_on_the_water(number: int, aim: Aim):
    """What the deck tells with the rod in hand, while it happens."""
    deck, before = Deck(RODS), boat(100.0 - COURSE_LOOK_BACK_S)
    _, course = range_and_bearing(
        before.lat, before.lon, boat(100.0).lat, boat(100.0).lon
    )
    hand = begin_cast(
        deck, Hand(number), 99.0, BoatPose(boat(100.0), 40.0, course, 0.5), aim
    )
    return lure_at(deck, hand, 119.0 - REACTION, boat(120.0), 40.0)


lure_of = partial(lure_on, beliefs=None, ground=Unmapped())


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("size", [None, 25.0])
def test_it_is_where_it_would_have_been_told_with_that_rod_in_hand(number, size):
    rod = RODS[number - 1]
    assert lure_of(rod, bite(), trip(call(size=size), bite())) == as_on_the_water(
        number, Aim(2, size)
    )


def test_rods_that_reach_less_had_their_lure_less_deep_and_elsewhere():
    one, other = (
        lure_of(rod, bite(), trip(call(), bite())) for rod in (RODS[0], RODS[2])
    )
    assert other.depth < one.depth - 0.2
    assert other.at != one.at


def test_a_cast_that_is_in_or_was_ended_by_another_rod_no_longer_counts():
    taken = partial(RodTaken, t=105.0, lure="x", line="y", reach=5.0)
    usual = lure_of(RODS[1], bite(), trip(bite()))
    under_way = lure_of(RODS[1], bite(), trip(call(), bite()))
    assert under_way != usual
    for end in ("reeled in", "broke off"):
        ended = Logged(t=110.0, number=3, what=end)
        assert lure_of(RODS[1], bite(), trip(call(), ended, bite())) == usual
    assert lure_of(RODS[1], bite(), trip(call(), taken(rod="rod 2"), bite())) == usual
    assert (
        lure_of(RODS[1], bite(), trip(call(rod="rod 2"), taken(rod="rod 1"), bite()))
        == under_way
    )
    assert (
        lure_of(RODS[1], bite(), trip(call(), taken(rod="rod 1"), bite())) == under_way
    )


def test_a_cast_without_an_hour_goes_where_the_last_one_with_an_hour_went():
    earlier, later = call(t=60.0), call(detail=None, heading=300.0)
    with_hour = lure_of(RODS[1], bite(), trip(earlier, later, bite())).at
    over_the_bow = lure_of(RODS[1], bite(), trip(later, bite())).at
    assert with_hour.radius < over_the_bow.radius
    assert (
        60.0
        < range_and_bearing(
            boat(120.0).lat, boat(120.0).lon, with_hour.lat, with_hour.lon
        )[1]
        < 140.0
    )


def heard(t: float, command: str) -> Heard:
    return Heard(t=t, text=command, command=command)


def test_a_stop_that_was_told_holds_for_the_other_rod_too():
    stopped, going = heard(110.0, StopReel().name), heard(114.0, StartReel().name)
    deck, before = Deck(RODS), boat(100.0 - COURSE_LOOK_BACK_S)
    _, course = range_and_bearing(
        before.lat, before.lon, boat(100.0).lat, boat(100.0).lon
    )
    hand = begin_cast(
        deck, Hand(2), 99.0, BoatPose(boat(100.0), 40.0, course, 0.5), Aim(2)
    )
    hand = start_reel(deck, stop_reel(deck, hand, 109.0), 113.0)
    told = lure_of(RODS[1], bite(), trip(call(), stopped, going, bite()))
    assert told == lure_at(deck, hand, 119.0 - REACTION, boat(120.0), 40.0)
    assert told != lure_of(RODS[1], bite(), trip(call(), bite()))
    # What means nothing on the water means nothing afterwards.
    assert told == lure_of(
        RODS[1],
        bite(),
        trip(
            heard(90.0, StopReel().name), call(), stopped, stopped, going, going, bite()
        ),
    )


def test_the_speed_a_log_told_holds_for_the_other_rod_too():
    by_log = lure_of(RODS[1], bite(), trip(call(water_speed=1.2), bite()))
    by_gps = lure_of(RODS[1], bite(), trip(call(), bite()))
    assert abs(by_log.depth - by_gps.depth) > 0.05
    deck, before = Deck(RODS), boat(100.0 - COURSE_LOOK_BACK_S)
    _, course = range_and_bearing(
        before.lat, before.lon, boat(100.0).lat, boat(100.0).lon
    )
    pose = BoatPose(boat(100.0), 40.0, course, 0.5, 1.2)
    hand = begin_cast(deck, Hand(2), 99.0, pose, Aim(2))
    assert by_log == lure_at(deck, hand, 119.0 - REACTION, boat(120.0), 40.0)


def test_without_a_compass_the_bow_of_a_boat_under_way_points_along_its_course():
    made = {"heading": None, "speed": 0.6}
    bitten = msgspec.structs.replace(bite(), **made)
    with_compass = {"heading": 180.0, "speed": 0.6}
    told = msgspec.structs.replace(bite(), **with_compass)
    found = lure_of(RODS[1], bitten, trip(call(**made), bitten))
    compass = lure_of(RODS[1], told, trip(call(**with_compass), told))
    assert found.at.lat == pytest.approx(compass.at.lat, abs=1e-5)
    assert found.at.lon == pytest.approx(compass.at.lon, abs=1e-5)
    lying = msgspec.structs.replace(bite(), heading=None, speed=0.4)
    unknown = lure_of(RODS[1], lying, trip(call(heading=None, speed=0.4), lying))
    assert unknown.at.radius > found.at.radius


def test_a_current_that_was_told_holds_for_the_other_rod_too():
    towards = 40.0 + 60.0 + 180.0
    told = current_notice(80.0, None, 0.5, towards)
    with_notice = lure_of(RODS[1], bite(), trip(told, call(), bite()))
    as_set = trip(call(), bite())._replace(current=Current(0.5, towards))
    assert with_notice == lure_of(RODS[1], bite(), as_set)
    still = lure_of(RODS[1], bite(), trip(call(), bite()))
    assert abs(with_notice.depth - still.depth) > 0.1
    later = current_notice(110.0, None, 0.0, 0.0)
    assert lure_of(RODS[1], bite(), trip(told, call(), later, bite())) == with_notice
