"""The dive solved backwards: the lift ratio that makes a lure reach a stated depth, and its shape.

One stated depth leaves the shape open. A second one on another cast tells how much the
lure is dragged beside its line, and the distance after which it is down tells how soon
its lip takes hold.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.dive.kept import kept
from companion.dive.limits import DiveError
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.solver import solve, solve_many
from companion.units import FOOT, YARD

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


class _Statement(NamedTuple):
    """A kind of statement of a lure, and the unit, m, that it is told in beside metres."""

    name: str
    unit: float
    unit_name: str

    def words(self, *lengths: float) -> str:
        """Return a length, m, or the range from one to another, in words."""
        in_unit = " to ".join(f"{length / self.unit:.3g}" for length in lengths)
        in_metres = " to ".join(f"{length:.3g}" for length in lengths)
        return f"{in_unit} {self.unit_name} ({in_metres} m)"


_DEPTH = _Statement("a second depth", FOOT, "ft")
_DOWN_AFTER = _Statement("a distance after which it is down", YARD, "yd")


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
        range_ = _DEPTH.words(float(reaches[0]), float(reaches[-1]))
        raise DiveError(
            f"a reach of {_DEPTH.words(reach)} is out of this lure's range on this line and cast: {range_}"
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

    stated = (_DEPTH, None if also is None else also[0]), (_DOWN_AFTER, down_after)
    wanted = [(kind, told) for kind, told in stated if told is not None]
    inputs = "shape", reach, line, guess, retrieve, also, down_after
    found = kept(
        "shape",
        inputs,
        lambda: {"logs": _likeliest(tells, wanted, guess)},
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
    tells: Callable[[Floats], Floats],
    stated: Sequence[tuple[_Statement, float]],
    guess: Lure,
) -> Floats:
    """Return ln of drag area and onset distance over those guessed that tell what is stated, m, likeliest.

    Gauss and Newton: at each trial the statements are taken for linear in both.

    Raises:
        DiveError: none do.
    """
    least, most = np.log(np.array([DRAG_TIMES, np.array(ONSETS_M) / guess.onset])).T
    spread = np.diag([DRAG_SIGMA**2, ONSET_SIGMA**2])
    wanted = np.array([told for _, told in stated])
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
    worst = int(np.abs(told - wanted).argmax())
    if abs(told[worst] - wanted[worst]) > SHAPE_MISS_M:
        corners = np.array(np.meshgrid([least[0], most[0]], [least[1], most[1]]))
        could_be = [float(tells(logs)[worst]) for logs in corners.reshape(2, -1).T]
        raise DiveError(_misfit(*stated[worst], could_be))
    return logs


def _misfit(kind: _Statement, stated: float, could_be: Sequence[float]) -> str:
    """Return the words for a statement, m, that no lure fits, with what it could be."""
    range_ = kind.words(min(could_be), max(could_be))
    return (
        f"{kind.name} of {kind.words(stated)} does not fit the first statement; "
        f"for this lure it can be {range_}"
    )
