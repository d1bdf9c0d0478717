"""Which pings are believed: a ledge soon, a false echo never, at any rate a sounder has."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing.believed_depth import BelievedDepth, DepthRules, Settled

RATES = [0.5, 1.0, 5.0, 10.0]


def fed(depths, *, every=1.0, speed=0.5, transducer=0.0):
    """Feed depths at a steady rate; return the belief, and what was made of each."""
    belief = BelievedDepth()
    belief.transducer = transducer
    return belief, [
        belief.accept_ping(i * every, depth, speed).belief
        for i, depth in enumerate(depths)
    ]


def believed_after(depths, **how):
    """Return how many pings after the first of the last depth that was believed; None if never."""
    _, made = fed(depths, **how)
    new = next(i for i, depth in enumerate(depths) if depth == depths[-1])
    return next(
        (i - new for i, one in enumerate(made) if i >= new and one == "believed"), None
    )


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("false", [[2.0], [2.0, 30.0], [2.0, 2.1]])
def test_one_or_two_false_pings_are_never_believed(rate, false):
    depths = [6.0] * 30 + false + [6.0] * 30
    belief, made = fed(depths, every=1.0 / rate)
    assert {one for one, depth in zip(made, depths, strict=True) if depth != 6.0} == {
        "provisional"
    }
    assert {one for one, depth in zip(made, depths, strict=True) if depth == 6.0} == {
        "believed"
    }
    assert belief.smoothed(60.0 / rate) == 6.0


@pytest.mark.parametrize("rate", RATES)
def test_a_ledge_is_believed_after_three_pings_and_two_seconds(rate):
    down = [9.0 + 0.03 * i for i in range(40)]
    _, made = fed([4.0] * 20 + down, every=1.0 / rate)
    first = made[20:].index("believed")
    assert first / rate == pytest.approx(max(2.0, 2.0 / rate), abs=1.0 / rate)
    assert set(made[20 + first :]) == {"believed"}


@pytest.mark.parametrize("nothing", [0.0, -1.0, float("nan"), 900.0])
def test_the_first_depth_that_can_be_one_is_believed_at_once(nothing):
    _, made = fed([nothing, nothing, 6.0, 6.0])
    assert made == ["refused", "refused", "believed", "believed"]


def test_a_held_echo_of_one_value_is_not_believed_for_the_four_seconds_it_lasts():
    assert believed_after([12.6] * 30 + [57.3] * 5) is None
    assert believed_after([12.6] * 30 + [57.3] * 10) == 6, (
        "but a bottom that stays is one"
    )


def settled_of(depths, *, every=1.0, speed=0.5):
    """Return why each ping is not of the bottom for good; None: it is."""
    belief, found = BelievedDepth(), {}
    for i, depth in enumerate(depths):
        verdict = belief.accept_ping(i * every, depth, speed)
        found |= {one.number: one.reason for one in verdict.settled}
    found |= {one.number: one.reason for one in belief.finish()}
    return [found[i] for i in range(len(depths))]


def test_an_echo_held_for_longer_than_its_proof_is_false_when_the_bottom_comes_back():
    """A harbour of others: 0.6 m, then 26.3 m seven times, then 0.6 m for ten minutes."""
    for depth in (0.6, 5.0):
        found = settled_of([depth] * 30 + [26.3] * 7 + [depth] * 60)
        assert found == [None] * 30 + ["deep spike"] * 7 + [None] * 60
        assert believed_after([depth] * 30 + [26.3] * 7 + [depth + 0.01] * 60) == 2


def test_a_bottom_that_varies_or_stays_is_of_the_bottom_from_its_first_ping():
    down = [26.3] * 7 + [26.4, 26.6, 26.9]
    assert settled_of([4.0] * 30 + down) == [None] * 40
    assert settled_of([4.0] * 30 + [26.3] * 40) == [None] * 70
    # Once it varied, a metre of water straight after it is ringing, as ever.
    assert set(settled_of([0.6] * 30 + down + [0.6] * 30)[40:]) == {
        "stuck near the surface"
    }


def test_twice_the_depth_is_the_second_echo():
    assert believed_after([6.0] * 30 + [12.1] * 14) is None
    assert believed_after([6.0] * 30 + [12.1] * 20) == 15


def test_a_metre_straight_after_several_is_the_transducer_ringing():
    assert believed_after([9.0] * 30 + [0.9] * 200) is None
    _, made = fed([9.0] * 30 + [1.4] * 40, transducer=0.5)
    assert made[-1] == "refused", "a metre below the transducer, not below the surface"


def test_a_metre_that_goes_on_and_on_under_a_fast_boat_is_ringing_too():
    _, made = fed([1.2] * 60, speed=4.0)
    assert made[20] == "believed"
    assert made[-1] == "refused"
    _, slow = fed([1.2] * 60, speed=1.0)
    assert set(slow) == {"believed"}


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_a_slope_under_way_is_believed_ping_by_ping(speed):
    _, made = fed([4.0 + 0.25 * speed * i for i in range(20)], speed=speed)
    assert set(made) == {"believed"}


@given(st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=200), st.sampled_from(RATES))
def test_the_noise_of_a_level_bottom_is_believed(noise, rate):
    _, made = fed([6.0 + off for off in noise], every=1.0 / rate)
    assert set(made) == {"believed"}


def test_the_first_ping_is_taken_and_put_right_when_it_was_false():
    belief, made = fed([70.0] + [6.0 + 0.01 * i for i in range(10)])
    assert made[0] == "believed"
    assert made[3:] == ["believed"] * 8
    assert belief.smoothed(10.0) == pytest.approx(6.09)


def test_a_slow_sounder_gives_its_last_ping_and_not_the_shallower_of_two():
    belief, _ = fed([6.0, 6.3, 6.1, 6.4], every=2.0)
    assert belief.smoothed(6.0) == 6.4


def test_a_slow_sounder_is_waited_for_longer():
    quick, _ = fed([6.0] * 40, every=0.2)
    slow, _ = fed([6.0] * 40, every=2.0)
    assert quick.oldest == 5.0
    assert slow.oldest == pytest.approx(7.0, abs=0.1)


def test_a_bottom_of_long_ago_holds_nothing_back():
    belief, _ = fed([6.0] * 10)
    t = 9.0 + DepthRules().forget + 1.0
    made = [belief.accept_ping(t + i, 20.0 + 0.1 * i, 0.5).belief for i in range(3)]
    assert made == ["provisional", "provisional", "believed"]


def test_what_is_believed_does_not_depend_on_what_the_clock_began_with():
    rng = np.random.default_rng(3)
    depths = np.where(
        rng.random(300) < 0.1, rng.uniform(1, 60, 300), 6.0 + rng.normal(0, 0.1, 300)
    )
    _, made = fed(list(depths))
    later = BelievedDepth()
    assert [
        later.accept_ping(7200.0 + i, float(z), 0.5).belief
        for i, z in enumerate(depths)
    ] == made


def test_three_pings_in_two_seconds_give_their_median_and_none_gives_nothing():
    belief, _ = fed([6.0, 6.3, 6.1, 6.0], every=0.5)
    assert belief.smoothed(1.5) == pytest.approx(6.05)
    belief, _ = fed([6.3, 6.1, 6.0], every=0.5)
    assert belief.smoothed(1.0) == 6.1
    assert BelievedDepth().smoothed(0.0) is None


def test_a_ping_nearer_to_what_is_kept_apart_is_not_taken_for_the_believed_bottom():
    _, made = fed([6.0] * 10 + [6.9, 6.6], speed=0.0)
    assert made[-2:] == ["provisional", "provisional"]
    _, nearer = fed([6.0] * 10 + [6.9, 6.3], speed=0.0)
    assert nearer[-1] == "believed"


@pytest.mark.parametrize(
    ("step", "speed", "every", "made_of_it"),
    [
        (0.79, 0.0, 1.0, "believed"),
        (0.81, 0.0, 1.0, "provisional"),
        (1.05, 0.5, 2.0, "believed"),
        (1.15, 0.5, 2.0, "provisional"),
        (2.55, 30.0, 1.0, "believed"),
        (2.65, 30.0, 1.0, "provisional"),
    ],
)
def test_how_far_the_same_bottom_may_be_from_one_ping_to_the_next(
    step, speed, every, made_of_it
):
    """Half a metre, a twentieth of the depth, and 0.3 m for each metre of way, of six at most."""
    _, made = fed([6.0] * 20 + [6.0 + step], speed=speed, every=every)
    assert made[-1] == made_of_it


def test_after_a_ledge_only_the_new_bottom_is_smoothed():
    belief, made = fed([4.0] * 20 + [9.0, 9.1, 9.2, 9.3, 9.4], every=0.5)
    assert made[-1] == "believed"
    assert belief.smoothed(12.0) == pytest.approx(9.25)


def test_a_value_that_stands_still_near_the_believed_depth_is_not_doubted_for_longer():
    assert believed_after([6.0] * 30 + [8.0] * 10) == 2
    assert believed_after([6.0] * 30 + [8.5] * 10) == 6


def test_only_what_is_less_than_a_third_of_the_depth_may_be_the_transducer_ringing():
    _, made = fed([4.0] * 30 + [1.2])
    assert made[-1] == "refused"
    _, deeper = fed([4.0] * 30 + [1.4])
    assert deeper[-1] == "provisional"


def test_ringing_under_way_is_counted_below_the_transducer_and_by_the_way_made():
    _, made = fed([1.8] * 60, speed=4.0, transducer=0.5)
    assert made[-1] == "refused"
    _, often = fed([1.2] * 60, speed=4.0, every=0.5)
    assert often[48] == "believed", "after 96 m"
    assert often[-1] == "refused"


def settled(depths, *, every=1.0, speed=0.5):
    """Feed depths and end; return by number why each was refused for good, None where it was not."""
    belief, verdicts = BelievedDepth(), []
    for i, depth in enumerate(depths):
        verdicts += belief.accept_ping(i * every, depth, speed).settled
    verdicts += belief.finish()
    assert sorted(one.number for one in verdicts) == list(range(len(depths))), (
        "each once"
    )
    return {one.number: one.reason for one in verdicts}


@given(
    st.lists(
        st.floats(-1.0, 260.0) | st.sampled_from([5.0, 5.2, 0.9, 10.3]), max_size=120
    ),
    st.floats(0.0, 12.0),
)
def test_every_ping_is_judged_for_good_once(depths, speed):
    settled(depths, speed=speed)


def test_what_leads_over_a_ledge_is_of_the_bottom_with_hindsight():
    down = [6.0] * 10 + [6.4, 7.7, 9.2, 10.0, 10.0, 10.1, 10.0]
    _, made = fed(down, speed=1.3)
    assert "provisional" in made
    assert set(settled(down, speed=1.3).values()) == {None}


def test_a_pile_crossed_between_two_believed_depths_is_of_the_bottom_with_hindsight():
    pile = [8.0] * 20 + [6.3, 5.2, 6.5] + [8.0] * 20
    _, made = fed(pile, speed=2.0)
    assert made[20:22] == ["provisional"] * 2
    assert set(settled(pile, speed=2.0).values()) == {None}
    assert settled(pile, speed=0.2)[21] == "above the bottom", (
        "at rest a bottom does not rise and fall"
    )


def test_a_first_ping_that_nothing_goes_on_from_was_none():
    assert settled([40.0] + [8.0] * 10) == {0: "scatter"} | dict.fromkeys(range(1, 11))
    assert settled([8.0, 8.1]) == dict.fromkeys(range(2), "never confirmed")


def test_a_shallow_under_a_fast_boat_is_of_the_bottom_if_it_ends_soon():
    shoal = [3.0, 2.2, 1.4] + [1.3] * 10 + [1.6, 2.4, 3.1, 3.2]
    assert set(settled(shoal, speed=5.0).values()) == {None}
    rings = settled([1.3] * 60 + [1.7] + [1.2] * 40, speed=5.0)
    assert set(rings.values()) == {"stuck near the surface"}, (
        "one ping a little deeper does not end it"
    )


def test_refusals_tell_the_bottom_and_what_they_were_judged_with():
    belief = BelievedDepth()
    verdicts = [
        belief.accept_ping(float(i), z, 0.5)
        for i, z in enumerate([9.0] * 10 + [5.0, 5.2, 9.1])
    ]
    assert [one for one in verdicts[-1].settled if one.reason] == [
        Settled(10, "above the bottom", 9.0, 10),
        Settled(11, "above the bottom", 9.0, 10),
    ]


@pytest.mark.parametrize(
    ("false", "reason"),
    [
        (0.0, "no bottom"),
        (float("inf"), "no bottom"),
        (200.1, "beyond range"),
        (12.1, "doubled echo"),
        (50.0, "deep spike"),
        (3.0, "above the bottom"),
        (1.0, "stuck near the surface"),
    ],
)
def test_a_false_ping_is_refused_for_its_own_reason(false, reason):
    reasons = settled([6.0] * 20 + [false] + [6.0] * 5)
    assert reasons[20] == reason
    assert {why for number, why in reasons.items() if number != 20} == {None}


def test_a_false_ping_that_no_other_follows_is_refused_once_it_is_old():
    """Its reason is found while the sounder goes on telling another false depth."""
    reasons = settled([6.0] * 20 + [50.0] + [25.0, 35.0] * 10 + [6.0] * 5)
    assert reasons[20] == "deep spike"


def test_one_that_waits_at_the_end_was_never_confirmed():
    assert settled([6.0] * 20 + [50.0])[20] == "never confirmed"


def test_a_false_first_ping_is_scatter():
    reasons = settled([30.0] + [6.0] * 20)
    assert reasons[0] == "scatter"


def test_the_deepest_that_a_sounder_sees_is_a_depth():
    assert DepthRules().fault(200.0) is None


@pytest.mark.parametrize(("fast", "doubted"), [(2.49, False), (2.5, True)])
def test_a_shallow_is_doubted_from_the_speed_of_a_fast_boat(fast, doubted):
    _, made = fed([1.2] * 200, speed=fast)
    assert (made[-1] == "refused") is doubted


def test_ringing_ends_with_a_clearly_deeper_bottom_or_a_slow_boat():
    rings = [1.2] * 60
    _, made = fed(rings + [2.9] * 30, speed=4.0)
    assert made[-1] == "refused"
    _, made = fed(rings + [3.2] * 30, speed=4.0)
    assert made[-1] == "believed"
    belief = BelievedDepth()
    for i, depth in enumerate(rings):
        belief.accept_ping(i, depth, 4.0)
    slow = [belief.accept_ping(60 + i, 1.2, 0.5).belief for i in range(30)]
    assert slow[-1] == "believed"
