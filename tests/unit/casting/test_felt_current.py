"""A current that nobody told of, by the touches of a trip."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from companion import dive
from companion.casting.felt_current import FeltCurrent
from companion.dive.calibration import Calibration
from companion.dive.evidence import CALL_DELAY, CalibratedRig, NoTouch, Stated, Touch

LINE = dive.Line(0.286e-3, dive.PVDF_KG_M3)
USUAL = dive.Retrieve(41.0, 0.9, 0.5, temperature=18.0)
DEPTH = 5.5
NORTH, SOUTH, EAST, WEST = 0.0, 180.0, 90.0, 270.0


@cache
def stated():
    lure = dive.Lure(0.0015, onset=3.0, buoyancy=0.005)
    found = dive.lure_for_reach(DEPTH, LINE, lure, USUAL)
    return Stated(found, LINE, USUAL, DEPTH)


def fresh():
    return Calibration(stated(), [CalibratedRig("rod", LINE, USUAL)])


@cache
def path(bearing, speed, towards, reach=1.0):
    """Of a lure that reaches so much more than stated, from a boat held in a current."""
    away = speed * math.cos(math.radians(towards - bearing))
    lure = dive.lure_for_reach(reach * DEPTH, LINE, stated().lure, USUAL)
    return dive.solve(LINE, lure, replace(USUAL, drift=away))


def fished(speed, towards, bearings, reach=1.0, casts=24, seed=1):
    """Casts over level bottoms about as deep as the lure gets, touches told late and never exactly."""
    rng, known, felt = np.random.default_rng(seed), fresh(), FeltCurrent()
    for number in range(casts):
        bearing = bearings[number % len(bearings)]
        way = path(bearing, speed, towards, reach)
        told = DEPTH * rng.uniform(0.6, 1.1)
        met = np.flatnonzero(way.z > told + rng.normal(0.0, 0.2))
        bottom = ((0.0, round(told, 2)),)
        seen = NoTouch("rod", bottom)
        if len(met):
            late = rng.exponential(CALL_DELAY)
            seen = Touch("rod", bottom, float(way.t[met[0]] + late))
        felt.add(number, "lure", felt.odds_of("lure", known, seen), bearing)
        known.learn(seen)
    return felt


@pytest.mark.parametrize("towards", [NORTH, EAST])
def test_touches_with_and_against_a_current_tell_of_it(towards):
    hint = fished(0.35, towards, (NORTH, EAST, SOUTH, WEST)).hint
    assert hint is not None
    off = (hint.towards - towards + 180.0) % 360.0 - 180.0
    assert abs(off) < 30.0
    assert hint.speed == pytest.approx(0.35, abs=0.12)
    assert hint.sigma < 0.12


@pytest.mark.parametrize("reach", [0.85, 1.0, 1.15])
def test_a_lure_that_is_not_what_was_stated_is_no_current(reach):
    for seed in range(2):
        felt = fished(0.0, NORTH, (NORTH, SOUTH), reach, seed=seed)
        assert felt.hint is None


@pytest.mark.parametrize("reach", [0.85, 1.0, 1.15])
def test_casts_in_one_direction_tell_of_none(reach):
    assert fished(0.0, NORTH, (NORTH,), reach).hint is None


def test_what_is_taken_back_tells_nothing():
    felt = fished(0.35, NORTH, (NORTH, SOUTH))
    assert felt.hint is not None
    for number in range(24):
        felt.remove(number)
    assert felt.hint is None
