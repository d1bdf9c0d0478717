"""What a cast will meet, over bottoms whose answer is plain; what it teaches, and how that is taken back."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion import config
from companion.casting.cast import FLIGHT_S, VAGUEST_TEACHING_SIGMA_M
from companion.casting.deck import Deck, lessons_of
from companion.casting.ground import FAN_SIGMAS, Ahead, Ray, TopOnWay, ahead
from companion.casting.hand import Aim, Hand, begin_cast
from companion.casting.lessons import (
    Lessons,
    forget_rod,
    learn_no_touch,
    learn_touch,
    solve_lesson,
    unlearn,
)
from companion.casting.outlook import MAY_CHANCE, SHOULD_CHANCE, WILL_CHANCE, outlook
from companion.casting.pose import BoatPose
from companion.dive.evidence import NoTouch, Touch
from companion.events import Fix
from companion.lakebed.marks import FIX_RADIUS_M
from companion.tackle import rig_name
from companion.trip.wording import TOLD_BEFORE_S, cast_outlook

RODS = config.parse(config.example_text(), "example").rods
HERE = Fix(45.0, -93.0, FIX_RADIUS_M)
BOAT = BoatPose(HERE, 0.0, 90.0, 0.0)


class Level:
    """A ground that is level, or that has a step: `shallow` m out to `edge` m, `depth` beyond."""

    def __init__(
        self, depth, sigma=0.1, edge=0.0, shallow=None, tops=(), known_from=0.0
    ):
        self.depth, self.sigma, self.edge, self.shallow = depth, sigma, edge, shallow
        self._tops, self.known_from = tops, known_from

    def ray(self, _at, _bearing, length):
        away = np.arange(int(length) + 1.0)
        depth = np.where(away < self.edge, self.shallow or self.depth, self.depth)
        return Ray(
            np.where(away >= self.known_from, depth, np.nan),
            np.full(len(away), self.sigma),
        )

    def rays(self, at, bearings, length):
        return [self.ray(at, bearing, length) for bearing in bearings]

    def spots(self, places):
        return Ray(np.full(len(places), self.depth), np.full(len(places), self.sigma))

    def tops(self, _at, _bearing, _length, _aside):
        return self._tops


def cast_over(ground, boat=BOAT, aim=Aim(12)):  # noqa: B008
    return begin_cast(Deck(RODS, ground=ground), Hand(1), 0.0, boat, aim).cast


REACH = Deck(RODS).reach(RODS[0])


@pytest.mark.parametrize(
    ("share", "verdict", "sureness"),
    [
        (0.5, "touch", "will"),
        (0.95, "touch", "should"),
        (1.05, "clear", "may"),
        (2.0, "short", "unlikely"),
    ],
)
def test_a_level_bottom_at_a_share_of_the_reach(share, verdict, sureness):
    seen = cast_over(Level(share * REACH)).outlook
    assert (seen.verdict, seen.sureness) == (verdict, sureness)
    assert seen.mapped == 1.0


def test_the_chance_is_the_share_of_draws_that_touch_and_the_margin_their_least_height():
    ground = Level(1.05 * REACH, sigma=0.0)
    cast = cast_over(ground)
    least = 1.05 * REACH - cast.casts.depth.max(axis=1)
    assert cast.outlook.chance == pytest.approx(np.mean(least <= 0.0))
    assert cast.outlook.margin.best == pytest.approx(np.median(least))


def test_a_shelf_is_touched_when_the_lure_comes_to_its_edge():
    cast = cast_over(Level(3.0 * REACH, edge=20.0, shallow=0.4 * REACH))
    assert cast.outlook.sureness == "will"
    assert cast.outlook.distance.best == pytest.approx(20.0, abs=1.5)
    away = np.median(cast.casts.away, axis=0)
    there = np.interp(-20.0, -away, np.median(cast.casts.t, axis=0))
    assert cast.outlook.after.best == pytest.approx(there, abs=2.0)
    assert cast.outlook.contact > 10.0


def test_a_boat_that_drifts_towards_the_lure_brings_it_over_ground_further_out():
    still = cast_over(Level(3.0 * REACH, edge=15.0, shallow=0.4 * REACH))
    drifting = cast_over(
        Level(3.0 * REACH, edge=15.0, shallow=0.4 * REACH),
        BoatPose(HERE, 0.0, 0.0, 0.4),
    )
    assert drifting.drift == pytest.approx(0.4)
    assert drifting.outlook.after.best > still.outlook.after.best


def test_nothing_is_claimed_over_a_bottom_that_is_not_mapped():
    assert cast_over(Level(5.0, known_from=1000.0)).outlook.verdict == "unknown"
    partly = cast_over(Level(3.0 * REACH, known_from=20.0))
    assert partly.outlook.verdict == "unknown", (
        "half a map cannot promise to stay clear"
    )
    assert cast_over(Level(0.4 * REACH, known_from=15.0)).outlook.verdict == "touch", (
        "but it can foretell"
    )


@pytest.mark.parametrize("share", [0.5, 1.5])
def test_a_less_certain_bottom_makes_a_less_certain_outlook(share):
    sure, vague = (
        cast_over(Level(share * REACH, sigma=sigma)).outlook.chance
        for sigma in (0.05, 2.5)
    )
    assert abs(vague - 0.5) < abs(sure - 0.5)


def test_the_words_for_a_chance():
    assert MAY_CHANCE < SHOULD_CHANCE < WILL_CHANCE <= 1.0


@settings(deadline=None, max_examples=25)
@given(st.floats(0.3, 2.5), st.floats(0.0, 1.0), st.floats(0.01, 0.5))
def test_a_deeper_bottom_is_never_likelier_to_be_touched(share, sigma, deeper):
    draws = Deck(RODS).usual_casts(RODS[0])

    def chance(depth):
        flat = np.full((len(FAN_SIGMAS), 61), depth)
        bottom = Ahead(flat, np.full_like(flat, sigma), np.full(len(FAN_SIGMAS), 0.2))
        return outlook(draws, bottom).chance

    assert chance(share * REACH + deeper) <= chance(share * REACH)


# --- tree tops ------------------------------------------------------------------------------------------


def test_a_tree_top_right_on_the_way_is_cleared_by_its_height_over_the_path():
    top = TopOnWay(15.0, 0.0, 1.0, REACH + 1.5, 1)
    (seen,) = cast_over(Level(3.0 * REACH, tops=(top,))).outlook.tops
    assert seen.clearance.best == pytest.approx(1.5, abs=0.35)
    assert seen.chance < 0.2


def test_a_lure_that_drags_along_the_bottom_meets_a_tree_top_no_deeper_than_that():
    bottom = 0.7 * REACH
    (seen,) = cast_over(
        Level(bottom, tops=(TopOnWay(15.0, 0.0, 1.0, bottom - 0.5, 1),))
    ).outlook.tops
    assert seen.clearance.best == pytest.approx(-0.5, abs=0.15)


def test_a_tree_top_above_the_path_is_a_danger_and_one_far_aside_is_none():
    on, off = (
        TopOnWay(15.0, 0.0, 1.0, 0.5 * REACH, 1),
        TopOnWay(15.0, 12.0, 1.0, 0.5 * REACH, 2),
    )
    cast = cast_over(Level(3.0 * REACH, tops=(on, off)))
    hit, missed = cast.outlook.tops
    assert hit.clearance.best < 0.0
    assert hit.chance > 3.0 * missed.chance
    near = cast_over(
        Level(3.0 * REACH, tops=(TopOnWay(6.0, 0.0, 0.5, 0.3 * REACH, 1),))
    )
    assert near.danger() is not None
    assert re.fullmatch(r"tree in \d+ seconds", cast_outlook(near, 1.0, "feet")), (
        "no stop clears that"
    )


def test_a_lure_that_rises_quickly_is_stopped_for_a_tree_top():
    quick = config.parse(
        config.example_text().replace("rises slowly", "rises fast"), "example"
    ).rods
    top = TopOnWay(15.0, 0.0, 0.5, 0.85 * REACH, 1)
    hand = begin_cast(
        Deck(quick, ground=Level(3.0 * REACH, tops=(top,))), Hand(1), 0.0, BOAT, Aim(12)
    )
    assert re.fullmatch(
        r"tree in \d+ seconds, stop for \d+ seconds",
        cast_outlook(hand.cast, 1.0, "feet"),
    )


# --- what is said ---------------------------------------------------------------------------------------


def test_what_is_said_fits_the_outlook_and_comes_in_time_or_not_at_all():
    touching = cast_over(Level(0.5 * REACH))
    line = cast_outlook(touching, 1.0, "feet")
    assert (
        line
        == f"will touch in {round(FLIGHT_S + touching.outlook.after.best - 1.0)} seconds"
    )
    late = FLIGHT_S + touching.outlook.after.best - TOLD_BEFORE_S + 0.1
    assert cast_outlook(touching, late, "feet") is None
    assert cast_outlook(cast_over(Level(REACH + 3.0)), 1.0, "feet", better=2).endswith(
        ", take number two"
    )
    assert (
        cast_outlook(cast_over(Level(5.0, known_from=1000.0)), 1.0, "feet")
        == "nothing known there"
    )
    over = cast_over(
        Level(3.0 * REACH, tops=(TopOnWay(15.0, 0.0, 1.0, REACH + 1.5, 1),))
    )
    assert cast_outlook(over, 1.0, "feet").startswith("over the tree by ")


# --- what it teaches ------------------------------------------------------------------------------------


def test_a_touch_teaches_the_bottom_by_distance_and_the_time_of_the_word():
    cast = cast_over(Level(0.8 * REACH))
    seen = cast.touched(FLIGHT_S + 9.0)
    assert isinstance(seen, Touch)
    assert seen.after == pytest.approx(9.0)
    assert all(
        depth == pytest.approx(0.8 * REACH, abs=0.01) for _, depth in seen.bottom
    )
    assert seen.sigma < 0.3
    assert isinstance(cast.untouched(), NoTouch)


@pytest.mark.parametrize(
    "ground",
    [Level(5.0, known_from=1000.0), Level(5.0, sigma=VAGUEST_TEACHING_SIGMA_M + 0.1)],
)
def test_a_bottom_that_is_not_known_teaches_nothing(ground):
    assert cast_over(ground).touched(10.0) is None
    assert cast_over(ground).untouched() is None


def test_without_a_place_there_is_no_outlook():
    assert cast_over(Level(5.0), BoatPose(None, 0.0)).outlook is None
    assert cast_over(Level(5.0), BoatPose(HERE, None)).outlook is None


def test_a_wide_aim_makes_the_bottom_of_a_slope_vague():
    class Slope(Level):
        def ray(self, _at, bearing, length):
            away = np.arange(int(length) + 1.0)
            depth = 5.0 + 0.1 * away * np.sin(np.radians(bearing))
            return Ray(depth, np.full(len(away), 0.1))

    narrow, wide = (
        ahead(Slope(5.0), HERE, 0.0, aim, 40.0).mixed().sigma[30] for aim in (0.1, 1.0)
    )
    assert wide > 3.0 * narrow


@pytest.mark.parametrize(
    ("aim", "length"), [(Aim(12, short=True), 0.6), (Aim(12, length=18.3), None)]
)
def test_a_cast_keeps_the_length_that_was_said_in_what_it_teaches(aim, length):
    """Whether it flies or teaches: 20 yards are 20 yards, and a short cast is six tenths of a usual one."""
    meant = 18.3 if length is None else length * RODS[0].cast
    cast = cast_over(Level(0.8 * REACH), aim=aim)
    assert cast.length == pytest.approx(meant, rel=0.03)
    assert cast.untouched().length == pytest.approx(meant, abs=0.1)
    assert cast.touched(FLIGHT_S + 9.0).length == pytest.approx(meant, abs=0.1)
    assert cast_over(Level(0.8 * REACH)).untouched().length is None


def test_a_short_cast_reeled_in_over_a_bottom_it_cannot_reach_teaches_next_to_nothing(
    deck,
):
    before = deck.reach(RODS[0])
    learn_no_touch(
        deck, Lessons(), 1, thrown(deck, aim=Aim(12, length=0.45 * RODS[0].cast))
    )
    assert deck.reach(RODS[0]) == pytest.approx(before, rel=5e-3)


# --- lessons ---------------------------------------------------------------------------------------------


@pytest.fixture
def deck():
    return Deck(RODS, ground=Level(0.85 * REACH))


def thrown(deck, number=1, aim=Aim(12)):  # noqa: B008
    return begin_cast(deck, Hand(number), 0.0, BOAT, aim).cast


def test_a_touch_over_known_bottom_changes_the_reach_of_all_rods_of_the_lure(deck):
    before = [deck.reach(rod) for rod in deck.rods]
    cast = thrown(deck)
    early = FLIGHT_S + 0.35 * cast.outlook.after.best + 2.0
    _, lesson = learn_touch(deck, Lessons(), 1, early, cast, HERE)
    assert lesson.belief.touches == 1
    after = [deck.reach(rod) for rod in deck.rods]
    assert all(now > was for now, was in zip(after, before, strict=True)), (
        "a touch that came early"
    )
    assert len(deck.learned(lesson.rod).belief().evidence) == 1


def test_a_cast_teaches_once_and_reeling_in_after_a_touch_nothing_more(deck):
    cast = thrown(deck)
    lessons, first = learn_touch(deck, Lessons(), 1, 15.0, cast, HERE)
    assert first is not None
    assert learn_touch(deck, lessons, 2, 20.0, cast, HERE) == (lessons, None)
    assert learn_no_touch(deck, lessons, 3, cast) == (lessons, None)


def test_a_cast_reeled_in_without_a_word_teaches_that_the_lure_runs_less_deep(deck):
    before = deck.reach(RODS[0])
    _, lesson = learn_no_touch(deck, Lessons(), 1, thrown(deck))
    assert lesson.belief.without_touch == 1
    assert deck.reach(RODS[0]) < before


def test_a_cast_with_a_fish_or_a_snag_teaches_nothing(deck):
    cast = thrown(deck)
    lessons = Lessons().with_spent(cast)
    assert learn_no_touch(deck, lessons, 1, cast) == (lessons, None)
    assert learn_touch(deck, lessons, 2, 15.0, cast, HERE) == (lessons, None)
    assert lessons_of(deck) == []


def test_a_lesson_worked_out_beside_the_trip_teaches_as_one_worked_out_at_once(deck):
    apart, seen = Deck(RODS, ground=Level(0.85 * REACH)), []
    for its, beside in ((deck, False), (apart, True)):
        lessons = Lessons()
        for number in (1, 2):
            cast = thrown(its)
            if beside:
                solve = solve_lesson(its, cast, 15.0)
                _ = solve.found
            lessons, lesson = learn_touch(its, lessons, number, 15.0, cast, HERE)
            seen.append((lesson.belief, its.path(lesson.rod).reach))
    assert seen[:2] == seen[2:]
    # What was worked out for another cast is not taken.
    solve = solve_lesson(apart, thrown(apart), 20.0)
    _, lesson = learn_touch(apart, lessons, 3, 14.0, thrown(apart), HERE)
    assert lesson.belief.touches == 3
    assert solve.found.known is not apart.learned(lesson.rod)


def test_what_is_taken_back_is_as_if_it_had_never_been_told(deck):
    before = deck.reach(RODS[0])
    lessons, _ = learn_touch(deck, Lessons(), 1, 15.0, thrown(deck), HERE)
    assert len(deck.felt) == 1
    lessons, lesson = unlearn(deck, lessons, 1)
    assert lesson is not None
    assert deck.reach(RODS[0]) == pytest.approx(before)
    assert len(deck.felt) == 0
    assert unlearn(deck, lessons, 1) == (lessons, None)


def test_a_rod_is_forgotten_alone(deck):
    lessons, _ = learn_touch(deck, Lessons(), 1, 15.0, thrown(deck), HERE)
    lessons, _ = learn_touch(deck, lessons, 2, 15.0, thrown(deck, 2), HERE)
    forget_rod(deck, lessons, deck.rod(1))
    kept = deck.learned(deck.rod(2)).evidence
    assert [seen.rig for seen in kept] == [rig_name(deck.rod(2))]


def test_without_a_cast_a_touch_teaches_nothing(deck):
    assert learn_touch(deck, Lessons(), 1, 15.0, None, HERE) == (Lessons(), None)
    assert lessons_of(deck) == []
