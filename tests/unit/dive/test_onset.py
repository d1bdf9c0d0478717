"""How soon a lure takes hold, told by touches over bottoms well above its reach."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import msgspec
import pytest

from companion.dive.backwards import lure_for_reach
from companion.dive.evidence import CALL_DELAY, CalibratedRig, Stated, Touch
from companion.dive.onset import LEAST_TELLING, as_touched
from companion.dive.rig import PVDF_KG_M3, Line, Lure, Retrieve
from companion.dive.solver import solve

LINE = Line(0.286e-3, PVDF_KG_M3)
USUAL = Retrieve(41.0, 0.9, 0.5, temperature=18.0)
DEPTH, ONSET_M = 5.5, 3.0
RIG = CalibratedRig("rod", LINE, USUAL)


@cache
def lure(onset: float) -> Lure:
    return lure_for_reach(DEPTH, LINE, Lure(0.0015, onset=onset, buoyancy=0.005), USUAL)


@cache
def stated() -> Stated:
    return Stated(lure(ONSET_M), LINE, USUAL, DEPTH)


def touches(onset: float, *shares: float) -> list[Touch]:
    """The first touches of a lure over level bottoms at shares of its reach."""
    way = solve(LINE, lure(onset), USUAL)
    found = []
    for share in shares:
        met = int((way.z >= share * DEPTH).argmax())
        after = float(way.t[met]) + CALL_DELAY
        found.append(Touch(RIG.name, ((0.0, share * DEPTH),), after))
    return found


SHALLOW = (0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6)


@pytest.mark.parametrize("times", [0.4, 2.5])
def test_touches_well_above_its_reach_tell_how_soon_a_lure_takes_hold(times):
    found = as_touched(stated(), [RIG], touches(times * ONSET_M, *SHALLOW))
    # One that takes hold sooner than a little moves its touches by less than a late one.
    assert (found.lure.onset > 1.2 * ONSET_M) == (times > 1.0)
    assert (found.lure.onset < 0.9 * ONSET_M) == (times < 1.0)
    as_it_was = replace(found.lure, onset=ONSET_M)
    assert msgspec.structs.replace(found, lure=as_it_was) == stated()


def test_a_lure_that_is_as_described_stays_so():
    found = as_touched(stated(), [RIG], touches(ONSET_M, *SHALLOW))
    assert found.lure.onset == pytest.approx(ONSET_M, rel=0.2)


def test_too_few_touches_those_near_its_reach_and_those_without_a_time_tell_nothing():
    late = 2.5 * ONSET_M
    few = touches(late, *SHALLOW[: LEAST_TELLING - 1])
    deep = touches(late, *[0.75, 0.8, 0.85, 0.9] * 2)
    timeless = [
        msgspec.structs.replace(one, after=None) for one in touches(late, *SHALLOW)
    ]
    for seen in (few, few + deep, timeless):
        assert as_touched(stated(), [RIG], seen) is stated()
    at_once = msgspec.structs.replace(stated(), lure=replace(stated().lure, onset=0.0))
    assert as_touched(at_once, [RIG], touches(late, *SHALLOW)) is at_once
