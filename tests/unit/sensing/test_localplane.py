"""The local plane: there and back, over the 180th meridian, and for arrays."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import LocalPlane, moved, range_and_bearing

latitudes = st.floats(-80, 80)
longitudes = st.floats(-180, 180, exclude_max=True)


@given(latitudes, longitudes, st.floats(-5000, 5000), st.floats(-5000, 5000))
def test_there_and_back(lat, lon, x, y):
    plane = LocalPlane(lat, lon)
    assert plane.to_xy(*plane.to_latlon(x, y)) == pytest.approx((x, y), abs=1e-6)


@given(latitudes, longitudes, st.floats(0, 360, exclude_max=True), st.floats(0.1, 200))
def test_a_point_moved_is_that_far_away_on_that_bearing(lat, lon, bearing, distance):
    back_distance, back_bearing = range_and_bearing(
        lat, lon, *moved(lat, lon, bearing, distance)
    )
    assert back_distance == pytest.approx(distance, rel=1e-3)
    assert (back_bearing - bearing + 180) % 360 - 180 == pytest.approx(0.0, abs=0.1)


def test_the_short_way_over_the_180th_meridian():
    assert range_and_bearing(0.0, 179.9999, 0.0, -179.9999) == pytest.approx(
        (22.264, 90.0), abs=1e-3
    )


def test_arrays():
    plane = LocalPlane(45.0, 10.0)
    lat, lon = plane.to_latlon(np.array([0.0, 100.0]), np.array([0.0, -50.0]))
    assert plane.to_xy(lat, lon)[0] == pytest.approx([0.0, 100.0])
