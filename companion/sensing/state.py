"""The state of the boat: the last reading of each quantity, who is believed, and for how long."""

from __future__ import annotations

from typing import Generic, TypeVar

import msgspec

from companion.sensing.localplane import moved
from companion.sensing.readings import (
    Depth,
    Heading,
    Motion,
    Origin,
    Position,
    WaterSpeed,
    WaterTemperature,
    Wind,
)
from companion.sensing.settings import BoatOffsets, MaximumAges
from companion.sensing.wind import wind_over_ground

SOURCE_SILENCE_S = 5.0
"""s without a value after which another source of the same quantity is listened to."""

_NOBODY = Origin("", "", "")
# What stands for a reading that is too old or never came.
_NO_DEPTH = Depth(None, None, _NOBODY)
_NO_POSITION = Position(None, None, None, _NOBODY)
_NO_MOTION = Motion(None, None, _NOBODY)
_NO_HEADING = Heading(None, None, _NOBODY)
_NO_TEMPERATURE = WaterTemperature(None, _NOBODY)
_NO_WATER_SPEED = WaterSpeed(None, _NOBODY)

_T = TypeVar("_T", Depth, Position, Motion, Heading, WaterTemperature, WaterSpeed, Wind)


class BoatState(msgspec.Struct, frozen=True, kw_only=True):
    """The boat at one instant. Every value that is stale, blank or void is None.

    Attributes:
        t: logic time, s.
        lat: latitude of the GPS antenna, degrees, north positive.
        lon: longitude of the GPS antenna, degrees, east positive.
        hdop: horizontal dilution of precision of the position, when GGA or GNS tells it.
        speed: over ground, m/s.
        course: over ground, degrees from true north.
        course_error: how far off that may be, nine times in ten, degrees; None where
            nobody has told.
        heading: of the bow, degrees from true north.
        heading_magnetic: of the bow, degrees from magnetic north.
        depth: of the water under the transducer, m below the surface.
        depth_below_transducer: the same below the transducer, m.
        water_temperature: degrees Celsius.
        water_speed: through the water, m/s.
        wind_speed: of the wind over the ground, m/s.
        wind_from: where it comes from, degrees from true north.
        position_age: s since that position; None with it.
        depth_age: s since that depth; None with it.
        sounding_lat: latitude of the transducer, degrees: where the depth belongs. None
            also when the transducer is away from the antenna and the heading is not
            known.
        sounding_lon: longitude of the transducer, degrees.
    """

    t: float
    lat: float | None = None
    lon: float | None = None
    hdop: float | None = None
    speed: float | None = None
    course: float | None = None
    course_error: float | None = None
    heading: float | None = None
    heading_magnetic: float | None = None
    depth: float | None = None
    depth_below_transducer: float | None = None
    water_temperature: float | None = None
    water_speed: float | None = None
    wind_speed: float | None = None
    wind_from: float | None = None
    position_age: float | None = None
    depth_age: float | None = None
    sounding_lat: float | None = None
    sounding_lon: float | None = None


class Latch(Generic[_T]):
    """One quantity: its last reading and the one holder that is believed.

    A better holder (lower priority number, then the better sentence) takes over with
    its first value; a lesser one only when the present one has given no value for
    `SOURCE_SILENCE_S`. So two that differ by twenty metres never make the boat jump to
    and fro.
    """

    def __init__(self, maximum_age: float) -> None:
        self.reading: _T | None = None
        self.t = 0.0
        self._maximum_age = maximum_age
        self._holder = ""
        self._rank = (0, 0)
        self._valued = 0.0

    def offer(
        self, t: float, holder: str, rank: tuple[int, int], reading: _T, known: bool
    ) -> bool:
        """Take a reading if its holder is believed; return whether it was.

        One without a value (``known`` False) counts only from the sentence that gave
        the last value: a receiver that fills RMC but never GGA has not lost its fix.
        """
        if holder != self._holder:
            if not known:
                return False
            if (
                self._holder
                and rank >= self._rank
                and t - self._valued <= SOURCE_SILENCE_S
            ):
                return False
            self._holder, self._rank = holder, rank
        elif (
            not known
            and self.reading is not None
            and self.reading.origin is not reading.origin
        ):
            return False
        if known:
            self._valued = t
        self.reading, self.t = reading, t
        return True

    def at(self, t: float) -> _T | None:
        """Return the reading if it is not too old at t, s."""
        if t - self.t > self._maximum_age:
            return None
        return self.reading

    def drop(self, holder: str) -> None:
        """Believe this holder no longer; what it last said grows old."""
        if holder == self._holder:
            self._holder = ""

    def forget(self) -> None:
        """Know nothing; the believed holder stays."""
        self.reading = None


class Slow:
    """A bare number that changes slowly: variation, dilution of precision."""

    def __init__(self, maximum_age: float) -> None:
        self._value: float | None = None
        self._t = 0.0
        self._maximum_age = maximum_age

    def accept_value(self, t: float, value: float | None) -> None:
        """Take a value; None leaves the last one to grow old."""
        if value is not None:
            self._value, self._t = value, t

    def at(self, t: float) -> float | None:
        """Return the value if it is not too old at t, s."""
        if t - self._t > self._maximum_age:
            return None
        return self._value


class Boat:
    """The latches of all quantities, and the snapshot made from them."""

    def __init__(self, offsets: BoatOffsets, ages: MaximumAges) -> None:
        self._offsets = offsets
        self.depth: Latch[Depth] = Latch(ages.depth)
        self.position: Latch[Position] = Latch(ages.position)
        self.motion: Latch[Motion] = Latch(ages.motion)
        self.heading: Latch[Heading] = Latch(ages.heading)
        self.water_temperature: Latch[WaterTemperature] = Latch(ages.water_temperature)
        self.water_speed: Latch[WaterSpeed] = Latch(ages.water_speed)
        self.wind: Latch[Wind] = Latch(ages.wind)
        self.hdop = Slow(ages.hdop)
        self.variation = Slow(ages.variation)

    def forget(self) -> None:
        """Know nothing of the present: nobody can tell how old the readings are."""
        for latch in (self.depth, self.position, self.motion, self.heading):
            latch.forget()
        self.water_temperature.forget()
        self.water_speed.forget()
        self.wind.forget()

    def at(self, t: float) -> BoatState:
        """Return the state at logic time t, s."""
        depth = self.depth.at(t) or _NO_DEPTH
        position = self.position.at(t) or _NO_POSITION
        motion = self.motion.at(t) or _NO_MOTION
        heading = self.heading.at(t) or _NO_HEADING
        temperature = self.water_temperature.at(t) or _NO_TEMPERATURE
        water_speed = self.water_speed.at(t) or _NO_WATER_SPEED
        hdop = position_age = depth_age = None
        if position.lat is not None:
            hdop, position_age = self.hdop.at(t), t - self.position.t
        if depth.below_surface is not None:
            depth_age = t - self.depth.t
        sounding = self._sounding(position.lat, position.lon, heading.true)
        wind_speed, wind_from = self._wind(t, heading.true, motion)
        return BoatState(
            t=t,
            lat=position.lat,
            lon=position.lon,
            hdop=hdop,
            speed=motion.speed,
            course=motion.course,
            heading=heading.true,
            heading_magnetic=heading.magnetic,
            depth=depth.below_surface,
            depth_below_transducer=depth.below_transducer,
            water_temperature=temperature.celsius,
            water_speed=water_speed.speed,
            wind_speed=wind_speed,
            wind_from=wind_from,
            position_age=position_age,
            depth_age=depth_age,
            sounding_lat=sounding[0],
            sounding_lon=sounding[1],
        )

    def _wind(
        self, t: float, heading: float | None, motion: Motion
    ) -> tuple[float | None, float | None]:
        wind = self.wind.at(t)
        if wind is None:
            return None, None
        return wind_over_ground(wind.told, heading, (motion.speed, motion.course))

    def _sounding(
        self, lat: float | None, lon: float | None, heading: float | None
    ) -> tuple[float | None, float | None]:
        forward, starboard = self._offsets.forward, self._offsets.starboard
        if lat is None or lon is None or (forward == 0.0 and starboard == 0.0):
            return lat, lon
        if heading is None:
            return None, None
        ahead = moved(lat, lon, heading, forward)
        return moved(*ahead, heading + 90.0, starboard)
