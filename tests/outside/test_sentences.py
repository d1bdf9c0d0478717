"""Sentences, TAG blocks and units against published values and a reference library.

Beside each check its source, and how we have it: S seen in print or on the page, M from
memory of a standard, C computed with a reference library or another implementation.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time
from pathlib import Path

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import (
    Chunk,
    Depth,
    Motion,
    Sensing,
    SourceSettings,
    WaterTemperature,
)
from companion.sensing.framing import Framer, checksum

VECTORS = (
    Path(__file__).parents[2].parent
    / "shared"
    / "data"
    / "logs"
    / "tagblock_vectors.txt"
)


def read(line: str, **settings) -> tuple[list, Sensing]:
    sensing = Sensing({"boat": SourceSettings(**settings)})
    return [
        r for _, r in sensing.feed(Chunk(0.0, "boat", line.encode() + b"\r\n"))
    ], sensing


# gpsd's page on NMEA sentences and its test logs (S): whole sentences with their
# checksums.
PUBLISHED = [
    ("$SDDBT,7.8,f,2.4,M,1.3,F*0D", Depth, "below_transducer", 2.4),
    ("$INDPT,2.3,0.0*46", Depth, "below_transducer", 2.3),
    ("$INMTW,17.9,C*1B", WaterTemperature, "celsius", 17.9),
]


@pytest.mark.parametrize(("line", "kind", "field", "value"), PUBLISHED)
def test_published_sentences(line, kind, field, value):
    readings, sensing = read(line)
    (reading,) = readings
    assert isinstance(reading, kind)
    assert getattr(reading, field) == value
    assert not sensing.dropped
    # Any other checksum is refused.
    for other in range(256):
        if other != int(line[-2:], 16):
            assert read(f"{line[:-2]}{other:02X}")[0] == []


def test_the_example_fix_of_1994():
    """The pair that nearly every text on NMEA 0183 prints: 48 deg 07.038' N, 11 deg 31.000' E (M)."""
    _, sensing = read(
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        not_before=date(1980, 1, 6),
    )
    boat = sensing.boat(sensing.now)
    assert boat.lat == pytest.approx(48.1173, abs=1e-9)
    assert boat.lon == pytest.approx(11.516666667, abs=1e-9)
    assert boat.speed == pytest.approx(22.4 * 1852 / 3600)
    assert boat.course == 84.4
    assert boat.hdop == 0.9
    assert sensing.utc(sensing.now) == datetime(1994, 3, 23, 12, 35, 19, tzinfo=UTC)
    assert not sensing.dropped


def test_an_example_of_two_systems_of_satellites():
    """The GNS of the gpsd project's page on NMEA sentences, section GNS: 43 deg 32.69262' S (M)."""
    _, sensing = read(
        "$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70\r\n"
    )
    boat = sensing.boat(sensing.now)
    assert boat.lat == pytest.approx(-43.544877, abs=1e-9)
    assert boat.lon == pytest.approx(172.5914248333, abs=1e-9)
    assert boat.hdop == 0.9
    assert not sensing.dropped


def test_units_are_exact():
    """NIST SP 811, appendix B.8: 1 ft = 0.3048 m, 1 fathom = 6 ft, 1 knot = 1852/3600 m/s (M)."""

    def value(body: str, kind: type, field: str) -> float:
        readings, _ = read(f"${body}*{checksum(body.encode()):02X}")
        (reading,) = [r for r in readings if isinstance(r, kind)]
        return getattr(reading, field)

    assert value("SDDBT,100,f,,M,,F", Depth, "below_transducer") == pytest.approx(
        30.48, rel=1e-15
    )
    assert value("SDDBT,,f,,M,10,F", Depth, "below_transducer") == pytest.approx(
        18.288, rel=1e-15
    )
    assert value("GPVTG,0,T,,M,36,N,,K", Motion, "speed") == pytest.approx(
        18.52, rel=1e-15
    )


@pytest.mark.parametrize(
    ("shown", "true"),
    [
        ("220899", date(2019, 4, 7)),
        ("151102", date(2022, 7, 1)),
        ("060180", date(2019, 4, 7)),
    ],
)
def test_week_rollovers(shown, true):
    """GPS counts weeks in ten bits from 1980-01-06: the count began anew 1999-08-22 and 2019-04-07.

    IS-GPS-200, 20.3.3.3.1.1 (M). 2002-11-15 for 2022-07-01 was recorded on a dock in
    2022 (S, its log).
    """
    body = f"GPRMC,045532,A,3806.967,N,12137.454,W,0.0,247.1,{shown},,"
    _, sensing = read(f"${body}*{checksum(body.encode()):02X}")
    assert sensing.utc(sensing.now).date() == true


@pytest.mark.parametrize(
    ("end", "true"),
    [("", date(2007, 2, 17)), (",A", date(2007, 2, 17)), (",A,V", date(2026, 10, 3))],
)
def test_no_sentence_is_older_than_its_form(end, true):
    """A mode indicator came with NMEA 2.3, the status after it with 4.1 (S, a reference on RMC).

    4.10 is of 2012 and 2.3 of 2000 (M).
    """
    body = f"GPRMC,045532,A,3806.967,N,12137.454,W,0.0,247.1,170207,,{end}"
    _, sensing = read(f"${body}*{checksum(body.encode()):02X}")
    assert sensing.utc(sensing.now).date() == true


def test_published_tag_blocks():
    """13 published TAG blocks, verdicts by an independent count (S, the file names each source)."""
    if not VECTORS.exists():
        pytest.skip(f"{VECTORS} is not here")
    lines = [
        line for line in VECTORS.read_text().splitlines() if line and line[0] != "#"
    ]
    verdicts = {"ok": 0, "x5c": 0, "bad": 0}
    for line in lines:
        verdict, _, text = line.split("\t")
        framer = Framer()
        (sentence,) = framer.feed(
            text.encode() + b"\r\n"
        )  # the sentence is kept, whatever the tags
        verdicts[verdict] += 1
        told = (sentence.tag_time, sentence.tag_source) != (None, None)
        assert told == (verdict == "ok"), text
        if told and "c:" in text:
            assert sentence.tag_time == int(text.split("c:")[1][:10]) * 1000
        assert dict(framer.dropped) == (
            {} if verdict == "ok" else {"wrong tag checksum": 1}
        )
    assert verdicts == {"ok": 8, "x5c": 2, "bad": 3}


@pytest.mark.parametrize(
    ("formatter", "data", "name", "theirs"),
    [
        ("DPT", "1e2,0.0", "depth", 100),
        ("DPT", "1_0,0.0", "depth", 10),
        ("DPT", " 7,0.0", "depth", 7),
        ("RMC", "14150,A", "timestamp", time(14, 15, tzinfo=UTC)),
        ("RMC", "235960,A", "timestamp", "235960"),
        ("RMC", "1,A,,,,,,,31026", "datestamp", date(2026, 10, 3)),
        ("RMC", "1,A,,,,,,,010170", "datestamp", date(1970, 1, 1)),
        ("GGA", "1,4875.0,N", "latitude", 49.25),
        ("GGA", "1,9975.0,N", "latitude", 100.25),
        ("GGA", "1,4807.0,E", "latitude", 0.0),
        ("GGA", "1,,", "latitude", 0.0),
        ("GGA", "1,,,,,1,8,0.9", "horizontal_dil", "0.9"),
        ("RMC", "1,A,,,,,,,,003.1,W", "mag_variation", "003.1"),
    ],
)
def test_where_pynmea2_is_not_relied_on(formatter, data, name, theirs):
    """The cases of `decisions/sentences.md` (C, pynmea2 1.19): what it gives; here it tells nothing."""
    kind = pynmea2.TalkerSentence.sentence_types[formatter]
    assert getattr(kind("GP", formatter, data.split(",")), name) == theirs
    body = f"GP{formatter},{data}" + "," * 12
    _, sensing = read(f"${body}*{checksum(body.encode()):02X}")
    boat = sensing.boat(sensing.now)
    assert (boat.depth, boat.lat, sensing.utc(sensing.now)) == (None, None, None)


def test_what_pynmea2_does_not_know():
    assert "DBK" not in pynmea2.TalkerSentence.sentence_types
    names = [field[1] for field in pynmea2.TalkerSentence.sentence_types["DBS"].fields]
    assert "depth_ fathoms" in names
    # A whole minute without a point is lawful.
    with pytest.raises(ValueError, match="not valid"):
        _ = pynmea2.TalkerSentence.sentence_types["GGA"](
            "GP", "GGA", ["1", "4807", "N"]
        ).latitude


latitudes = st.tuples(st.integers(0, 89), st.integers(0, 599999), st.sampled_from("NS"))
longitudes = st.tuples(
    st.integers(0, 179), st.integers(0, 599999), st.sampled_from("EW")
)


@given(
    latitudes,
    longitudes,
    st.datetimes(datetime(2005, 1, 2), datetime(2068, 1, 1)),
    st.floats(0, 99, allow_nan=False),
    st.floats(0, 359),
    st.floats(0.01, 299),
    st.floats(0, 5),
)
def test_good_sentences_mean_what_a_reference_library_says(
    lat, lon, when, knots, course, depth, offset
):
    """Any good RMC, GGA and DPT: the same values as pynmea2 reads (C, pynmea2 1.19)."""
    place = f"{lat[0]:02d}{lat[1] / 10000:07.4f},{lat[2]},{lon[0]:03d}{lon[1] / 10000:07.4f},{lon[2]}"
    if lat[:2] == (0, 0) and lon[:2] == (0, 0):
        return
    clock, day = f"{when:%H%M%S}.{when.microsecond // 10000:02d}", f"{when:%d%m%y}"
    lines = []
    for body in (
        f"GPRMC,{clock},A,{place},{knots:.2f},{course:.1f},{day},,,A",
        f"GPGGA,{clock},{place},1,09,0.9,120.0,M,-30.0,M,,",
        f"SDDPT,{depth:.2f},{offset:.2f}",
    ):
        lines.append(f"${body}*{checksum(body.encode()):02X}")
    rmc, _, dpt = (pynmea2.parse(line, check=True) for line in lines)
    sensing = Sensing({})
    readings = list(
        sensing.feed(Chunk(0.0, "boat", ("\r\n".join(lines) + "\r\n").encode()))
    )
    boat = sensing.boat(sensing.now)
    assert (boat.lat, boat.lon) == pytest.approx(
        (rmc.latitude, rmc.longitude), abs=1e-9
    )
    assert boat.speed == pytest.approx(float(rmc.spd_over_grnd) * 1852 / 3600)
    assert boat.course == rmc.true_course
    at_rmc = next(t for t, r in readings if isinstance(r, Motion))
    assert sensing.utc(at_rmc) == rmc.datetime
    if float(dpt.depth) > 0:
        assert boat.depth_below_transducer == pytest.approx(float(dpt.depth))
        assert boat.depth == pytest.approx(float(dpt.depth) + float(dpt.offset))


@pytest.mark.parametrize(
    "line",
    [
        "$GPGGA,123519,0,N,0,E,1,08,0.9,545.4,M,46.9,M,,",
        "$GPRMC,123519,V,,,,,,,230394,,",  # void and blank: 0, 0 in a lenient reader
        "$SDDPT,nan,0.0",
    ],
)
def test_what_a_lenient_reader_takes_is_not_taken(line):
    """pynmea2 takes missing checksums, NaN, and void fixes as 0, 0 (C); none becomes a value here."""
    lenient = pynmea2.parse(line)
    value = lenient.depth if "DPT" in line else lenient.latitude
    assert math.isnan(value) or value == 0.0
    body = line[1:]
    for text in (line, f"{line}*{checksum(body.encode()):02X}"):
        _, sensing = read(text)
        boat = sensing.boat(sensing.now)
        assert boat.lat is None
        assert boat.depth is None
        assert sum(sensing.dropped.values()) >= 1
