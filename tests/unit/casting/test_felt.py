"""Touches as soundings: what one says, and what several say of a bottom, against the textbook's formula."""

import math

import numpy as np
import pytest

from companion.casting.cast import Whereabouts
from companion.casting.deck import Deck
from companion.casting.felt import (
    LEAST_SLOPE,
    MOST_TOUCHES,
    TOUCH_INFLUENCE_M,
    Felt,
    FeltTouch,
    felt_touch,
)
from companion.casting.ground import FAN_SIGMAS, Ahead, Ray, ahead
from companion.casting.hand import Aim, Hand, begin_cast
from companion.casting.lessons import Lessons, forget_rod, learn_touch, unlearn
from companion.casting.outlook import ERROR_CORRELATION_M
from companion.casting.pose import BoatPose
from companion.dive.evidence import CALL_DELAY
from companion.events import Fix
from companion.sensing.localplane import LocalPlane
from companion.tackle import rig_name
from tests.unit.casting.test_casts import BOAT, HERE, RODS, Level

PLANE = LocalPlane(HERE.lat, HERE.lon)
SIGMA, DEPTH, LENGTH = 0.8, 6.0, 30.0


def fix(east, north, radius=None):
    return Fix(*PLANE.to_latlon(east, north), radius)


def touch(east, north, depth, *, own=0.2, shared=0.0, lure="deep", radius=None):
    return FeltTouch(fix(east, north, radius), depth, own, shared, lure)


def refined(*touches, ground=None, aim=0.0, sounded=None):
    """The bottom along a cast to the north over a level ground, with some touches."""
    ground = ground or Level(DEPTH, SIGMA)
    sounded = sounded or ahead(ground, HERE, 0.0, aim, LENGTH)
    return Felt(touches).refine(ground, HERE, 0.0, aim, sounded)


def textbook(touches, east, north):
    """Mean and sigma at a place: Rasmussen & Williams 2006, equations 2.25 and 2.26, written out by hand."""

    def alike(a, b):
        return math.exp(-math.dist(a, b) / ERROR_CORRELATION_M)

    places = [PLANE.to_xy(one.at.lat, one.at.lon) for one in touches]
    n = len(touches)
    matrix = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            matrix[i, j] = SIGMA**2 * alike(places[i], places[j])
            if touches[i].lure == touches[j].lure:
                matrix[i, j] += touches[i].shared * touches[j].shared
        matrix[i, i] += (
            touches[i].own ** 2 + (LEAST_SLOPE * (touches[i].at.sigma or 0.0)) ** 2
        )
    across = np.array([SIGMA**2 * alike((east, north), place) for place in places])
    weights = np.linalg.inv(matrix) @ across
    mean = DEPTH + weights @ np.array([one.depth - DEPTH for one in touches])
    return mean, math.sqrt(SIGMA**2 - weights @ across)


TOGETHER = (
    touch(0.0, 12.0, 5.0, own=0.3, shared=0.4, radius=4.0),
    touch(3.0, 20.0, 5.2, own=0.25, shared=0.5, radius=6.0),
    touch(-4.0, 15.0, 6.9, own=0.4, shared=0.3, lure="shallow"),
)


@pytest.mark.parametrize("touches", [TOGETHER[:1], TOGETHER[:2], TOGETHER])
@pytest.mark.parametrize("point", [0, 7, 12, 20, 30])
def test_what_touches_say_is_the_textbooks_gaussian_process(touches, point):
    found = refined(*touches)
    mean, sigma = textbook(touches, 0.0, float(point))
    assert found.depth[2, point] == pytest.approx(mean, abs=1e-3)
    assert found.sigma[2, point] == pytest.approx(sigma, abs=1e-3)


def test_every_ray_is_refined_where_it_runs():
    aim = 0.2
    found = refined(*TOGETHER, aim=aim)
    for ray, sigmas in enumerate(FAN_SIGMAS):
        east, north = 20.0 * math.sin(sigmas * aim), 20.0 * math.cos(sigmas * aim)
        assert found.depth[ray, 20] == pytest.approx(
            textbook(TOGETHER, east, north)[0], abs=1e-3
        )


def test_an_unsure_place_counts_by_how_steep_the_bottom_is():
    steep = Ahead(
        *(
            np.tile(row, (5, 1))
            for row in (np.linspace(4.0, 10.0, 31), np.full(31, SIGMA))
        ),
        None,
    )
    one = touch(0.0, 15.0, 5.0, radius=6.0)
    flat_sigma, steep_sigma = (
        refined(one).sigma[2, 15],
        refined(one, sounded=steep).sigma[2, 15],
    )
    assert steep_sigma > flat_sigma
    noise = one.own**2 + (6.0 / 30.0 * one.at.sigma) ** 2
    assert steep_sigma == pytest.approx(
        math.sqrt(SIGMA**2 - SIGMA**4 / (SIGMA**2 + noise)), abs=1e-3
    )


def test_what_is_not_known_of_the_bottom_does_not_make_it_steep():
    gap = np.full((5, 31), DEPTH)
    gap[:, 10:12] = np.nan
    found = refined(
        touch(0.0, 20.0, 5.0, radius=6.0),
        sounded=Ahead(gap, np.full((5, 31), SIGMA), None),
    )
    assert found.depth[2, 20] == pytest.approx(
        refined(touch(0.0, 20.0, 5.0, radius=6.0)).depth[2, 20]
    )
    assert np.isnan(found.depth[:, 10:12]).all()


def test_touches_far_off_or_over_nothing_mapped_say_nothing():
    near, far = TOUCH_INFLUENCE_M - 1.0, TOUCH_INFLUENCE_M + 1.0
    assert refined(touch(near, 15.0, 4.0)).depth[2, 15] < DEPTH
    assert (refined(touch(far, 15.0, 4.0)).depth == DEPTH).all()
    unmapped = Level(DEPTH, SIGMA)
    unmapped.spots = lambda places: Ray(
        np.full(len(places), np.nan), np.full(len(places), np.nan)
    )
    assert (refined(touch(0.0, 15.0, 4.0), ground=unmapped).depth == DEPTH).all()
    nothing = Ahead(np.full((5, 31), np.nan), np.full((5, 31), np.nan), None)
    assert refined(touch(0.0, 15.0, 4.0), sounded=nothing) is nothing


def test_only_the_latest_touches_are_looked_at():
    old = [touch(0.0, 15.0, 1.0)] * 5
    late = [touch(0.0, 15.0, 5.0)] * MOST_TOUCHES
    assert refined(*old, *late).depth[2, 15] == pytest.approx(
        refined(*late).depth[2, 15]
    )


def test_a_touch_is_where_and_as_deep_as_the_lure_was_a_second_before_the_word():
    deck = Deck(RODS, ground=Level(3.0))
    cast = begin_cast(deck, Hand(1), 0.0, BOAT, Aim(12)).cast
    reach = deck.reach_band(cast.rod)
    said = cast.retrieved_from + 9.0
    found = felt_touch(cast, said, HERE, reach)
    _, _, depth, spread = cast.free_at(said - CALL_DELAY)
    assert found.depth == depth
    assert found.at == cast.lure(said - CALL_DELAY, HERE).at
    assert found.lure == cast.rod.lure.name
    # A band of nine in ten is 2 x 1.645 standard deviations wide.
    shared = depth * (reach.high - reach.low) / (2 * 1.645 * reach.best)
    assert found.shared == pytest.approx(shared, rel=1e-3)
    later = cast.free_at(said)[2] - depth
    assert found.own == pytest.approx(
        math.hypot(math.sqrt(max(spread**2 - found.shared**2, 0)), later)
    )
    assert found.own > abs(later)


def test_a_touch_before_the_retrieve_or_without_a_place_is_no_sounding():
    deck = Deck(RODS, ground=Level(3.0))
    cast = begin_cast(deck, Hand(1), 0.0, BOAT, Aim(12)).cast
    reach = deck.reach_band(cast.rod)
    assert felt_touch(cast, cast.retrieved_from + CALL_DELAY, HERE, reach) is None
    assert (
        felt_touch(cast, cast.retrieved_from + CALL_DELAY + 0.1, HERE, reach)
        is not None
    )
    nowhere = begin_cast(
        deck, Hand(1), 0.0, BoatPose(None, None, None, None), Aim(12)
    ).cast
    assert felt_touch(nowhere, nowhere.retrieved_from + 9.0, None, reach) is None
    any_way = begin_cast(
        deck, Hand(1), 0.0, BoatPose(HERE, None, None, None), Aim()
    ).cast
    assert any_way.bearing is None
    assert felt_touch(any_way, any_way.retrieved_from + 9.0, HERE, reach) is None


@pytest.mark.parametrize(
    ("depth", "deepest", "bottom", "above", "touching"),
    [
        (4.0, 4.6, 5.0, 4.0, 4.6),
        (4.0, 4.6, 4.3, 4.0, 4.3),
        (4.0, 4.6, 3.0, 3.0, 3.0),
        (4.0, 3.9, 5.0, 4.0, 4.0),
        (4.0, 4.6, None, 4.0, 4.0),
        (4.0, None, 5.0, 4.0, 4.0),
        (None, 4.6, 5.0, None, None),
    ],
)
def test_a_lure_is_never_below_the_bottom_and_on_it_at_a_touch(
    depth, deepest, bottom, above, touching
):
    where = Whereabouts(depth, None, deepest)
    assert where.depth_above(bottom) == above
    assert where.depth_touching(bottom) == touching


def test_a_spent_cast_stays_spent_as_it_goes_on_and_another_does_not():
    deck = Deck(RODS, ground=Level(3.0))
    cast, other = (begin_cast(deck, Hand(1), 0.0, BOAT, Aim(12)).cast for _ in range(2))
    lessons = Lessons().with_spent(cast)
    assert lessons.with_cast_gone_on(cast, other).spent is other
    assert lessons.with_cast_gone_on(other, cast).spent is cast
    assert Lessons().with_cast_gone_on(None, other).spent is None
    assert lessons.with_spent(None).spent is cast


def test_taking_back_and_forgetting_leave_what_others_have_taught():
    deck = Deck(RODS, ground=Level(3.0))
    lessons = Lessons()
    for number, rod in ((1, 1), (2, 2), (3, 1)):
        cast = begin_cast(deck, Hand(rod), 0.0, BOAT, Aim(12)).cast
        lessons, _ = learn_touch(deck, lessons, number, 15.0, cast, HERE)
    lessons, lesson = unlearn(deck, lessons, 3)
    assert set(lessons.taught) == {1, 2}
    assert lesson.rod.number == 1
    lessons, lesson = forget_rod(deck, lessons, deck.rod(1))
    assert [seen.rig for _, seen in lessons.taught.values()] == [rig_name(deck.rod(2))]
    assert lesson.rod.number == 1
    assert lesson.belief.touches == 0
