"""The retrieve against its exact limit: without line drag the lure's path is an equiangular spiral.

Elementary (C): the path makes the constant angle gamma = atan(lambda) with the line, so
that reach = L0 sin(gamma) exp(-gamma cot(gamma)).
"""

import math

import numpy as np
import pytest

from companion.dive import DEFAULT_DETAIL, Detail, Line, Lure, Retrieve, Water, solve

BARE = Line(0.3e-3, Water(15.0).density, normal_drag=0.0, tangential_drag=0.0)


def spiral_reach(cast, lift):
    gamma = math.atan(lift)
    return cast * math.sin(gamma) * math.exp(-gamma / math.tan(gamma))


def reach(cast, lift, detail=DEFAULT_DETAIL):
    return solve(
        BARE, Lure(0.004, lift), Retrieve(cast, 1.0, tip_height=0.0), detail=detail
    ).reach


def test_the_figure():
    assert spiral_reach(36.0, 0.4) == pytest.approx(5.16421, abs=5e-6)
    assert reach(36.0, 0.4) == pytest.approx(5.16421, rel=1e-3)


@pytest.mark.parametrize("lift", [0.1, 0.25, 0.7, 1.0])
@pytest.mark.parametrize("cast", [12.0, 60.0])
def test_other_lures_and_casts_at_default_detail(cast, lift):
    # The harder a lure pulls, the faster its path turns: 2e-3 at lambda 1.
    assert reach(cast, lift) == pytest.approx(
        spiral_reach(cast, lift), rel=1e-3 * (1.0 + lift)
    )


@pytest.mark.parametrize("lift", [0.4, 0.8])
def test_converges_at_second_order_or_better(lift):
    coarse = Detail(8, 0.16, 1.56)
    errors = [
        abs(reach(36.0, lift, coarse.finer(k)) - spiral_reach(36.0, lift))
        for k in (1, 2, 4, 8)
    ]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders[-2:].mean() >= 1.9, errors
    assert errors[-1] < 1e-4 * spiral_reach(36.0, lift)


def test_the_whole_path_is_the_spiral():
    """Distance from the rod tip against the angle below the horizontal: r = L0 exp(-theta cot(gamma))."""
    path = solve(
        BARE,
        Lure(0.004, 0.4),
        Retrieve(36.0, 1.0, tip_height=0.0),
        detail=DEFAULT_DETAIL.finer(),
    )
    theta, r = np.arctan2(path.z, path.x), np.hypot(path.x, path.z)
    np.testing.assert_allclose(r, 36.0 * np.exp(-theta / 0.4), rtol=4e-3)
    np.testing.assert_allclose(r, path.line_out, rtol=2e-3)
