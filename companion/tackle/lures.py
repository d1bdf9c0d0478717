"""Lures as their owners know them, and what the dive model needs, with how sure it is.

Nobody knows a lure's lift ratio. Its owner knows how deep it is said to go, on which
line and cast; `physics` solves the dive model backwards for the lift ratio that makes
it so. The rest follows from what can be seen: length gives drag, the way it dives gives
the onset distance, the way it rises gives buoyancy. Figures marked "common practice"
have no source; the calibration (`companion.dive.calibration`) corrects them from
touches.
"""

from __future__ import annotations

from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, Literal

import msgspec

from companion import dive
from companion.tackle.lines import LineSpec
from companion.tackle.quantities import Cast, Depth, Quantity

DiveStyle = Literal["gradual curve", "steep", "straight down"]
"""How the lure gets down: along a long curve, steeply, or straight down from the first turns of the reel."""

Deflection = Literal["small", "wide"]
"""How far a lure is thrown off what it hits."""

WhenStopped = Literal[
    "rises fast", "rises slowly", "hangs", "sinks slowly", "sinks fast"
]
"""What the lure does when the reel stops."""

ONSET_M = MappingProxyType({"gradual curve": 6.0, "steep": 3.0, "straight down": 1.0})
"""m swum before the lure pulls down with its full strength. Common practice, no source."""

RISE_M_S = MappingProxyType(
    {
        "rises fast": 0.25,
        "rises slowly": 0.08,
        "hangs": 0.0,
        "sinks slowly": -0.08,
        "sinks fast": -0.25,
    }
)
"""m/s upward when the reel stops. Common practice, no source."""

DRAG_AREA_PER_LENGTH2 = 0.3
"""Drag area (S Cd) over body length squared, lip, hooks and wobble included. Common practice, no source."""

DRAG_AREA_SIGMA = 0.35
"""Relative standard deviation of the drag area got from the length."""

TWICE_RATED_DRAG_SIGMA = 0.25
"""The same of one got from two stated depths, each good to `RATING_SIGMA` beside the other's error."""

RATING_SIGMA = 0.12
"""Relative standard deviation of the depth an owner or a package states. Common practice, no source."""

MOST_SINKING_N, MOST_FLOATING_N = -20.0, 2.0
"""Range of what the dive model takes for a lure's buoyancy."""

_RATING_TIP = 0.5
_RATING_TEMPERATURE = 18.0
_RATING_SPEED = 1.0


class Rating(msgspec.Struct, frozen=True):
    """A lure's stated depth and cast, m, on a line."""

    depth: Depth
    line: LineSpec
    cast: Cast

    def __post_init__(self) -> None:
        """Check that the depth can be reached on that cast.

        Raises:
            ValueError: it cannot, whatever the lure.
        """
        if self.depth > 0.4 * self.cast:
            raise ValueError(
                "no lure gets deeper than two fifths of its cast; check depth and cast"
            )


class LureSpec(msgspec.Struct, frozen=True):
    """A lure as its owner knows it.

    Attributes:
        name: what it is called.
        length: of the body, without the lip, m.
        rated: the depth it is said to reach, on which line and cast.
        style: how it gets down.
        when_stopped: what it does when the reel stops.
        rise: m/s upward when the reel stops, when measured; else from `when_stopped`.
        weight: kg, or None.
        also: a second depth it is said to reach, on another cast, which tells how much
            it is dragged.
        down_after: m from the landing after which it is down on the rated cast, in
            place of `style`.
        deflection: how far it is thrown off what it hits, or None.
    """

    name: str
    length: Annotated[float, Quantity("length", 0.01, 0.4)]
    rated: Rating
    style: DiveStyle = "steep"
    when_stopped: WhenStopped = "rises slowly"
    rise: Annotated[float, Quantity("speed", -3.0, 3.0)] | None = None
    weight: Annotated[float, Quantity("mass", 0.5e-3, 1.0)] | None = None
    also: Rating | None = None
    down_after: Annotated[float, Quantity("length", 1.0, 100.0)] | None = None
    deflection: Deflection | None = None

    def __post_init__(self) -> None:
        """Check how it rises or sinks.

        Raises:
            ValueError: faster than a lure of that length can.
        """
        if not MOST_SINKING_N <= self.buoyancy <= MOST_FLOATING_N:
            raise ValueError(
                f"a lure of this length that {'rises' if self.rises > 0.0 else 'sinks'} at "
                f"{abs(self.rises):g} m/s is not to be had; check rise and length"
            )

    @property
    def drag_area(self) -> float:
        """Drag area S Cd by the length, m2, good to `DRAG_AREA_SIGMA`."""
        return DRAG_AREA_PER_LENGTH2 * self.length**2

    @property
    def rises(self) -> float:
        """Speed upward when the reel stops, m/s (negative: it sinks)."""
        if self.rise is None:
            return RISE_M_S[self.when_stopped]
        return self.rise

    @property
    def buoyancy(self) -> float:
        """Net force upward, N, that balances the drag at the speed the lure rises (negative: sinks)."""
        rise = self.rises
        return 0.5 * 1000.0 * self.drag_area * rise * abs(rise)

    def rated_retrieve(self) -> dive.Retrieve:
        """Return the retrieve the rating is taken to mean: at 1 m/s, rod tip at 0.5 m, water at 18 C."""
        return _retrieve_of(self.rated)

    def physics(self) -> dive.Lure:
        """Return the lure as the dive model knows it, with the lift ratio that gives the stated depth.

        Raises:
            ValueError: no lift ratio makes a lure of this size go that deep.
        """
        return _solved_backwards(self)


def _retrieve_of(rating: Rating) -> dive.Retrieve:
    return dive.Retrieve(
        cast=rating.cast,
        speed=_RATING_SPEED,
        tip_height=_RATING_TIP,
        temperature=_RATING_TEMPERATURE,
    )


@lru_cache(maxsize=64)
def _solved_backwards(spec: LureSpec) -> dive.Lure:
    line, retrieve = spec.rated.line.physics(), spec.rated_retrieve()
    lure = dive.Lure(
        drag_area=spec.drag_area,
        onset=ONSET_M[spec.style],
        buoyancy=spec.buoyancy,
        mass=spec.weight,
    )
    also = spec.also
    second = (
        None if also is None else (also.depth, also.line.physics(), _retrieve_of(also))
    )
    try:
        return dive.shaped_lure(
            spec.rated.depth, line, lure, retrieve, second, spec.down_after
        )
    except dive.DiveError as error:
        raise ValueError(
            f'"{spec.name}": check the stated depth, line and cast: {error}'
        ) from None
