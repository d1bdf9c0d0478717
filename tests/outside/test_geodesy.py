"""The local plane against geodesics on the ellipsoid.

S seen in print or on the page, M from memory, C computed with geographiclib (Karney
2013), a reference library.
"""

from __future__ import annotations

from math import radians, tan

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import LocalPlane, moved, range_and_bearing
from companion.sensing.localplane import metres_per_degree

WGS84 = Geodesic.WGS84


def dms(degrees: int, minutes: int, seconds: float) -> float:
    return degrees + minutes / 60 + seconds / 3600


FLINDERS_PEAK = -dms(37, 57, 3.72030), dms(144, 25, 29.52440)
BUNINYONG = -dms(37, 39, 10.15610), dms(143, 55, 35.38390)


def test_flinders_peak_to_buninyong():
    """54972.271 m (S, GeodePy's test of Vincenty's formula; the ellipsoids GRS 80 and WGS 84 agree here)."""
    assert WGS84.Inverse(*FLINDERS_PEAK, *BUNINYONG)["s12"] == pytest.approx(
        54972.271, abs=0.001
    )
    # A plane is not meant for 55 km; touching half way it is still good to three parts
    # in a million.
    assert range_and_bearing(*FLINDERS_PEAK, *BUNINYONG)[0] == pytest.approx(
        54972.271, abs=0.2
    )


@given(st.floats(-70, 70), st.floats(-180, 180), st.floats(0, 360), st.floats(0, 50))
def test_a_cast_of_50_m_ends_within_a_millimetre(lat, lon, bearing, distance):
    """Against the geodesic (C)."""
    truth = WGS84.Direct(lat, lon, bearing, distance)
    ours = moved(lat, lon, bearing, distance)
    assert WGS84.Inverse(truth["lat2"], truth["lon2"], *ours)["s12"] <= 0.001
    x, y = LocalPlane(lat, lon).to_xy(truth["lat2"], truth["lon2"])
    assert (x**2 + y**2) ** 0.5 == pytest.approx(distance, abs=0.001)


@given(st.floats(-70, 70), st.floats(0, 360), st.floats(10, 3000))
def test_a_lake_of_3_km_is_within_its_stated_error(lat, bearing, distance):
    """The plane's error is second order, distance^2 tan(lat) / R, here doubled as a bound (C)."""
    truth = WGS84.Direct(lat, 0.0, bearing, distance)
    ours = moved(lat, 0.0, bearing, distance)
    off = WGS84.Inverse(truth["lat2"], truth["lon2"], *ours)["s12"]
    assert off <= 2 * distance**2 * (0.2 + abs(tan(radians(lat)))) / 6.371e6


def test_the_length_of_a_degree():
    """At 0 and 45 degrees: latitude 110.574 and 111.132 km, longitude 111.320 and 78.847 km.

    Any table of WGS 84 (M); geographiclib agrees over 0.001 degree (C).
    """
    assert metres_per_degree(0.0) == pytest.approx((111_320, 110_574), abs=1)
    assert metres_per_degree(45.0) == pytest.approx((78_847, 111_132), abs=1)
    north = WGS84.Inverse(44.9995, 0.0, 45.0005, 0.0)["s12"] * 1000
    east = WGS84.Inverse(45.0, 0.0, 45.0, 0.001)["s12"] * 1000
    assert metres_per_degree(45.0) == pytest.approx((east, north), abs=0.01)
