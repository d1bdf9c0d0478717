"""The match of depth to reach is said once, when it has really changed, and not before."""

import itertools

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
