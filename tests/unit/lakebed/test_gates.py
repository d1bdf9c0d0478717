import math

import numpy as np
import pytest

from companion.lakebed.gates import TrackGate
from companion.lakebed.soundings import Sounding


def run(depths, speed=1.3, every=1.0):
    """Push depths along a straight track; return what is kept and the gate."""
    gate, kept = TrackGate(), []
    for i, depth in enumerate(depths):
        kept += gate.push(Sounding(i * every, i * every * speed, 0.0, float(depth)))
    return kept + gate.flush(), gate


def test_a_plain_bottom_passes_whole_and_at_once():
    gate = TrackGate()
    passed = [
        len(gate.push(Sounding(float(i), 1.3 * i, 0.0, 6.0 + 0.01 * i)))
        for i in range(100)
    ]
    assert sum(passed) == 100
    assert passed[10:] == [1] * 90
    assert not gate.gate.dropped


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_lost_bottom_is_no_bottom(bad):
    kept, gate = run([8.0] * 10 + [bad] * 3 + [8.0] * 10)
    assert len(kept) == 20
    assert gate.gate.dropped == {"no bottom": 3}


def test_a_burst_of_deep_spikes_is_dropped():
    kept, gate = run([8.0] * 20 + [21.0, 23.0, 22.5] + [8.1] * 20)
    assert max(s.depth for s in kept) < 9.0
    assert gate.gate.dropped == {"deep spike": 3}


def test_a_second_echo_is_dropped_even_when_it_lasts():
    kept, gate = run([6.0] * 20 + [12.0] * 10 + [6.0] * 20)
    assert len(kept) == 40
    assert gate.gate.dropped == {"doubled echo": 10}


@pytest.mark.parametrize("deep", [9.5, 12.0])
def test_a_sheer_ledge_is_kept_whole_even_to_twice_the_depth(deep):
    kept, gate = run([6.0] * 30 + [deep] * 40)
    assert len(kept) == 70
    assert not gate.gate.dropped
    assert [s.t for s in kept] == sorted(s.t for s in kept)


def test_a_sheer_rise_is_kept_whole():
    kept, gate = run([9.0] * 30 + [5.0] * 40)
    assert len(kept) == 70
    assert not gate.gate.dropped


def test_a_rock_pile_crossed_in_a_few_seconds_is_kept():
    pile = [8.0, 7.2, 6.0, 5.1, 5.4, 6.4, 7.5, 8.0]
    kept, gate = run([8.0] * 20 + pile + [8.0] * 20)
    assert len(kept) == 48
    assert not gate.gate.dropped


def test_a_metre_of_water_straight_after_deep_water_is_the_sounder_ringing():
    kept, gate = run([14.0] * 30 + [1.0, 0.9, 1.0, 1.1] * 30 + [14.0] * 30)
    assert {s.depth for s in kept} == {14.0}
    assert gate.gate.dropped == {"stuck near the surface": 120}


def test_a_metre_of_water_under_a_fast_boat_for_long_is_the_sounder_ringing():
    rng = np.random.default_rng(1)
    kept, gate = run(1.0 + 0.1 * rng.random(300), speed=3.5)
    assert kept == []
    assert gate.gate.dropped == {"stuck near the surface": 300}


def test_real_shallows_under_an_idling_boat_are_kept():
    kept, gate = run([1.2] * 300, speed=1.0)
    assert len(kept) == 300
    assert not gate.gate.dropped


def test_shallows_crossed_fast_but_briefly_are_kept():
    depths = np.concatenate(
        (np.linspace(4, 1.2, 10), [1.2] * 10, np.linspace(1.2, 4, 10))
    )
    kept, gate = run(depths, speed=4.0)
    assert len(kept) == 30
    assert not gate.gate.dropped


def test_gradual_shoaling_to_a_metre_is_kept():
    kept, gate = run(np.concatenate((np.linspace(8, 1.0, 60), [1.0] * 60)))
    assert len(kept) == 120
    assert not gate.gate.dropped


def test_a_gate_that_began_on_a_spike_finds_the_bottom():
    kept, gate = run([40.0] + [8.0] * 20)
    assert len(kept) == 20
    assert gate.gate.dropped == {"scatter": 1}


def test_every_sounding_is_kept_or_counted():
    rng = np.random.default_rng(7)
    depths = np.where(
        rng.random(3000) < 0.2,
        rng.uniform(-1, 300, 3000),
        8 + np.sin(np.arange(3000) / 30),
    )
    kept, gate = run(depths)
    assert len(kept) + sum(gate.gate.dropped.values()) == 3000
    assert len({s.t for s in kept}) == len(kept)


def test_spikes_in_a_noisy_day_are_dropped_and_the_rest_kept(bed):
    rows = bed.idle(3)
    rng = np.random.default_rng(3)
    spiked = rng.choice(np.arange(30, len(rows) - 30), 40, replace=False)
    depths = rows[:, 3].copy()
    depths[spiked] += rng.uniform(4, 20, 40)
    gate, kept = TrackGate(), []
    for (t, east, north, _), depth in zip(rows.tolist(), depths.tolist(), strict=True):
        kept += gate.push(Sounding(t, east, north, depth))
    kept += gate.flush()
    times = {s.t for s in kept}
    assert not times & set(rows[spiked, 0])
    assert len(kept) >= len(rows) - 40 - 10
