"""The long day of the benches: real sentences, in order, as many as stated."""

import importlib.util
from itertools import pairwise
from pathlib import Path

import pynmea2
import pytest

from companion.simulate.lake import Lake

SOURCE = Path(__file__).parents[2] / "bench" / "long_day.py"


@pytest.fixture(scope="module")
def long_day():
    spec = importlib.util.spec_from_file_location("long_day", SOURCE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def lines(long_day):
    data = long_day.long_day(hours=0.02, seed=3)
    assert data.endswith(b"\r\n")
    return data.decode("ascii").split("\r\n")[:-1]


def test_there_are_25_sentences_a_second(lines):
    assert len(lines) == 25 * 72


def test_every_sentence_and_tag_is_whole(lines):
    kinds = []
    for line in lines:
        _, tags, body = line.split("\\")
        fields, given = tags.split("*")
        assert pynmea2.NMEASentence.checksum(fields) == int(given, 16)
        kinds.append(pynmea2.parse(body, check=True).sentence_type)
    assert (kinds.count("RMC"), kinds.count("GGA"), kinds.count("DPT")) == (
        720,
        720,
        360,
    )


def test_times_rise(lines):
    times = [int(line.split("c:")[1][:13]) for line in lines]
    assert all(b > a for a, b in pairwise(times))


def test_depth_and_position_are_the_lakes(lines):
    lake = Lake(3)
    off = []
    for line in lines:
        message = pynmea2.parse(line.split("\\")[2])
        if message.sentence_type == "RMC":
            x, y = lake.plane.to_metres(message.latitude, message.longitude)
            assert 1.0 < message.spd_over_grnd * 1852 / 3600 < 2.0
        elif message.sentence_type == "DPT":
            off.append(
                float(message.depth) + float(message.offset) - float(lake.bottom(x, y))
            )
    assert abs(sum(off) / len(off)) < 0.05
    assert max(abs(o) for o in off) < 0.8


def test_the_date_is_right(lines):
    first = pynmea2.parse(lines[0].split("\\")[2])
    assert first.datetime.isoformat().startswith("2026-10-03T05:00:00")
