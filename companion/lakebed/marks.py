"""Marks: what the angler knows is there. Metres on the lake's plane; depths below the lake's zero.

A mark at the boat is as good as the fix; one called out at a distance and an hour of
the clock is as good as the guess, and carries that as its radius: nine times in ten it
is no farther from where it is put.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from companion.events import MarkKind
from companion.sensing.course_made_good import GPS_SIGMA_M
from companion.units import (
    NINE_IN_TEN_RADIUS_SIGMAS,
    nine_in_ten_around,
    nine_in_ten_radius,
)

FIX_RADIUS_M = round(nine_in_ten_radius(GPS_SIGMA_M, GPS_SIGMA_M), 1)
"""How good a boat's position is taken to be, nine times in ten, m."""

_GUESSED_DISTANCE = 0.2
_HOUR = math.radians(30.0)


@dataclass(frozen=True, slots=True)
class Mark:
    """A marked place.

    `radius` holds it nine times in ten, m. `top` is the depth of its top below the
    lake's zero, m (add today's level for the depth below today's surface); None when it
    was not said.
    """

    number: int
    kind: MarkKind
    east: float
    north: float
    radius: float = FIX_RADIUS_M
    top: float | None = None
    note: str = ""
    utc: str | None = None

    @property
    def sigma(self) -> float:
        """The standard deviation of its place along any line, m."""
        return self.radius / NINE_IN_TEN_RADIUS_SIGMAS


@dataclass(frozen=True, slots=True)
class MarkOnLine:
    """A mark near a line: `distance` m along it, `aside` m off it (right is positive)."""

    mark: Mark
    distance: float
    aside: float


def off_the_bow(
    east: float,
    north: float,
    heading: float,
    distance: float,
    hour: float,
    within: float = FIX_RADIUS_M,
) -> tuple[float, float, float]:
    """Return east, north and radius, m, of a place `distance` m away at an hour of the clock.

    Twelve o'clock is over the bow, three o'clock to starboard; `heading` is the bow's,
    degrees true. The radius joins the fix's, `within`, a fifth of the distance along,
    and half an hour either way across.

    Raises:
        ValueError: the hour is not on the clock, or the distance is negative.
    """
    if not 0.0 <= hour <= 12.0:
        raise ValueError(f"{hour} o'clock: expected 1 to 12")
    if distance < 0.0:
        raise ValueError(f"distance {distance} m: expected 0 or more")
    bearing = math.radians(heading) + _HOUR * hour
    own = within / NINE_IN_TEN_RADIUS_SIGMAS
    along = math.hypot(own, _GUESSED_DISTANCE * distance)
    # An hour said is anywhere within half an hour of it: uniform, so 1/sqrt(12) of an
    # hour.
    across = math.hypot(own, distance * _HOUR / math.sqrt(12.0))
    radius = nine_in_ten_radius(along, across)
    return (
        east + distance * math.sin(bearing),
        north + distance * math.cos(bearing),
        radius,
    )


def around_the_boat(within: float, distance: float) -> float:
    """Return the radius, m, of a place `distance` m from the boat in a direction that was not told.

    It joins the fix's, `within`, and a fifth of the distance: nine such places of ten
    lie in it.
    """
    sigma = math.hypot(within / NINE_IN_TEN_RADIUS_SIGMAS, _GUESSED_DISTANCE * distance)
    return nine_in_ten_around(distance, sigma)


class Marks:
    """The marks of a lake, by number."""

    def __init__(self, marks: Iterable[Mark] = ()) -> None:
        self._marks = {mark.number: mark for mark in marks}

    def __iter__(self) -> Iterator[Mark]:
        return iter(self._marks.values())

    def __len__(self) -> int:
        return len(self._marks)

    def add(
        self,
        kind: MarkKind,
        east: float,
        north: float,
        *,
        radius: float = FIX_RADIUS_M,
        depth: float | None = None,
        level: float = 0.0,
        note: str = "",
        utc: str | None = None,
    ) -> Mark:
        """Add a mark and return it; `depth` is that of its top below today's surface, `level` today's."""
        number = max(self._marks, default=0) + 1
        top = None if depth is None else depth - level
        mark = Mark(number, kind, east, north, radius, top, note, utc)
        self._marks[number] = mark
        return mark

    def remove(self, number: int) -> Mark | None:
        """Take a mark away and return it; None when there is none of that number."""
        return self._marks.pop(number, None)

    def near(self, east: float, north: float, within: float) -> list[Mark]:
        """Return the marks within a distance of a place, m, nearest first."""
        found = [
            (math.hypot(mark.east - east, mark.north - north), mark) for mark in self
        ]
        return [
            mark
            for away, mark in sorted(found, key=lambda pair: pair[0])
            if away <= within
        ]

    def along(
        self, east: float, north: float, bearing: float, length: float, aside: float
    ) -> list[MarkOnLine]:
        """Return the marks within `aside` m of a line from a place, in the order it passes them."""
        sine, cosine = math.sin(math.radians(bearing)), math.cos(math.radians(bearing))
        found = []
        for mark in self:
            across_east, across_north = mark.east - east, mark.north - north
            distance = across_east * sine + across_north * cosine
            off = across_east * cosine - across_north * sine
            if 0.0 <= distance <= length and abs(off) <= aside:
                found.append(MarkOnLine(mark, distance, off))
        return sorted(found, key=lambda one: one.distance)
