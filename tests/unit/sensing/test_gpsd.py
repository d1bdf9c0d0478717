"""gpsd's reports: what they tell, and what they must never be taken to tell."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.sensing import Chunk, Motion, Position, Sensing
from companion.sensing.networks import network_line

FIX = {
    "class": "TPV",
    "device": "/dev/ttyS0",
    "mode": 3,
    "time": "2026-10-03T14:15:00.250Z",
    "lat": 45.1,
    "lon": -93.2,
    "speed": 0.5,
    "track": 90.0,
}

UNHURRIED = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)


def feed(sensing: Sensing, *reports: object) -> list:
    lines = [
        one if isinstance(one, bytes) else json.dumps(one).encode() for one in reports
    ]
    data = b"".join(
        network_line(line, "gps", "gpsd", 1_791_036_900_000 + n)
        for n, line in enumerate(lines)
    )
    return [r for _, r in sensing.feed(Chunk(0.0, "recording", data))]


def test_a_fix_with_its_dilution_of_precision():
    sensing = Sensing({})
    sky = {"class": "SKY", "device": "/dev/ttyS0", "hdop": 1.2}
    place, motion = feed(sensing, sky, FIX)
    assert (place.lat, place.lon, place.hdop) == (45.1, -93.2, 1.2)
    assert (motion.speed, motion.course) == (0.5, 90.0)
    assert (place.origin.source, place.origin.talker, place.origin.formatter) == (
        "gps",
        "/dev/ttyS0",
        "TPV",
    )
    # Our own stamp and the report's time are one UTC when they are near: the rest is
    # delay.
    assert sensing.utc(sensing.now).isoformat() == "2026-10-03T14:15:00.001000+00:00"
    assert sensing.counts == {"TPV": 1, "SKY": 1}
    assert not sensing.dropped


def test_a_sky_without_it_is_not_the_last_one():
    sensing = Sensing({})
    reports = [
        {"class": "SKY", "device": "/dev/ttyS0", **h} for h in ({"hdop": 1.2}, {})
    ]
    assert feed(sensing, *reports, FIX)[0].hdop is None


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"mode": 0}, "position void"),
        ({"mode": 1}, "position void"),
        ({"status": 5}, "position void"),  # dead reckoning
        ({"status": 8}, "position void"),  # simulated
        ({"lat": None}, "position blank"),
        ({"lat": 0.0, "lon": 0.0}, "position at 0, 0"),
        ({"lat": 90.01}, "position malformed"),
        ({"lat": 1e300}, "position malformed"),
        ({"lat": "45.1"}, "gpsd report malformed"),
        ({"lat": True}, "gpsd report malformed"),
        ({"lat": [45.1]}, "gpsd report malformed"),
        ({"lat": float("nan")}, "gpsd report malformed"),
        ({"mode": "3"}, "gpsd report malformed"),
    ],
)
def test_no_place(changed, reason):
    sensing = Sensing({})
    assert not any(
        isinstance(r, Position) and r.lat is not None
        for r in feed(sensing, FIX | changed)
    )
    assert sensing.dropped == {reason: 1}
    assert sensing.boat(sensing.now).lat is None


@pytest.mark.parametrize(
    ("key", "value"),
    [("speed", -1.0), ("speed", 1e9), ("track", 361.0), ("track", -1.0)],
)
def test_no_motion(key, value):
    sensing = Sensing({})
    feed(sensing, FIX | {key: value})
    boat = sensing.boat(sensing.now)
    assert boat.lat == 45.1
    assert boat.course is None
    assert (boat.speed is None) == (key == "speed")


@pytest.mark.parametrize(
    "time",
    ["", "2026", "2026-10-03T14:15:00", "1980-13-01T00:00:00Z", "9999-12-31T23:59:59Z"],
)
def test_no_time(time):
    sensing = Sensing({})
    feed(sensing, FIX | {"time": time})
    assert sensing.utc(0.0) is None
    assert sensing.dropped == {"time malformed": 1}


def test_nested_without_end_is_one_counted_line():
    sensing = Sensing({})
    deep = b'{"class":"TPV","lat":' + b"[" * 8000 + b"]" * 8000 + b"}"
    assert feed(sensing, deep, FIX)
    assert sensing.dropped == {"gpsd report nested too deep": 1}


VALUES = (
    st.floats()
    | st.integers()
    | st.sampled_from([None, True, "45", "", [], [[1.0]], {}, {"a": []}, 1e308])
)


@UNHURRIED
@given(
    st.lists(
        st.dictionaries(st.sampled_from([*FIX, "hdop", "status", "magvar"]), VALUES),
        max_size=6,
    )
)
def test_any_report_gives_values_in_range_or_none(changes):
    sensing = Sensing({})
    for reading in feed(sensing, *({**FIX, **change} for change in changes)):
        if isinstance(reading, Position) and reading.lat is not None:
            assert abs(reading.lat) <= 90.0
            assert abs(reading.lon) <= 180.0
        if isinstance(reading, Motion):
            assert reading.speed is None or 0.0 <= reading.speed <= 52.0
            assert reading.course is None or 0.0 <= reading.course <= 360.0


@UNHURRIED
@given(st.lists(st.binary(max_size=200), max_size=5))
def test_any_bytes_are_passed_over(lines):
    sensing = Sensing({})
    lines = [b'"class":"TPV"' + line.translate(None, b"\r\n") for line in lines]
    assert feed(sensing, *lines, FIX)
