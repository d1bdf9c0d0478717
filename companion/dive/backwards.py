"""The dive solved backwards: the lift ratio that makes a lure reach a stated depth, and its shape.

One stated depth leaves the shape open. A second one on another cast tells how much the
lure is dragged beside its line, and the distance after which it is down tells how soon
its lip takes hold.
"""

from __future__ import annotations

from collections.abc import Callable
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


DRAG_TIMES = (0.3, 3.0)
"""Range of the drag area that is looked for, in what the lure's length says."""
ONSETS_M = (0.05, 15.0)
"""Range of the onset distance that is looked for."""
DOWN_SHARE = 0.9
"""A lure is down where it is at so much of its reach."""
SHAPE_TOLERANCE = 0.01
"""How near drag area or onset distance are looked for, ln."""


def lift_ratio_for(reach: float, line: Line, lure: Lure, retrieve: Retrieve) -> float:
    """Return the lift ratio with which a lure reaches a stated depth, m, on a stated line and retrieve.

    `lure` says all about the lure but its lift ratio. The retrieve has one constant
    speed, the boat rests.

    Raises:
        DiveError: no lift ratio from 0 to 4 gives that depth; the message says what
            they give.
    """
    inputs = reach, line, replace(lure, lift_ratio=0.0), retrieve
    return float(
        kept("lift", inputs, lambda: {"ratio": np.array(_solved(*inputs))})["ratio"]
    )


def _solved(reach: float, line: Line, lure: Lure, retrieve: Retrieve) -> float:
    lifts = np.linspace(0.0, 1.0, 17) ** 2 * MOST_LIFT
    rigs = [(line, replace(lure, lift_ratio=float(lift))) for lift in lifts]
    # Flattened where a hard-pulling lure comes so near that more lift gains nothing.
    reaches = np.maximum.accumulate(
        [path.reach for path in solve_many(rigs, [retrieve] * len(rigs))]
    )
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


def lure_for_two_reaches(
    reach: float,
    line: Line,
    lure: Lure,
    retrieve: Retrieve,
    second: tuple[float, Line, Retrieve],
) -> Lure:
    """Return the lure that reaches two depths, the second as (m, line, retrieve), by its drag area.

    Its buoyancy follows, for it rises as fast as before.

    Raises:
        DiveError: no lure of about this size does; the message says what the second
            depth can be.
    """
    also, its_line, its_retrieve = second

    def dragged_more(times: float) -> Lure:
        more = replace(
            lure, drag_area=times * lure.drag_area, buoyancy=times * lure.buoyancy
        )
        return lure_for_reach(reach, line, more, retrieve)

    def depth(times: float) -> float:
        return solve(its_line, dragged_more(times), its_retrieve).reach

    inputs = (
        "two reaches",
        reach,
        line,
        replace(lure, lift_ratio=0.0),
        retrieve,
        second,
    )
    return dragged_more(_found(inputs, depth, also, DRAG_TIMES, "second depth"))


def lure_for_descent(
    reach: float, line: Line, lure: Lure, retrieve: Retrieve, after: float
) -> Lure:
    """Return the lure that is down `after` m from its landing: its onset distance is looked for.

    Raises:
        DiveError: none is; the message says after what distance it can be.
    """

    def with_onset(onset: float) -> Lure:
        return lure_for_reach(reach, line, replace(lure, onset=onset), retrieve)

    def way(onset: float) -> float:
        path = solve(line, with_onset(onset), retrieve)
        rising = slice(0, int(path.z.argmax()) + 1)
        return float(
            path.x[0]
            - np.interp(DOWN_SHARE * path.reach, path.z[rising], path.x[rising])
        )

    inputs = (
        "descent",
        reach,
        line,
        replace(lure, lift_ratio=0.0, onset=0.0),
        retrieve,
        after,
    )
    return with_onset(
        _found(inputs, way, after, ONSETS_M, "distance after which it is down")
    )


def _found(
    inputs: object,
    what: Callable[[float], float],
    wanted: float,
    range_: tuple[float, float],
    name: str,
) -> float:
    """Return where in a range a quantity, m, is as wanted."""

    def look() -> dict[str, np.ndarray]:
        ends = [what(end) for end in range_]
        if not min(ends) <= wanted <= max(ends):
            raise DiveError(
                f"a {name} of {wanted:.2f} m does not fit the first statement; for this lure it can be "
                f"{min(ends):.2f} to {max(ends):.2f} m"
            )
        from scipy.optimize import brentq  # noqa: PLC0415  (26 MB that listening alone does not need)

        low, high = (float(np.log(end)) for end in range_)
        found = brentq(
            lambda at: what(float(np.exp(at))) - wanted, low, high, xtol=SHAPE_TOLERANCE
        )
        return {"at": np.array(np.exp(found))}

    return float(kept("shape", inputs, look)["at"])
