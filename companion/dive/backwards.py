"""The dive solved backwards: the lift ratio that makes a lure reach a stated depth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from companion.dive.kept import kept
from companion.dive.limits import DiveError
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.solver import solve, solve_many

MOST_LIFT = 4.0
"""Greatest lift ratio looked for."""
REACH_TOLERANCE = 2e-4
"""How near to the stated reach, as a share of it, a lift ratio must come."""


def lift_ratio_for(reach: float, line: Line, lure: Lure, retrieve: Retrieve) -> float:
    """Return the lift ratio with which a lure reaches a stated depth, m, on a stated line and retrieve.

    `lure` says all about the lure but its lift ratio. The retrieve has one constant speed, the boat rests.

    Raises:
        DiveError: no lift ratio from 0 to 4 gives that depth; the message says what they give.
    """
    inputs = reach, line, replace(lure, lift_ratio=0.0), retrieve
    return float(kept("lift", inputs, lambda: {"ratio": np.array(_solved(*inputs))})["ratio"])


def _solved(reach: float, line: Line, lure: Lure, retrieve: Retrieve) -> float:
    lifts = np.linspace(0.0, 1.0, 17) ** 2 * MOST_LIFT
    rigs = [(line, replace(lure, lift_ratio=float(lift))) for lift in lifts]
    # Flattened where a hard-pulling lure comes so near that more lift gains nothing.
    reaches = np.maximum.accumulate([path.reach for path in solve_many(rigs, [retrieve] * len(rigs))])
    if not reaches[0] <= reach <= reaches[-1]:
        raise DiveError(
            f"a reach of {reach:.2f} m is out of this lure's range on this line and cast: "
            f"{reaches[0]:.2f} to {reaches[-1]:.2f} m; check the stated depth, the line and the cast"
        )
    rising = np.flatnonzero(np.diff(reaches, prepend=-1.0) > 1e-6)
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415  (26 MB that listening alone does not need)

    lift_at = PchipInterpolator(reaches[rising], lifts[rising], extrapolate=True)
    lift, off = float(lift_at(reach)), 0.0
    for _ in range(8):
        off = reach - solve(line, replace(lure, lift_ratio=lift), retrieve).reach
        if abs(off) <= REACH_TOLERANCE * max(reach, 0.5):
            break
        lift = min(max(lift + off * float(lift_at(reach, 1)), 0.0), MOST_LIFT)
    return lift


def lure_for_reach(reach: float, line: Line, lure: Lure, retrieve: Retrieve) -> Lure:
    """Return the lure with the lift ratio that `lift_ratio_for` finds.

    Raises:
        DiveError: as there.
    """
    return replace(lure, lift_ratio=lift_ratio_for(reach, line, lure, retrieve))
