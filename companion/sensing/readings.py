"""Readings: one frozen record per quantity a sentence tells, SI; None where the sensor does not know."""

from __future__ import annotations

import msgspec

from companion.sensing.wind import WindTold


class Origin(msgspec.Struct, frozen=True, gc=False):
    """The origin of a reading: source, talker and sentence; and the source's priority and latency, s."""

    source: str
    talker: str
    formatter: str
    priority: int = 0
    latency: float = 0.0


class Depth(msgspec.Struct, frozen=True, gc=False):
    """Water depth, m, below the transducer and below the surface; None: bottom lost, blank or implausible."""

    below_transducer: float | None
    below_surface: float | None
    origin: Origin


class Position(msgspec.Struct, frozen=True, gc=False):
    """Latitude and longitude of the antenna, degrees, both None when void; `hdop` from GGA and GNS only."""

    lat: float | None
    lon: float | None
    hdop: float | None
    origin: Origin


class Motion(msgspec.Struct, frozen=True, gc=False):
    """Speed over ground, m/s, and course over ground, degrees from true north."""

    speed: float | None
    course: float | None
    origin: Origin


class Heading(msgspec.Struct, frozen=True, gc=False):
    """The bow's bearing, degrees from true and from magnetic north; true is None without a variation."""

    true: float | None
    magnetic: float | None
    origin: Origin


class WaterTemperature(msgspec.Struct, frozen=True, gc=False):
    """Water temperature at the transducer, degrees Celsius."""

    celsius: float | None
    origin: Origin


class WaterSpeed(msgspec.Struct, frozen=True, gc=False):
    """Speed through the water, m/s."""

    speed: float | None
    origin: Origin


class Wind(msgspec.Struct, frozen=True, gc=False):
    """Wind as an instrument tells it: speed, m/s, and the angle it comes from, degrees from its reference."""

    told: WindTold
    origin: Origin


class Warned(msgspec.Struct, frozen=True, gc=False):
    """Something the log's reader should know about a source, in one plain line."""

    text: str


class Remark(msgspec.Struct, frozen=True, gc=False):
    """A word of the companion's own, kept in the recording: None only says that time has passed.

    Attributes:
        text: its words.
        aloud: whether it was spoken.
        tapped: it is what a tapped button stands for, to be taken as if it had been
            heard.
        finds_later: from now on the planner's answers come when a remark says that one
            is `found`.
        found: the answer to the first question that waits is there.
        solves_later: from now on what has to be solved comes when a remark says that it
            is `solved`.
        solved: the first that waits to be solved is there.
    """

    text: str | None
    aloud: bool = False
    tapped: bool = False
    finds_later: bool = False
    found: bool = False
    solves_later: bool = False
    solved: bool = False


class Failed(msgspec.Struct, frozen=True, gc=False):
    """A sentence that the program itself stumbled over; it tells nothing."""

    error: Exception


Reading = (
    Depth
    | Position
    | Motion
    | Heading
    | WaterTemperature
    | WaterSpeed
    | Wind
    | Warned
    | Remark
    | Failed
)
"""What `Sensing.feed` gives."""
