"""Where a cast goes that nobody described, and how deep it is where the lure would be deepest."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from companion.casting import deck as of_deck
from companion.casting.cast import placed
from companion.casting.deck import Deck
from companion.casting.ground import Ray
from companion.casting.hand import (
    DIRECTION_REMEMBERED_S,
    IN_RANGE_SHARES,
    IN_RANGE_SIGMA_M,
    Aim,
    Hand,
    begin_cast,
    depth_in_range,
    whole_way,
)
from companion.casting.pose import BoatPose, Current
from companion.casting.reelstop import advised_stop, rig_of_cast
from companion.sensing import range_and_bearing
from companion.tackle import rig_name
from tests.unit.casting.test_casts import BOAT, HERE, REACH, RODS, Level

DECK = Deck(RODS)


class Spots:
    """A ground that tells depths as it is told, and keeps where it was asked."""

    def __init__(self, depth, sigma) -> None:
        self.depth, self.sigma = np.array(depth, float), np.array(sigma, float)
        self.asked: list[tuple[float, float]] = []

    def spots(self, places):
        self.asked = [
            range_and_bearing(HERE.lat, HERE.lon, place.lat, place.lon)
            for place in places
        ]
        return Ray(self.depth, self.sigma)


def in_range(ground, hand=None, boat=BOAT) -> float | None:
    return depth_in_range(Deck(RODS, ground=ground), hand or Hand(1), 100.0, boat)


N = len(IN_RANGE_SHARES)
SURE = [IN_RANGE_SIGMA_M] * N


def test_the_depth_in_range_is_the_middle_one_of_those_that_are_known():
    depths = [float(k * k) for k in range(N)]
    assert in_range(Spots(depths, SURE)) == depths[N // 2]
    assert in_range(Spots(depths[::-1], SURE)) == depths[N // 2]


def test_more_than_half_have_to_be_known_well():
    vague = IN_RANGE_SIGMA_M + 0.01
    most = N // 2 + 1
    depths = [5.0] * N
    assert in_range(Spots(depths, SURE[:most] + [vague] * (N - most))) == 5.0
    assert in_range(Spots(depths, SURE[: most - 1] + [vague] * (N - most + 1))) is None
    assert in_range(Spots(depths, [np.nan] * N)) is None


def test_they_lie_at_shares_of_the_usual_cast_where_the_last_one_went():
    ground = Spots([5.0] * N, SURE)
    in_range(ground, boat=BoatPose(HERE, 30.0))
    assert [away for away, _ in ground.asked] == pytest.approx(
        [share * RODS[0].cast for share in IN_RANGE_SHARES], rel=0.01
    )
    assert [way for _, way in ground.asked] == pytest.approx([30.0] * N, abs=0.5)
    remembered = Hand(1, direction=(100.0 - DIRECTION_REMEMBERED_S, 200.0))
    in_range(ground, remembered, BoatPose(HERE, 30.0))
    assert [way for _, way in ground.asked] == pytest.approx([200.0] * N, abs=0.5)
    forgotten = Hand(1, direction=(99.9 - DIRECTION_REMEMBERED_S, 200.0))
    in_range(ground, forgotten, BoatPose(HERE, 30.0))
    assert [way for _, way in ground.asked] == pytest.approx([30.0] * N, abs=0.5)


def test_without_a_place_or_a_direction_it_is_not_known():
    ground = Spots([5.0] * N, SURE)
    assert in_range(ground, boat=BoatPose(None, 30.0)) is None
    assert in_range(ground, boat=BoatPose(HERE)) is None


def test_a_lure_that_nobody_told_of_is_somewhere_on_a_usual_cast_over_the_bow():
    usual = RODS[0].cast
    seen = whole_way(DECK, Hand(1), 0.0, HERE, 90.0)
    expected = placed(HERE, 90.0, 0.5 * usual, usual / math.sqrt(12.0), 0.5 * usual)
    assert seen.at == expected
    assert seen.depth is None
    away, way = range_and_bearing(HERE.lat, HERE.lon, seen.at.lat, seen.at.lon)
    assert away == pytest.approx(0.5 * usual, rel=0.01)
    assert way == pytest.approx(90.0, abs=0.5)


def test_on_a_cast_it_is_somewhere_on_that_one():
    hand = begin_cast(DECK, Hand(1), 0.0, BOAT, Aim(3))
    cast = hand.cast
    seen = whole_way(DECK, hand, 1.0, None, None)
    along = cast.length / math.sqrt(12.0)
    assert seen.depth is None
    assert seen.at.radius > placed(HERE, 90.0, 0.5 * cast.length, along, 0.0).radius
    away, way = range_and_bearing(HERE.lat, HERE.lon, seen.at.lat, seen.at.lon)
    assert away == pytest.approx(0.5 * cast.length, rel=0.01)
    assert way == pytest.approx(90.0, abs=0.5)


@pytest.mark.parametrize("clock", [3, None], ids=["hour said", "hour not said"])
def test_the_ring_round_a_lure_holds_nine_in_ten_of_the_ways_it_may_have_flown(clock):
    cast = begin_cast(DECK, Hand(1), 0.0, BOAT, Aim(clock)).cast
    t = cast.retrieved_from + 1.0
    far, spread, _, _ = cast.at(t)
    rng = np.random.default_rng(3)
    way, out = rng.normal(0.0, cast.aim, 40_000), rng.normal(far, spread, 40_000)
    off = np.hypot(out * np.cos(way) - far, out * np.sin(way))
    ring = cast.lure(t, HERE).at.radius
    assert np.quantile(off, 0.9) == pytest.approx(ring, rel=0.12)


def test_without_a_bearing_a_boat_drifts_nowhere_along_the_cast():
    cast = begin_cast(DECK, Hand(1), 0.0, BoatPose(HERE, None, 0.0, 1.0), Aim()).cast
    assert (cast.bearing, cast.drift, cast.through_water) == (None, 0.0, 0.0)


def test_the_bottom_is_looked_at_as_far_as_the_boat_may_drift(monkeypatch):
    looked: list[float] = []
    ahead = of_deck.ahead
    monkeypatch.setattr(
        of_deck, "ahead", lambda *of: looked.append(of[-1]) or ahead(*of)
    )
    for speed in (0.0, 0.3):
        boat = BoatPose(HERE, 0.0, 0.0, speed)
        begin_cast(Deck(RODS, ground=Level(3.0 * REACH)), Hand(1), 0.0, boat, Aim(12))
    assert looked[1] > looked[0] + 3.0


def test_a_rig_is_cast_as_far_as_told_from_a_boat_that_moves():
    line, lure, retrieve = DECK.learned(RODS[0]).best_as_told(rig_name(RODS[0]))
    same_line, same_lure, cast = rig_of_cast((line, lure, retrieve), 22.0, 0.5, 0.2)
    assert (same_line, same_lure) == (line, lure)
    assert cast.cast == 22.0
    assert cast.drift == -0.5
    assert cast.current == pytest.approx(0.3)
    assert cast.speed == retrieve.speed


def test_an_advised_stop_begins_later_by_what_the_reel_stood_still():
    stop = SimpleNamespace(begins=4.0, length=3.0)
    assert advised_stop(stop).begins == 4.0
    assert advised_stop(stop, 2.0).begins == 6.0
    assert advised_stop(stop).length == 3.0
    assert not advised_stop(stop).told


def test_a_current_counts_along_a_direction():
    assert Current(2.0, 60.0).along(0.0) == pytest.approx(1.0)
    assert Current(2.0, 60.0).along(120.0) == pytest.approx(1.0)
    assert Current(2.0, 60.0).along(240.0) == pytest.approx(-2.0)
