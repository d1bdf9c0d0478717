"""Networks other than NMEA 0183 against published examples; sources told as in test_sentences.py."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from companion.sensing import Chunk, Sensing
from companion.sensing.networks import network_line


def boat_after(network: str, *messages: str) -> tuple[object, Sensing]:
    sensing = Sensing({})
    for n, message in enumerate(messages):
        line = network_line(
            message.encode(), "net", network, 1_000_000_000_000 + 100 * n
        )
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
    assert sensing.utc(sensing.now) == datetime(
        2011, 3, 20, 6, 51, 59, 120_000, tzinfo=UTC
    )


def test_gpsd_report_of_the_older_protocol():
    """Its time was a number of seconds (same page, protocol 3.1, S); it is not read, the place stands."""
    boat, sensing = boat_after(
        "gpsd",
        '{"class":"TPV","tag":"MID2","device":"/dev/ttyUSB0","time":1253593667.430,"ept":0.005,'
        '"lat":38.88945123,"lon":-77.03522143,"alt":146.911,"track":180.0000,"speed":0.194,"mode":3}',
    )
    assert (boat.lat, boat.speed, boat.course) == (
        38.88945123,
        pytest.approx(0.194),
        180.0,
    )
    assert sensing.dropped == {"time malformed": 1}


# The example of $MXPGN that manuals of gateways print (M): a position at 20.7 N, 105.4
# W.
MXPGN = "$MXPGN,01F801,2801,C1308AC40C5DE343*19"


def test_nmea2000_text_of_a_gateway():
    """The same line read by the library nmea2000 (C), whose fields come from the CANboat database."""
    from nmea2000 import NMEA2000Decoder

    boat, _ = boat_after("nmea2000", MXPGN)
    fields = {field.id: field.value for field in NMEA2000Decoder().decode(MXPGN).fields}
    assert (boat.lat, boat.lon) == (fields["latitude"], fields["longitude"])
    assert (boat.lat, boat.lon) == (
        pytest.approx(20.7479619),
        pytest.approx(-105.3783356),
    )


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


@pytest.mark.parametrize(
    ("line", "told"),
    [
        # CANboat, analyzer/tests: the .in files' lines and what the .out files print of
        # them (S).
        (
            "(1502979134.406111) vcan0 09F80107#24353C0000C0C0C0",
            {"lat": 0.3945764, "lon": -106.1109760},
        ),
        ("A000200.004 96FF2 1F802 FFFCCA300100FFFF", {"course": 71.6, "speed": 0.01}),
        (
            "A000200.005 96FF2 1F801 20945F1F44ED0303",
            {"lat": 52.6357536, "lon": 5.0588996},
        ),
        (
            "2024-07-19-23:24:46.790,2,129025,64,255,8,3b,34,98,16,cc,ea,08,b7",
            {"lat": 37.9073595, "lon": -122.4152372},
        ),
        (
            "2024-07-19-23:24:46.791,5,130310,35,255,8,ff,8b,72,ff,ff,ff,ff,ff",
            {"water_temperature": 20.08},
        ),
        (
            "2024-07-19-23:24:46.938,5,130312,35,255,8,ff,00,00,8b,72,ff,ff,ff",
            {"water_temperature": 20.08},
        ),
    ],
)
def test_nmea2000_published_frames(line, told):
    boat, _ = boat_after("nmea2000", line)
    for name, value in told.items():
        shown = len(str(value).partition(".")[2])
        assert getattr(boat, name) == pytest.approx(value, abs=0.51 * 10**-shown), name


def test_gpsd_and_the_receiver_it_reads_tell_the_same():
    """An instant of gpsd's regression logs (test/daemon, .chk): sentences, and their report (S)."""
    report, _ = boat_after(
        "gpsd",
        '{"class":"TPV","mode":3,"time":"2005-06-19T16:12:23.890Z","ept":0.005,"lat":46.498204496,'
        '"lon":7.568061439,"altHAE":1375.8717,"track":180.0000,"magvar":2.3,"speed":0.086,"climb":-0.091}',
    )
    sensing = Sensing({})
    sentences = (
        b"$GPZDA,161223.89,19,06,2005,00,00*6B\r\n"
        b"$GPGGA,161223.89,4629.8922698,N,00734.0836864,E,1,06,1.49,1330.28,M,45.589,M,,*54\r\n"
        b"$GPRMC,161223.89,A,4629.8922698,N,0734.0836864,E,0.1673,180.000,190605,2.3,E*54\r\n"
    )
    assert list(sensing.feed(Chunk(0.0, "receiver", sentences)))
    boat = sensing.boat(sensing.now)
    assert (boat.lat, boat.lon) == pytest.approx((report.lat, report.lon), abs=2e-9)
    assert (boat.speed, boat.course) == (
        pytest.approx(report.speed, abs=0.0005),
        report.course,
    )
    assert boat.hdop == 1.49
    assert sensing.utc(0.0) == datetime(2005, 6, 19, 16, 12, 23, 890_000, tzinfo=UTC)


def test_signalk_published_delta():
    """The second update of samples/delta/docs-data_model.json in the specification's repository (S)."""
    own = "vessels.urn:mrn:imo:mmsi:234567890"
    boat, _ = boat_after(
        "signalk",
        f'{{"name":"a server","self":"{own}","roles":["main"]}}',
        f'{{"context":"{own}","updates":[{{"source":{{"label":"N2000-01","type":"NMEA2000","src":"115"}},'
        '"timestamp":"2014-08-15T16:00:00.081Z","values":[{"path":"navigation.courseOverGroundTrue","value":2.971},'
        '{"path":"navigation.speedOverGround","value":3.85}]}]}',
    )
    assert (boat.speed, boat.course) == (3.85, pytest.approx(math.degrees(2.971)))
