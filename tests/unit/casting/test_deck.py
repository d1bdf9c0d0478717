"""Rods on the deck, and where the lure of the cast under way is."""

import math
from functools import cache

import numpy as np
import pytest
from msgspec import structs

from companion import config
from companion.casting.cast import FLIGHT_S
from companion.casting.deck import (
    Deck,
    best_for,
    better_than,
    relined,
    rods_with_line,
)
from companion.casting.hand import (
    DIRECTION_REMEMBERED_S,
    Aim,
    Hand,
    begin_cast,
    drift_of_next_cast,
    lure_at,
    take_rod,
)
from companion.casting.pose import BoatPose, Current
from companion.events import Fix
from companion.lakebed.marks import FIX_RADIUS_M
from companion.sensing import moved, range_and_bearing

SETTINGS = config.parse(config.example_text(), "example")
HERE = Fix(45.0, -93.0, FIX_RADIUS_M)


@cache
def paths():
    deck = Deck(SETTINGS.rods)
    for rod in deck.rods:
        deck.path(rod)
    return deck._paths


@pytest.fixture
def deck():
    deck = Deck(SETTINGS.rods)
    deck._paths.update(paths())
    return deck


def test_a_deck_needs_a_rod():
    with pytest.raises(ValueError, match="no rods"):
        Deck([])


HAND = Hand(1)


def test_another_rod_is_taken_with_its_cast_over_and_the_direction_kept(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 0.0), Aim(3))
    assert take_rod(deck, hand, 1) is hand
    taken = take_rod(deck, hand, 3)
    assert (taken.number, taken.cast, taken.direction) == (3, None, hand.direction)
    assert take_rod(deck, taken, 7) is None


def test_a_line_is_found_on_the_rod_that_carries_it_the_one_in_hand_first(deck):
    assert [rod.number for rod in rods_with_line(deck, 17, 1)] == [3]
    assert rods_with_line(deck, 20, 1) == []
    deck.rerig(relined(deck.rod(1), 17))
    assert [rod.number for rod in rods_with_line(deck, 17, 1)] == [1, 3]


def test_a_thicker_line_on_the_same_rod_gets_less_deep(deck):
    before = deck.reach(deck.rod(1))
    assert deck.reach(deck.rerig(relined(deck.rod(1), 17))) < before


def test_the_rod_for_a_depth_is_the_shallowest_that_touches_else_the_deepest(deck):
    reach = {rod.number: deck.reach(rod) for rod in deck.rods}
    assert best_for(deck, (reach[2] + reach[3]) / 2).number == 2
    assert best_for(deck, reach[3] - 0.1).number == 3
    assert best_for(deck, reach[1] + 5.0).number == 1


@pytest.mark.parametrize("in_hand", [1, 2])
def test_of_two_rods_that_are_alike_the_one_in_hand_is_named(in_hand):
    first = SETTINGS.rods[0]
    second = structs.replace(first, spec=structs.replace(first.spec, number=2))
    deck = Deck([first, second])
    for depth in (deck.reach(first) - 0.5, deck.reach(first) + 5.0):
        assert best_for(deck, depth, in_hand=in_hand).number == in_hand
    assert deck.reaches_as_now(in_hand=in_hand)()[0].rod == in_hand


def test_an_hour_off_the_bow_is_thirty_degrees(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 350.0), Aim(3))
    assert hand.cast.bearing == pytest.approx(80.0)
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 350.0), Aim(12))
    assert hand.cast.bearing == pytest.approx(350.0)
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, None), Aim(3))
    assert hand.cast.bearing is None


def test_the_lure_flies_lands_dives_and_comes_back(deck):
    hand = begin_cast(deck, HAND, 100.0, BoatPose(HERE, 0.0), Aim(3))
    path = deck.path(deck.rod(1))
    landed = lure_at(deck, hand, 100.0 + FLIGHT_S, HERE, 0.0)
    assert landed.depth == pytest.approx(0.0, abs=1e-4)
    away, bearing = range_and_bearing(HERE.lat, HERE.lon, landed.at.lat, landed.at.lon)
    assert away == pytest.approx(deck.rod(1).cast, abs=0.5)
    assert bearing == pytest.approx(90.0, abs=0.5)
    deepest = lure_at(deck, hand, 100.0 + FLIGHT_S + path.reach_t, HERE, 0.0)
    assert deepest.depth == pytest.approx(path.reach, abs=0.5)  # some casts are longer


def test_a_spoken_hour_makes_the_place_surer(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 0.0), Aim(3))
    spoken = lure_at(deck, hand, 15.0, HERE, 0.0).at.radius
    again = 30.0
    hand = begin_cast(deck, hand, again, BoatPose(HERE, 200.0), Aim())
    assert hand.cast.bearing == pytest.approx(90.0), (
        "a cast without an hour goes where the last one went"
    )
    assert lure_at(deck, hand, again + 15.0, HERE, 0.0).at.radius > 1.5 * spoken
    later = DIRECTION_REMEMBERED_S + 1.0
    hand = begin_cast(deck, hand, later, BoatPose(HERE, 200.0), Aim())
    assert hand.cast.bearing == pytest.approx(200.0), (
        "but not for ever: then over the bow"
    )
    assert lure_at(deck, hand, later + 15.0, HERE, 0.0).at.radius > 3.5 * spoken


def test_a_boat_that_drifts_stays_on_the_line_to_where_the_lure_landed(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 0.0), Aim(3))
    drifted = Fix(*moved(HERE.lat, HERE.lon, 0.0, 10.0), FIX_RADIUS_M)
    at = lure_at(deck, hand, 20.0, drifted, 0.0).at
    _, bearing = range_and_bearing(drifted.lat, drifted.lon, at.lat, at.lon)
    assert bearing == pytest.approx(
        90.0 + math.degrees(math.atan2(10.0, deck.rod(1).cast)), abs=0.5
    )


def test_a_cast_whose_line_must_be_in_is_over(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 0.0), Aim(3))
    assert hand.cast.over_by > FLIGHT_S + float(deck.path(deck.rod(1)).t[-1])
    assert hand.cast_at(hand.cast.over_by - 0.1) is not None
    assert hand.cast_at(hand.cast.over_by + 0.1) is None


def test_without_a_fix_there_is_a_depth_but_no_place(deck):
    hand = begin_cast(deck, HAND, 0.0, BoatPose(None, None), Aim(None))
    where = lure_at(deck, hand, 15.0, None, None)
    assert where.at is None
    assert where.depth > 0.0


def test_without_a_heading_the_lure_is_somewhere_round_the_boat(deck):
    where = lure_at(deck, HAND, 15.0, HERE, None)
    assert (where.at.lat, where.at.lon) == (HERE.lat, HERE.lon)
    assert where.at.radius > deck.path(deck.rod(1)).reach_at


def test_another_rod_is_better_only_where_it_gets_down(deck):
    by_reach = sorted(deck.rods, key=deck.reach)
    shallow, deep = by_reach[0], by_reach[-1]
    between = 0.5 * (deck.reach(shallow) + deck.reach(by_reach[1]))
    assert better_than(deck, shallow, between) == by_reach[1]
    assert better_than(deck, by_reach[1], between) is None
    assert better_than(deck, shallow, deck.reach(deep)) == deep
    assert better_than(deck, shallow, deck.reach(deep) + 0.01) is None


def test_a_rod_reaches_from_a_boat_in_a_current_what_its_cast_is_told(deck):
    rod, boat = deck.rod(1), BoatPose(HERE, 0.0, 0.0, 0.0, None, Current(0.4, 0.0))
    still = begin_cast(deck, HAND, 0.0, BoatPose(HERE, 0.0), Aim(12))
    for hour, away in ((12, True), (6, False)):
        hand = begin_cast(deck, HAND, 0.0, boat, Aim(hour))
        drift = drift_of_next_cast(hand, 10.0, boat)
        assert drift == pytest.approx(-0.4 if away else 0.4)
        told, at_rest = (
            float(np.median(one.cast.casts.depth.max(axis=1))) for one in (hand, still)
        )
        change = deck.reach(rod, drift) / deck.reach(rod)
        assert change == pytest.approx(told / at_rest, abs=0.03)
        assert (change > 1.05) is away
    assert drift_of_next_cast(hand, 10.0, BoatPose(HERE, 0.0, 0.0, 0.5)) == 0.0
