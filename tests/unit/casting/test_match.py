"""The match of depth to reach is said once, when it has really changed, and not before."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.casting.match import MatchRules, MatchWatch, Standing

REACH = 5.0


def said(depths, *, reach=REACH, every=0.2, rules=None):
    """Feed depths at a steady rate and return (t, standing) for each thing worth saying."""
    watch = MatchWatch(rules)
    out = []
    for i, depth in enumerate(depths):
        standing = watch.take(i * every, depth, reach)
        if standing is not None:
            out.append((round(i * every, 3), standing))
    return out


def test_the_first_depth_is_judged_at_once():
    assert [s.state for _, s in said([4.0])] == ["touch"]
    assert [s.state for _, s in said([5.9])] == ["clear"]
    assert [s.state for _, s in said([9.0])] == ["short"]


def test_nothing_is_said_while_nothing_changes():
    assert len(said([6.0] * 5000)) == 1


def test_flicker_by_a_foot_around_a_limit_is_not_news():
    flicker = [REACH + (0.2 if i % 2 else -0.2) for i in range(5000)]
    assert len(said(flicker)) == 1


def test_a_single_false_echo_is_not_news():
    depths = [6.0] * 50 + [2.0] + [6.0] * 50
    assert [s.state for _, s in said(depths)] == ["clear"]


def test_a_new_state_is_said_after_it_held_and_after_the_interval():
    rules = MatchRules()
    depths = [9.0] * 100 + [4.0] * 100
    spoken = said(depths, rules=rules)
    assert [s.state for _, s in spoken] == ["short", "touch"]
    changed_at = spoken[1][0]
    assert 20.0 + rules.dwell <= changed_at <= 20.0 + rules.dwell + rules.window


def test_two_lines_are_never_closer_than_the_interval():
    depths = [9.0 if (i // 20) % 2 else 4.0 for i in range(2000)]
    times = [t for t, _ in said(depths)]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert min(gaps) >= MatchRules().interval - 1e-9


def test_a_deepening_bottom_is_followed_in_steps():
    depths = [7.0 + 0.002 * i for i in range(2000)]
    margins = [s.margin for _, s in said(depths)]
    steps = [b - a for a, b in itertools.pairwise(margins)]
    assert steps
    assert min(steps) >= MatchRules().step - 1e-9


def test_another_rod_is_judged_at_once():
    watch = MatchWatch()
    assert watch.take(0.0, 6.0, 5.0) is not None
    watch.start_over()
    standing = watch.take(0.2, 6.0, 6.5)
    assert standing is not None
    assert standing.state == "touch"


def test_without_a_rod_the_depth_is_followed_but_not_judged():
    watch = MatchWatch()
    assert watch.take(0.0, 6.0, None) is None
    assert watch.depth == 6.0


def test_after_lost_depth_the_old_depths_do_not_count():
    watch = MatchWatch()
    watch.take(0.0, 9.0, REACH)
    watch.forget_depth()
    assert watch.depth is None
    assert watch.standing(REACH).state == "unknown"
    standing = watch.take(60.0, 4.0, REACH)
    assert standing == Standing("touch", 4.0, -1.0)


@given(st.lists(st.floats(0.3, 60.0), min_size=1, max_size=300), st.floats(0.5, 15.0))
def test_what_is_said_is_true_of_the_smoothed_depth(depths, reach):
    rules = MatchRules()
    for _, standing in said(depths, reach=reach, rules=rules):
        assert standing.margin is not None
        if standing.state == "touch":
            assert standing.margin <= rules.play
        elif standing.state == "clear":
            assert -rules.play <= standing.margin <= rules.near + rules.play
        else:
            assert standing.margin >= rules.near - rules.play


def after(first, then, *, seconds=30.0):
    """The states said over a margin of `first` m held for so long, and then one of `then`."""
    held = round(seconds / 0.5)
    return [s.state for _, s in said([REACH + first] * held + [REACH + then] * held, every=0.5)]


@pytest.mark.parametrize(
    ("first", "within", "beyond", "state", "next_state"),
    [
        (-1.0, 0.25, 0.35, "touch", "clear"),
        (0.5, -0.25, -0.35, "clear", "touch"),
        (0.5, 1.25, 1.35, "clear", "short"),
        (2.0, 0.75, 0.65, "short", "clear"),
    ],
)
def test_a_state_is_left_only_by_more_than_the_play(first, within, beyond, state, next_state):
    rules = MatchRules(step=9.0)
    held = [REACH + first] * 60
    assert [s.state for _, s in said(held + [REACH + within] * 60, every=0.5, rules=rules)] == [state]
    assert [s.state for _, s in said(held + [REACH + beyond] * 60, every=0.5, rules=rules)] == [
        state,
        next_state,
    ]


def test_with_nothing_said_before_there_is_no_play():
    for margin, state in ((0.0, "touch"), (0.05, "clear"), (1.0, "clear"), (1.05, "short")):
        assert [s.state for _, s in said([REACH + margin])] == [state]


def test_the_least_time_is_enough():
    """A change is said at the very instant at which it has held for the dwell, or after the interval."""
    rules = MatchRules(window=0.0)
    changed = said([9.0] * 17 + [4.0] * 20, every=0.5, rules=rules)
    assert [t for t, _ in changed] == [0.0, 8.5 + rules.dwell]
    early = said([9.0] * 4 + [4.0] * 40, every=0.5, rules=rules)
    assert [t for t, _ in early] == [0.0, rules.interval]
    deeper = said([9.0] * 4 + [9.0 + rules.step + 0.01] * 40, every=0.5, rules=rules)
    assert [t for t, _ in deeper] == [0.0, rules.interval]


def test_a_state_that_comes_and_goes_has_to_hold_from_its_last_beginning():
    rules = MatchRules(window=0.0, interval=0.0)
    depths = [9.0] * 10 + [4.0] * 3 + [9.0] + [4.0] * 10
    assert [t for t, _ in said(depths, every=0.5, rules=rules)] == [0.0, 7.0 + rules.dwell]


def test_while_it_touches_how_deep_it_digs_is_no_news():
    assert after(-0.5, -4.0) == ["touch"]
    assert after(0.5, 1.2) == ["clear"]
    assert after(2.0, 2.0 + MatchRules().step) == ["short", "short"]


def test_the_depth_is_the_lower_middle_one_of_the_window_both_ends_counted():
    watch = MatchWatch(MatchRules(window=3.0))
    for t, depth in ((0.0, 1.0), (1.0, 9.0), (2.0, 9.0), (3.0, 2.0)):
        watch.take(t, depth, None)
    assert watch.depth == 2.0
    watch.take(3.5, 9.0, None)
    assert watch.depth == 9.0


def test_the_interval_is_counted_from_the_last_line():
    rules = MatchRules(window=0.0)
    depths = [4.0] * 40 + [9.0] * 6 + [11.0] * 40
    assert [t for t, _ in said(depths, every=0.5, rules=rules)] == [0.0, 22.0, 22.0 + rules.interval]


def test_a_change_of_just_the_step_is_worth_a_word():
    rules = MatchRules(window=0.0, step=0.5)
    assert [t for t, _ in said([7.0] * 20 + [7.5] * 20, every=0.5, rules=rules)] == [0.0, 10.0]
