"""A cast in a current, along it and across, against an independent elastic lumped-mass code (C).

That is `tests/outside/elastic_line.py`. A boat held in a current moves through the
water as one that drifts in still water: exact, by choice of frame. So the independent
code has the boat move.
"""

import numpy as np
import pytest

from companion.dive import Retrieve, TreeTop, clearance, solve, stop_to_clear
from companion.dive.calibration import Calibration
from companion.dive.evidence import CalibratedRig, Stated
from companion.units import KNOT
from tests.outside.elastic_line import ElasticLine, Piece
from tests.outside.test_dive_stops import CAST, LINE, LURES, buoyancy, lure, retrieve

ALONG = [
    ("deep", 0.00, 5.507, (3.119, 4.987, 5.392)),
    ("deep", 0.25, 5.756, (3.445, 5.352, 5.536)),
    ("deep", 0.50, 5.974, (3.750, 5.671, 5.626)),
    ("deep", 1.00, 6.339, (4.306, 6.191, 5.695)),
    ("deep", 1.50, 6.635, (4.802, 6.583, 5.676)),
    ("deep", -0.25, 5.216, (2.768, 4.569, 5.177)),
    ("deep", -0.50, 4.871, (2.388, 4.091, 4.869)),
    ("deep", -1.00, 3.935, (1.510, 2.910, 3.849)),
    ("deep", -1.50, 2.432, (0.375, 1.310, 2.061)),
    ("floats", 0.00, 6.495, (3.764, 5.959, 6.271)),
    ("floats", 0.25, 6.866, (4.187, 6.457, 6.478)),
    ("floats", 0.50, 7.182, (4.580, 6.885, 6.608)),
    ("floats", 1.00, 7.701, (5.292, 7.571, 6.717)),
    ("floats", 1.50, 8.116, (5.926, 8.080, 6.711)),
    ("floats", -0.25, 6.051, (3.305, 5.374, 5.956)),
    ("floats", -0.50, 5.502, (2.798, 4.684, 5.487)),
    ("floats", -1.00, 3.798, (1.552, 2.816, 3.721)),
    ("floats", -1.50, 0.000, (-0.000, -0.000, -0.000)),
    ("sinks", 0.00, 3.946, (2.093, 3.514, 3.906)),
    ("sinks", 0.25, 4.121, (2.340, 3.778, 4.022)),
    ("sinks", 0.50, 4.275, (2.570, 4.010, 4.099)),
    ("sinks", 1.00, 4.534, (2.985, 4.393, 4.168)),
    ("sinks", 1.50, 4.745, (3.353, 4.686, 4.168)),
    ("sinks", -0.25, 3.747, (1.825, 3.217, 3.740)),
    ("sinks", -0.50, 3.515, (1.533, 2.881, 3.513)),
    ("sinks", -1.00, 2.933, (0.856, 2.089, 2.834)),
    ("sinks", -1.50, 2.234, (0.378, 1.109, 1.889)),
]
"""Lure; how fast the boat moves away through the water, kn (negative: towards the
lure); the elastic code's reach, m, and its depths 10, 20 and 30 s after the retrieve
began, m."""
ACROSS = [
    ("deep", 0.00, 5.509),
    ("deep", 0.25, 5.506),
    ("deep", 0.50, 5.507),
    ("deep", 0.75, 5.523),
    ("deep", 1.00, 5.554),
    ("deep", 1.50, 5.659),
    ("floats", 0.00, 6.498),
    ("floats", 0.25, 6.506),
    ("floats", 0.50, 6.534),
    ("floats", 0.75, 6.588),
    ("floats", 1.00, 6.663),
    ("floats", 1.50, 6.864),
    ("sinks", 0.00, 3.948),
    ("sinks", 0.25, 3.939),
    ("sinks", 0.50, 3.926),
    ("sinks", 0.75, 3.923),
    ("sinks", 1.00, 3.934),
    ("sinks", 1.50, 3.993),
]
"""Lure; how fast the boat moves through the water square to the cast, kn; the elastic code's reach, m."""
ACROSS_BOUND = {0.25: 0.005, 0.5: 0.01, 0.75: 0.015, 1.0: 0.03, 1.5: 0.06}
"""By how much of the reach leaving a movement across the cast out is wrong at most, by its speed, kn."""


@pytest.fixture(scope="module", params=["deep", "floats", "sinks"])
def known(request):
    """A lure of which all is known."""
    made, at_rest = lure(NAMES[request.param]), retrieve(0.0)
    stated = Stated(made, LINE, at_rest, solve(LINE, made, at_rest).reach, 1e-3, 1e-3)
    return request.param, Calibration(
        stated, [CalibratedRig("rod", LINE, at_rest, 1e-3, 1e-3)]
    )


NAMES = {"deep": "slow", "floats": "fast", "sinks": "sinking"}
"""What these lures are called among the stops."""


@pytest.mark.parametrize(("name", "knots", "reach", "depths"), ALONG)
def test_the_solver_follows_a_lure_in_a_current(name, knots, reach, depths):
    path = solve(LINE, lure(NAMES[name]), retrieve(knots * KNOT))
    assert path.reach == pytest.approx(reach, rel=0.005, abs=0.005)
    assert [path.at(t)[1] for t in (10.0, 20.0, 30.0)] == pytest.approx(
        depths, rel=0.01, abs=0.02
    )


def test_what_a_cast_is_told_of_a_current_is_within_two_per_cent(known):
    """At 1.5 knots towards the lure within 8 cm: where it is hardly led any more."""
    name, calibration = known
    at = np.array([np.log(lure(NAMES[name]).lift_ratio)]), np.zeros(1), np.zeros(1)
    curves = calibration._grids["rod"].table.curves(*at)
    for _, knots, reach, _ in (row for row in ALONG if row[0] == name):
        depth, _ = curves.paths(-knots * KNOT)
        found = float(depth.max())
        assert found == pytest.approx(
            reach, rel=0.02, abs=0.08 if knots == -1.5 else 0.0
        ), knots


def test_leaving_out_what_goes_across_the_cast_is_within_its_bound():
    still = {name: reach for name, knots, reach in ACROSS if knots == 0.0}
    for name, knots, reach in ACROSS:
        if knots:
            assert abs(still[name] / reach - 1.0) <= ACROSS_BOUND[knots], (name, knots)


def test_a_top_is_met_where_it_lies_on_the_bottom_though_the_water_moves():
    """A boat held in half a knot is to the lure as one that moves, but it comes over other ground."""
    made, held = lure("fast"), -0.5 * KNOT
    moving = retrieve(held)
    stays = Retrieve(CAST, 1.0, 0.5, drift=held, temperature=18.0, current=-held)
    path, over = (solve(LINE, made, one) for one in (moving, stays))
    np.testing.assert_allclose(over.over_ground, path.x, atol=1e-9)
    np.testing.assert_allclose(over.z, path.z)
    top = TreeTop(24.0, float(np.interp(-24.0, -over.over_ground, over.z)), 0.3)
    stop = stop_to_clear(LINE, made, stays, top, 0.3)
    stopped = solve(LINE, made, stays.stopped_at(stop.begins, stop.length))
    assert clearance(stopped, top) == pytest.approx(0.4, abs=0.1)


@pytest.mark.slow
def test_the_elastic_code_still_gives_its_figures():
    area, lift, onset, rise, mass = LURES["slow"]
    for drift, across, wanted in ((-1.0, 0.0, 3.935), (0.0, 1.0, 5.554)):
        track = ElasticLine(
            [Piece(1e9, LINE.diameter, LINE.density)], area, lift, onset, buoyancy(area, rise), mass, CAST,
            ((0.0, 0.2), (1.0, 1.0)), drift=drift * KNOT, across=across * KNOT, nodes=12,
        ).run()  # fmt: skip
        assert track[:, 2].max() == pytest.approx(wanted, abs=0.03)
