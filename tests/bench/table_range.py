"""The fast table against the full solver over all that settings let through.

Rods are drawn over the whole range of every key of the config, most on a logarithmic
scale, and kept when the config would be. Of each, casts are drawn from what is believed
beforehand, of a sixth of the usual length to 1.7 times it. Right is what is within 1 %
of the reach, or 5 cm where that is more: the reach itself, and depth and distance at
every instant until the lure is within 2 m of the boat.

`python tests/bench/table_range.py 400` prints the shares, and the worst rods.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path as File
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(File(__file__).parents[2]))

from companion.dive import DEFAULT_DETAIL, DiveError, Line, Lure, Retrieve, solve
from companion.dive.calibration import Calibration
from companion.dive.path import Path
from companion.dive.solver import solve_together
from companion.dive.table import (
    LONGEST_CAST_SHARE,
    PATH_SHARES,
    SHORTEST_CAST_SHARE,
    at_boat,
    dragged,
    lifted,
)
from companion.tackle import (
    Leader,
    LineSpec,
    LureSpec,
    Rating,
    Reel,
    Rod,
    RodSpec,
    rig,
    rig_name,
)
from companion.tackle.lures import ONSET_M
from companion.tackle.reach import stated

CASTS_PER_ROD, BESIDE_BOAT_M = 4, 2.0


class Missed(NamedTuple):
    """How far a rod's table is off, in what is allowed, and what rod it is.

    `off` has reach, depth and distance of each cast, (casts, 3).
    """

    off: np.ndarray
    negative: int
    rod: str


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a number drawn on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def drawn_line(rng: np.random.Generator) -> LineSpec:
    """Return a line of any material and of a diameter that a line may have."""
    material = str(rng.choice(["nylon", "fluorocarbon", "braid"]))
    return LineSpec(material, diameter=between(rng, 0.08e-3, 1.0e-3))  # type: ignore[arg-type]


def drawn_rod(rng: np.random.Generator) -> Rod:
    """Return a rod that settings let through.

    Raises:
        ValueError: they would not.
    """
    rated_cast, cast = between(rng, 5.0, 150.0), between(rng, 5.0, 150.0)
    lure = LureSpec(
        "drawn",
        between(rng, 0.02, 0.4),
        Rating(rated_cast * between(rng, 0.01, 0.4), drawn_line(rng), rated_cast),
        style=str(rng.choice(list(ONSET_M))),  # type: ignore[arg-type]
        rise=float(rng.choice([-1.0, 0.0, 1.0])) * between(rng, 0.01, 0.5),
    )
    leader = Leader(drawn_line(rng), between(rng, 0.1, 20.0))
    reel = Reel(0.7, between(rng, 0.2, 3.5) / 0.7)
    spec = RodSpec(
        1,
        "drawn",
        drawn_line(rng),
        reel,
        cast,
        leader=leader if rng.random() < 0.5 else None,
    )
    return Rod(spec, lure, float(rng.uniform(-2.0, 5.0)), float(rng.uniform(0.0, 40.0)))


def rods(rng: np.random.Generator) -> Iterator[Rod]:
    """Yield rods that settings let through, and whose lure there is."""
    while True:
        try:
            rod = drawn_rod(rng)
            rod.dive_lure()
        except ValueError:
            continue
        yield rod


def missed(seed: int) -> Missed:
    """Return how far the table of one drawn rod is off."""
    rng = np.random.default_rng(seed)
    rod = next(rods(rng))
    known, its = stated(rod.lure), rig(rod)
    try:
        grid = Calibration(known, [its])._grids[rig_name(rod)]
    except DiveError as error:
        return Missed(
            np.full((CASTS_PER_ROD, 3), np.inf),
            0,
            f"{error}: {described(rod, np.zeros(1))}",
        )
    drags = np.clip(rng.normal(0.0, known.drag_sigma, CASTS_PER_ROD), -1.1, 1.1)
    lifts = np.interp(drags, grid.drag_log.ravel(), grid.lift_log[7].ravel())
    lifts += np.clip(rng.normal(0.0, 0.12, CASTS_PER_ROD), -0.36, 0.36)
    lifts = np.clip(lifts, grid.lift_log.min(), grid.lift_log.max())
    usual = its.retrieve
    shortest = max(
        SHORTEST_CAST_SHARE, 3.0 * usual.tip_height / usual.cast, 2.5 / usual.cast
    )
    longest = min(LONGEST_CAST_SHARE, 255.0 / usual.cast)
    casts = rng.uniform(np.log(shortest), np.log(longest), CASTS_PER_ROD)
    curves = grid.table.curves(lifts, drags, casts)
    off = []
    for k, (deep, away) in enumerate(zip(*curves.paths(), strict=True)):
        cast = replace(usual, cast=usual.cast * float(np.exp(casts[k])))
        line, lure = dragged(its.line, drags[k]), lifted(known.lure, lifts[k])
        full = followed(line, lure, cast)
        t, way = PATH_SHARES * curves.duration[k], full.x >= BESIDE_BOAT_M
        depth, distance = (np.interp(full.t, t, values) for values in (deep, away))
        each = (
            abs(float(curves.reach[k]) - full.reach),
            float(np.abs(depth - full.z)[way].max()),
            float(np.abs(distance - full.x)[way].max()),
        )
        off.append(np.array(each) / max(0.01 * full.reach, 0.05))
    negative = int((curves.reach < 0.0).sum())
    return Missed(np.array(off), negative, described(rod, lifts))


def followed(line: Line, lure: Lure, cast: Retrieve) -> Path:
    """Return a path solved finely, followed as near to the boat as those of a table are."""
    end = float(at_boat(np.array(cast.cast), cast.tip_height))
    detail = DEFAULT_DETAIL.finer()
    try:
        return solve_together([(line, lure)], [cast], detail, ends=[end])[0]
    except DiveError:  # at the boat a light lure may have no steady balance
        return solve(line, lure, cast, detail=detail)


def described(rod: Rod, lifts: np.ndarray) -> str:
    """Return a rod in a line."""
    lure, lift = rod.lure, np.exp(lifts)
    rated = lure.rated
    return (
        f"{rod.line.thickness * 1e3:.2f} mm {rod.line.material}, cast {rod.cast:.0f} m, "
        f"{rod.speed:.2f} m/s, tip {rod.tip_height:.1f} m, lure {lure.length * 1e2:.1f} cm, "
        f"rise {lure.rises:.2f} m/s, {lure.style}, rated {rated.depth:.1f} of {rated.cast:.0f} m "
        f"on {rated.line.thickness * 1e3:.2f} mm, lift {lift.min():.2f} to {lift.max():.2f}"
    )


def main(count: int, processes: int) -> None:
    """Print the shares, and the worst rods."""
    with ProcessPoolExecutor(processes) as pool:
        found = list(pool.map(missed, range(1000, 1000 + count)))
    off = np.concatenate([one.off for one in found])
    right = " / ".join(f"{100 * share:.1f}" for share in (off <= 1.0).mean(axis=0))
    print(
        f"{count} rods, {CASTS_PER_ROD} casts each: reach / depth / distance right in {right} %; "
        f"{sum(one.negative for one in found)} reaches negative"
    )
    for one in sorted(found, key=lambda one: -one.off[:, 0].max())[
        : max(count // 20, 5)
    ]:
        worst = " / ".join(f"{times:.1f}" for times in one.off.max(axis=0))
        print(f"{worst} times what is allowed: {one.rod}")


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 400,
        int(sys.argv[2]) if len(sys.argv) > 2 else 2,
    )
