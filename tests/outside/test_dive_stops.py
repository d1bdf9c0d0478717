"""Stops of the reel against an independent elastic lumped-mass code (C): `tests/outside/elastic_line.py`.

That code agrees with the figures of a third program of its kind, C, which shares no code with either.
"""

import numpy as np
import pytest

from companion.dive import Line, Lure, Retrieve, TreeTop, clearance, solve, stop_to_clear
from tests.outside.elastic_line import ElasticLine, Piece

LINE, CAST, AT = Line(0.285e-3, 1775.0), 41.15, 14.0
LURES = {
    "fast": (2.2e-3, 0.8, 1.0, 0.25, 0.03),
    "slow": (1.47e-3, 0.75, 3.0, 0.08, 0.0227),
    "slower": (1.2e-3, 0.9, 3.0, 0.12, 0.02),
    "sinking": (1.0e-3, 0.6, 6.0, -0.08, 0.018),
}
"""Drag area, m2; lift ratio; onset, m; rise when stopped, m/s; mass, kg."""
STOPS = [
    ("fast", 0.0, 2.0, (4.802, 4.682, 4.437, 4.867, 5.24, 5.818)),
    ("fast", 0.0, 5.0, (4.802, 4.31, 3.723, 4.332, 4.822, 5.512)),
    ("fast", 0.0, 10.0, (4.802, 3.709, 2.592, 3.345, 4.028, 4.893)),
    ("fast", 0.0, 15.0, (4.802, 3.13, 1.543, 2.294, 3.166, 4.238)),
    ("fast", 0.25, 2.0, (5.714, 5.686, 5.543, 5.963, 6.304, 6.807)),
    ("fast", 0.25, 5.0, (5.714, 5.453, 5.186, 5.708, 6.101, 6.66)),
    ("fast", 0.25, 10.0, (5.714, 5.162, 4.694, 5.327, 5.784, 6.42)),
    ("fast", 0.25, 15.0, (5.714, 4.903, 4.269, 4.978, 5.484, 6.185)),
    ("fast", -0.25, 2.0, (3.683, 3.533, 3.284, 3.398, 3.789, 4.392)),
    ("fast", -0.25, 5.0, (3.683, 3.159, 2.541, 2.313, 2.852, 3.713)),
    ("fast", -0.25, 10.0, (3.683, 2.541, 1.32, 0.992, 1.152, 2.401)),
    ("fast", -0.25, 15.0, (3.683, 1.928, 0.121, -0.001, 0.027, 0.939)),
    ("slow", 0.0, 2.0, (4.009, 4.044, 3.969, 4.271, 4.549, 5.002)),
    ("slow", 0.0, 5.0, (4.009, 3.93, 3.74, 4.159, 4.488, 4.985)),
    ("slow", 0.0, 10.0, (4.009, 3.738, 3.379, 3.97, 4.377, 4.942)),
    ("slow", 0.0, 15.0, (4.009, 3.548, 3.066, 3.756, 4.239, 4.867)),
    ("slow", 0.25, 2.0, (4.693, 4.771, 4.786, 5.062, 5.313, 5.705)),
    ("slow", 0.25, 5.0, (4.693, 4.797, 4.841, 5.117, 5.365, 5.749)),
    ("slow", 0.25, 10.0, (4.693, 4.844, 4.935, 5.207, 5.448, 5.819)),
    ("slow", 0.25, 15.0, (4.693, 4.89, 5.026, 5.293, 5.528, 5.885)),
    ("slow", -0.25, 2.0, (3.195, 3.215, 3.139, 3.272, 3.56, 4.038)),
    ("slow", -0.25, 5.0, (3.195, 3.1, 2.904, 2.832, 3.251, 3.856)),
    ("slow", -0.25, 10.0, (3.195, 2.904, 2.512, 2.404, 2.443, 3.43)),
    ("slow", -0.25, 15.0, (3.195, 2.706, 2.171, 2.083, 2.002, 2.662)),
    ("sinking", 0.0, 2.0, (2.781, 2.872, 2.928, 3.09, 3.271, 3.585)),
    ("sinking", 0.0, 5.0, (2.781, 2.989, 3.121, 3.25, 3.416, 3.71)),
    ("sinking", 0.0, 10.0, (2.781, 3.146, 3.431, 3.505, 3.648, 3.91)),
    ("sinking", 0.0, 15.0, (2.781, 3.303, 3.734, 3.76, 3.879, 4.111)),
    ("sinking", 0.25, 2.0, (3.281, 3.356, 3.383, 3.577, 3.759, 4.051)),
    ("sinking", 0.25, 5.0, (3.281, 3.409, 3.483, 3.662, 3.836, 4.115)),
    ("sinking", 0.25, 10.0, (3.281, 3.492, 3.634, 3.795, 3.957, 4.215)),
    ("sinking", 0.25, 15.0, (3.281, 3.57, 3.771, 3.919, 4.071, 4.31)),
    ("sinking", -0.25, 2.0, (2.188, 2.272, 2.351, 2.454, 2.625, 2.945)),
    ("sinking", -0.25, 5.0, (2.188, 2.391, 2.591, 2.657, 2.739, 3.034)),
    ("sinking", -0.25, 10.0, (2.188, 2.591, 2.995, 3.118, 3.12, 3.226)),
    ("sinking", -0.25, 15.0, (2.188, 2.793, 3.405, 3.529, 3.653, 3.517)),
]
"""Lure; drift away, m/s; length of the stop, s; the elastic code's depths, m: when the stop begins, half way
through it, when it ends, and 1.5, 3 and 6 s after that."""
CLEARED = [
    ("fast", 0.0, 24.0, 5.42, 14.6, 2.14, 0.3, 0.321),
    ("fast", 0.25, 24.0, 5.6, 11.54, 3.34, 0.3, 0.425),
    ("fast", -0.25, 24.0, 5.08, 19.93, 1.32, 0.3, 0.302),
    ("slow", 0.0, 24.0, 4.57, 14.61, 11.97, 0.3, 0.364),
]
"""Lure; drift; place and depth of a top, m; the stop promised to clear it by 0.3 m: when, how long, s, its
clearance, m; the elastic code's clearance with that stop, m."""


def buoyancy(area, rise):
    return 500.0 * area * rise * abs(rise)


def lure(name):
    area, lift, onset, rise, mass = LURES[name]
    return Lure(area, lift, onset, buoyancy(area, rise), mass=mass)


def retrieve(drift):
    return Retrieve(CAST, 1.0, 0.5, drift=drift, temperature=18.0)


def elastic(name, drift, at, stop, after, nodes=24):
    """Return t, x and z of the elastic code's lure."""
    area, lift, onset, rise, mass = LURES[name]
    return ElasticLine(
        [Piece(1e9, LINE.diameter, LINE.density)],
        area,
        lift,
        onset,
        buoyancy(area, rise),
        mass,
        CAST,
        ((at, at + 0.2, at + stop - 0.2, at + stop), (1.0, 0.0, 0.0, 1.0)),
        drift=drift,
        nodes=nodes,
        until=at + stop + after,
    ).run()


def moments(stop):
    return AT + np.array([0.0, 0.5 * stop, stop, stop + 1.5, stop + 3.0, stop + 6.0])


@pytest.mark.slow
@pytest.mark.parametrize(("name", "drift", "stop", "depths"), STOPS)
def test_depth_during_and_after_a_stop(name, drift, stop, depths):
    path = solve(LINE, lure(name), retrieve(drift).stopped_at(AT, stop))
    np.testing.assert_allclose([path.at(t)[1] for t in moments(stop)], depths, atol=0.15)


def test_clearances_promised_hold():
    """None is missed by more than 0.05 m."""
    promised, given = np.array([row[-2:] for row in CLEARED], dtype=float).T
    assert (given >= promised - 0.05).all()


@pytest.mark.slow
@pytest.mark.parametrize("row", CLEARED[::3])
def test_the_stop_promised_is_still_the_one_that_was_tried(row):
    name, drift, x, z, begins, length, promised, _ = row
    stop = stop_to_clear(LINE, lure(name), retrieve(drift), TreeTop(x, z, 0.3), promised)
    assert (stop.begins, stop.length) == pytest.approx((begins, length), abs=0.3)
    path = solve(LINE, lure(name), retrieve(drift).stopped_at(stop.begins, stop.length))
    assert clearance(path, TreeTop(x, z, 0.3)) == pytest.approx(promised + 0.05, abs=0.1)


@pytest.mark.slow
def test_the_elastic_code_still_gives_its_figures():
    name, drift, stop, depths = STOPS[1]
    track = elastic(name, drift, AT, stop, 7.0, nodes=16)
    np.testing.assert_allclose(np.interp(moments(stop), track[:, 0], track[:, 2]), depths, atol=0.05)


@pytest.mark.parametrize(
    ("rise", "stop", "risen", "after"),
    [
        (0.25, 5.0, 3.63, 14.65),
        (0.25, 10.0, None, 12.37),
        (0.08, 10.0, 2.11, 16.78),
        (0.08, 15.0, None, 16.29),
    ],
)
def test_stops_as_another_program_has_them(rise, stop, risen, after):
    """C: stop at 20 s, ft risen during it and depth 3 s after it, ft; both within 0.15 m."""
    made = Lure(1.47e-3, 0.75, 3.0, buoyancy(1.47e-3, rise), mass=0.0227)
    path = solve(LINE, made, retrieve(0.0).stopped_at(20.0, stop))
    begins, ends, later = (path.at(t)[1] for t in (20.0, 20.0 + stop, 23.0 + stop))
    assert later == pytest.approx(after * 0.3048, abs=0.15)
    assert risen is None or begins - ends == pytest.approx(risen * 0.3048, abs=0.15)
