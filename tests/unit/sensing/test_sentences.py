"""Each family of sentences: what it tells, and what it must never be taken to tell."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import (
    BoatOffsets,
    Depth,
    Heading,
    Motion,
    Position,
    Sensing,
    WaterSpeed,
)
from companion.units import FATHOM, FOOT, KNOT


@pytest.fixture
def told(nmea, take):
    """The one reading of a kind that a sentence gives, and the reasons counted."""

    def told(body: str, kind: type, **offsets: float):
        sensing = Sensing({}, BoatOffsets(**offsets))
        readings = [r for _, r in take(sensing, nmea(body)) if isinstance(r, kind)]
        assert len(readings) <= 1
        return (readings[0] if readings else None), sensing.dropped

    return told


@pytest.mark.parametrize(
    ("body", "below_transducer", "below_surface"),
    [
        ("SDDPT,5.4,0.2", 5.4, 5.6),  # transducer to waterline
        ("SDDPT,5.4,-0.8", 5.4, 5.4),  # transducer to keel says nothing of the surface
        ("SDDPT,5.4", 5.4, 5.4),
        ("SDDPT,5.4,", 5.4, 5.4),
        ("SDDPT,5.3,0.4,", 5.3, 5.7),  # a spare comma
        ("SDDPT,5.4,0.2,100", 5.4, 5.6),  # the range
        ("SDDPT,5.4,half", 5.4, 5.4),
        ("SDDBT,17.7,f,5.4,M,2.9,F", 5.4, 5.4),
        ("SDDBT,17.7,f,,M,2.9,F", 17.7 * FOOT, 17.7 * FOOT),
        ("SDDBT,,f,,M,2.9,F", 2.9 * FATHOM, 2.9 * FATHOM),
        ("PADBT,000.000,f,019.04,M,000.000,F", 19.04, 19.04),
        ("05DBT,1.6,f,0.50,M,0.2,F", 0.5, 0.5),  # a talker of digits
        ("23DBS,01.9,f,0.58,M,00.3,F", None, 0.58),
    ],
)
def test_depths(told, body, below_transducer, below_surface):
    reading, _ = told(body, Depth)
    assert reading.below_transducer == pytest.approx(below_transducer)
    assert reading.below_surface == pytest.approx(below_surface)


def test_a_measured_transducer_depth_goes_before_what_the_sounder_was_told(told):
    assert told("SDDPT,5.4,0.2", Depth, transducer=0.5)[
        0
    ].below_surface == pytest.approx(5.9)
    assert told("SDDBT,,f,5.4,M,,F", Depth, transducer=0.5)[
        0
    ].below_surface == pytest.approx(5.9)
    assert told("SDDBS,,f,5.4,M,,F", Depth, transducer=0.5)[
        0
    ].below_transducer == pytest.approx(4.9)


def test_depth_below_keel_needs_the_keel(told):
    reading, dropped = told("SDDBK,,f,5.4,M,,F", Depth)
    assert reading.below_surface is None
    assert sum(dropped.values()) == 1
    assert told("SDDBK,,f,5.4,M,,F", Depth, keel=0.7)[0].below_surface == pytest.approx(
        6.1
    )


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("SDDPT,,0.2", "depth blank"),
        ("SDDPT,0.00,0.2", "depth lost"),
        ("SDDBT,000.000,f,000.00,M,000.000,F", "depth lost"),
        ("SDDBT,,f,,M,,F", "depth blank"),
        ("SDDPT,nan,0.2", "depth malformed"),
        ("SDDPT,inf,0.2", "depth malformed"),
        ("SDDPT,1e1,0.2", "depth malformed"),
        ("SDDPT,1_0,0.2", "depth malformed"),
        ("SDDPT,-1.0,0.2", "depth out of range"),
        ("SDDPT,4294967.295,0.2", "depth out of range"),
        ("SDDPT,42949672.92,0.2", "depth out of range"),
        ("SDDPT,6553.5,0.2", "depth out of range"),
        ("SDDPT,327.67,0.2", "depth out of range"),
        ("SDDPT,999.9,0.2", "depth out of range"),
        ("SDDBT,5.4,M,17.7,f,2.9,F", "depth malformed"),  # metres where feet belong
    ],
)
def test_no_depth(told, nmea, take, body, reason):
    alone, dropped = told(body, Depth)
    assert alone is None
    assert dropped == {reason: 1}
    # After a good one it makes the state unknown at once.
    sensing = Sensing({})
    good = "SDDPT,5.4,0.2" if "DPT" in body else "SDDBT,,f,5.4,M,,F"
    take(sensing, nmea(good))
    assert sensing.boat(0.0).depth is not None
    take(sensing, nmea(body))
    assert sensing.boat(0.0).depth is None


RMC = "GPRMC,{t},{status},{place},5.2,77.3,160906,15.8,W{mode}"
PLACE = "4426.1130,N,07140.5596,W"


def test_rmc_tells_place_motion_and_variation(nmea, take):
    sensing = Sensing({})
    take(
        sensing,
        nmea(RMC.format(t="194101", status="A", place=PLACE, mode=""), "HCHDM,100.0,M"),
    )
    boat = sensing.boat(0.0)
    assert boat.lat == pytest.approx(44 + 26.1130 / 60)
    assert boat.lon == pytest.approx(-(71 + 40.5596 / 60))
    assert boat.speed == pytest.approx(5.2 * KNOT)
    assert boat.course == 77.3
    assert boat.heading_magnetic == 100.0
    assert boat.heading == pytest.approx(84.2)
    assert sensing.utc(0.0).isoformat() == "2006-09-16T19:41:01+00:00"


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (RMC.format(t="194101", status="V", place=PLACE, mode=""), "position void"),
        (RMC.format(t="194101", status="A", place=PLACE, mode=",N"), "position void"),
        (RMC.format(t="194101", status="A", place=PLACE, mode=",E"), "position void"),
        (RMC.format(t="194101", status="A", place=PLACE, mode=",S"), "position void"),
        (RMC.format(t="194101", status="A", place=",,,", mode=""), "position blank"),
        (
            RMC.format(
                t="194101", status="A", place="0000.0000,N,00000.0000,E", mode=""
            ),
            "position at 0, 0",
        ),
        (
            RMC.format(
                t="194101", status="A", place="4460.0000,N,07140.5596,W", mode=""
            ),
            "position malformed",
        ),
        (
            RMC.format(
                t="194101", status="A", place="9100.0000,N,07140.5596,W", mode=""
            ),
            "position malformed",
        ),
        (
            RMC.format(
                t="194101", status="A", place="4426.1130,,07140.5596,W", mode=""
            ),
            "position malformed",
        ),
        (
            RMC.format(
                t="194101", status="A", place="4426.1130,E,07140.5596,W", mode=""
            ),
            "position malformed",
        ),
        (
            RMC.format(t="194101", status="A", place="nan,N,07140.5596,W", mode=""),
            "position malformed",
        ),
        (f"GPGGA,194101,{PLACE},0,00,99.9,0,M,0,M,,", "position void"),
        (f"GPGGA,194101,{PLACE},,00,99.9,0,M,0,M,,", "position void"),
        (f"GPGGA,194101,{PLACE},6,00,1.0,0,M,0,M,,", "position void"),  # dead reckoning
        (f"GPGGA,194101,{PLACE},8,09,1.0,0,M,0,M,,", "position void"),  # simulation
        (f"GNGNS,194101,{PLACE},NNN,00,,,,,", "position void"),
        (f"GNGNS,194101,{PLACE},,00,,,,,", "position void"),
        (f"GNGNS,194101,{PLACE},EE,04,1.0,100,-30,,", "position void"),
        (f"GNGNS,194101,{PLACE},SN,09,1.0,100,-30,,", "position void"),
        (f"GPGLL,{PLACE},194101,V", "position void"),
        (f"GPGLL,{PLACE},194101,A,N", "position void"),
        ("GPGGA,194101", "too few fields"),
    ],
)
def test_no_place(told, body, reason):
    reading, dropped = told(body, Position)
    assert reading is None
    assert dropped[reason] == 1


@pytest.mark.parametrize(
    "body",
    [
        f"GPGGA,194101,{PLACE},1,08,1.2,100,M,-30,M,,",
        f"GNGGA,194101.50,{PLACE},4,08,1.2,100,M,-30,M,,",
        f"GNGNS,194101.00,{PLACE},AAN,14,0.9,100,-30,,",
        f"GNGNS,194101.00,{PLACE},NF,14,0.9,100,-30,,,V",
        f"GPGNS,194101,{PLACE},D,08,0.9,100,-30,,",
        f"GPGLL,{PLACE},194101,A",
        f"GPGLL,{PLACE}",  # before NMEA 2.0
        f"INGLL,{PLACE},194101,A,D",
        RMC.format(t="194101", status="A", place=PLACE, mode=",A"),
        RMC.format(
            t="194101", status="A", place=PLACE, mode=",D,V"
        ),  # NMEA 4.1: no integrity told
    ],
)
def test_a_place(told, body):
    reading, _ = told(body, Position)
    assert (reading.lat, reading.lon) == pytest.approx((44.4352167, -71.6759933))


def test_vtg(told):
    reading, _ = told("INVTG,77.5,T,93.3,M,5.2,N,9.7,K", Motion)
    assert (reading.course, reading.speed) == (77.5, pytest.approx(5.2 * KNOT))
    assert told("INVTG,,T,,M,,N,,K,N", Motion)[0] is None
    assert told("INVTG,77.5,93.3,5.2,9.7,,", Motion)[0] is None  # the old form
    assert (
        told("INVTG,77.5,T,93.3,M,655.35,N,9.7,K", Motion)[1]["speed out of range"] == 1
    )


@pytest.mark.parametrize(
    ("body", "true", "magnetic"),
    [
        ("HEHDT,359.9,T", 359.9, None),
        ("HCHDM,186.5,M", None, 186.5),
        ("HCHDG,182.1,00.0,E,00.0,E", 182.1, 182.1),
        ("HCHDG,80.0,,,0.9,E", 80.9, 80.0),
        ("HCHDG,5.0,3.0,W,10.0,W", 352.0, 2.0),
        ("HCHDG,80.0,,,,", None, 80.0),
        ("HCHDG,80.0", None, 80.0),
    ],
)
def test_headings(told, body, true, magnetic):
    reading, _ = told(body, Heading)
    assert reading.true == (None if true is None else pytest.approx(true))
    assert reading.magnetic == (None if magnetic is None else pytest.approx(magnetic))


def test_no_heading(told):
    assert told("HEHDT,,T", Heading)[1] == {"heading blank": 1}
    assert told("HEHDT,655.35,T", Heading)[1] == {"heading out of range": 1}
    assert told("HCHDG,80.0,,,0.9,Q", Heading)[0].true is None


def test_water(nmea, take, told):
    sensing = Sensing({})
    take(sensing, nmea("INMTW,17.9,C", "VWVHW,271.2,T,258.0,M,3.00,N,5.6,K"))
    assert sensing.boat(0.0).water_temperature == 17.9
    assert sensing.boat(0.0).water_speed == pytest.approx(3 * KNOT)
    assert told("VWVHW,,T,,M,,N,3.6,K", WaterSpeed)[0].speed == pytest.approx(1.0)
    take(sensing, nmea("INMTW,,C", "VWVHW,,T,,M,,N,,K"))
    assert sensing.boat(0.0).water_temperature is None
    assert sensing.boat(0.0).water_speed is None
    assert sensing.dropped == {"water temperature blank": 1, "water speed blank": 1}


def test_makers_own_sentences_are_not_taken_for_others(told):
    assert (
        told(
            "PXRMC,194101,A,4426.1130,N,07140.5596,W,5.2,77.3,160906,15.8,W", Position
        )[0]
        is None
    )


NAMES = [
    "DPT",
    "DBT",
    "DBS",
    "DBK",
    "GGA",
    "GNS",
    "GLL",
    "RMC",
    "VTG",
    "ZDA",
    "HDT",
    "HDG",
    "HDM",
    "MTW",
    "VHW",
]
fields = st.lists(
    st.one_of(
        st.sampled_from(
            [
                "",
                "A",
                "V",
                "N",
                "E",
                "M",
                "f",
                "F",
                "T",
                "0",
                "1",
                "nan",
                "inf",
                "-inf",
                "1e400",
            ]
        ),
        st.text(alphabet="0123456789.-+", max_size=12),
        st.text(
            alphabet=st.characters(
                min_codepoint=32, max_codepoint=126, exclude_characters="$!*\\,"
            )
        ),
    ),
    max_size=14,
)


@given(
    st.lists(
        st.tuples(st.sampled_from(NAMES), fields),
        max_size=6,
    )
)
def test_whatever_is_in_the_fields_nothing_is_raised_and_nothing_absurd_told(
    nmea, take, sentences
):
    sensing = Sensing({})
    for t, _ in take(
        sensing, nmea(*(",".join(["GP" + name, *f]) for name, f in sentences))
    ):
        boat = sensing.boat(t)
        for value, low, high in (
            (boat.lat, -90, 90),
            (boat.lon, -180, 180),
            (boat.depth_below_transducer, 0, 300),
            (boat.depth, 0, 320),
            (boat.speed, 0, 52),
            (boat.course, 0, 360),
            (boat.heading, 0, 360),
            (boat.water_temperature, -2.5, 40),
            (boat.water_speed, 0, 52),
        ):
            assert value is None or (math.isfinite(value) and low <= value <= high)
