"""What a calibration is told and what it tells: priors of lures and rigs, touches, and beliefs. Plain data.

Lengths are m, times s, speeds m/s; standard deviations are of one error each.
"""

from __future__ import annotations

import math
from typing import Final

import msgspec

from companion.dive.rig import Line, Lure, Retrieve

BOTTOM_SIGMA: Final = 0.3
"""Standard deviation of a bottom depth from the sounder where the lure was, m."""
CAST_SCATTER: Final = 0.05
"""Relative standard deviation of one cast from the rod's usual cast. Common practice, no source."""
SPEED_SCATTER: Final = 0.10
"""Relative standard deviation of one retrieve's speed from the reel's usual one. Common practice."""
CALL_DELAY: Final = 1.0
"""Time from the touch to the angler's word for it, s, with a standard deviation as large."""
SAID_LENGTH_SCATTER: Final = 0.10
"""Relative standard deviation of a cast's length as somebody says it. Common practice, no source."""
FALSE_TOUCHES: Final = 0.05
"""Share of casts with a touch spoken of that was on something else, a stump, weed, a
fish, at any time of the retrieve. As about half of the casts near the bottom touch, one
touch in ten is false."""
MISSED_TOUCHES: Final = 0.10
"""Share of casts on which the lure touched and nothing was said."""

DEPTH_OFFSET_SIGMA_M: Final = 0.4
"""Standard deviation of what all depths told are off by, m: the transducer, the level, the speed of sound."""
CASTS_ALIKE_SIGMA: Final = 0.1
"""Relative standard deviation of what all casts of a boat are told too short by. Common practice."""
REEL_SPEED_SIGMA: Final = 0.15
"""Relative standard deviation of a rod's usual reel speed from what its owner states. Common practice."""


class Stated(msgspec.Struct, frozen=True):
    """The prior of a lure.

    Attributes:
        lure: the lure with the lift ratio that makes it go as deep as stated.
        line: the line the statement is for.
        retrieve: the cast and retrieve it is for.
        depth: as stated, m.
        depth_sigma: relative standard deviation of the statement.
        drag_sigma: relative standard deviation of line drag over lure drag.
    """

    lure: Lure
    line: Line
    retrieve: Retrieve
    depth: float
    depth_sigma: float = 0.12
    drag_sigma: float = 0.38


class CalibratedRig(msgspec.Struct, frozen=True):
    """A rod with a line on it.

    Attributes:
        name: the rod's and the line's name; each rig of a lure has its own.
        line: as assumed.
        retrieve: the usual cast and retrieve, as assumed; speed steady.
        cast_sigma: relative standard deviation of the true usual cast, beside what all
            casts of the boat are told too short by.
        casts_alike: whether it goes further where all casts do; not where it is as
            long as somebody chose.
        thickness_sigma: relative standard deviation of the line's true thickness.
    """

    name: str
    line: Line
    retrieve: Retrieve
    cast_sigma: float = 0.12
    thickness_sigma: float = 0.02
    casts_alike: bool = True

    @property
    def whole_cast_sigma(self) -> float:
        """Relative standard deviation of the true usual cast, all told."""
        return math.hypot(self.cast_sigma, CASTS_ALIKE_SIGMA * self.casts_alike)


Soundings = tuple[tuple[float, float], ...]
"""The bottom along a cast: points (distance from the rod tip, depth below the surface),
m, by rising distance, straight between them and level beyond; a single point is a level
bottom."""


class Touch(msgspec.Struct, frozen=True, tag="touch"):
    """The lure touched the bottom.

    Attributes:
        rig: which rig was cast.
        bottom: the bottom along the cast.
        after: s from the start of the retrieve to the word for the first touch, or
            None.
        sigma: standard deviation of the bottom's depth, m.
        beside: the bottom along other ways the cast may have gone, for its direction is
            not sure, each with how likely that is; the rest goes to `bottom`.
        drift: speed of the boat towards where the lure landed, m/s; negative away from
            it.
        alike: along how much of the way the bottom's error is one and the same, m;
            None: all of it.
        length: of the cast as it was said, m; None: it was a usual one.
    """

    rig: str
    bottom: Soundings
    after: float | None = None
    sigma: float = BOTTOM_SIGMA
    beside: tuple[tuple[float, Soundings], ...] = ()
    drift: float = 0.0
    alike: float | None = None
    length: float | None = None


class NoTouch(msgspec.Struct, frozen=True, tag="no touch"):
    """The lure came back without a touch; fields as for `Touch`."""

    rig: str
    bottom: Soundings
    sigma: float = BOTTOM_SIGMA
    beside: tuple[tuple[float, Soundings], ...] = ()
    drift: float = 0.0
    alike: float | None = None
    length: float | None = None


Evidence = Touch | NoTouch
"""What can be learned from."""


class Estimate(msgspec.Struct, frozen=True):
    """A value with its band: the median, and the values it is above with 95 % and below with 95 %."""

    best: float
    low: float
    high: float


class RigBelief(msgspec.Struct, frozen=True):
    """The posterior of a rig: its reach and its true cast, m, and its reach before any touch."""

    reach: Estimate
    cast: Estimate
    before: Estimate
    touches: int
    without_touch: int


class Belief(msgspec.Struct, frozen=True):
    """All that was learned about a lure; plain data that can be stored as JSON and taken up again.

    Attributes:
        stated: what was known beforehand.
        rigs: the rigs it was fished on.
        evidence: every touch and every cast without, in order.
        lift_ratio: of the lure.
        drag_factor: of its lines, on top of the assumed one.
        by_rig: what is believed of each rig, by name.
    """

    stated: Stated
    rigs: tuple[CalibratedRig, ...]
    evidence: tuple[Evidence, ...]
    lift_ratio: Estimate
    drag_factor: Estimate
    by_rig: dict[str, RigBelief]
