from dataclasses import replace

import numpy as np
import pytest

from companion.dive import BRAID, PVDF, DiveError, Line, Lure, PathTable, Retrieve, solve
from companion.dive.table import FASTEST, diving_speed

CAST = Retrieve(40.0, tip_height=1.0)
RIGS = {
    "gradual": (Line(0.2e-3, BRAID), Lure(0.004, 0.5, 8.0, 0.02)),
    "steep": (Line(0.35e-3), Lure(0.0015, 1.0, 2.0, 0.1)),
    "straight down": (Line(0.3e-3, PVDF), Lure(0.003, 1.5, 0.5, 0.2)),
    "sinking": (Line(0.33e-3, PVDF), Lure(0.001, 0.4, 3.0, -0.1)),
}


@pytest.mark.parametrize("rig", RIGS)
def test_a_table_is_within_one_percent_of_the_full_solver(rig):
    """Over its whole range, at points drawn evenly; never asked to be nearer than 5 cm."""
    line, lure = RIGS[rig]
    lifts = 0.75 * lure.lift_ratio, 1.3 * lure.lift_ratio
    table = PathTable.build(line, lure, CAST, lifts=lifts)
    rng = np.random.default_rng(11)
    slow = diving_speed(lure, lifts[0])
    for _ in range(30):
        cast = float(np.exp(rng.uniform(np.log(8.0), np.log(70.0))))
        speed, lift = float(1.0 / rng.uniform(1.0 / FASTEST, 1.0 / slow)), float(rng.uniform(*lifts))
        full = solve(line, replace(lure, lift_ratio=lift), replace(CAST, cast=cast, speed=speed))
        quick = table.path(cast, speed, lift)
        allowed = max(0.01 * full.reach, 0.05)
        assert quick.reach == pytest.approx(full.reach, abs=allowed)
        assert float(table.reach(cast, speed, lift)) == quick.reach
        for x in np.linspace(0.12, 0.98, 25) * cast:
            if full.depth_at(x) is not None:
                assert quick.depth_at(x) == pytest.approx(full.depth_at(x), abs=allowed)
        for t in (0.2 * full.t[-1], full.reach_t):
            assert quick.at(t)[0] == pytest.approx(full.at(t)[0], abs=0.01 * cast)


def test_reach_takes_arrays():
    line, lure = RIGS["steep"]
    table = PathTable.build(line, lure, CAST, lifts=(0.8, 1.2))
    casts, lifts = np.array([20.0, 30.0, 40.0]), np.array([[0.9], [1.1]])
    reaches = table.reach(casts, 1.0, lifts)
    assert reaches.shape == (2, 3)
    assert (np.diff(reaches, axis=0) > 0).all()
    assert (np.diff(reaches, axis=1) > 0).all()


@pytest.mark.parametrize(
    ("asked", "says"), [((5.0, 1.0), "cast"), ((40.0, 4.0), "speed"), ((40.0, 1.0, 2.0), "lift ratio")]
)
def test_outside_its_range_a_table_says_so(asked, says):
    table = PathTable.build(*RIGS["steep"], CAST, lifts=(0.8, 1.2))
    with pytest.raises(DiveError, match=f"{says} lies outside"):
        table.path(*asked)


@pytest.mark.parametrize("ranges", [{"casts": (30.0, 10.0)}, {"speeds": (1.0, 1.0)}, {"lifts": (2.0, 1.0)}])
def test_an_empty_range_is_refused(ranges):
    with pytest.raises(DiveError, match="expected the lower value first"):
        PathTable.build(*RIGS["steep"], CAST, **ranges)
