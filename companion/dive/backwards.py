"""The dive solved backwards: the lift ratio that makes a lure reach a stated depth, and its shape.

One stated depth leaves the shape open. A second one on another cast tells how much the
lure is dragged beside its line, and the distance after which it is down tells how soon
its lip takes hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from companion.dive.kept import kept
from companion.dive.limits import DiveError
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.solver import solve, solve_many

Floats = NDArray[np.float64]

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
DRAG_SIGMA, ONSET_SIGMA = 0.35, 0.5
"""Relative standard deviations of drag area and onset distance guessed. Common practice, no source."""
SHAPE_TRIALS, SHAPE_STEP = 6, 0.1
"""How often a shape is tried, and the step, ln, that its slopes are taken over."""
SHAPE_TOLERANCE_M, SHAPE_MISS_M = 0.01, 0.05
"""How near a second statement is come to, and how far off it does not fit."""


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


def shaped_lure(
    reach: float,
    line: Line,
    lure: Lure,
    retrieve: Retrieve,
    also: tuple[float, Line, Retrieve] | None = None,
    down_after: float | None = None,
) -> Lure:
    """Return the lure that reaches a depth, m, and has the shape that further statements ask for.

    One more statement leaves drag area and onset distance open between them: the
    likeliest two are taken (`DRAG_SIGMA`, `ONSET_SIGMA` about those of `lure`). Two
    fix both. The buoyancy follows, for the lure rises as fast as before.

    Args:
        reach: m.
        line: the line that is for.
        lure: all about the lure but its lift ratio, as far as it is known.
        retrieve: the retrieve that is for.
        also: a second depth, m, with its line and retrieve.
        down_after: distance from the landing, m, after which it is down on the first
            retrieve.

    Raises:
        DiveError: no lure of about this kind does; the message says what the statement
            can be.
    """
    if also is None and down_after is None:
        return lure_for_reach(reach, line, lure, retrieve)
    guess = replace(lure, lift_ratio=0.0, onset=max(lure.onset, ONSETS_M[0]))

    def shaped(logs: Floats) -> Lure:
        return lure_for_reach(reach, line, _with_shape(guess, logs), retrieve)

    def tells(logs: Floats) -> Floats:
        its = shaped(logs)
        second = None if also is None else solve(also[1], its, also[2]).reach
        way = None if down_after is None else _down_after(line, its, retrieve)
        return np.array([told for told in (second, way) if told is not None])

    wanted = [None if also is None else also[0], down_after]
    inputs = "shape", reach, line, guess, retrieve, also, down_after
    found = kept(
        "shape",
        inputs,
        lambda: {
            "logs": _likeliest(
                tells, np.array([one for one in wanted if one is not None]), guess
            )
        },
    )
    return shaped(found["logs"])


def _with_shape(lure: Lure, logs: Floats) -> Lure:
    """Return a lure with its drag area and onset distance so much greater, ln."""
    drag, onset = (float(times) for times in np.exp(logs))
    return replace(
        lure,
        drag_area=drag * lure.drag_area,
        buoyancy=drag * lure.buoyancy,
        onset=onset * lure.onset,
    )


def _down_after(line: Line, lure: Lure, retrieve: Retrieve) -> float:
    """Return the distance from the landing, m, after which a lure is down."""
    path = solve(line, lure, retrieve)
    rising = slice(0, int(path.z.argmax()) + 1)
    down = np.interp(DOWN_SHARE * path.reach, path.z[rising], path.x[rising])
    return float(path.x[0] - down)


def _likeliest(
    tells: Callable[[Floats], Floats], wanted: Floats, guess: Lure
) -> Floats:
    """Return ln of drag area and onset distance over those guessed that tell what is wanted, m, likeliest.

    Gauss and Newton: at each trial the statements are taken for linear in both.

    Raises:
        DiveError: none do.
    """
    least, most = np.log(np.array([DRAG_TIMES, np.array(ONSETS_M) / guess.onset])).T
    spread = np.diag([DRAG_SIGMA**2, ONSET_SIGMA**2])
    logs = np.zeros(2)
    for _ in range(SHAPE_TRIALS):
        told = tells(logs)
        # A difference towards the middle of the range stays within it.
        steps = np.where(logs > 0.5 * (least + most), -SHAPE_STEP, SHAPE_STEP)
        slopes = np.stack(
            [(tells(logs + step) - told) / step.sum() for step in np.diag(steps)],
            axis=1,
        )
        if np.abs(told - wanted).max() < SHAPE_TOLERANCE_M:
            break
        towards = spread @ slopes.T @ np.linalg.pinv(slopes @ spread @ slopes.T, 1e-6)
        logs = np.clip(towards @ (wanted - told + slopes @ logs), least, most)
    else:
        told = tells(logs)
    if np.abs(told - wanted).max() > SHAPE_MISS_M:
        raise DiveError(_misfit(tells, wanted, told, (least, most)))
    return logs


def _misfit(
    tells: Callable[[Floats], Floats],
    wanted: Floats,
    told: Floats,
    range_: tuple[Floats, Floats],
) -> str:
    """Return the words for a statement that no lure fits, with what it could be."""
    worst = int(np.abs(told - wanted).argmax())
    corners = np.array(np.meshgrid(*zip(*range_, strict=True))).reshape(2, -1).T
    ends = [float(tells(corner)[worst]) for corner in corners]
    return (
        f"a second statement of {wanted[worst]:.2f} m does not fit the first statement; for this lure "
        f"it can be {min(ends):.2f} to {max(ends):.2f} m"
    )
