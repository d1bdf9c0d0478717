"""Rods on the deck, and where the lure of the cast under way is."""

import math
from functools import cache

import pytest

from companion import config
from companion.casting.cast import FLIGHT, GPS_RADIUS
from companion.casting.deck import REMEMBERED, Aim, Deck, Moment
from companion.events import Fix
from companion.sensing import moved, range_and_bearing

SETTINGS = config.parse(config.example_text(), "example")
HERE = Fix(45.0, -93.0, GPS_RADIUS)


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


def test_the_first_rod_is_in_hand_until_another_is_taken(deck):
    assert deck.in_hand.number == 1
    assert deck.take(3).number == 3
    assert deck.in_hand.number == 3
    assert deck.take(7) is None
    assert deck.in_hand.number == 3


def test_a_line_is_found_on_the_rod_that_carries_it_the_one_in_hand_first(deck):
    assert [rod.number for rod in deck.with_line(17)] == [3]
    assert deck.with_line(20) == []
    deck.rig(17)
    assert [rod.number for rod in deck.with_line(17)] == [1, 3]


def test_a_thicker_line_on_the_same_rod_gets_less_deep(deck):
    before = deck.reach(deck.in_hand)
    assert deck.reach(deck.rig(17)) < before


def test_the_rod_for_a_depth_is_the_shallowest_that_touches_else_the_deepest(deck):
    reach = {rod.number: deck.reach(rod) for rod in deck.rods}
    assert deck.best_for((reach[2] + reach[3]) / 2).number == 2
    assert deck.best_for(reach[3] - 0.1).number == 3
    assert deck.best_for(reach[1] + 5.0).number == 1


def test_an_hour_off_the_bow_is_thirty_degrees(deck):
    deck.begin_cast(0.0, Moment(HERE, 350.0), Aim(3))
    assert deck.cast.bearing == pytest.approx(80.0)
    deck.begin_cast(0.0, Moment(HERE, 350.0), Aim(12))
    assert deck.cast.bearing == pytest.approx(350.0)
    deck.begin_cast(0.0, Moment(HERE, None), Aim(3))
    assert deck.cast.bearing is None


def test_the_lure_flies_lands_dives_and_comes_back(deck):
    deck.begin_cast(100.0, Moment(HERE, 0.0), Aim(3))
    path = deck.path(deck.in_hand)
    landed = deck.lure(100.0 + FLIGHT, HERE, 0.0)
    assert landed.depth == pytest.approx(0.0, abs=1e-4)
    away, bearing = range_and_bearing(HERE.lat, HERE.lon, landed.at.lat, landed.at.lon)
    assert away == pytest.approx(deck.in_hand.cast, abs=0.5)
    assert bearing == pytest.approx(90.0, abs=0.5)
    deepest = deck.lure(100.0 + FLIGHT + path.reach_t, HERE, 0.0)
    assert deepest.depth == pytest.approx(path.reach, abs=0.3)  # some casts are slower


def test_a_spoken_hour_makes_the_place_surer(deck):
    deck.begin_cast(0.0, Moment(HERE, 0.0), Aim(3))
    spoken = deck.lure(15.0, HERE, 0.0).at.radius
    again = 30.0
    deck.begin_cast(again, Moment(HERE, 200.0), Aim())
    assert deck.cast.bearing == pytest.approx(90.0), "a cast without an hour goes where the last one went"
    assert deck.lure(again + 15.0, HERE, 0.0).at.radius > 1.5 * spoken
    later = REMEMBERED + 1.0
    deck.begin_cast(later, Moment(HERE, 200.0), Aim())
    assert deck.cast.bearing == pytest.approx(200.0), "but not for ever: then over the bow"
    assert deck.lure(later + 15.0, HERE, 0.0).at.radius > 3.5 * spoken


def test_a_boat_that_drifts_stays_on_the_line_to_where_the_lure_landed(deck):
    deck.begin_cast(0.0, Moment(HERE, 0.0), Aim(3))
    drifted = Fix(*moved(HERE.lat, HERE.lon, 0.0, 10.0), GPS_RADIUS)
    at = deck.lure(20.0, drifted, 0.0).at
    _, bearing = range_and_bearing(drifted.lat, drifted.lon, at.lat, at.lon)
    assert bearing == pytest.approx(90.0 + math.degrees(math.atan2(10.0, deck.in_hand.cast)), abs=0.5)


def test_a_cast_whose_line_must_be_in_is_over(deck):
    deck.begin_cast(0.0, Moment(HERE, 0.0), Aim(3))
    assert deck.cast.over_by > FLIGHT + float(deck.path(deck.in_hand).t[-1])
    assert deck.cast_at(deck.cast.over_by - 0.1) is not None
    assert deck.cast_at(deck.cast.over_by + 0.1) is None


def test_without_a_fix_there_is_a_depth_but_no_place(deck):
    deck.begin_cast(0.0, Moment(None, None), Aim(None))
    where = deck.lure(15.0, None, None)
    assert where.at is None
    assert where.depth > 0.0


def test_without_a_heading_the_lure_is_somewhere_round_the_boat(deck):
    where = deck.lure(15.0, HERE, None)
    assert (where.at.lat, where.at.lon) == (HERE.lat, HERE.lon)
    assert where.at.radius > deck.path(deck.in_hand).reach_at
