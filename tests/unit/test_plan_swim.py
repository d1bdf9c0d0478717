"""The quick way of a lure over a bottom, held against the line solved anew over it."""

import numpy as np
import pytest

from companion import config, dive
from companion.casting.swim import CastTerrain, Diver, Wish, swim
from companion.tackle import calibrations, reaches, rig_name

SETTINGS = config.parse(config.example_text(), "the example config")
STEP, NEAREST = 0.25, 8.0
MIDDLE = np.zeros(1)
BOTTOMS = {
    "flat": lambda x, reach: 0.9 * reach + 0.0 * x,
    "much shallower": lambda x, reach: 0.5 * reach + 0.0 * x,
    "falls towards the boat": lambda x, reach: 0.9 * reach - 0.05 * (x - 12.0),
    "rises towards the boat": lambda x, reach: 0.7 * reach + 0.06 * (x - 12.0),
    "hump": lambda x, reach: (
        1.2 * reach - 0.5 * reach * np.exp(-((x - 20.0) ** 2) / 30.0)
    ),
    "too deep": lambda x, reach: 1.1 * reach + 0.0 * x,
}


@pytest.fixture(scope="module")
def rods():
    learned = calibrations(SETTINGS.rods)
    return [
        (found, learned[rod.lure.name].best(rig_name(rod)))
        for rod, found in zip(
            SETTINGS.rods, reaches(SETTINGS.rods, learned), strict=True
        )
    ]


def quick(found, depth):
    away = np.arange(
        NEAREST + STEP * round((found.cast - NEAREST) / STEP), NEAREST - 0.1, -STEP
    )
    top = depth(away).astype(np.float32)[:, None]
    under = CastTerrain(top, top, np.zeros_like(top), np.ones(top.shape, bool))
    diver = Diver(found)
    way = swim(diver, Wish(height=0.0, dig=None), under, away, MIDDLE)
    return away[diver.first(away) :], way


@pytest.mark.parametrize("name", BOTTOMS)
def test_follows_the_solver_over_a_bottom(rods, name):
    """dive.contact solves line and lure over the bottom: depth to 0.1 m, contact to 1 m of length.

    Where the lure comes off a drop the line still hangs over the edge for a while: 0.4
    m.
    """
    for found, (line, lure, retrieve) in rods:
        reach = found.reach.best

        def depth(x, reach=reach):
            return np.maximum(BOTTOMS[name](x, reach), 0.4)

        x = np.linspace(-2.0, 70.0, 300)
        solved = dive.contact(line, lure, retrieve, dive.SolverBottom(x, depth(x)))
        away, way = quick(found, depth)
        inside = [
            (min(s.begins, found.cast), max(s.leaves, NEAREST))
            for s in solved.stretches
        ]
        length = sum(max(a - b, 0.0) for a, b in inside)
        truly = np.interp(-away, -solved.path.over_ground, solved.path.z)
        off = np.abs(way.depth[:, 0] - truly).max()
        print(
            f"{found.name} {name}: contact {way.metres[0, 0]:.1f} m, solved {length:.1f}; depth off {off:.2f}"
        )
        assert off <= (0.4 if name == "hump" else 0.1)
        assert way.metres[0, 0] == pytest.approx(length, abs=1.0)


def test_swims_off_a_break_as_the_solver_has_it(rods):
    """Beyond a break the quick way is at most 0.4 m off: the line hangs over the edge a while."""
    for found, (line, lure, retrieve) in rods:

        def depth(x, reach=found.reach.best):
            return 0.5 * reach + 3.0 / (1.0 + np.exp(x - 18.0))

        x = np.linspace(-2.0, 70.0, 300)
        solved = dive.contact(line, lure, retrieve, dive.SolverBottom(x, depth(x)))
        away, way = quick(found, depth)
        truly = np.interp(-away, -solved.path.over_ground, solved.path.z)
        assert np.abs(way.depth[:, 0] - truly).max() <= 0.4
        left = max(s.leaves for s in solved.stretches[:1])
        assert away[way.counts[:, 0]].min() == pytest.approx(left, abs=1.0)


def test_a_shift_brings_lure_and_bottom_together(rods):
    found, _ = rods[0]
    away = np.arange(40.0, 9.0, -1.0)
    top = np.full((len(away), 1), found.reach.best + 0.3, np.float32)
    under = CastTerrain(top, top, np.full_like(top, 0.3), np.ones(top.shape, bool))
    wish = Wish(height=0.0, dig=None)
    metres = [
        float(swim(Diver(found), wish, under, away, np.array([s])).metres[0, 0])
        for s in (-1.0, 0.0, 0.5, 1.0, 2.0)
    ]
    assert metres[:2] == [0.0, 0.0]
    assert 0.0 < metres[3] < metres[4]
    assert metres == sorted(metres)


def test_no_metre_after_a_touch_when_it_has_to_stay_clear(rods):
    found, _ = rods[0]
    away = np.arange(40.0, 9.0, -1.0)
    top = np.full((len(away), 1), 30.0, np.float32)
    top[(away < 26.0) & (away > 23.0)] = 2.0
    under = CastTerrain(top, top, np.zeros_like(top), np.ones(top.shape, bool))
    way = swim(Diver(found), Wish(band=(0.5, 9.0)), under, away, MIDDLE)
    counted = away[-len(way.counts) :][way.counts[:, 0]]
    assert counted.min() >= 26.0
    assert (
        swim(Diver(found), Wish(height=9.0, clear=True), under, away, MIDDLE).metres[
            0, 0
        ]
        <= len(away) - 14
    )


def test_ploughing_does_not_count(rods):
    found, _ = rods[0]
    away = np.arange(40.0, 9.0, -1.0)
    top = np.full((len(away), 1), 0.5 * found.reach.best, np.float32)
    under = CastTerrain(top, top, np.zeros_like(top), np.ones(top.shape, bool))
    every, gently = (
        float(
            swim(Diver(found), Wish(height=0.0, dig=d), under, away, MIDDLE).metres[
                0, 0
            ]
        )
        for d in (None, 0.5)
    )
    assert 0.0 < gently < 0.5 * every
