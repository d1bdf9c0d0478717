"""How long a sentence takes: framing, TAG block, checksum, values, time, state, beside pynmea2 and gpsdecode.

`pytest tests/bench/test_sensing_bench.py --benchmark-enable -s` prints the ratios;
otherwise each runs once. The day asked for has 900,000 sentences (ten hours of 10 Hz
RMC and GGA and 5 Hz DPT); a minute of it is enough to time, as nothing grows with the
length.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable

import pynmea2
import pytest

from companion.clock import stopwatch
from companion.sensing import Chunk, Sensing
from companion.sensing.named import fields_of

MINUTE = 1500
"""Sentences in a minute of the day."""


def checked(body: str) -> str:
    xor = 0
    for byte in body.encode():
        xor ^= byte
    return f"{body}*{xor:02X}"


@pytest.fixture(scope="module")
def minute() -> list[str]:
    """One minute's sentences, without TAG blocks."""
    lines = []
    for tenth in range(600):
        time = f"1415{tenth / 10:05.2f}"
        place = f"{3412 + tenth * 1e-4:.5f},N,0{8812 + tenth * 1e-4:.5f},W"
        lines.append("$" + checked(f"GPRMC,{time},A,{place},1.23,123.4,031026,,,A"))
        lines.append("$" + checked(f"GPGGA,{time},{place},1,09,0.9,120.0,M,-30.0,M,,"))
        if tenth % 2 == 0:
            lines.append("$" + checked(f"SDDPT,{5 + tenth % 37 / 10:.2f},0.20"))
    assert len(lines) == MINUTE
    return lines


@pytest.fixture(scope="module")
def recorded(minute) -> bytes:
    """The same as recorded, each with its TAG block."""
    c = 1_791_036_900_000
    tags = [f"\\{checked(f's:boat,c:{c + 40 * i}')}\\" for i in range(MINUTE)]
    return "".join(
        f"{tag}{line}\r\n" for tag, line in zip(tags, minute, strict=True)
    ).encode()


def sense(data: bytes) -> int:
    sensing = Sensing({})
    count = sum(1 for _ in sensing.feed(Chunk(0.0, "boat", data)))
    assert not sensing.dropped
    return count


def pynmea2_reads(lines: list[str]) -> float:
    """What pynmea2 alone needs: parse, and read position and depth."""
    total = 0.0
    for line in lines:
        sentence = pynmea2.parse(line)
        if line[3:6] == "DPT":
            total += float(sentence.depth)
        else:
            total += sentence.latitude + sentence.longitude
    return total


def named_fields(lines: list[str]) -> None:
    """What sensing asks pynmea2 for: the fields by name, behind checks of our own."""
    wanted = {
        "RMC": (
            "status",
            "mode_indicator",
            "spd_over_grnd",
            "true_course",
            "mag_variation",
            "mag_var_dir",
        ),
        "GGA": ("gps_qual", "horizontal_dil"),
        "DPT": ("depth", "offset"),
    }
    readers = {formatter: fields_of(formatter) for formatter in wanted}
    for line in lines:
        told = readers[line[3:6]](line.partition("*")[0].split(","))
        for name in wanted[line[3:6]]:
            getattr(told, name)


def best(work: Callable[[], object], times: int = 3) -> float:
    spent = []
    for _ in range(times):
        start = stopwatch()
        work()
        spent.append(stopwatch() - start)
    return min(spent)


def test_a_minute_of_a_recorded_day(benchmark, recorded, minute):
    assert benchmark(sense, recorded) == MINUTE
    ours, theirs = best(lambda: sense(recorded)), best(lambda: pynmea2_reads(minute))
    print(
        f"\nsensing {ours / MINUTE * 1e6:.1f} us a sentence, pynmea2 alone {theirs / MINUTE * 1e6:.1f} us,"
        f" ratio {ours / theirs:.2f}; 900,000 sentences in {ours / MINUTE * 900_000:.1f} s"
    )
    fields = best(lambda: named_fields(minute))
    print(f"of that {fields / MINUTE * 1e6:.1f} us are pynmea2's fields")


def test_byte_by_byte(benchmark, recorded):
    def crumbs() -> int:
        sensing = Sensing({})
        return sum(
            1
            for i in range(len(recorded))
            for _ in sensing.feed(Chunk(0.0, "boat", recorded[i : i + 1]))
        )

    assert benchmark.pedantic(crumbs, rounds=1) == MINUTE


def test_the_state_of_the_boat(benchmark, recorded):
    sensing = Sensing({})
    for _ in sensing.feed(Chunk(0.0, "boat", recorded)):
        pass
    assert benchmark(sensing.boat, sensing.now).depth is not None


def test_gpsdecode_beside_it(benchmark, recorded, minute):
    gpsdecode = shutil.which("gpsdecode")
    if gpsdecode is None:
        pytest.skip("gpsdecode is not installed (Debian package gpsd-clients)")
    plain = "".join(f"{line}\r\n" for line in minute).encode() * 10

    def decode() -> bytes:
        return subprocess.run(
            [gpsdecode], input=plain, stdout=subprocess.PIPE, check=True
        ).stdout

    benchmark.pedantic(decode, rounds=1)
    ours, theirs = best(lambda: sense(recorded)), best(decode) / 10
    print(
        f"\ngpsdecode {theirs / MINUTE * 1e6:.1f} us (C, start included), ratio {ours / theirs:.2f}"
    )
