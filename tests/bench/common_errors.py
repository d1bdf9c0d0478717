"""What common errors do to what touches teach: are the bands honest, and how far off is the reach?

Every angler's lure, line drag and casts are drawn as in
`tests/acceptance/test_simulated_anglers.py`; on top of that something is wrong that
nobody has told: all depths, the reel's speed, all casts. The reach that counts is the
true one. Eight touches each, with the casts between them, on one rod; the other is
never fished.

`python tests/bench/common_errors.py 60` prints a row for each error.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from companion.dive.calibration import Calibration
from companion.dive.evidence import CalibratedRig, Estimate, NoTouch, Touch
from tests.acceptance import test_simulated_anglers as sim

MOST_CASTS = 40


@dataclass(frozen=True)
class CommonError:
    """What is wrong: m that the bottom is deeper than told, and how much faster and further than told."""

    name: str
    deeper: float = 0.0
    faster: float = 1.0
    further: float = 1.0


ERRORS = (
    CommonError("none"),
    CommonError("depth +0.5 m", deeper=0.5),
    CommonError("depth -0.5 m", deeper=-0.5),
    CommonError("reel 25 % faster", faster=1.25),
    CommonError("reel 20 % slower", faster=0.8),
    CommonError("casts 20 % longer", further=1.2),
)


def fish(
    angler: sim.Angler,
    error: CommonError,
    calibration: Calibration,
    rng: np.random.Generator,
) -> None:
    """Cast until eight touches are told of; depths and times are told as the error has them."""
    touches = casts = 0
    while touches < sim.TOUCHES and casts < MOST_CASTS:
        casts += 1
        times, depths = sim.one_cast(angler, rng)
        times = times / error.faster
        told = sim.STATED_DEPTH * rng.uniform(0.55, 1.15)
        bottom = told + error.deeper + rng.normal(0.0, 0.3)
        touched, false = depths.max() > bottom, rng.random() < sim.FALSE_A_CAST
        if (touched and rng.random() > 0.1) or false:
            pace = np.exp(rng.normal(0.0, 0.1))
            when = (
                rng.uniform(0.0, times[-1])
                if false
                else times[np.argmax(depths > bottom)] / pace
            )
            late = 0.0 if false else rng.exponential(1.0)
            calibration.learn(Touch("fished", ((0.0, told),), float(when + late)))
            touches += 1
        else:
            calibration.learn(NoTouch("fished", ((0.0, told),)))


class Angled(NamedTuple):
    """Whether an angler's bands hold, and how far reach is off: fished, never fished, and as told."""

    held: bool
    off: float
    held_unfished: bool
    off_unfished: float
    held_told: bool
    off_told: float


def rows(error: CommonError, anglers: int, seed: int) -> list[Angled]:
    """Return what became of each angler."""
    rng = np.random.default_rng(seed)
    rigs = [
        CalibratedRig("fished", sim.THIN, sim.USUAL, sim.CAST_SIGMA),
        CalibratedRig("never fished", sim.THICK, sim.USUAL, sim.CAST_SIGMA),
    ]
    calibration = Calibration(sim.stated(), rigs)
    found = []
    for angler in sim.anglers(rng, anglers, further=error.further):
        calibration.forget()
        fish(angler, error, calibration, rng)
        found.append(
            Angled(
                *_against(calibration.reach("fished"), angler.reach),
                *_against(calibration.reach("never fished"), angler.unfished),
                *_against(
                    calibration.reach_as_told("fished"), angler.reach - error.deeper
                ),
            )
        )
    return found


def _against(reach: Estimate, truth: float) -> tuple[bool, float]:
    """Return whether the band holds the truth, and by how much the reach is off."""
    return reach.low <= truth <= reach.high, abs(reach.best / truth - 1.0)


def row(error: CommonError, anglers: int) -> dict[str, float]:
    """Return shares of bands that hold, and median errors of reach, on both rods and as depths are told."""
    found = np.array(rows(error, anglers, 24), dtype=float)
    shares, middles = found[:, ::2].mean(axis=0), np.median(found[:, 1::2], axis=0)
    names = ("", ", never fished", " as told")
    return {
        f"held{name}": float(share) for name, share in zip(names, shares, strict=True)
    } | {f"off{name}": float(off) for name, off in zip(names, middles, strict=True)}


def main(anglers: int) -> None:
    """Print the table."""
    print(
        f"{anglers} anglers an error; shares of 90 % bands that hold, median errors of reach"
    )
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(row, ERRORS, [anglers] * len(ERRORS)))
    for error, figures in zip(ERRORS, rows, strict=True):
        shares = "  ".join(
            f"{name} {100 * value:.0f} %" for name, value in figures.items()
        )
        print(f"{error.name:20}{shares}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
