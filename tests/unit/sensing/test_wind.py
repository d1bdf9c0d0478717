"""Wind, however it is told: over the ground, from where, or not known."""

from __future__ import annotations

import json
import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.sensing import Chunk, Sensing
from companion.sensing.framing import checksum
from companion.sensing.networks import network_line
from companion.sensing.wind import WindTold, wind_over_ground

START_MS = 1_791_036_900_000
BOAT = ("GPVTG,90.0,T,,M,10.0,N,,K", "HCHDT,90.0,T")  # eastwards at ten knots


def boat_after(*bodies: str):
    sensing = Sensing({})
    lines = "".join(f"${body}*{checksum(body.encode()):02X}\r\n" for body in bodies)
    list(sensing.feed(Chunk(0.0, "boat", lines.encode())))
    return sensing.boat(sensing.now), sensing


def over_network(network: str, *messages: str):
    sensing = Sensing({})
    for n, message in enumerate(messages):
        line = network_line(message.encode(), "net", network, START_MS + 100 * n)
        list(sensing.feed(Chunk(0.0, "recording", line)))
    return sensing.boat(sensing.now), sensing


@pytest.mark.parametrize(
    ("bodies", "speed", "comes_from"),
    [
        (["WIMWD,270.0,T,,M,8.0,N,4.1,M"], 4.1, 270.0),
        (["WIMWD,270.0,T,,M,8.0,N,,M"], 8.0 * 1852 / 3600, 270.0),
        (["HCHDG,,,,2.0,E", "WIMWD,,T,268.0,M,,N,4.1,M"], 4.1, 270.0),
        (
            ["WIMWD,,T,268.0,M,,N,4.1,M"],
            4.1,
            None,
        ),  # no variation: from where is not known
        ([*BOAT, "WIMWV,45.0,T,5.0,M,A"], 5.0, 135.0),
        (["WIMWV,45.0,T,5.0,M,A"], 5.0, None),  # no heading
        (
            [*BOAT, "WIMWV,0.0,R,10.0,N,A"],
            0.0,
            None,
        ),  # what it feels is its own way: a calm
        ([*BOAT, "WIMWV,0.0,R,30.0,N,A"], 20 * 1852 / 3600, 90.0),
        ([*BOAT, "WIMWV,180.0,R,36.0,K,A"], 10.0 + 10 * 1852 / 3600, 270.0),
        (["WIMWV,45.0,R,5.0,M,A"], None, None),
        ([*BOAT, "WIMWV,45.0,T,5.0,M,V"], None, None),
        ([*BOAT, "WIMWV,45.0,T,5.0,X,A"], None, None),
        ([*BOAT, "WIMWV,45.0,T,99.0,M,A"], None, None),
        ([*BOAT, "WIMWV,45.0,T,,M,A"], None, None),
    ],
)
def test_wind_of_sentences(bodies, speed, comes_from):
    boat, _ = boat_after(*bodies)
    if speed == 0.0:  # out of which a direction can be any
        assert boat.wind_speed == pytest.approx(0.0, abs=1e-9)
        return
    assert (boat.wind_speed, boat.wind_from) == (
        speed if speed is None else pytest.approx(speed),
        comes_from if comes_from is None else pytest.approx(comes_from),
    )


def test_true_and_apparent_in_turn_never_alternate():
    bodies = [
        *BOAT,
        *("WIMWV,0.0,R,30.0,N,A", "WIMWV,45.0,T,5.0,M,A") * 3,
        "WIMWV,0.0,R,30.0,N,A",
    ]
    boat, sensing = boat_after(*bodies)
    assert (boat.wind_speed, boat.wind_from) == (5.0, 135.0)
    assert sensing.passed_over["wind from another source"] == 3


@given(
    st.floats(0.1, 20.0),
    st.floats(0.0, 359.9),
    st.floats(0.0, 15.0),
    st.floats(0.0, 359.9),
    st.floats(0.0, 359.9),
)
def test_the_felt_wind_gives_the_wind_back(speed, comes_from, way, course, heading):
    """Felt wind = the wind's movement less the boat's (addition of velocities)."""
    east = speed * math.sin(math.radians(comes_from)) + way * math.sin(
        math.radians(course)
    )
    north = speed * math.cos(math.radians(comes_from)) + way * math.cos(
        math.radians(course)
    )
    felt = WindTold(
        math.hypot(east, north),
        math.degrees(math.atan2(east, north)) - heading,
        "apparent",
    )
    told, found = wind_over_ground(felt, heading, (way, course))
    assert told == pytest.approx(speed, abs=1e-9)
    assert math.cos(math.radians(found - comes_from)) == pytest.approx(1.0, abs=1e-9)


def frame(speed: int, angle: int, reference: int) -> str:
    data = struct.pack("<BHHB", 0, speed, angle, 0xF8 | reference) + b"\xff\xff"
    return f"(1791036900.000000) can0 09FD0223#{data.hex().upper()}"


@pytest.mark.parametrize(
    ("speed", "angle", "reference", "told"),
    [
        (500, 15708, 0, (5.0, pytest.approx(90.0, abs=0.01))),
        (500, 15708, 3, (5.0, None)),  # off the bow, and no heading
        (500, 15708, 2, (None, None)),  # apparent, and no heading
        (0xFFFF, 15708, 0, (None, None)),
        (0xFFFE, 15708, 0, (None, None)),
        (500, 0xFFFF, 0, (5.0, None)),
        (8000, 15708, 0, (None, None)),
        (500, 15708, 7, (None, None)),
    ],
)
def test_wind_of_nmea_2000(speed, angle, reference, told):
    boat, sensing = over_network("nmea2000", frame(speed, angle, reference))
    assert (boat.wind_speed, boat.wind_from) == told
    assert sensing.counts == {"130306": 1}


def delta(**values: object) -> str:
    told = [
        {"path": f"environment.wind.{path}", "value": value}
        for path, value in values.items()
    ]
    return json.dumps(
        {"context": "vessels.self", "updates": [{"$source": "w", "values": told}]}
    )


def test_wind_of_signal_k():
    """In radians and metres per second; what is null is not known (Signal K 1.7, keys reference)."""
    boat, _ = over_network(
        "signalk", delta(directionTrue=math.pi / 2, speedOverGround=5.5)
    )
    assert (boat.wind_speed, boat.wind_from) == (5.5, pytest.approx(90.0))
    for value in (None, "5", True, 1e9, [5.0]):
        boat, _ = over_network(
            "signalk", delta(directionTrue=1.0, speedOverGround=value)
        )
        assert (boat.wind_speed, boat.wind_from) == (None, None)
    heading = json.dumps(
        {
            "updates": [
                {
                    "$source": "c",
                    "values": [{"path": "navigation.headingTrue", "value": 0.0}],
                }
            ]
        }
    )
    boat, _ = over_network(
        "signalk", heading, delta(angleTrueWater=-math.pi / 2, speedTrue=3.0)
    )
    assert (boat.wind_speed, boat.wind_from) == (3.0, pytest.approx(270.0))
