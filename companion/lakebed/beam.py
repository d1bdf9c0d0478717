"""What a sounder's cone does to a slope: the first echo comes from the nearest bottom in it, not from below.

Over a plane of slope zeta, depth z below the boat, with half the cone's angle theta,
the first echo comes after z cos(zeta) while the foot of the perpendicular lies in the
cone, and from the cone's edge, after z cos(zeta) / cos(zeta - theta), beyond that
(plane geometry). A map of first echoes is therefore too shoal on slopes, and a ledge
stands in it too far out. Read backwards, the map's own steepness g gives the slope:
sin(zeta) = g within the cone, tan(zeta) = g cos(theta) / (1 - g sin(theta)) beyond it.
"""

from __future__ import annotations

import math

import numpy as np

from companion.lakebed.cells import FloatArray

_STEEPEST = math.radians(
    60.0
)  # more than that comes from noise, not from a bottom a cone can measure


def depth_ratio(steepness: FloatArray, half_beam: float) -> FloatArray:
    """Return true depth over first echo, where a map of first echoes is so steep, m down per m.

    Args:
        steepness: of the map, m per m, any shape.
        half_beam: half the cone's angle, radians.
    """
    sine = math.sin(half_beam)
    beyond = np.arctan2(
        steepness * math.cos(half_beam), np.maximum(1.0 - steepness * sine, 1e-3)
    )
    slope = np.where(steepness <= sine, np.arcsin(np.minimum(steepness, 1.0)), beyond)
    slope = np.minimum(slope, _STEEPEST)
    ratio: FloatArray = np.cos(np.maximum(slope - half_beam, 0.0)) / np.cos(slope)
    return ratio
