"""The time of day where the boat was, and the sun there, without a network."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import tzfpy  # 34 MB once it is asked: only a report asks it
from astral import Observer
from astral.sun import elevation

Light = Literal["night", "low sun", "day"]
DAWN_DEGREES, LOW_DEGREES = -6.0, 10.0
"""Height of the sun's middle at which civil twilight begins, and below which its light falls in low."""


def zone_at(lat: float, lon: float) -> tzinfo:
    """Return the time zone of a place; UTC where this machine does not know it."""
    try:
        return ZoneInfo(tzfpy.get_tz(lon, lat))
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def zone_name(zone: tzinfo) -> str:
    """Return what times of a zone are called: "America/Chicago", "UTC", at sea "UTC-8"."""
    name = str(getattr(zone, "key", zone))
    if not name.startswith("Etc/GMT"):
        return name
    # At sea the names count the other way round: Etc/GMT+8 is eight hours behind UTC
    # (IANA, "etcetera").
    hours = name.removeprefix("Etc/GMT")
    return "UTC" + hours.translate(str.maketrans("+-", "-+"))


def light_at(utc: datetime, lat: float, lon: float) -> Light:
    """Return by what light it was somewhere."""
    height = elevation(Observer(lat, lon), utc, with_refraction=False)
    if height < DAWN_DEGREES:
        return "night"
    if height < LOW_DEGREES:
        return "low sun"
    return "day"
