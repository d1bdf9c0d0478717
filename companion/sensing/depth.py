"""Depth sentences: DPT, DBT, DBS and DBK, from any talker, also ``$PADBT``.

DPT has metres below the transducer and an offset: positive is the transducer below the waterline,
negative is the keel below the transducer (NMEA 0183). Only the first says where the surface is. In the
field the offset is blank, absent, or followed by a spare comma, and a third field may hold the range.

DBT, DBS and DBK say it in feet, metres and fathoms; sounders fill one or two and leave the others blank
or 000.000. Metres first, being what the sounder measures in or nearest to it; 0.1 ft is coarser than 0.1 m
only in its name, but the fathom is coarse.

A sounder that has lost the bottom sends a blank, or 0.00 (seen 51 times in a row in a harbour survey).
Nothing can be told from a wrong "about 1 m" in deep water, another way to lose it.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from companion.sensing.fields import Values
from companion.units import FATHOM, FOOT

DEEPEST_READING_M = 300.0
"""m. Deeper is no depth a lure is cast over; 327.67, 655.35, 6553.5 and 4294967.295 mean not known."""
LARGEST_OFFSET = 20.0
"""m. No transducer on a boat is further from the waterline or the keel."""

_BELOW: dict[str, Literal["surface", "keel"]] = {"S": "surface", "K": "keel"}  # by the sentence's last letter


class DepthSounding(NamedTuple):
    """Depth, m, below what is measured from; `offset` in m as in DPT (None: not said)."""

    depth: float | None
    offset: float | None = None
    below: Literal["transducer", "surface", "keel"] = "transducer"


def dpt(f: list[str], values: Values) -> DepthSounding:
    """Depth below the transducer and the offset."""
    depth = _metres(f[1], 1.0, values)
    offset = values.optional(f[2], "depth offset", -LARGEST_OFFSET, LARGEST_OFFSET) if len(f) > 2 else None
    return DepthSounding(depth, offset)


def in_three_units(f: list[str], values: Values) -> DepthSounding:
    """DBT, DBS, DBK: the depth from metres, else feet, else fathoms."""
    below: Literal["transducer", "surface", "keel"] = _BELOW.get(f[0][-1], "transducer")
    for at, letter, unit in ((3, "M", 1.0), (1, "F", FOOT), (5, "F", FATHOM)):
        if len(f) > at + 1 and f[at]:
            if f[at + 1].upper() != letter:
                values.dropped["depth malformed"] += 1
                return DepthSounding(None)
            return DepthSounding(_metres(f[at], unit, values), None, below)
    values.dropped["depth blank"] += 1
    return DepthSounding(None)


def _metres(text: str, unit: float, values: Values) -> float | None:
    depth = values.number(text, "depth", 0.0, DEEPEST_READING_M / unit)
    if depth == 0.0:
        values.dropped["depth lost"] += 1
        return None
    return None if depth is None else depth * unit
