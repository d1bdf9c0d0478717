"""Stops of the reel on a cast: told, taken back up, advised; the clock, the place and what is taught."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from msgspec import structs

from companion import dive
from companion.casting.cast import FLIGHT_S
from companion.casting.deck import Deck
from companion.casting.ground import TopOnWay
from companion.casting.hand import (
    Aim,
    Hand,
    begin_cast,
    solve_advice,
    solve_start,
    start_reel,
    stop_reel,
)
from companion.casting.reelstop import (
    FADING_S,
    OBEYED_SHARE,
    ReelStop,
    _off_path,
    along_rows,
    stop_over,
    with_stop,
)
from companion.dive.likelihood import Casts
from companion.tackle import rig_name
from companion.trip.wording import cast_outlook
from tests.unit.casting.test_casts import BOAT, REACH, RODS, Level

AT_S, LASTS_S = 12.0, 5.0
TREE_M = 6.0


def hand_over(ground, boat=BOAT):
    deck = Deck(RODS, ground=ground)
    return deck, begin_cast(deck, Hand(1), 0.0, boat, Aim(12))


def over_a_tree(boat=BOAT):
    """A cast that is as likely as not to come over a tree top that stands near the boat."""
    plain = hand_over(Level(3.0 * REACH), boat)[1].cast
    away, depth = (
        np.median(each, axis=0) for each in (plain.casts.away, plain.casts.depth)
    )
    there = float(np.interp(-TREE_M, -away, depth))
    return hand_over(
        Level(3.0 * REACH, tops=(TopOnWay(TREE_M, 0.0, 0.3, there, 1),)), boat
    ), there


@pytest.fixture(scope="module")
def stopped():
    """A cast as it was, and the same with a stop of which both ends were told."""
    deck, hand = hand_over(Level(3.0 * REACH))
    during = stop_reel(deck, hand, FLIGHT_S + AT_S)
    return (
        hand.cast,
        during.cast,
        start_reel(deck, during, FLIGHT_S + AT_S + LASTS_S).cast,
    )


def test_a_stop_makes_the_cast_longer_by_as_much(stopped):
    plain, during, after = stopped
    assert (during.stopped, after.stopped) == (True, False)
    longer = after.casts.t[:, -1] - plain.casts.t[:, -1]
    assert np.median(longer) == pytest.approx(LASTS_S, abs=0.3)
    assert after.over_by == pytest.approx(plain.over_by + LASTS_S, abs=0.5)
    assert during.over_by > after.over_by, "nobody knows yet when the reel turns again"


def test_the_lure_rises_as_the_solver_has_it_and_comes_back(stopped):
    plain, _, after = stopped
    deck = Deck(RODS)
    line, lure, retrieve = deck.learned(RODS[0]).best(rig_name(RODS[0]))
    path = dive.solve(
        line, lure, replace(retrieve, cast=plain.length).stopped_at(AT_S, LASTS_S)
    )
    free = dive.solve(line, lure, replace(retrieve, cast=plain.length))
    for t in (AT_S + 2.5, AT_S + LASTS_S, AT_S + LASTS_S + 2.0):
        _, _, before, _ = plain.free_at(
            FLIGHT_S + min(t, AT_S) + max(t - AT_S - LASTS_S, 0.0)
        )
        rise = before - after.free_at(FLIGHT_S + t)[2]
        wanted = free.at(min(t, AT_S) + max(t - AT_S - LASTS_S, 0.0))[1] - path.at(t)[1]
        assert rise == pytest.approx(wanted, abs=0.2), (
            "a median of reels that differ in speed by a sixth"
        )
    assert after.free_at(FLIGHT_S + AT_S + LASTS_S + 9.0)[2] == pytest.approx(
        plain.free_at(FLIGHT_S + AT_S + 9.0)[2], abs=0.15
    )


def test_after_a_told_stop_the_next_one_is_advised_by_the_clock_of_the_reel():
    (deck, hand), _ = over_a_tree()
    advised = hand.cast.advised
    told = stop_reel(deck, hand, FLIGHT_S + 4.0)
    again = start_reel(deck, told, FLIGHT_S + 4.0 + LASTS_S).cast.advised
    assert again is not None
    assert again.begins == pytest.approx(advised.begins + LASTS_S, abs=0.6)
    late = stop_reel(deck, hand, FLIGHT_S + advised.begins + 0.5)
    assert (
        start_reel(deck, late, FLIGHT_S + advised.begins + 1.5).cast.advised is None
    ), "it is too late"


def test_a_lure_that_stands_still_does_not_come_nearer(stopped):
    plain, during, _ = stopped
    there = plain.free_at(FLIGHT_S + AT_S)[0]
    assert during.free_at(FLIGHT_S + AT_S + 2.0)[0] == pytest.approx(there, abs=0.8)
    assert plain.free_at(FLIGHT_S + AT_S + 2.0)[0] < there - 1.2


def test_a_touch_after_a_stop_teaches_by_the_line_reeled_in(stopped):
    _, during, after = stopped
    assert during.touched(FLIGHT_S + AT_S + 2.0) is None, "the lure is off its way"
    assert after.touched(FLIGHT_S + AT_S + LASTS_S + 3.0) is None
    late = after.touched(FLIGHT_S + AT_S + LASTS_S + 9.0)
    assert late.after == pytest.approx(AT_S + 9.0, abs=0.01)
    assert after.touched(FLIGHT_S + 6.0).after == pytest.approx(6.0)


def test_a_cast_without_a_touch_teaches_nothing_where_it_was_lifted(stopped):
    plain, _, after = stopped
    stood = plain.free_at(FLIGHT_S + AT_S)[0]
    depths = dict(after.untouched().bottom)
    lifted = [z for x, z in depths.items() if stood - 6.0 < x < stood]
    assert min(lifted) > 90.0
    assert max(z for x, z in depths.items() if x > stood + 3.0) < 90.0


def test_an_advised_stop_is_perhaps_made_and_gives_way_to_what_is_told():
    (deck, hand), _ = over_a_tree()
    cast = hand.cast
    assert cast.advised is not None
    assert cast_outlook(cast, 1.0, "feet").endswith(
        f", stop for {round(cast.advised.length)} seconds"
    )
    longer = cast.casts.t[:, -1] > cast.unstopped.t[:, -1] + 0.1
    lasting = cast.unstopped.t[:, -1] > cast.advised.begins + 3.0
    assert longer[lasting].mean() == pytest.approx(OBEYED_SHARE, abs=0.06)
    after = cast.retrieved_from + cast.advised.back_at
    assert cast.touched(after).after is None, "when it was on its way is not known"
    told = stop_reel(deck, hand, FLIGHT_S + 9.0).cast
    assert [stop.told for stop in told.stops] == [True]
    assert told.unstopped is cast.unstopped


def test_the_stop_advised_clears_the_top_as_the_solver_has_it():
    (deck, hand), there = over_a_tree()
    cast, stop = hand.cast, hand.cast.advised
    line, lure, retrieve = deck.learned(RODS[0]).best(rig_name(RODS[0]))
    made = replace(retrieve, cast=cast.length).stopped_at(stop.begins, stop.length)
    path = dive.solve(line, lure, made, until=stop.begins + stop.length + 8.0)
    wanted = 0.3 + max(cast.danger().clearance.best, 0.0)
    assert dive.clearance(path, dive.TreeTop(TREE_M, there, 0.3)) == pytest.approx(
        wanted, abs=0.15
    )


HANGING = structs.replace(
    RODS[0], lure=structs.replace(RODS[0].lure, rise=0.0), spec=RODS[0].spec
)


def hanging_over_a_tree(above):
    """A cast of a lure that hangs, over a tree top so much above its likeliest way, m."""
    plain = begin_cast(
        Deck([HANGING], ground=Level(3.0 * REACH)), Hand(1), 0.0, BOAT, Aim(12)
    ).cast
    away, depth = (
        np.median(each, axis=0) for each in (plain.casts.away, plain.casts.depth)
    )
    there = float(np.interp(-2.0 * TREE_M, -away, depth)) - above
    ground = Level(3.0 * REACH, tops=(TopOnWay(2.0 * TREE_M, 0.0, 0.3, there, 1),))
    deck = Deck([HANGING], ground=ground)
    return deck, begin_cast(deck, Hand(1), 0.0, BOAT, Aim(12)).cast, there, plain


def test_advice_is_solved_beside_the_trip_and_only_where_there_is_a_top():
    stop_over.cache_clear()
    (deck, told), _ = over_a_tree()
    assert stop_over.cache_info().misses == 1
    stop_over.cache_clear()
    thrown = (deck, Hand(1), 0.0, BOAT, Aim(12))
    solve = solve_advice(*thrown)
    assert stop_over.cache_info().misses == 0
    _ = solve.found
    hand = begin_cast(*thrown)
    assert stop_over.cache_info().misses == 1
    assert hand.cast.stops == told.cast.stops != ()
    # The same when the reel turns again, where there is an advice left.
    stopped = stop_reel(deck, hand, FLIGHT_S + 4.0)
    _ = solve_start(deck, stopped.cast, FLIGHT_S + 6.0).found
    misses = stop_over.cache_info().misses
    start_reel(deck, stopped, FLIGHT_S + 6.0)
    assert stop_over.cache_info().misses == misses
    plain = Deck(RODS, ground=Level(3.0 * REACH))
    assert solve_advice(plain, *thrown[1:]) is None


def test_the_bottom_is_looked_at_once_where_the_advice_is_solved_first():
    class Counted(Level):
        looked = 0

        def ray(self, at, bearing, length):
            Counted.looked += 1
            return super().ray(at, bearing, length)

    deck = Deck(
        RODS,
        ground=Counted(3.0 * REACH, tops=(TopOnWay(TREE_M, 0.0, 0.3, 2.0, 1),)),
    )
    thrown = (deck, Hand(1), 0.0, BOAT, Aim(12))
    solve_advice(*thrown)
    once = Counted.looked
    begin_cast(*thrown)
    assert Counted.looked == once > 0
    begin_cast(deck, Hand(1), 5.0, BOAT, Aim(12))
    assert Counted.looked == 2 * once


def test_for_a_lure_that_does_not_rise_the_rod_is_raised_where_that_clears_the_top():
    deck, cast, there, plain = hanging_over_a_tree(0.3)
    assert cast.advised is None
    assert cast.raise_rod
    assert cast_outlook(cast, 1.0, "feet").endswith(", raise the rod")
    line, lure, retrieve = deck.learned(HANGING).best_as_told(rig_name(HANGING))
    raised = replace(retrieve, cast=cast.length, tip_height=deck.tips[1]["up"])
    cleared = dive.clearance(
        dive.solve(line, lure, raised), dive.TreeTop(2.0 * TREE_M, there, 0.3)
    )
    assert cleared >= 0.3
    higher = (plain.casts.depth - cast.casts.depth).max(axis=1) > 0.2
    assert higher.mean() == pytest.approx(OBEYED_SHARE, abs=0.06)
    assert cast.touched(FLIGHT_S + 20.0) is None, "how the rod was held is not known"
    assert cast.untouched() is None


def test_where_raising_the_rod_does_not_clear_the_top_nothing_is_advised():
    _, cast, _, _ = hanging_over_a_tree(1.5)
    assert cast.danger() is not None
    assert not cast.raise_rod
    assert cast.advised is None
    assert "rod" not in cast_outlook(cast, 1.0, "feet")


@pytest.mark.parametrize("rise", [-0.25, -0.08, 0.0, 0.08])
def test_reeling_faster_or_half_as_fast_brings_no_lure_over_a_top(rise):
    """So neither is ever advised: by the solver they are worth less than 15 cm."""
    line, _, retrieve = Deck(RODS).learned(RODS[0]).best(rig_name(RODS[0]))
    area = 1.47e-3
    lure = dive.Lure(area, 0.75, 3.0, 500.0 * area * rise * abs(rise))
    free = dive.solve(line, lure, retrieve)
    began = float(np.interp(-20.0, -free.x, free.t)) - 8.0
    for slow in (0.5, 1.5, 2.0):
        other = dive.solve(
            line, lure, retrieve.stopped_at(began, 20.0, slow * retrieve.speed)
        )
        higher = np.interp(-20.0, -free.x, free.z) - np.interp(-20.0, -other.x, other.z)
        assert higher < 0.15


def test_a_lure_that_hangs_is_not_stopped():
    rig = Deck(RODS).learned(RODS[0]).best(rig_name(RODS[0]))
    line, lure, retrieve = rig
    assert (
        stop_over((line, replace(lure, buoyancy=0.0), retrieve), 15.0, 0.9 * REACH, 0.5)
        is None
    )


def test_a_stop_without_tracks_only_takes_time():
    casts = Deck(RODS).usual_casts(RODS[0])
    later = with_stop(casts, ReelStop(AT_S, LASTS_S, 0.0, 0.0), None)
    assert (np.diff(later.t, axis=1) > 0.0).all()
    np.testing.assert_allclose(later.t[:, -1], casts.t[:, -1] + LASTS_S)
    np.testing.assert_allclose(
        later.depth.max(axis=1), casts.depth.max(axis=1), atol=0.03
    )


class Tracks:
    """Tracks of stops of 0, 2 and 4 s: the lure rises by a metre a second, and falls back at once."""

    free = SimpleNamespace(
        line_out=np.array([30.0, 20.0, 10.0]),
        x=np.array([30.0, 20.0, 10.0]),
        z=np.array([4.0, 4.0, 4.0]),
    )
    lengths = np.array([0.0, 2.0, 4.0])
    since = np.array([[0.0, 1.0, 2.0], [0.0, 2.0, 3.0], [0.0, 4.0, 5.0]])
    line_out = np.full((3, 3), 20.0)
    away = np.array([[20.0, 20.0, 20.0], [20.0, 21.0, 20.5], [20.0, 22.0, 20.5]])
    depth = np.array([[4.0, 4.0, 4.0], [4.0, 2.0, 3.5], [4.0, 0.0, 3.5]])


def off(since: float, length: float) -> tuple[float, float]:
    """Return how much further and deeper the lure is, so long after a stop of this length began, m."""
    further, deeper = _off_path(Tracks, np.array([[since]]), np.array([length]))
    return float(further[0, 0]), float(deeper[0, 0])


@pytest.mark.parametrize(
    ("since", "length", "further", "deeper"),
    [
        (0.0, 2.0, 0.0, 0.0),
        (1.0, 2.0, 0.5, -1.0),
        (2.0, 2.0, 1.0, -2.0),
        (2.5, 2.0, 0.75, -1.25),
        (4.0, 4.0, 2.0, -4.0),
        (3.0, 3.0, 1.25, -2.5),
        (4.0, 3.0, 0.5, -0.5),
        (2.0, 1.0, 0.5, -0.5),
        (4.0, 9.0, 2.0, -4.0),
    ],
    ids=[
        "at its beginning",
        "amid it",
        "at its end",
        "drawn down again",
        "a longer one",
        "between two",
        "after one between two",
        "a shorter one than any, after it",
        "a longer one than any",
    ],
)
def test_a_lure_leaves_its_way_as_the_tracks_have_it(since, length, further, deeper):
    assert off(since, length) == (pytest.approx(further), pytest.approx(deeper))


def test_what_is_left_of_a_rise_fades_after_the_last_of_the_tracks():
    for later in (0.0, 2.0, 4.0):
        further, deeper = off(3.0 + later, 2.0)
        assert further == pytest.approx(0.5 * np.exp(-later / FADING_S))
        assert deeper == pytest.approx(-0.5 * np.exp(-later / FADING_S))


def test_the_way_without_a_stop_is_taken_at_the_same_line_out():
    class Sloping(Tracks):
        free = SimpleNamespace(
            line_out=np.array([30.0, 20.0, 10.0]),
            x=np.array([29.0, 19.0, 9.0]),
            z=np.array([5.0, 4.0, 3.0]),
        )
        line_out = np.array([[20.0, 15.0, 15.0]] * 3)

    further, deeper = _off_path(Sloping, np.array([[2.0]]), np.array([2.0]))
    assert float(further[0, 0]) == pytest.approx(21.0 - 14.0)
    assert float(deeper[0, 0]) == pytest.approx(2.0 - 3.5)


def test_without_tracks_a_stop_only_takes_time():
    further, deeper = _off_path(None, np.array([[2.0, 3.0]]), np.array([2.0]))
    assert not further.any()
    assert deeper.shape == (1, 2)


def test_before_and_after_a_cast_its_ends_stand():
    casts = Casts(
        np.array([[0.0, 2.0, 4.0]]),
        np.array([[30.0, 20.0, 0.0]]),
        np.array([[0.0, 4.0, 1.0]]),
    )
    away, depth = along_rows(casts, np.array([[-5.0, 0.0, 1.0, 2.0, 3.0, 9.0]]))
    assert away[0].tolist() == [30.0, 30.0, 25.0, 20.0, 10.0, 0.0]
    assert depth[0].tolist() == [0.0, 0.0, 2.0, 4.0, 2.5, 1.0]
