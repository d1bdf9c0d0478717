"""The kriging behind the lakebed against worked examples and known solutions; sources beside each.

M: from memory, the numbers checked by solving the system as it is printed.
"""

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from companion.lakebed import kriging
from companion.lakebed.kriging import Local, Support, Variation

# Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, chapter 12, "An
# example of ordinary kriging": seven samples of V around (65, 137), covariance 10
# exp(-0.3 h), no nugget (M). Printed there:
PLACES = np.array(
    [(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], float
)
VALUES = np.array([477, 696, 227, 646, 606, 791, 783], float)
WEIGHTS = (0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086)
ESTIMATE, VARIANCE = 592.7, 8.96


def support(places, values):
    n = len(values)
    return Support(
        places[:, 0], places[:, 1], np.asarray(values, float), np.ones(n), np.zeros(n)
    )


def solved(monkeypatch, variogram, places, values):
    """Return the local model under another variogram, of the squared distance, without noise."""
    monkeypatch.setattr(kriging, "SOUNDING_NOISE_M", 0.0)
    monkeypatch.setattr(kriging, "PLACE_SHARE", 0.0)
    monkeypatch.setattr(kriging, "CONTOUR_STRETCH", 1.0)
    monkeypatch.setattr(kriging, "_variogram", variogram)
    return Local(support(places, values), Variation(1.0))


def depth(local, east, north):
    return local.estimate(east, north, slice(0))[0]


def exponential(squared):
    return 10.0 * (1.0 - np.exp(-0.3 * np.sqrt(squared)))


def test_weights_of_the_printed_example(monkeypatch):
    at = (np.zeros(1), np.zeros(1))
    places = PLACES - (65.0, 137.0)
    weights = [
        depth(solved(monkeypatch, exponential, places, 1e-3 * np.eye(7)[i]), *at)[0]
        / 1e-3
        for i in range(7)
    ]
    assert weights == pytest.approx(WEIGHTS, abs=6e-4)
    assert sum(weights) == pytest.approx(1.0, abs=1e-3)


def test_estimate_and_variance_of_the_printed_example(monkeypatch):
    # In hundredths, for in units so many times the model's own all seven would be
    # doubted.
    local = solved(monkeypatch, exponential, PLACES - (65.0, 137.0), 0.01 * VALUES)
    found, variance = local.estimate(np.zeros(1), np.zeros(1), slice(None))
    assert 100.0 * found[0] == pytest.approx(ESTIMATE, abs=0.3)
    assert variance[0] / local.sill == pytest.approx(VARIANCE, abs=0.02)


def test_a_linear_variogram_on_a_line_is_the_linear_spline(monkeypatch):
    # On a line, kriging under -|h| is the interpolating spline of degree one: straight
    # between neighbours, level beyond the last (Dubrule 1984, Computers & Geosciences
    # 10, 327; Cressie 1993, section 3.4.5; M).
    x, z = (
        np.array([-40.0, -15.0, -4.0, 9.0, 30.0]),
        np.array([4.0, 4.6, 5.1, 4.7, 5.5]),
    )
    places = np.column_stack((x, np.zeros_like(x)))
    local = solved(monkeypatch, lambda squared: np.sqrt(squared) / 10.0, places, z)
    asked = np.linspace(-60.0, 60.0, 121)
    assert depth(local, asked, np.zeros_like(asked)) == pytest.approx(
        np.interp(asked, x, z), abs=2e-3
    )


def test_a_linear_variogram_on_a_plane_is_the_radial_spline_of_scipy(monkeypatch):
    # scipy.interpolate.RBFInterpolator, kernel -r with a constant, is a reference
    # implementation of it (C).
    rng = np.random.default_rng(3)
    places = rng.uniform(-30.0, 30.0, (40, 2))
    z = 6.0 + 0.5 * np.sin(places[:, 0] / 9.0) + 0.02 * places[:, 1]
    local = solved(monkeypatch, lambda squared: np.sqrt(squared) / 10.0, places, z)
    asked = rng.uniform(-30.0, 30.0, (60, 2))
    spline = RBFInterpolator(places, z, kernel="linear", degree=0)(asked)
    assert depth(local, *asked.T) == pytest.approx(spline, abs=5e-3)
