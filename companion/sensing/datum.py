"""What one message of a network tells before it is folded into the boat: the same values as a sentence's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, NamedTuple, Protocol, TypeVar

import msgspec

from companion.sensing.fields import Values

Network = Literal["nmea2000", "signalk", "gpsd"]
"""The networks besides NMEA 0183, each with its own text in a recording."""
Quantity = Literal[
    "depth",
    "place",
    "motion",
    "fix",
    "time",
    "heading",
    "temperature",
    "water speed",
    "wind",
]
"""Kinds of datum; a fix tells place and motion at once."""

MOST_BRACKETS = 500
"""Lists and objects in one JSON text; more could be nested deeper than the decoder's stack."""
_Message = TypeVar("_Message", bound=msgspec.Struct)


class Datum(NamedTuple):
    """One quantity as one message told it.

    Attributes:
        talker: who on the network said it.
        address: its message: the name of the class, the path or the PGN.
        quantity: what it is.
        value: as the parser of a sentence gives it: a `DepthSounding`, `Told`,
            `Bearing`, °C or m/s, or a `WindTold`.
        rank: how good it is among its like, 0 best.
    """

    talker: str
    address: str
    quantity: Quantity
    value: Any
    rank: int = 0


class Decoder(Protocol):
    """Reads the messages of one source."""

    def decode(self, ms: int, payload: bytes) -> Sequence[Datum]:
        """Return what one recorded text of the network, stamped with UTC in ms, tells.

        What it does not understand it counts.
        """
        ...


def json_as(
    kind: msgspec.json.Decoder[_Message], text: bytes, values: Values, what: str
) -> _Message | None:
    """Return a JSON text as a struct; None, and counted, when it is none or has too many brackets."""
    if text.count(b"[") + text.count(b"{") > MOST_BRACKETS:
        values.dropped[what + " nested too deep"] += 1
        return None
    try:
        return kind.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        values.dropped[what + " malformed"] += 1
        return None
