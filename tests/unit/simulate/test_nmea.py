"""The recording: every sentence is whole and true, and every fault is there as often as it says."""

import functools
import re

import numpy as np
import pynmea2
import pytest

from companion.simulate.boat import Instruments, Leg, SteadyWind, read, sail
from companion.simulate.lake import Lake
from companion.simulate.nmea import (
    MAGNETIC_VARIATION_DEG,
    Faults,
    Recorder,
    Span,
    angle,
    sentence,
    tag,
)

START = 1_791_036_900_000
LINE = re.compile(rb"\\(s:sonar,c:(\d{13}))\*([0-9A-F]{2})\\\$([^*]+)\*([0-9A-F]{2})")


def xor(data):
    return functools.reduce(lambda a, b: a ^ b, data, 0)


@pytest.fixture(scope="module")
def lake():
    return Lake(3)


@pytest.fixture(scope="module")
def readings(lake):
    edge = lake.place("ledge")
    track = sail(
        (edge.x, edge.y),
        0.0,
        [Leg(120.0, (0.0, 0.0), 2.0)],
        SteadyWind(),
        rng=np.random.default_rng(1),
    )
    return read(lake, track, Instruments(), np.random.default_rng(2))


def recorded(lake, readings, **faults):
    return Recorder(lake, START, faults=Faults(**faults)).write(
        readings, np.random.default_rng(3)
    )


def parsed(written):
    return [
        (
            int(line.split(b"c:")[1][:13]),
            pynmea2.parse(line[line.index(b"$") :].decode(), check=True),
        )
        for line in written.data.split(b"\r\n")[:-1]
    ]


def of_kind(messages, kind):
    return [(t, m) for t, m in messages if m.sentence_type == kind]


def test_checksums_as_published():
    """gpsd's page on NMEA sentences prints these with their checksums (S)."""
    assert sentence("INDPT,2.3,0.0") == "$INDPT,2.3,0.0*46"
    assert sentence("INMTW,17.9,C") == "$INMTW,17.9,C*1B"


def test_every_line_has_a_good_sentence_and_a_good_tag(lake, readings):
    written = recorded(lake, readings)
    lines = written.data.split(b"\r\n")
    assert lines.pop() == b""
    assert len(lines) == written.sentences
    for line in lines:
        found = LINE.fullmatch(line)
        assert found
        tags, _, tag_sum, body, body_sum = found.groups()
        assert int(tag_sum, 16) == xor(tags)
        assert int(body_sum, 16) == xor(body)
        assert len(body) + 6 <= 82  # NMEA 0183: a sentence has at most 82 characters


def test_times_rise_and_follow_the_instant(lake, readings):
    messages = parsed(recorded(lake, readings))
    times = np.array([t for t, _ in messages])
    assert np.all(np.diff(times) > 0)
    late = [
        t - START - 1000 * (m.timestamp.minute * 60 + m.timestamp.second - 15 * 60)
        for t, m in of_kind(messages, "RMC")
    ]
    assert min(late) >= 40
    assert max(late) < 600


def test_sentences_say_what_the_instruments_show(lake, readings):
    messages = parsed(recorded(lake, readings))
    rmc, dpt, hdg = (of_kind(messages, kind) for kind in ("RMC", "DPT", "HDG"))
    x, y = lake.plane.to_metres(
        [m.latitude for _, m in rmc], [m.longitude for _, m in rmc]
    )
    assert x == pytest.approx(readings.x[::5][: len(x)], abs=0.02)
    assert y == pytest.approx(readings.y[::5][: len(y)], abs=0.02)
    assert [m.spd_over_grnd * 1852 / 3600 for _, m in rmc] == pytest.approx(
        readings.speed[::5][: len(rmc)], abs=0.01
    )
    assert [float(m.depth) for _, m in dpt] == pytest.approx(
        readings.depth[::2], abs=0.006
    )
    assert {float(m.offset) for _, m in dpt} == {0.3}
    heading = [(float(m.heading) + MAGNETIC_VARIATION_DEG) % 360 for _, m in hdg]
    gone = (
        np.array(heading) - readings.heading[2::5][: len(heading)] + 180
    ) % 360 - 180
    assert np.abs(gone).max() < 0.06
    assert {m.datestamp.isoformat() for _, m in rmc} == {"2026-10-03"}


def test_angles_carry_over_to_the_next_degree():
    assert angle(9.9999999999, 2, "N", "S") == "1000.00000,N"
    assert angle(-126.5, 3, "E", "W") == "12630.00000,W"


def test_a_tag_block_as_published():
    r"""The form `\s:sonar,c:1764061200123*hh\` of the recorded day; hh is the XOR of what is between."""
    block = tag("sonar", 1_764_061_200_123)
    assert block.startswith("\\s:sonar,c:1764061200123*")
    assert int(block[-3:-1], 16) == xor(b"s:sonar,c:1764061200123")


def test_faults_come_when_they_are_said_to(lake, readings):
    written = recorded(
        lake,
        readings,
        depth_lost=Span(20, 50),
        gps_void=Span(60, 70),
        gps_silent=Span(70, 90),
    )
    messages = [((t - START) / 1000, m) for t, m in parsed(written)]
    lost = [t for t, m in of_kind(messages, "DPT") if not m.depth]
    assert 20 <= min(lost) < 20.6
    assert 49.4 < max(lost) < 50.3
    zeros = [
        t
        for t, m in of_kind(messages, "DPT")
        if m.depth is not None and float(m.depth) == 0.0
    ]
    assert zeros
    assert all(20 <= t < 50.3 for t in zeros)
    void = [t for t, m in of_kind(messages, "RMC") if m.status == "V"]
    assert min(void) >= 60
    assert max(void) < 70.3
    gps = [t for t, m in messages if m.talker == "GP"]
    assert not any(70.3 < t < 90 for t in gps)
    assert any(t > 90 for t in gps)


def test_damage_on_the_wire_is_counted_and_real(lake, readings):
    clean, dirty = recorded(lake, readings), recorded(lake, readings, mangled=25)
    assert sum(dirty.faults.values()) == 26
    assert all(n == 5 for name, n in dirty.faults.items() if name != "first line cut")
    good = sum(LINE.fullmatch(line) is not None for line in dirty.data.split(b"\r\n"))
    # cut first line, 5 noise inside, 5 flipped bits are lost; 5 with nulls and 10
    # joined are not whole lines
    assert clean.sentences - 22 <= good <= clean.sentences - 11
    assert dirty.data.count(b"\x00") > 0


def test_the_same_seed_gives_the_same_bytes(lake, readings):
    assert (
        recorded(lake, readings, mangled=25).data
        == recorded(lake, readings, mangled=25).data
    )
