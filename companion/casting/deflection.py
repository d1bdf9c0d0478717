"""A lure that is thrown off what it hits: how far it swims before it is back on the bottom.

After a hit the lure is some way above the bottom and dives on as its free path does
where that is seen from the rod tip at the same angle, as in `companion.casting.swim`.
Lengths in m, depths below the surface.
"""

from __future__ import annotations

from types import MappingProxyType

import numpy as np

from companion import dive
from companion.tackle import Deflection

THROWN_OFF_M = MappingProxyType({"small": 0.15, "wide": 0.6})
"""How far above what it hit a lure comes away. Common practice, no source."""
STEP_M = 0.25
AT_BOAT_M = 1.0
"""Nearer to the rod tip no lure comes back to the bottom."""


def lost_for(
    path: dive.Path, away: float, depth: float, deflection: Deflection
) -> float | None:
    """Return over how many metres a lure is off a level bottom that it hit; None: it does not come back.

    Args:
        path: the lure's free path.
        away: distance from the rod tip at the hit.
        depth: of the lure then.
        deflection: how far it is thrown off.
    """
    swum = np.flatnonzero(np.diff(path.x) < -1e-6)
    slope = -np.diff(path.z)[swum] / np.diff(path.x)[swum]
    angle = path.z[swum] / np.maximum(path.x[swum], AT_BOAT_M)
    order = np.argsort(angle, kind="stable")
    # A lure that has touched swims already: the gentle start of a path is not gone
    # through again.
    dives = np.maximum.accumulate(slope[order][::-1])[::-1]
    x, z = away, max(depth - THROWN_OFF_M[deflection], 0.0)
    while x > AT_BOAT_M:
        x -= STEP_M
        z += STEP_M * float(np.interp(z / max(x, AT_BOAT_M), angle[order], dives))
        if z >= depth:
            return away - x
    return None
