"""A lure that is thrown off what it hits: how far it swims before it is back on the bottom.

After a hit the lure is some way above the bottom and dives on as its free path does
where that is seen from the rod tip at the same angle, as in `companion.casting.swim`.
Lengths in m, depths below the surface.
"""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from companion.casting.ground import Floats
from companion.tackle import Deflection

THROWN_OFF_M = MappingProxyType({"small": 0.15, "wide": 0.6})
"""How far above what it hit a lure comes away. Common practice, no source."""
STEP_M = 0.25
AT_BOAT_M = 1.0
"""Nearer to the rod tip no lure comes back to the bottom."""


def lost_for(
    x: Floats, z: Floats, away: float, depth: float, deflection: Deflection
) -> float | None:
    """Return over how many metres a lure is off a level bottom that it hit; None: it does not come back.

    Args:
        x: the lure's free path, distance from the rod tip.
        z: the same, depth.
        away: distance from the rod tip at the hit.
        depth: of the lure then.
        deflection: how far it is thrown off.
    """
    swum = np.flatnonzero(np.diff(x) < -1e-6)
    slope = -np.diff(z)[swum] / np.diff(x)[swum]
    angle = z[swum] / np.maximum(x[swum], AT_BOAT_M)
    order = np.argsort(angle, kind="stable")
    # A lure that has touched swims already: the gentle start of a path is not gone
    # through again.
    dives = np.maximum.accumulate(slope[order][::-1])[::-1]
    at, deep = away, max(depth - THROWN_OFF_M[deflection], 0.0)
    while at > AT_BOAT_M:
        at -= STEP_M
        steep = np.interp(deep / max(at, AT_BOAT_M), angle[order], dives)
        deep += STEP_M * float(steep)
        if deep >= depth:
            return away - at
    return None
