"""Drag of a cylinder across the flow against published curves.

S seen in the source named, M from memory.
"""

import numpy as np
import pytest

from companion.dive.drag import cylinder_with_slope


def cylinder(reynolds):
    return cylinder_with_slope(np.asarray(reynolds, dtype=float))[0]


@pytest.mark.parametrize(
    ("reynolds", "cn"),
    [
        (10, 3.13),
        (20, 2.11),
        (50, 1.51),
        (100, 1.32),
        (200, 1.30),
        (300, 1.23),
        (500, 1.08),
        (1000, 0.97),
    ],
)
def test_within_ten_percent_of_panton(reynolds, cn):
    """S: Panton, Incompressible Flow, figure as digitised in the public data set CylinderDragFits."""
    assert cylinder(reynolds) == pytest.approx(cn, rel=0.10)


@pytest.mark.parametrize(("reynolds", "cn"), [(100, 1.329), (300, 1.188), (600, 1.081)])
def test_is_the_fit_of_cheng(reynolds, cn):
    """S as public code: Cheng 2013, J. Hydraul. Eng. 139:602."""
    assert cylinder(reynolds) == pytest.approx(cn, abs=6e-4)


@pytest.mark.parametrize(("reynolds", "cn"), [(100, 1.464), (300, 1.223)])
def test_within_ten_percent_of_white(reynolds, cn):
    """M: White, Viscous Fluid Flow, 1 + 10 Re^(-2/3)."""
    assert cylinder(reynolds) == pytest.approx(cn, rel=0.10)


def test_slope_is_the_slope():
    """C: central differences of the fit itself."""
    re = np.geomspace(0.01, 5000, 50)
    near = 1e-5
    numeric = (cylinder(re * (1 + near)) - cylinder(re * (1 - near))) / (2 * near)
    np.testing.assert_allclose(
        cylinder_with_slope(re)[1], numeric, rtol=1e-5, atol=1e-7
    )


def test_finite_at_rest_and_odd_speeds():
    assert np.isfinite(cylinder([0.0, -100.0, 1e6])).all()
    assert cylinder(-100.0) == cylinder(100.0)
