"""A rod as it is rigged: lure, line, reel and usual cast, and the same in the dive model's terms."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Literal

import msgspec

from companion import dive
from companion.tackle.lines import DENSITY_KG_M3, LineSpec
from companion.tackle.lures import DRAG_AREA_SIGMA, TWICE_RATED_DRAG_SIGMA, LureSpec
from companion.tackle.quantities import Cast, Quantity, TipHeight
from companion.units import FOOT, INCH, YARD

CAST_SIGMA = 0.12
"""Relative standard deviation of the usual cast an owner states. Common practice, no source."""

LINE_DRAG_SIGMA = 0.15
"""Relative standard deviation of a line's drag: the spread of cylinder laws, roughness, strumming."""

SLOWEST_MPS, FASTEST_MPS = 0.05, 5.0
"""Range of a retrieve's speed."""

CAST_IN_TIP_HEIGHTS = 4.0
"""A usual cast is at least so many heights of the rod tip long: a shorter one is no retrieve."""

CAST_IN_LURE_LENGTHS = 2000.0
"""A usual cast is at most so many lengths of its lure. Common practice, no source."""

LEADER_RANGE = (0.1, 20.0)
"""Least and greatest length of a leader, m."""

SHARED_DRAG_SIGMA = math.hypot(LINE_DRAG_SIGMA, DRAG_AREA_SIGMA)
"""Relative standard deviation of line drag over lure drag; only the ratio of the two shapes a path."""

TWICE_RATED_SIGMA = math.hypot(LINE_DRAG_SIGMA, TWICE_RATED_DRAG_SIGMA)
"""The same of a lure with two stated depths."""


class Reel(msgspec.Struct, frozen=True):
    """A reel: line taken by one turn of the handle, m, and how fast it is usually turned, 1/s."""

    per_turn: Annotated[float, Quantity("length", 0.1, 2.0)]
    turns: Annotated[float, Quantity("rate", 0.1, 5.0)] = 1.2

    def __post_init__(self) -> None:
        """Check the speed.

        Raises:
            ValueError: nobody reels so slowly or so fast.
        """
        if not SLOWEST_MPS <= self.speed <= FASTEST_MPS:
            raise ValueError(
                f"per_turn times turns is {self.speed / FOOT:.3g} ft/s ({self.speed:.3g} m/s); "
                f"expected {SLOWEST_MPS / FOOT:.2g} to {FASTEST_MPS / FOOT:.2g} ft/s"
            )

    @property
    def speed(self) -> float:
        """Speed of the retrieve, m/s."""
        return self.per_turn * self.turns


class Leader(msgspec.Struct, frozen=True):
    """A piece of other line between the main line and the lure; its length in m."""

    line: LineSpec
    length: Annotated[float, Quantity("length", *LEADER_RANGE)]


class Backing(msgspec.Struct, frozen=True):
    """Other line on the reel below the main line, which is `after` m long."""

    line: LineSpec
    after: Annotated[float, Quantity("length", 1.0, 500.0)]


class RodSpec(msgspec.Struct, frozen=True):
    """A rod as its owner describes it.

    Attributes:
        number: what it is called by voice, from 1.
        lure: the name of the lure tied on.
        line: the main line.
        reel: gives the speed.
        cast: the usual cast, m from the rod tip to where the lure lands.
        name: a name to show, or None.
        leader: between line and lure, or None.
        rod_tip: height of its tip above the water while it is reeled, m, negative when
            it is held into the water; None: the boat's usual one.
        backing: what the main line is tied to on the reel, or None where no cast gets
            there.
    """

    number: int
    lure: str
    line: LineSpec
    reel: Reel
    cast: Cast
    name: str | None = None
    leader: Leader | None = None
    backing: Backing | None = None
    rod_tip: TipHeight | None = None

    def __post_init__(self) -> None:
        """Check the number.

        Raises:
            ValueError: it is not from 1 to 99.
        """
        if not 1 <= self.number <= 99:
            raise ValueError("number must be a whole number from 1 to 99")


TipHeld = Literal["usual", "down", "up"]
"""How a rod is held while it is reeled."""


class Rod(msgspec.Struct, frozen=True):
    """A rigged rod: what the owner described, the lure tied on, and where it is fished from.

    Attributes:
        spec: the owner's description.
        lure: the lure tied on.
        tip_height: of the rod tip above the water, m.
        temperature: of the water, degrees Celsius.
        held: whether the tip is where it usually is.
    """

    spec: RodSpec
    lure: LureSpec
    tip_height: float = 0.5
    temperature: float = 18.0
    held: TipHeld = "usual"

    def __post_init__(self) -> None:
        """Check the cast against the height of the rod tip and the length of the lure.

        Raises:
            ValueError: it is too short, or too long.
        """
        least = CAST_IN_TIP_HEIGHTS * self.tip_height
        if self.cast < least:
            raise ValueError(
                f"a cast of {self.cast / YARD:.3g} yd ({self.cast:.3g} m) is too short for a rod tip "
                f"{self.tip_height / FOOT:.3g} ft ({self.tip_height:.3g} m) up; "
                f"expected at least {least / YARD:.3g} yd ({least:.3g} m)"
            )
        most, length = CAST_IN_LURE_LENGTHS * self.lure.length, self.lure.length
        if self.cast > most:
            raise ValueError(
                f"a cast of {self.cast / YARD:.3g} yd ({self.cast:.3g} m) is too long for a lure of "
                f"{length / INCH:.2g} in ({100.0 * length:.2g} cm); "
                f"expected at most {most / YARD:.3g} yd ({most:.3g} m)"
            )

    @property
    def number(self) -> int:
        """Return what the rod is called by voice."""
        return self.spec.number

    @property
    def name(self) -> str:
        """Return what the rod is called on screen, such as "rod 2"."""
        return self.spec.name or f"rod {self.spec.number}"

    @property
    def line(self) -> LineSpec:
        """The main line."""
        return self.spec.line

    @property
    def line_name(self) -> str:
        """Return what the whole line is called, such as "30 lb braid with 20 lb fluorocarbon leader".

        Without lengths: a leader gets shorter with every knot, and what it taught still
        counts.
        """
        name, leader, backing = self.line.name, self.spec.leader, self.spec.backing
        if leader is not None:
            name += f" with {leader.line.name} leader"
        if backing is not None:
            name += f" over {backing.line.name} backing"
        return name

    @property
    def line_doubt(self) -> str | None:
        """A sentence for the owner when a thickness is a guess, or does not fit its strength; else None."""
        return next((line.doubt for line in self._lines if line.doubt), None)

    @property
    def line_sigma(self) -> float:
        """Relative standard deviation of thickness: the greater of main line's and leader's."""
        return max(line.thickness_sigma for line in self._lines)

    @property
    def _lines(self) -> list[LineSpec]:
        """The main line, and the leader's where there is one."""
        leader = self.spec.leader
        if leader is None:
            return [self.line]
        return [self.line, leader.line]

    @property
    def cast(self) -> float:
        """The usual cast, m."""
        return self.spec.cast

    @property
    def speed(self) -> float:
        """Speed of the retrieve, m/s."""
        return self.spec.reel.speed

    def with_line(self, line: LineSpec) -> Rod:
        """Return the rod re-rigged with another line."""
        return msgspec.structs.replace(
            self, spec=msgspec.structs.replace(self.spec, line=line)
        )

    def with_tip(self, held: TipHeld, height: float) -> Rod:
        """Return the rod with its tip held otherwise, m above the water.

        Raises:
            ValueError: its cast is too short for that.
        """
        return msgspec.structs.replace(self, held=held, tip_height=height)

    def dive_line(self) -> dive.Line:
        """Return the line in the dive model's terms, leader and backing where they are."""
        main, leader, backing = self.line, self.spec.leader, self.spec.backing
        tied = [] if leader is None else [_section(leader.line, leader.length)]
        if backing is None:
            return replace(main.physics(), sections=tuple(tied))
        return replace(
            backing.line.physics(), sections=(*tied, _section(main, backing.after))
        )

    def dive_lure(self) -> dive.Lure:
        """Return the lure in the dive model's terms, before any calibration."""
        return self.lure.physics()

    def dive_retrieve(self) -> dive.Retrieve:
        """Return the usual retrieve in the dive model's terms."""
        return dive.Retrieve(
            cast=self.cast,
            speed=self.speed,
            tip_height=self.tip_height,
            temperature=self.temperature,
        )


def _section(line: LineSpec, length: float) -> dive.Section:
    return dive.Section(length, line.thickness, DENSITY_KG_M3[line.material])
