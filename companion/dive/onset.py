"""How soon a lure pulls down with its full strength, as touches tell of it.

The style says that only roughly, and the upper part of the way down depends on it: over
a bottom well above its reach a lure that takes hold late touches later, and nearer to
the boat. Touches near its reach hardly tell of it. Beside all that a calibration weighs
up, three onset distances are given odds: those that a calibration with each gives to
all that was seen. The mean of their logarithms is taken, as one more thing that is
known of the lure; how sure it is changes no band of a reach (`docs/results.md`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import msgspec
import numpy as np

from companion.dive.backwards import ONSET_SIGMA
from companion.dive.calibration import Calibration
from companion.dive.evidence import CalibratedRig, Evidence, Stated, Touch
from companion.dive.kept import kept

SHALLOW_SHARE: Final = 0.7
"""A touch over a bottom above this share of the stated depth tells of the onset."""
LEAST_TELLING: Final = 4
"""How many of them are enough to be asked."""
_TRIED, _WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
"""Onsets that are tried, in standard deviations, and their odds beforehand."""
_STEP = 0.25
"""The onset is taken in such steps, in standard deviations: tables are made anew for each."""


def as_touched(
    stated: Stated, rigs: Sequence[CalibratedRig], evidence: Sequence[Evidence]
) -> Stated:
    """Return what is known of a lure, with the onset distance that touches tell of.

    It is what it was where too few touches over bottoms well above the stated depth
    came with their time.

    Args:
        stated: of the lure.
        rigs: with which something was seen, and others.
        evidence: all that was seen.
    """
    telling = [seen for seen in evidence if _tells(seen, stated.depth)]
    if len(telling) < LEAST_TELLING or stated.lure.onset <= 0.0:
        return stated
    fished = {seen.rig for seen in evidence}
    inputs = stated, [rig for rig in rigs if rig.name in fished], list(evidence)
    found = kept("onset", inputs, lambda: {"sigmas": np.array(_sigmas_off(*inputs))})
    return _with_onset(stated, float(found["sigmas"]))


def _tells(seen: Evidence, depth: float) -> bool:
    if not isinstance(seen, Touch) or seen.after is None:
        return False
    bottom = sum(below for _, below in seen.bottom) / len(seen.bottom)
    return bottom < SHALLOW_SHARE * depth


def _with_onset(stated: Stated, sigmas: float) -> Stated:
    onset = stated.lure.onset * math.exp(ONSET_SIGMA * sigmas)
    return msgspec.structs.replace(stated, lure=replace(stated.lure, onset=onset))


def _sigmas_off(
    stated: Stated, rigs: Sequence[CalibratedRig], evidence: Sequence[Evidence]
) -> float:
    """Return how many standard deviations the onset is likely off, in whole steps."""
    tried = [
        Calibration(_with_onset(stated, sigmas), rigs, evidence) for sigmas in _TRIED
    ]
    logs = np.array([known.posterior.log_evidence() for known in tried])
    odds = _WEIGHTS * np.exp(logs - logs.max())
    return _STEP * round(float(odds @ _TRIED / odds.sum()) / _STEP)
