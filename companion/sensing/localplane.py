"""A flat piece of the Earth: metres east and north of an origin, good for a lake and exact for a cast.

The radii of curvature of the WGS 84 ellipsoid at the origin make degrees into metres
(NIMA TR8350.2: a = 6378137 m, 1/f = 298.257223563; the radii are those of any textbook
of geodesy). The error grows with the square of the distance from the origin and with
the tangent of the latitude: under half a millimetre in a 50 m cast, some metres at 10
km. All functions take floats or NumPy arrays.
"""

from __future__ import annotations

from math import cos, radians, sin, sqrt
from typing import TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

SEMI_MAJOR_AXIS = 6_378_137.0
"""m, WGS 84."""
WGS84_FLATTENING = 1.0 / 298.257223563
"""WGS 84."""
_E2 = WGS84_FLATTENING * (2.0 - WGS84_FLATTENING)

Number = TypeVar("Number", float, NDArray[np.float64])
"""A float or an array of them."""


def metres_per_degree(lat: float) -> tuple[float, float]:
    """Return the length, m, of a degree of longitude and of a degree of latitude at a latitude, degrees."""
    phi = radians(lat)
    w2 = 1.0 - _E2 * sin(phi) ** 2
    prime_vertical = SEMI_MAJOR_AXIS / sqrt(w2)
    meridian = prime_vertical * (1.0 - _E2) / w2
    return radians(prime_vertical * cos(phi)), radians(meridian)


class LocalPlane(msgspec.Struct, frozen=True):
    """A plane touching the Earth at `lat`, `lon` (degrees); x is metres east of it, y metres north."""

    lat: float
    lon: float

    def to_xy(self, lat: Number, lon: Number) -> tuple[Number, Number]:
        """Return x (m east) and y (m north) of a latitude and longitude, degrees."""
        east, north = metres_per_degree(self.lat)
        # Across the 180th meridian the short way round.
        away = (lon - self.lon + 180.0) % 360.0 - 180.0
        return away * east, (lat - self.lat) * north

    def to_latlon(self, x: Number, y: Number) -> tuple[Number, Number]:
        """Return latitude and longitude, degrees, of x (m east) and y (m north)."""
        east, north = metres_per_degree(self.lat)
        return self.lat + y / north, (self.lon + x / east + 180.0) % 360.0 - 180.0


def moved(
    lat: float, lon: float, bearing: float, distance: float
) -> tuple[float, float]:
    """Return the latitude and longitude `distance` m away on `bearing`, degrees clockwise from true north."""
    angle = radians(bearing)
    return LocalPlane(lat, lon).to_latlon(distance * sin(angle), distance * cos(angle))


def range_and_bearing(
    lat1: float, lon1: float, lat2: float, lon2: float
) -> tuple[float, float]:
    """Return the distance, m, and the bearing, degrees true 0..360, from the first point to the second.

    The plane touches half way between, in latitude, so that the distance is good to 1 m
    in 50 km.
    """
    middle = LocalPlane((lat1 + lat2) / 2.0, lon1)
    x1, y1 = middle.to_xy(lat1, lon1)
    x2, y2 = middle.to_xy(lat2, lon2)
    east, north = x2 - x1, y2 - y1
    return float(np.hypot(east, north)), float(
        np.degrees(np.arctan2(east, north)) % 360.0
    )
