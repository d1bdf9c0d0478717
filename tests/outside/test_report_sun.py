"""Light and local time against published tables."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from companion.report.localtime import light_at, zone_at, zone_name


@pytest.mark.parametrize(
    ("lat", "lon", "name"),
    [
        (
            51.4779,
            0.0,
            "Europe/London",
        ),  # the meridian (IANA time zone database, zone1970.tab; M)
        (35.65, 139.74, "Asia/Tokyo"),
        (
            -47.2,
            -126.4,
            "UTC-8",
        ),  # the open ocean: 126.4 W / 15 = 8.4 hours (nautical zones; M)
    ],
)
def test_a_place_has_its_zone_without_a_network(lat, lon, name):
    assert zone_name(zone_at(lat, lon)) == name


def test_the_hours_of_a_zone_at_sea_are_behind_in_the_west():
    at = datetime(2026, 10, 3, 14, tzinfo=UTC).astimezone(zone_at(-47.2, -126.4))
    assert (at.hour, zone_name(ZoneInfo("Etc/GMT-3"))) == (6, "UTC+3")


def test_the_light_turns_at_the_published_twilight():
    """Greenwich, 20 March 2026: almanacs have sunrise at about 06:04 UTC, and civil
    twilight 33 minutes before (M).

    At the equinox the sun climbs 15 degrees times the cosine of the latitude in an hour
    (C): 10 degrees take an hour and four minutes at Greenwich.
    """
    sunrise = datetime(2026, 3, 20, 6, 4, tzinfo=UTC)
    for minutes, light in (
        (-40, "night"),
        (-24, "low sun"),
        (55, "low sun"),
        (75, "day"),
    ):
        assert light_at(sunrise + timedelta(minutes=minutes), 51.4779, 0.0) == light
