"""What the owner tells sensing about the wires and the boat, and the unit of input: a chunk of bytes."""

from __future__ import annotations

from datetime import date
from typing import Literal, NamedTuple

import msgspec

from companion.sensing.datum import Network

TimeFrom = Literal["auto", "tags", "sentences", "arrival"]
"""Where a source's time comes from.

``tags``: the TAG blocks. ``sentences``: the times of day inside GGA, GNS, GLL, RMC and ZDA.
``arrival``: when the bytes came in (a live wire). ``auto``: tags where there are any,
else sentences, else the pace of a 4800 baud line, which is what a recording without any
clock is given.
"""

OLDEST_RECORDING = date(2005, 1, 1)
"""Dates before this are taken for a receiver's 1024-week rollover when nothing better is known."""

OLDEST_LIVE = date(2025, 1, 1)
"""The same for a live source: no boat carries this program before it was written."""


class Chunk(NamedTuple):
    """Bytes as they came from a source.

    ``t`` is the arrival, logic seconds (not used when time comes from tags or
    sentences), ``source`` the source's name, ``data`` the bytes, cut anywhere. ``own``:
    they are the companion's own words, whole lines of them. Nothing in the bytes can
    claim that. ``network``: whose messages they are; None: NMEA 0183.
    """

    t: float
    source: str
    data: bytes
    own: bool = False
    network: Network | None = None


class SourceSettings(msgspec.Struct, frozen=True, kw_only=True):
    """The settings of one source.

    Attributes:
        need_checksum: drop sentences that carry no checksum. A wrong checksum is always
            dropped.
        time: where the source's time comes from.
        priority: when two sources give the same quantity the lower number is believed.
        latency: s from the measurement to the arrival; carried in each reading's
            origin.
        not_before: dates before this are moved on by whole 1024-week GPS eras. A live
            source should use `OLDEST_LIVE`.
        recorded: days on which a recording may have been made, by what is known beside
            it: its file's name, when that was last written. A date whole eras before
            one of them is moved on to it.
    """

    need_checksum: bool = True
    time: TimeFrom = "auto"
    priority: int = 0
    latency: float = 0.0
    not_before: date = OLDEST_RECORDING
    recorded: tuple[date, ...] = ()


class BoatOffsets(msgspec.Struct, frozen=True, kw_only=True):
    """The transducer's place, m.

    Attributes:
        transducer: how far below the waterline; None when not measured, and then a
            positive offset in the DPT sentence is used, or 0 (the transducer at the
            surface, which errs to the shallow side).
        keel: how far the keel is below the waterline; needed only for depth-below-keel
            sentences.
        forward: how far the transducer is ahead of the GPS antenna (negative: astern).
        starboard: how far the transducer is to starboard of the GPS antenna (negative:
            to port).
    """

    transducer: float | None = None
    keel: float | None = None
    forward: float = 0.0
    starboard: float = 0.0


class MaximumAges(msgspec.Struct, frozen=True, kw_only=True):
    """The age up to which a reading stands for the present, s; after that the value is None.

    Sounders and receivers send once or twice a second, some every two: three missed in
    a row and a bit is a lost depth. Water temperature and magnetic variation change
    slowly.
    """

    depth: float = 5.0
    position: float = 5.0
    motion: float = 5.0
    heading: float = 5.0
    hdop: float = 15.0
    water_speed: float = 10.0
    wind: float = 10.0
    water_temperature: float = 60.0
    variation: float = 3600.0
