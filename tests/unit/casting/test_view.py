"""What is shown of the rods and of the water along the cast, figure by figure."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from companion.casting import view
from companion.casting.deck import Deck
from companion.casting.ground import Ray, TopOnWay, Unmapped
from companion.casting.hand import Hand, usual_ray
from companion.casting.match import MatchRules
from companion.casting.pose import BoatPose
from companion.casting.view import VIEW_KEPT_S, SideWatch, rods_view
from companion.dive.likelihood import Casts
from companion.events import Fix
from companion.glance import BottomPoint, RodView
from companion.sensing import moved
from tests.unit.casting.test_casts import BOAT, HERE, REACH, RODS, Level, cast_over

CASTS = Casts(
    np.array([[0.0, 1.0, 2.0]] * 21),
    np.array([[30.04 + k, 20.123, 0.0] for k in range(21)]),
    np.array([[0.0, float(k), 1.005] for k in range(21)]),
)
RAY = Ray(np.array([4.123, np.nan, 5.0]), np.array([0.5, np.nan, 0.256]))
RAY_POINTS = (
    BottomPoint(0.0, 4.12, 0.5),
    BottomPoint(1.0, None, None),
    BottomPoint(2.0, 5.0, 0.26),
)


class Shown:
    """A deck whose rods reach what a test says."""

    rods = RODS

    def __init__(self) -> None:
        self.ground = Level(7.0)

    def reach(self, rod) -> float:
        return 4.0004 + rod.number

    def reach_band(self, rod):
        return SimpleNamespace(low=3.0006 + rod.number, high=6.00049 + rod.number)

    def rod(self, number: int):
        return next((rod for rod in RODS if rod.number == number), None)

    def usual_casts(self, rod) -> Casts:
        assert rod.number == 2
        return CASTS


def test_each_rod_is_shown_as_it_lies():
    views = rods_view(Shown(), Hand(2), 6.5)
    assert [one.number for one in views] == [rod.number for rod in RODS]
    second = RODS[1]
    assert views[1] == RodView(
        number=2,
        name=second.name,
        lure=second.lure.name,
        line=second.line_name,
        in_hand=True,
        reach=6.0,
        low=5.001,
        high=8.0,
        state="clear",
        margin=0.5,
    )
    assert [one.in_hand for one in views] == [n == 1 for n in range(len(RODS))]


@pytest.mark.parametrize(
    ("depth", "state", "margin"),
    [
        (None, "unknown", None),
        (6.0004, "touch", 0.0),
        (5.0, "touch", -1.0),
        (6.001, "clear", 0.001),
        (9.0, "short", 3.0),
    ],
)
def test_a_rod_stands_against_the_depth_under_the_boat(depth, state, margin):
    shown = rods_view(Shown(), Hand(2), depth)[1]
    assert (shown.state, shown.margin) == (state, margin)


def test_a_margin_up_to_which_it_still_passes_close_is_clear():
    near = MatchRules().near
    assert view._state(near) == "clear"
    assert view._state(near + 1e-9) == "short"


def test_without_a_cast_it_is_the_usual_one_over_the_bow():
    boat = BoatPose(HERE, 12.34)
    seen = SideWatch(Shown()).view(Hand(2), 5.0, boat)
    assert (seen.bearing, seen.under_way, seen.lure) == (12.3, False, None)
    assert seen.path == ((40.04, 0.0), (20.12, 10.0), (0.0, 1.0))
    assert seen.shallow == ((40.04, 0.0), (20.12, 1.0), (0.0, 1.0))
    assert seen.deep == ((40.04, 0.0), (20.12, 19.0), (0.0, 1.0))
    assert {point.depth for point in seen.bottom} == {7.0}
    assert seen.tops == ()


def test_without_a_bow_nothing_is_under_it():
    seen = SideWatch(Shown()).view(Hand(2), 5.0, BoatPose(HERE))
    assert (seen.bearing, seen.bottom) == (None, ())
    assert usual_ray(Shown(), Hand(2), BoatPose(None, 5.0)) is None


class Counted(Level):
    """A ground that counts how often it is looked at."""

    asked = 0

    def ray(self, at, bearing, length):
        self.asked += 1
        return super().ray(at, bearing, length)


def north_of_here(north: float) -> Fix:
    return Fix(*moved(HERE.lat, HERE.lon, 0.0, north))


@pytest.mark.parametrize(
    ("t", "boat", "looks"),
    [
        (6.9, BoatPose(north_of_here(0.9), 2.9), 1),
        (5.0 + VIEW_KEPT_S, BoatPose(HERE, 0.0), 2),
        (4.9, BoatPose(HERE, 0.0), 2),
        (6.0, BoatPose(north_of_here(1.1), 0.0), 2),
        (6.0, BoatPose(HERE, 3.1), 2),
        (6.0, BoatPose(HERE, 356.5), 2),
        (6.0, BoatPose(HERE, 357.5), 1),
    ],
)
def test_the_bottom_over_the_bow_is_looked_at_anew_when_it_is_another(t, boat, looks):
    shown = Shown()
    shown.ground = Counted(7.0)
    side = SideWatch(shown)
    first = side.view(Hand(2), 5.0, BoatPose(HERE, 0.0))
    again = side.view(Hand(2), t, boat)
    assert shown.ground.asked == looks
    assert again.bottom == first.bottom
    assert again.bearing == boat.heading


def test_another_rod_has_its_own_bottom_and_its_own_ways():
    deck = Deck(RODS, ground=Level(7.0))
    side = SideWatch(deck)
    shown = [side.view(Hand(n), 5.0, BoatPose(HERE, 0.0)) for n in (1, 2, 1)]
    assert shown[0] == shown[2]
    assert shown[0].path != shown[1].path
    assert len(shown[1].bottom) == int(RODS[1].cast) + 1


def test_the_bottom_ahead_is_as_long_as_the_usual_cast():
    ray = usual_ray(Shown(), Hand(2), BOAT)
    assert len(ray.depth) == int(RODS[1].cast) + 1


def test_a_bottom_is_shown_point_by_point_with_its_doubt_and_its_holes():
    assert view._bottom(RAY) == RAY_POINTS
    nothing = Unmapped().ray(HERE, 0.0, 9.0)
    assert view._bottom(nothing) == ()


def test_points_of_unlike_number_are_an_error():
    with pytest.raises(ValueError, match="zip"):
        view._points(np.zeros(2), np.zeros(3))


def test_a_cast_under_way_is_shown_with_its_lure_and_the_tops_beside_it():
    top = TopOnWay(6.1234, 0.0, 0.3, 2.3456, 1)
    cast = cast_over(Level(3.0 * REACH, tops=(top,)))
    cast = replace(cast, bearing=123.456)
    hand = Hand(1, cast)
    t = cast.retrieved_from + 5.0
    seen = SideWatch(Deck(RODS)).view(hand, t, BOAT)
    far, _, depth, _ = cast.at(t)
    assert seen.under_way
    assert seen.bearing == 123.5
    assert seen.lure == (round(far, 2), round(depth, 2))
    assert seen.tops == ((6.12, 2.35),)
    assert seen.bottom == view._bottom(cast.ray)
    assert seen.path == view._points(
        np.median(cast.casts.away, axis=0), np.quantile(cast.casts.depth, 0.5, axis=0)
    )
    assert msgspec.structs.asdict(seen)["deep"] != seen.path


def test_a_cast_that_nothing_is_foretold_of_has_no_tops():
    cast = cast_over(Level(3.0 * REACH), boat=BoatPose(None, 0.0))
    assert cast.outlook is None
    seen = SideWatch(Deck(RODS)).view(Hand(1, cast), cast.retrieved_from + 5.0, BOAT)
    assert seen.under_way
    assert seen.tops == ()
