"""The reference retrieve, against WHOI Cable's dynamics and an independent lumped-mass code (C).

Start: the steady tow at 1 m/s with 40 m of neutral line, 0.3 mm, Cn 1.2, Ct 0.02, lure
pulling 1 N back and 1 N down. The tow point moves at 1 m/s until 1 s and comes to rest
linearly by 2 s; the reel ramps from 0 to 1 m/s over the same second, then holds. Lure:
0.20 kg and 0.02 added, 1 N net weight, drag area 0.002 m2 on each component.
Coefficients scaled from 1000 kg/m3 to the water's density.
"""

import pytest

from companion.dive import Line, Lure, Profile, Retrieve, Water, solve, tow

RHO = Water(15.0).density
SCALE = 1000.0 / RHO
TIMES = (6.5, 11.5, 16.5, 21.5, 26.5, 31.5, 36.0)
WHOI = (12.940, 12.691, 12.208, 11.334, 9.922, 7.796, 5.039)
LUMPED = (12.945, 12.689, 12.199, 11.319, 9.901, 7.770, 5.013)


@pytest.fixture(scope="module")
def retrieved():
    line = Line(0.3e-3, RHO, normal_drag=1.2 * SCALE, tangential_drag=0.02 * SCALE)
    start = tow(line, Lure(2.0 / RHO, buoyancy=-1.0), 1.0, 40.0)
    lure = Lure(
        0.002 * SCALE, buoyancy=-1.0, mass=0.20, added_mass=0.02, drag_each_axis=True
    )
    retrieve = Retrieve(
        40.0,
        speed=Profile((1.0, 2.0), (0.0, 1.0)),
        tip_height=0.0,
        drift=Profile((1.0, 2.0), (1.0, 0.0)),
    )
    return solve(line, lure, retrieve, start=start)


@pytest.mark.parametrize(("t", "depth"), list(zip(TIMES, WHOI, strict=True)))
def test_depth_against_whoi_cable(retrieved, t, depth):
    assert retrieved.at(t)[1] == pytest.approx(depth, abs=0.05)


@pytest.mark.parametrize(("t", "depth"), list(zip(TIMES, LUMPED, strict=True)))
def test_depth_against_lumped_mass(retrieved, t, depth):
    assert retrieved.at(t)[1] == pytest.approx(depth, abs=0.05)


def test_a_retrieve_is_not_a_tow(retrieved):
    """With 20 m of line left the lure is at 11.3 m; a steady tow on 20 m of it gives 8.7 m."""
    t = 21.5
    assert float(retrieved.line_out[(abs(retrieved.t - t)).argmin()]) == pytest.approx(
        20.0, abs=0.6
    )
    line = Line(0.3e-3, RHO, normal_drag=1.2 * SCALE, tangential_drag=0.02 * SCALE)
    towed = tow(line, Lure(2.0 / RHO, buoyancy=-1.0), 1.0, 20.0).depth
    assert retrieved.at(t)[1] > towed + 2.0
