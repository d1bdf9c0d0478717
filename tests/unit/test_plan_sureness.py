"""What a plan expects, against casts drawn and solved: line, lure and bottom each off by their own error."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from companion import config, dive
from companion.casting.plan import Target, ground, plan
from companion.lakebed.relief import Relief
from companion.tackle import calibrations, reaches, rig_name
from companion.units import NINE_IN_TEN_SIGMAS

CASTS = 50
SIGMA = 0.25
HEIGHT, DIG = 0.3, 0.9


@pytest.fixture(scope="module")
def aboard():
    settings = config.parse(config.example_text(), "the example config")
    learned = calibrations(settings.rods)
    return settings.rods, learned, reaches(settings.rods, learned)


def bottoms():
    """Invented bottoms by name: depth, m, of east and north, m."""
    return {
        "hump": lambda e, n: (
            6.3 - 2.0 * np.exp(-((e - 40.0) ** 2 + (n - 40.0) ** 2) / 300.0)
        ),
        "slope": lambda e, n: 2.0 + 0.05 * e + 0.01 * n,
    }


def lures(rod, reach, calibration, rng):
    """Return as many lures as there are casts, that reach as deep as the rod's band has it, at random."""
    spread = (math.log(reach.high) - math.log(reach.low)) / (2.0 * NINE_IN_TEN_SIGMAS)
    shifts = np.linspace(-2.5, 2.5, 5)
    known = [
        calibration.lure_reaching(rig_name(rod), reach.best * math.exp(spread * s))
        for s in shifts
    ]
    lift = PchipInterpolator(shifts, [lure.lift_ratio for lure in known])
    return [
        replace(known[2], lift_ratio=float(lift(s)))
        for s in rng.standard_normal(CASTS).clip(-2.5, 2.5)
    ]


def drawn(one, rig, lure, target, rng):
    """Return the metres that count of one cast, solved with the line over a bottom of its own."""
    line, _, retrieve = rig
    away = np.array([step.away for step in one.way])[::-1]
    depth = (
        np.array([step.bottom for step in one.way])[::-1]
        + SIGMA * rng.standard_normal()
    )
    path = dive.contact(line, lure, retrieve, dive.SolverBottom(away, depth)).path
    free = dive.solve(line, lure, retrieve)
    at = np.arange(one.cast, 10.0, -0.25)
    z, unhindered = (np.interp(-at, -p.over_ground, p.z) for p in (path, free))
    floor = np.interp(at, away, depth)
    off = np.array([math.dist(one.at(x), target.place) for x in at])
    counts = (
        (floor - z <= HEIGHT) & (unhindered - floor <= DIG) & (off <= target.within)
    )
    return 0.25 * float(counts.sum())


@pytest.mark.parametrize("name", ["hump", "slope"])
def test_as_many_metres_as_often_as_expected(aboard, name):
    """The mean of drawn casts within 20 % and how often any metre counts within 0.1 of the plan."""
    rods, learned, found = aboard
    line = np.arange(0.0, 81.0, 2.0)
    depth = bottoms()[name](*np.meshgrid(line, line))
    target = Target.at(name, 40.0, 40.0, within=8.0)
    one = plan(
        ground(Relief(line, line, depth, np.full_like(depth, SIGMA))),
        found,
        target,
        most=1,
    )[0]
    place = [reach.rod for reach in found].index(one.rod)
    rng, rod = np.random.default_rng(4), rods[place]
    calibration = learned[rod.lure.name]
    rig = calibration.best(rig_name(rod))
    metres = [
        drawn(one, rig, lure, target, rng)
        for lure in lures(rod, found[place].reach, calibration, rng)
    ]
    often = float(np.mean(np.array(metres) > 0.0))
    print(
        f"{name}: expected {one.metres:.1f} m, {one.sureness:.2f} sure; "
        f"of {CASTS} casts {np.mean(metres):.1f} m, {often:.2f}"
    )
    assert np.mean(metres) == pytest.approx(one.metres, rel=0.2)
    assert often == pytest.approx(one.sureness, abs=0.1)
