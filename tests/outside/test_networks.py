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


# The example of $MXPGN that manuals of gateways print (M): a position at 20.7 N, 105.4 W.
MXPGN = "$MXPGN,01F801,2801,C1308AC40C5DE343*19"


def test_nmea2000_text_of_a_gateway():
    """The same line read by the library nmea2000 (C), whose fields come from the CANboat database."""
    from nmea2000 import NMEA2000Decoder

    boat, _ = boat_after("nmea2000", MXPGN)
    fields = {field.id: field.value for field in NMEA2000Decoder().decode(MXPGN).fields}
    assert (boat.lat, boat.lon) == (fields["latitude"], fields["longitude"])
    assert (boat.lat, boat.lon) == (pytest.approx(20.7479619), pytest.approx(-105.3783356))


@pytest.mark.parametrize(
    "text",
    [
        "A173321.107 23FF2 1F50B 0034020000F4FFFF",
        "2016-04-09T16:41:09.078Z,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
        "17:33:21.107 R 09F50B23 00 34 02 00 00 F4 FF FF",
        "(1502979132.106111) slcan0 09F50B23#0034020000F4FFFF",
        "can0  09F50B23   [8]  00 34 02 00 00 F4 FF FF",
        "$PCDIN,01F50B,00000000,23,0034020000F4FFFF*26",
    ],
)
def test_nmea2000_texts_beside_the_library(text):
    """Every text that both read tells the same depth and sender (C)."""
    from nmea2000 import NMEA2000Decoder

    message = NMEA2000Decoder().decode(text)
    fields = {field.id: field.value for field in message.fields}
    boat, _ = boat_after("nmea2000", text)
    assert (message.PGN, message.source, fields["depth"]) == (128267, 35, 5.64)
    assert boat.depth_below_transducer == fields["depth"]
