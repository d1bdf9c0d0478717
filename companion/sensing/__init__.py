"""Bytes to sentences to readings to the state of the boat."""

from companion.sensing.localplane import LocalPlane, moved, range_and_bearing
from companion.sensing.readings import (
    Depth,
    Failed,
    Heading,
    Motion,
    Origin,
    Position,
    Reading,
    Remark,
    Warned,
    WaterSpeed,
    WaterTemperature,
)
from companion.sensing.sensing import Sensing
from companion.sensing.settings import (
    OLDEST_LIVE,
    OLDEST_RECORDING,
    BoatOffsets,
    Chunk,
    MaximumAges,
    SourceSettings,
)
from companion.sensing.state import BoatState

__all__ = [
    "OLDEST_LIVE",
    "OLDEST_RECORDING",
    "BoatOffsets",
    "BoatState",
    "Chunk",
    "Depth",
    "Failed",
    "Heading",
    "LocalPlane",
    "MaximumAges",
    "Motion",
    "Origin",
    "Position",
    "Reading",
    "Remark",
    "Sensing",
    "SourceSettings",
    "Warned",
    "WaterSpeed",
    "WaterTemperature",
    "moved",
    "range_and_bearing",
]
