"""The boat and its instruments: it goes where it is sent, and is as wrong as real ones are."""

import numpy as np
import pytest

from companion.simulate.boat import (
    Instruments,
    Leg,
    Readings,
    SteadyWind,
    read,
    sail,
    sound,
    wander,
)
from companion.simulate.lake import Lake


def rng(seed=0):
    return np.random.default_rng(seed)


def search(lake, lines=10):
    """A boat that runs to and fro along the shore, 2 m further out each time."""
    edge = lake.place("grass edge")
    legs = []
    for k in range(lines):
        for along in (-60, 60):
            dx, dy = lake.offset(along, 2.0 * k + 14)
            legs.append(Leg(60, (edge.x + dx, edge.y + dy), 2.2))
    return sail((edge.x, edge.y), 0.0, legs, SteadyWind(), rng=rng())


def test_it_arrives_and_stays():
    track = sail(
        (0.0, 0.0), 90.0, [Leg(60.0, (0.0, 50.0), 2.0)], SteadyWind(), rng=rng()
    )
    assert np.hypot(track.x[-1], track.y[-1] - 50.0) < 1.5
    assert track.speed[-1] < 0.1
    assert track.speed.max() == pytest.approx(2.0, abs=0.1)


def test_adrift_it_goes_with_the_wind_and_lies_across_it():
    track = sail(
        (0.0, 0.0),
        0.0,
        [Leg(120.0, None, 0.0, "drift")],
        SteadyWind(towards=90.0, drift=0.25),
        rng=rng(),
    )
    assert track.x[-1] == pytest.approx(0.25 * 120, rel=0.02)
    assert abs(track.y[-1]) < 0.5
    assert track.heading[-1] == pytest.approx(165.0, abs=15.0)


def test_speed_and_position_belong_together():
    track = sail(
        (3.0, 4.0), 200.0, [Leg(40.0, (80.0, -60.0), 2.5)], SteadyWind(), rng=rng()
    )
    assert np.diff(track.x) == pytest.approx(track.east[:-1] * 0.1, abs=1e-9)
    assert np.diff(track.y) == pytest.approx(track.north[:-1] * 0.1, abs=1e-9)


def test_wander_has_the_spread_and_the_memory_it_says():
    series = wander(400_000, 0.1, 5.0, rng())
    assert series.std() == pytest.approx(1.0, abs=0.05)
    lag = 50
    assert np.corrcoef(series[:-lag], series[lag:])[0, 1] == pytest.approx(
        np.exp(-1.0), abs=0.05
    )


def test_revisits_differ_as_in_a_recording_of_a_real_lake():
    """Under 3 m apart, over 60 s later: median 0.35 m, 90th percentile 0.81 m in the open data's index."""
    lake = Lake(3)
    track = search(lake)
    shown = read(lake, track, Instruments(), rng(7))
    x, y, depth = (a[::10] for a in (shown.x, shown.y, shown.depth))
    i, j = np.triu_indices(len(x), 60)
    near = np.hypot(x[i] - x[j], y[i] - y[j]) < 3.0
    differ = np.abs(depth[i] - depth[j])[near]
    assert len(differ) > 2000
    assert np.median(differ) == pytest.approx(0.35, abs=0.06)
    assert np.percentile(differ, 90) == pytest.approx(0.81, abs=0.15)


def test_the_gps_is_off_by_a_metre_or_so():
    lake = Lake(3)
    track = search(lake)
    shown = read(lake, track, Instruments(), rng(7))
    off = np.hypot(shown.x - track.x, shown.y - track.y)
    assert 0.8 < np.median(off) < 2.2


def test_a_perfect_sounder_shows_the_bottom_below_the_transducer():
    lake = Lake(3)
    edge = lake.place("grass edge")
    dx, dy = lake.offset(0.0, 10.0)
    x, y = np.full(50, edge.x + dx), np.full(50, edge.y + dy)
    quiet = Instruments(
        sounder_wander=0.0, sounder_jitter=0.0, double_echo_chance=0.0, transducer=0.4
    )
    depth = sound(lake, x, y, 0.1, instruments=quiet, rng=rng())
    assert depth == pytest.approx(float(lake.bottom(x[0], y[0])) - 0.4, abs=0.03)


def test_over_a_tree_the_sounder_flickers():
    lake = Lake(3)
    tree = int(np.argmin(lake.trees.top))
    n = 2000
    x, y = np.full(n, lake.trees.x[tree]), np.full(n, lake.trees.y[tree])
    quiet = Instruments(sounder_wander=0.0, sounder_jitter=0.0, double_echo_chance=0.0)
    depth = sound(lake, x, y, 0.1, instruments=quiet, rng=rng()) + quiet.transducer
    on_tree = np.isclose(depth, lake.trees.top[tree], atol=0.01)
    assert np.mean(on_tree) == pytest.approx(quiet.tree_chance, abs=0.05)


def test_the_same_seed_gives_the_same_readings():
    lake = Lake(3)
    track = sail(
        (0.0, 0.0), 0.0, [Leg(30.0, (20.0, 20.0), 2.0)], SteadyWind(), rng=rng(1)
    )
    first, second = (read(lake, track, Instruments(), rng(2)) for _ in range(2))
    assert all(
        np.array_equal(getattr(first, name), getattr(second, name))
        for name in Readings.__dataclass_fields__
    )
