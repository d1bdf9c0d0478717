"""How the rods match the bottom: a change counts when it is clear and has stayed."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.casting.match import (
    ANY_LESSER,
    UNKNOWN_MATCH,
    MatchRules,
    MatchWatch,
    Standing,
)

REACHES = {1: 6.0, 2: 5.0, 3: 2.0}
RULES = MatchRules()


def stood(depths, *, in_hand=1, every=0.5, reaches=REACHES):
    """Feed depths at a steady rate; return the standing after each."""
    watch = MatchWatch()
    return [
        watch.accept_depth(i * every, depth, reaches, in_hand)
        for i, depth in enumerate(depths)
    ]


@pytest.mark.parametrize(
    ("in_hand", "depth", "state", "better"),
    [
        (1, 5.8, "touch", None),
        (1, 4.8, "touch", None),
        (1, 4.2, "touch", 2),
        (1, 1.5, "touch", 3),
        (2, 5.5, "clear", 1),
        (3, 5.5, "short", 1),
        (3, 4.5, "short", 2),
        (1, 6.5, "clear", None),
        (1, 9.0, "short", None),
        (3, 9.0, "short", None),
    ],
)
def test_what_an_angler_can_do_about_it(in_hand, depth, state, better):
    (standing,) = stood([depth], in_hand=in_hand)
    assert (standing.state, standing.better) == (state, better)
    assert standing.action == (
        (True, better and ANY_LESSER) if state == "touch" else (False, better)
    )
    assert standing.margin == pytest.approx(depth - REACHES[in_hand])


def test_a_rod_that_digs_a_little_is_the_right_one():
    (standing,) = stood([REACHES[2] - 0.01], in_hand=1)
    assert standing.better is None
    (deep,) = stood([REACHES[1] - RULES.digs - 0.01], in_hand=1)
    assert deep.better == 2


def test_which_lesser_rod_would_do_is_no_news_where_the_one_in_hand_digs_on():
    standings = stood([4.2] * 5 + [1.5] * 20)
    assert (standings[0].better, standings[-1].better) == (2, 3)
    assert len({standing.action for standing in standings}) == 1


def test_the_rod_that_was_named_stays_named_while_it_gets_down_and_does_not_dig():
    up = stood([5.5] * 5 + [4.7] * 20, in_hand=3)
    assert {standing.better for standing in up} == {1}, (
        "rod two would do as well, but one was named"
    )
    shallower = stood([5.5] * 5 + [REACHES[1] - RULES.digs - 0.1] * 20, in_hand=3)
    assert shallower[-1].better == 2
    deeper = stood([4.5] * 5 + [5.5] * 20, in_hand=3)
    assert (deeper[0].better, deeper[-1].better) == (2, 1)


def test_flicker_within_the_deadband_is_no_change():
    edge = RULES.deadband - 0.01
    assert {s.state for s in stood([6.0] + [6.0 + edge, 6.0 - edge] * 200)} == {"touch"}


def test_a_change_counts_once_it_is_past_the_deadband_for_the_dwell():
    standings = stood([5.5] * 10 + [6.0 + RULES.deadband + 0.01] * 20)
    changed = next(i for i, s in enumerate(standings) if s.state != "touch")
    assert (changed - 10) * 0.5 == RULES.dwell


def test_two_pings_are_needed_however_slow_the_sounder():
    standings = stood([5.5] * 5 + [7.0, 5.5, 7.0, 7.0], every=3.0)
    assert [s.state for s in standings[5:]] == ["touch", "touch", "touch", "clear"]


def test_what_passes_before_the_dwell_is_over_is_no_change():
    assert {s.state for s in stood([5.5] * 10 + [7.0, 7.0, 5.5] * 30)} == {"touch"}


def test_the_first_depth_is_judged_by_the_limit_itself():
    assert stood([6.01])[0].state == "clear"
    assert stood([5.99])[0].state == "touch"


def test_after_lost_depth_nothing_is_known():
    watch = MatchWatch()
    watch.accept_depth(0.0, 9.0, REACHES, 1)
    watch.forget()
    assert watch.standing == UNKNOWN_MATCH
    assert watch.accept_depth(60.0, 4.5, REACHES, 1).state == "touch"


@given(
    st.lists(st.floats(0.3, 60.0), min_size=1, max_size=200), st.sampled_from([1, 2, 3])
)
def test_a_state_is_never_further_from_the_depth_than_deadband_or_dwell(
    depths, in_hand
):
    standings = stood(depths, in_hand=in_hand, every=RULES.dwell)
    for before, now in pairwise(standings):
        down = now.margin <= 0.0
        surely = abs(now.margin) > RULES.deadband and (before.margin <= 0.0) == down
        if surely and abs(before.margin) > RULES.deadband:
            assert (now.state == "touch") == down


def test_the_rod_that_stays_named_is_named_of_the_state_as_it_is_now():
    standings = stood([9.0] * 3 + [5.5] * 20, in_hand=3)
    assert standings[0] == Standing("short", 9.0, 7.0, None)
    assert standings[-1] == Standing("short", 5.5, 3.5, 1)
    near = stood([5.5] * 5 + [2.9] * 20, in_hand=3, reaches={1: 3.5, 3: 2.0})
    assert near[-1] == Standing("clear", 2.9, pytest.approx(0.9), 1)
