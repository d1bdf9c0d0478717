"""Networks other than NMEA 0183 against published examples; sources told as in test_sentences.py."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from companion.sensing import Chunk, Sensing
from companion.sensing.networks import network_line


def boat_after(network: str, *messages: str) -> tuple[object, Sensing]:
    sensing = Sensing({})
    for n, message in enumerate(messages):
        line = network_line(message.encode(), "net", network, 1_000_000_000_000 + 100 * n)
        assert list(sensing.feed(Chunk(0.0, "recording", line))) is not None
    return sensing.boat(sensing.now), sensing


def test_gpsd_published_report():
    """The TPV of protocol 3.4 printed in the page of Net::GPSD3::Return::TPV (S), its figures only."""
    boat, sensing = boat_after(
        "gpsd",
        '{"class":"TPV","tag":"0x0106","device":"/dev/cuaU0","time":"2011-03-20T06:51:59.12Z","ept":0.005,'
        '"lat":37.371427205,"lon":-122.015179890,"alt":25.789,"track":0.0000,"speed":0.467,"mode":3}',
    )
    assert (boat.lat, boat.lon) == (37.371427205, -122.01517989)
    assert (boat.speed, boat.course) == (0.467, 0.0)
    # A date of 2011 on a source that may be a log is believed; its hundredths too.
    assert sensing.utc(sensing.now) == datetime(2011, 3, 20, 6, 51, 59, 120_000, tzinfo=UTC)


def test_gpsd_report_of_the_older_protocol():
    """Its time was a number of seconds (same page, protocol 3.1, S); it is not read, the place stands."""
    boat, sensing = boat_after(
        "gpsd",
        '{"class":"TPV","tag":"MID2","device":"/dev/ttyUSB0","time":1253593667.430,"ept":0.005,'
        '"lat":38.88945123,"lon":-77.03522143,"alt":146.911,"track":180.0000,"speed":0.194,"mode":3}',
    )
    assert (boat.lat, boat.speed, boat.course) == (38.88945123, pytest.approx(0.194), 180.0)
    assert sensing.dropped == {"time malformed": 1}
