"""Depth sentences: DPT, DBT, DBS and DBK, from any talker, also ``$PADBT``.

DPT has metres below the transducer and an offset: positive is the transducer below the
waterline, negative is the keel below the transducer (NMEA 0183). Only the first says
where the surface is. In the field the offset is blank, absent, or followed by a spare
comma, and a third field may hold the range.

DBT, DBS and DBK say it in feet, metres and fathoms; sounders fill one or two and leave
the others blank or 000.000. Metres first, being what the sounder measures in or nearest
to it; 0.1 ft is coarser than 0.1 m only in its name, but the fathom is coarse.

A sounder that has lost the bottom sends a blank, or 0.00 (seen 51 times in a row in a
harbour survey). Nothing can be told from a wrong "about 1 m" in deep water, another way
to lose it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

from companion.sensing.fields import Values
from companion.sensing.named import fields_of
from companion.units import FATHOM, FOOT

DEEPEST_READING_M = 300.0
"""m. Deeper is no depth a lure is cast over; 327.67, 655.35, 6553.5 and 4294967.295 mean not known."""
LARGEST_OFFSET = 20.0
"""m. No transducer on a boat is further from the waterline or the keel."""

_Below = Literal["transducer", "surface", "keel"]
_UNITS = ((3, "M", 1.0), (1, "F", FOOT), (5, "F", FATHOM))
_dpt, _dbt = fields_of("DPT"), fields_of("DBT")
_BELOW: dict[str, Literal["surface", "keel"]] = {
    "S": "surface",
    "K": "keel",
}  # by the sentence's last letter


class DepthSounding(NamedTuple):
    """Depth, m, below what is measured from; `offset` in m as in DPT (None: not said)."""

    depth: float | None
    offset: float | None = None
    below: _Below = "transducer"


def dpt(f: list[str], values: Values) -> DepthSounding:
    """Depth below the transducer and the offset."""
    told = _dpt(f)
    offset = values.optional_figure(
        told.offset, "depth offset", -LARGEST_OFFSET, LARGEST_OFFSET
    )
    return DepthSounding(_metres(told.depth, 1.0, values), offset)


def dbt(f: list[str], values: Values) -> DepthSounding:
    """Depth below the transducer in three units."""
    told = _dbt(f)
    return _first_of(
        (
            (told.depth_meters, told.unit_meters, "M", 1.0),
            (told.depth_feet, told.unit_feet, "F", FOOT),
            (told.depth_fathoms, told.unit_fathoms, "F", FATHOM),
        ),
        "transducer",
        values,
    )


def in_three_units(f: list[str], values: Values) -> DepthSounding:
    """DBS, DBK: the depth from metres, else feet, else fathoms."""
    below: Literal["surface", "keel"] = _BELOW[f[0][-1]]
    told = (
        (f[at] or None, f[at + 1], letter, unit)
        for at, letter, unit in _UNITS
        if len(f) > at + 1
    )
    return _first_of(told, below, values)


def _first_of(
    told: Iterable[tuple[object, str, str, float]], below: _Below, values: Values
) -> DepthSounding:
    """Return the depth that is given first, of number, unit's letter, the letter it should be, and metres."""
    for number, letter, wanted, unit in told:
        if number is None:
            continue
        if letter.upper() != wanted:
            values.dropped["depth malformed"] += 1
            return DepthSounding(None)
        return DepthSounding(_metres(number, unit, values), None, below)
    values.dropped["depth blank"] += 1
    return DepthSounding(None)


def _metres(number: object, unit: float, values: Values) -> float | None:
    if isinstance(number, str):
        depth = values.number(number, "depth", 0.0, DEEPEST_READING_M / unit)
    else:
        depth = values.figure(number, "depth", 0.0, DEEPEST_READING_M / unit)
    if depth == 0.0:
        values.dropped["depth lost"] += 1
        return None
    if depth is None:
        return None
    return depth * unit
