"""Where the boat lies and how it moves: over ground, and through the water, which may move itself.

A lure swims through the water, and the bottom lies still. So a cast's path follows from
the boat's drift through the water, and what it meets from the drift over ground.
Bearings are degrees true, speeds m/s.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from companion.events import Fix, told_place
from companion.sensing import BoatState, range_and_bearing
from companion.sensing.course_made_good import GPS_SIGMA_M
from companion.units import nine_in_ten_radius

UNDER_WAY_MPS = 0.5
"""Speed over ground from which the course tells which way the bow points, where no heading does."""
LOG_STALLS_MPS = 0.15
"""Speed through the water below which a log's paddle wheel may stand still. Common practice, no source."""


class Current(NamedTuple):
    """The water's movement over the bottom: its speed, and the bearing it moves towards."""

    speed: float
    towards: float

    def along(self, bearing: float) -> float:
        """Return its speed in a direction."""
        return self.speed * math.cos(math.radians(self.towards - bearing))

    @property
    def held(self) -> Callable[[float], float] | None:
        """The speed a boat held in place has through the water in a direction; None in still water."""
        return (lambda bearing: -self.along(bearing)) if self.speed else None


STILL_WATER = Current(0.0, 0.0)


class BoatPose(NamedTuple):
    """The boat's place, heading, course and speed over ground.

    Attributes:
        fix: its place.
        heading: of the bow.
        course: over ground.
        speed: over ground.
        water_speed: through the water along the bow, from a log.
        current: as far as it is known; still water where it is not.
    """

    fix: Fix | None = None
    heading: float | None = None
    course: float | None = None
    speed: float | None = None
    water_speed: float | None = None
    current: Current = STILL_WATER

    def speed_towards(self, bearing: float) -> float:
        """Return the boat's speed over ground in a direction; 0 when it is not known."""
        if self.speed is None or self.course is None:
            return 0.0
        return self.speed * math.cos(math.radians(self.course - bearing))

    def lies_like(self, other: BoatPose, within: float, turned: float) -> bool:
        """Tell whether a boat lies as another does, to so many m and degrees; False without a place."""
        here, there = self.fix, other.fix
        if here is None or there is None:
            return False
        if self.heading is None or other.heading is None:
            lies_turned = self.heading is not other.heading
        else:
            angle = abs((other.heading - self.heading + 180.0) % 360.0 - 180.0)
            lies_turned = angle >= turned
        moved, _ = range_and_bearing(here.lat, here.lon, there.lat, there.lon)
        return moved < within and not lies_turned

    def water_speed_towards(self, bearing: float) -> float:
        """Return the boat's speed through the water in a direction.

        A log tells the part along the bow; the rest, or all, is the speed over ground
        less the current.
        """
        less_current = self.speed_towards(bearing) - self.current.along(bearing)
        if (
            self.heading is None
            or self.water_speed is None
            or self.water_speed < LOG_STALLS_MPS
        ):
            return less_current
        along_bow = self.speed_towards(self.heading) - self.current.along(self.heading)
        unlike_log = self.water_speed - along_bow
        return less_current + unlike_log * math.cos(
            math.radians(self.heading - bearing)
        )


def fix_of(boat: BoatState, moved: float = 0.0) -> Fix | None:
    """Return the boat's place; None when it is not known.

    `moved` is how far the boat may have been from there at the time that is meant, m,
    one sigma.
    """
    if boat.lat is None or boat.lon is None:
        return None
    radius = nine_in_ten_radius(math.hypot(GPS_SIGMA_M, moved), GPS_SIGMA_M)
    return told_place(boat.lat, boat.lon, radius)


def bow_of(boat: BoatState) -> float | None:
    """Return which way the bow points: the heading, else the course of a moving boat."""
    return bow_by(boat.heading, boat.course, boat.speed)


def bow_by(
    heading: float | None, course: float | None, speed: float | None
) -> float | None:
    """Return which way the bow points: the heading, else the course at a speed, m/s, of a moving boat."""
    under_way = speed is not None and speed > UNDER_WAY_MPS
    if heading is None and under_way:
        return course
    return heading


def pose_of(boat: BoatState, current: Current = STILL_WATER) -> BoatPose:
    """Return where the boat is and how it moves in a current."""
    return BoatPose(
        fix_of(boat), bow_of(boat), boat.course, boat.speed, boat.water_speed, current
    )
