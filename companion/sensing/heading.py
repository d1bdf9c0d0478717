"""Heading sentences: HDT, HDG and HDM.

HDG has what the compass reads, its deviation and the variation, each with E or W:
easterly is added (magnetic = reading + deviation, true = magnetic + variation). Most
senders leave deviation blank, many the variation too; then true north is known only
when another sentence (RMC) tells the variation.
"""

from __future__ import annotations

from typing import NamedTuple

from companion.sensing.fields import Values, turned
from companion.sensing.named import fields_of

_hdt, _hdm, _hdg = fields_of("HDT"), fields_of("HDM"), fields_of("HDG")


class Bearing(NamedTuple):
    """Heading, degrees, from true and magnetic north, and the variation, east positive. None: not told."""

    true: float | None
    magnetic: float | None = None
    variation: float | None = None


def hdt(f: list[str], values: Values) -> Bearing:
    """Heading from true north."""
    return Bearing(values.figure(_hdt(f).heading, "heading", 0.0, 360.0))


def hdm(f: list[str], values: Values) -> Bearing:
    """Heading from magnetic north."""
    return Bearing(None, values.figure(_hdm(f).heading, "heading", 0.0, 360.0))


def hdg(f: list[str], values: Values) -> Bearing:
    """Compass reading with deviation and variation."""
    told = _hdg(f)
    reading = values.figure(told.heading, "heading", 0.0, 360.0)
    deviation = values.signed(told.deviation, told.dev_dir, "EW", "deviation", 180.0)
    variation = values.signed(told.variation, told.var_dir, "EW", "variation", 180.0)
    if reading is None:
        return Bearing(None, None, variation)
    magnetic = (reading + (deviation or 0.0)) % 360.0
    return Bearing(turned(magnetic, variation), magnetic, variation)
