"""How soon a lure takes hold, by touches: is the way down told better by them, and no reach worse?

Anglers, casts and errors as in `tests/acceptance/test_simulated_anglers.py`, and each
lure's onset is off from what its style says (one sigma: a half). They fish bottoms of
so many shares of the stated depth, and a calibration learns all of it: once with the
onset as described, once as the touches tell it (`companion.dive.onset`).

`python tests/bench/onset.py 40` prints a table: how far off the reach is (median), how
many bands hold, and how far off depth is on the way down (root mean square, beside the
reach found and the true one), at shares of the cast from the rod tip.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from companion.dive.backwards import ONSET_SIGMA
from companion.dive.calibration import Calibration
from companion.dive.evidence import (
    CASTS_ALIKE_SIGMA,
    DEPTH_OFFSET_SIGMA_M,
    REEL_SPEED_SIGMA,
    CalibratedRig,
    Evidence,
    NoTouch,
    Stated,
    Touch,
)
from companion.dive.onset import as_touched
from companion.dive.path import Path as Way
from tests.acceptance import test_simulated_anglers as sim

BOTTOMS = (0.15, 0.6), (0.55, 1.15)
SHARES = np.array([0.92, 0.85, 0.7, 0.5])
RIG = CalibratedRig("fished", sim.THIN, sim.USUAL, sim.CAST_SIGMA)


class Truth(NamedTuple):
    """An angler, with the usual cast, m, and the way of the lure on it."""

    angler: sim.Angler
    cast: float
    way: Way


def truths(rng: np.random.Generator, count: int) -> list[Truth]:
    """Return anglers whose lures take hold sooner or later than described."""
    depths = sim.STATED_DEPTH * np.exp(rng.normal(0.0, sim.DEPTH_SIGMA, count))
    drags = rng.normal(0.0, sim.DRAG_SIGMA, count)
    lines = sim.dragged(sim.THIN, drags)
    onsets = sim.LURE.onset * np.exp(rng.normal(0.0, ONSET_SIGMA, count))
    lures = [
        replace(lure, onset=float(onset))
        for lure, onset in zip(
            sim.lifted(sim.lifts_for(depths, drags)), onsets, strict=True
        )
    ]
    further = rng.normal(0.0, [[sim.CAST_SIGMA], [CASTS_ALIKE_SIGMA]], (2, count))
    casts = sim.USUAL.cast * np.exp(further.sum(axis=0))
    about = [sim.solved(lines, lures, casts * np.exp(off)) for off in sim.CASTS]
    found = []
    for n in range(count):
        ways = [paths[n] for paths in about]
        deeper = float(rng.normal(0.0, DEPTH_OFFSET_SIGMA_M))
        faster = float(np.exp(rng.normal(0.0, REEL_SPEED_SIGMA)))
        angler = sim.Angler(ways[1].reach, 0.0, ways, deeper, faster)
        found.append(Truth(angler, float(casts[n]), ways[1]))
    return found


def fished(
    angler: sim.Angler, bottoms: tuple[float, float], rng: np.random.Generator
) -> list[Evidence]:
    """Return what eight touches told of, and the casts between them, have met over such bottoms."""
    found: list[Evidence] = []
    touches = 0
    while touches < sim.TOUCHES and len(found) < sim.MOST_CASTS:
        times, depths = sim.one_cast(angler, rng)
        told = sim.STATED_DEPTH * rng.uniform(*bottoms)
        under = depths > told + angler.deeper + rng.normal(0.0, 0.3)
        soundings = ((0.0, float(told)),)
        if not under.any() or rng.random() < 0.1:
            found.append(NoTouch(RIG.name, soundings))
            continue
        pace = angler.faster * np.exp(rng.normal(0.0, 0.1))
        after = times[int(np.argmax(under))] / pace + rng.exponential(1.0)
        found.append(Touch(RIG.name, soundings, float(after)))
        touches += 1
    return found


@lru_cache(maxsize=16)
def calibration(stated: Stated) -> Calibration:
    """Return one of the rig with so much known of the lure; its grid is what takes long."""
    return Calibration(stated, [RIG])


def off(stated: Stated, seen: list[Evidence], truth: Truth) -> list[float]:
    """Return how far the reach is off, whether its band holds, and how far the way down is off."""
    known = calibration(stated)
    known.forget()
    for one in seen:
        known.learn(one)
    reach = known.reach(RIG.name)
    _, away, deep = known.path(RIG.name, reach.best)
    told = np.interp(-SHARES * away[0], -away, deep) / reach.best
    way = truth.way
    true = np.interp(-SHARES * truth.cast, -way.x, way.z) / way.reach
    held = reach.low <= way.reach <= reach.high
    return [abs(reach.best / way.reach - 1.0), float(held), *(told - true)]


def main(count: int) -> None:
    """Print the table."""
    print(f"{count} anglers, {sim.TOUCHES} touches; way down at {SHARES} of the cast")
    for bottoms in BOTTOMS:
        rng = np.random.default_rng(5)
        rows: list[tuple[list[float], list[float]]] = []
        for truth in truths(rng, count):
            seen = fished(truth.angler, bottoms, rng)
            touched = as_touched(sim.stated(), [RIG], seen)
            rows.append(
                (off(sim.stated(), seen, truth), off(touched, seen, truth)),
            )
        for name, each in zip(
            ("as described", "as touched"), np.array(rows).swapaxes(0, 1), strict=True
        ):
            reach, held = np.median(each[:, 0]), each[:, 1].mean()
            way = np.round(100.0 * np.sqrt((each[:, 2:] ** 2).mean(axis=0)), 1)
            print(
                f"bottoms of {bottoms}, onset {name:13}: reach off {100 * reach:.1f} %, "
                f"bands hold {100 * held:.0f} %, way down off {way} %"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
