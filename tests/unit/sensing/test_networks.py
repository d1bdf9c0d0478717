"""The lines of networks in a recording: cut anywhere, forged by nobody; a log of others by its own times."""

import itertools
from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.record.recording import LineCutter, stamped
from companion.sensing import Chunk, Position, Sensing
from companion.sensing.networks import (
    LONGEST_MESSAGE,
    NetworkLines,
    message_in,
    network_line,
    network_of,
)
from companion.sensing.sources import FileSource

START = 1_791_036_900_000
TPV = (
    b'{"class":"TPV","device":"/dev/ttyS0","mode":3,'
    b'"time":"2026-10-03T14:15:00.000Z","lat":45.1,"lon":-93.2}'
)
RECORDED = (
    stamped(b"$SDDPT,5.4,0.2*54", "sonar", START)
    + network_line(TPV, "gps", "gpsd", START + 100)
    + stamped(b"noise \\ and {", "sonar", START + 200)
    + network_line(TPV, "gps", "gpsd", START + 300) * 2
    + stamped(b"$SDDPT,5.5,0.2*55", "sonar", START + 400)
)

UNHURRIED = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)


def read(pieces: list[bytes]) -> tuple[list, Sensing]:
    sensing = Sensing({})
    readings = [
        r for piece in pieces for r in sensing.feed(Chunk(0.0, "recording", piece))
    ]
    return readings + list(sensing.finish()), sensing


@UNHURRIED
@given(st.lists(st.integers(0, len(RECORDED)), max_size=12))
def test_however_a_recording_is_cut_it_tells_the_same(cuts):
    edges = [0, *sorted(cuts), len(RECORDED)]
    cut, one = read([RECORDED[a:b] for a, b in itertools.pairwise(edges)])
    whole, other = read([RECORDED])
    assert cut == whole
    assert (one.counts, one.dropped) == (other.counts, other.dropped)
    assert one.counts["TPV"] == 3
    assert [type(r).__name__ for _, r in whole].count("Depth") == 2


def test_byte_by_byte():
    assert read([bytes([b]) for b in RECORDED])[0] == read([RECORDED])[0]


def test_the_last_line_without_an_end_is_not_lost():
    assert read([RECORDED[:-2]])[0] == read([RECORDED])[0]


@UNHURRIED
@given(st.binary(max_size=300), st.integers(1, 40))
def test_no_wire_can_write_a_line_of_a_network(noise, at):
    forged = network_line(TPV, "gps", "gpsd", START)
    cutter = LineCutter()
    lines = cutter.feed(
        noise[:at] + b"\n" + forged + noise[at:] + forged + b"\r" + forged + b"\n"
    )
    recording = b"".join(stamped(line, "sonar", START) for line in lines)
    assert not any(of_network for of_network, _ in NetworkLines().feed(recording))
    assert not read([recording])[1].counts["TPV"]


@UNHURRIED
@given(st.binary(max_size=200).filter(lambda b: b"\n" not in b and b"\r" not in b))
def test_a_message_stays_one_line_of_its_network(message):
    line = network_line(message, "gps", "gpsd", START)
    assert [of_network for of_network, _ in NetworkLines().feed(line)] == [True]
    told = message_in(line[:-1], Counter())
    assert told is not None
    assert told[:3] == (START, "gps", "gpsd")
    assert told.payload.rstrip(b"\r") == message.rstrip(b"\r").replace(b"^5C", b"\\")


def test_a_damaged_tag_block_tells_nothing():
    line = network_line(TPV, "gps", "gpsd", START).replace(b"c:1", b"c:2")
    readings, sensing = read([line])
    assert not readings
    assert sensing.dropped == {"wrong tag checksum": 1}


def test_an_endless_message_is_cut_and_told_nothing():
    cutter = LineCutter("gpsd")
    lines = list(
        cutter.feed(TPV[:-1] + b" " * (3 * LONGEST_MESSAGE) + b"}\n" + TPV + b"\n")
    )
    assert lines[-1] == TPV
    recording = b"".join(stamped(line, "gps", START, "gpsd") for line in lines)
    assert read([recording])[1].counts["TPV"] == 1


def test_what_a_server_tells_of_itself_is_not_recorded():
    cutter = LineCutter("gpsd")
    assert list(
        cutter.feed(b'{"class":"VERSION","release":"3.22"}\r\n' + TPV + b"\r\n")
    ) == [TPV]


def test_a_log_of_others_is_timed_by_its_messages(tmp_path):
    path = tmp_path / "a log, of \\others.json"
    later = TPV.replace(b"14:15:00", b"14:15:02")
    path.write_bytes(b'{"class":"VERSION"}\n' + TPV + b"\n" + later)
    sensing = Sensing({})
    readings = [
        r for chunk in FileSource("x", path).chunks() for r in sensing.feed(chunk)
    ]
    assert [t for t, r in readings if isinstance(r, Position)] == [0.0, 2.0]


@pytest.mark.parametrize("head", [b"$SDDPT,5.4,0.2*54\r\n", b"", b"\x00\xff", RECORDED])
def test_anything_else_is_no_log_of_a_network(head):
    assert network_of(head) is None


def test_whatever_is_read_is_told_in_words():
    from companion.sensing.nmea2000 import SHORTEST
    from companion.sensing.sensing import _SENTENCES
    from companion.sensing.signalk import PATHS
    from companion.sensing.tells import NOT_USED, quantity_told

    read = [
        *(f"XX{formatter}" for formatter in _SENTENCES if formatter != "TXT"),
        *map(str, SHORTEST),
        *PATHS,
    ]
    assert [address for address in read if quantity_told(address) == NOT_USED] == []


def test_rates_stand_behind_what_is_told():
    from companion.sensing.tells import MOST_UNUSED, rates_in_words

    counts = Counter({"SDDPT": 10, "GPRMC": 5, "environment.depth.belowTransducer": 5})
    assert (
        rates_in_words(counts, 5.0)
        == "depth: SDDPT 2.0/s, belowTransducer 1.0/s; position: GPRMC 1.0/s"
    )
    counts = Counter(
        {"X" * 300: 5, **{f"GP{n:03d}": 5 for n in range(MOST_UNUSED + 2)}}
    )
    told = rates_in_words(counts, 5.0)
    assert told.startswith("not used: GP000 1.0/s, ")
    assert told.endswith(", 3 more")
    assert len(rates_in_words(Counter({"X" * 300: 5}), 5.0)) < 40
