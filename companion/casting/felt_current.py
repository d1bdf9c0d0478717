"""The current as the touches of a trip tell of it, with its doubt.

A boat that is held in a current has a lure that gets less deep against it than with it.
So touches over mapped bottom, in directions that differ, tell a current from a lure
that is not what it was taken for: of each lure some dozens are drawn from what was
believed when it first taught, and each is asked how likely everything it met is in
every current. What one current makes likelier than another, the lures all taken
together, is the current's own odds.

East and north, m/s, towards where the water moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.dive.calibration import Calibration, drawn_lures, likely_adrift
from companion.dive.evidence import Evidence
from companion.dive.likelihood import Drawn

Floats = NDArray[np.float64]

LURES_DRAWN = 96
"""Lures that stand for what a lure may be."""
CURRENT_SIGMA_MPS = 0.2
"""Standard deviation of a current nobody has told of, east and north. Common practice, no source."""
_ALONG_MPS = np.linspace(-0.4, 0.4, 5)
"""Currents along a cast that its evidence is tried in."""
_EAST, _NORTH = (
    axis.ravel() for axis in np.meshgrid(*[np.linspace(-0.4, 0.4, 13)] * 2)
)
LEAST_TOUCHES, LEAST_SPEED_MPS, LEAST_SURE = 6, 0.12, 2.5
"""A current is told of from so much evidence, this speed, and so many standard deviations on."""


class CurrentHint(NamedTuple):
    """A current: speed, m/s, the bearing it moves towards, and the standard deviation of its speed."""

    speed: float
    towards: float
    sigma: float


class CurrentOdds(NamedTuple):
    """The odds of the current along a cast by what it met.

    Attributes:
        drawn: the lures that it was asked of.
        likely: how likely what it met is with each of them and each of `_ALONG_MPS`.
    """

    drawn: Drawn
    likely: Floats


@dataclass
class FeltCurrent:
    """The current by the casts of a trip, those that taught something of their lure.

    Attributes:
        hint: the current, where it is plain enough to be told of.
    """

    _drawn: dict[str, Drawn] = field(default_factory=dict)
    _told: dict[int, tuple[str, Floats]] = field(default_factory=dict)
    hint: CurrentHint | None = None

    def odds_of(self, lure: str, known: Calibration, seen: Evidence) -> CurrentOdds:
        """Return what a cast of a lure tells, by what was known of it before, in any thread."""
        drawn = self._drawn.get(lure) or drawn_lures(known, LURES_DRAWN)
        likely = likely_adrift(known, seen, drawn, seen.drift - _ALONG_MPS)
        return CurrentOdds(drawn, likely)

    def add(self, number: int, lure: str, odds: CurrentOdds, bearing: float) -> None:
        """Take in what the cast of a lure in a direction has told, logged as `number`."""
        self._drawn.setdefault(lure, odds.drawn)
        angle = math.radians(bearing)
        along = _EAST * math.sin(angle) + _NORTH * math.cos(angle)
        self._told[number] = lure, _at(np.log(odds.likely), along)
        self.hint = self._plain()

    def remove(self, number: int) -> None:
        """Take that back."""
        self._told.pop(number, None)
        self.hint = self._plain()

    def _plain(self) -> CurrentHint | None:
        if len(self._told) < LEAST_TOUCHES:
            return None
        share = self._odds()
        east, north = float(share @ _EAST), float(share @ _NORTH)
        speed = math.hypot(east, north)
        if speed < LEAST_SPEED_MPS:
            return None
        along = (_EAST * east + _NORTH * north) / speed
        sigma = math.sqrt(float(share @ (along - speed) ** 2))
        if speed < LEAST_SURE * sigma:
            return None
        return CurrentHint(speed, math.degrees(math.atan2(east, north)) % 360.0, sigma)

    def _odds(self) -> Floats:
        """Return the probability of every current."""
        log = -0.5 * (_EAST**2 + _NORTH**2) / CURRENT_SIGMA_MPS**2
        for name in self._drawn:
            its = [told for lure, told in self._told.values() if lure == name]
            if its:
                whole = np.sum(its, axis=0)
                most = whole.max()
                log = log + np.log(np.exp(whole - most).mean(axis=0) + 1e-300)
        share = np.exp(log - log.max())
        return np.asarray(share / share.sum())


def _at(log: Floats, along: Floats) -> Floats:
    """Return values by draw and current along the cast at other currents, (draws, currents)."""
    step = (along - _ALONG_MPS[0]) / (_ALONG_MPS[1] - _ALONG_MPS[0])
    left = np.clip(np.floor(step).astype(int), 0, len(_ALONG_MPS) - 2)
    share = np.clip(step - left, 0.0, 1.0)
    return np.asarray(log[:, left] * (1.0 - share) + log[:, left + 1] * share)
