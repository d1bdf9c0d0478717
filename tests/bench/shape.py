"""Lures with two statements: is the shape of their dive found?

Each true lure has its own drag area, lift, onset and way to rise. Its owner knows its
length and style, and states what is true: a depth on a long cast, and a second one on a
short cast or the distance after which it is down.

`python tests/bench/shape.py 200` prints how far off the depth half way is, on the long
cast and a short one. With `touches` behind it, and one statement alone, it prints the
same before and after eight touches: on the long cast, over level bottoms from half of
the reach to nine tenths of it, so that they come at different distances; told without
error, the bottom sounded to 0.3 m.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from companion.dive import (
    DiveError,
    Line,
    Lure,
    Retrieve,
    lure_for_reach,
    shaped_lure,
    solve,
)
from companion.dive.backwards import _down_after
from companion.dive.calibration import Calibration
from companion.dive.evidence import CALL_DELAY, CalibratedRig, Stated, Touch

LINE = Line(0.285e-3, 1775.0)
LONG, SHORT = (Retrieve(cast, 1.0, 0.5, temperature=18.0) for cast in (41.0, 18.3))
GUESS = 1.47e-3
TOUCHES = 8
RIG = CalibratedRig("rod", LINE, LONG)
STATEMENTS = "one", "a second depth", "down after", "all three"


def true_lure(rng: np.random.Generator) -> Lure:
    """Return a lure as it truly is; its drag area is off the guess by a third, its onset by half."""
    area = GUESS * float(np.exp(0.35 * rng.standard_normal()))
    rise = float(rng.choice([0.0, 0.08, 0.25]))
    onset = 3.0 * float(np.exp(0.5 * rng.standard_normal()))
    return Lure(area, float(rng.uniform(0.45, 1.0)), onset, 500.0 * area * rise * rise)


def half_way(lure: Lure, retrieve: Retrieve, line: Line = LINE) -> float:
    """Return the depth half way back, m."""
    path = solve(line, lure, retrieve)
    return float(np.interp(-0.5 * retrieve.cast, -path.x, path.z))


def described(true: Lure) -> list[Lure]:
    """Return the lure as found from each of `STATEMENTS`."""
    long, short = (solve(LINE, true, retrieve) for retrieve in (LONG, SHORT))
    known = replace(
        true,
        drag_area=GUESS,
        buoyancy=true.buoyancy * GUESS / true.drag_area,
        onset=3.0,
    )
    after = _down_after(LINE, true, LONG)
    second = short.reach, LINE, SHORT
    return [
        lure_for_reach(long.reach, LINE, known, LONG),
        shaped_lure(long.reach, LINE, known, LONG, second),
        shaped_lure(long.reach, LINE, known, LONG, None, after),
        shaped_lure(long.reach, LINE, known, LONG, second, after),
    ]


def errors(count: int, seed: int) -> tuple[list[list[list[float]]], int]:
    """Return by how much the depth half way is off, by lure, statement and cast; and how many are refused."""
    rng, off, refused = np.random.default_rng(seed), [], 0
    for _ in range(count):
        true = true_lure(rng)
        try:
            found = described(true)
        except DiveError:
            refused += 1
            continue
        truth = [half_way(true, retrieve) for retrieve in (LONG, SHORT)]
        off.append(
            [
                [
                    half_way(one, r) / z - 1.0
                    for r, z in zip((LONG, SHORT), truth, strict=True)
                ]
                for one in found
            ]
        )
    return off, refused


def touch_at(true: Lure, share: float) -> Touch:
    """Return the first touch of a lure over a level bottom at a share of its reach."""
    path = solve(LINE, true, LONG)
    bottom = share * path.reach
    after = float(path.t[int(np.argmax(path.z >= bottom))])
    return Touch(RIG.name, ((0.0, bottom),), after + CALL_DELAY, alike=12.0)


def learned_errors(count: int, seed: int) -> np.ndarray:
    """Return by how much the depth half way is off, by lure, before and after the touches, and by cast."""
    rng, off = np.random.default_rng(seed), []
    while len(off) < count:
        true = true_lure(rng)
        try:
            stated, reach = described(true)[0], solve(LINE, true, LONG).reach
            known = Calibration(Stated(stated, LINE, LONG, reach), [RIG])
        except DiveError:
            continue
        found = [known.best(RIG.name)[:2]]
        for share in np.linspace(0.5, 0.9, TOUCHES):
            known.learn(touch_at(true, float(share)))
        found.append(known.best(RIG.name)[:2])
        truth = [half_way(true, retrieve) for retrieve in (LONG, SHORT)]
        casts = list(zip((LONG, SHORT), truth, strict=True))
        off.append(
            [
                [half_way(lure, r, line) / z - 1.0 for r, z in casts]
                for line, lure in found
            ]
        )
    return np.array(off)


def main(count: int) -> None:
    """Print the errors."""
    found, refused = errors(count, 4)
    print(f"{len(found)} lures, {refused} refused")
    told(np.array(found), STATEMENTS)


def told(off: np.ndarray, rows: Sequence[str]) -> None:
    """Print the errors of the depth half way, a line for each of the rows and casts."""
    print("error of the depth half way, %: median, 95 %, worst")
    for row, name in enumerate(rows):
        for column, cast in enumerate(("long cast", "short cast")):
            each = 100.0 * np.abs(off[:, row, column])
            print(
                f"{name:16}{cast:12}{np.median(each):6.1f}{np.quantile(each, 0.95):6.1f}{each.max():6.1f}"
            )


if __name__ == "__main__":
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    if "touches" in sys.argv:
        told(learned_errors(many, 4), ("one statement", f"{TOUCHES} touches"))
    else:
        main(many)
