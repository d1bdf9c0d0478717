"""How much of each source is let in, and what is dropped first."""

from __future__ import annotations

import threading

import pytest

from companion import config
from companion.live.wires import (
    SOURCE_BURST_BYTES,
    SOURCE_BYTES_PER_S,
    Allowance,
    Inlet,
    sources_of,
)
from companion.sensing import Chunk
from companion.sensing.datum import Network
from tests.clocks import MovedClock

BURST = round(SOURCE_BURST_BYTES)
SENTENCE = b"$SDDPT,5.0,0.0*7A\r\n"


@pytest.fixture
def clock() -> MovedClock:
    return MovedClock(100.0)


class Out:
    """What an inlet lets through, and how often it told of a flood."""

    def __init__(self, clock: MovedClock, *, drops: bool) -> None:
        self.came: list[bytes] = []
        self.floods = 0
        self.inlet = Inlet(self._came, clock, drops=drops, flooded=self._flooded)

    def _came(self, chunk: Chunk) -> None:
        self.came.append(chunk.data)

    def _flooded(self) -> None:
        self.floods += 1

    def send(self, data: bytes, network: Network | None = None) -> None:
        self.inlet.pass_on(Chunk(0.0, "wire", data, network=network))


def test_a_burst_passes_at_once_and_what_is_more_waits_for_its_share(clock):
    allowance = Allowance(clock)
    assert allowance.wait_for(BURST) == 0.0
    allowance.count_bytes(BURST)
    assert allowance.wait_for(6000) == pytest.approx(6000 / SOURCE_BYTES_PER_S)
    clock.move_to(100.0 + 6000 / SOURCE_BYTES_PER_S)
    assert allowance.wait_for(6000) == pytest.approx(0.0, abs=1e-9)


def test_a_long_silence_saves_up_no_more_than_one_burst(clock):
    allowance = Allowance(clock)
    clock.move_to(100_000.0)
    assert allowance.wait_for(BURST) == 0.0
    assert allowance.wait_for(BURST + 600) == pytest.approx(600 / SOURCE_BYTES_PER_S)


def test_time_that_has_been_counted_is_not_counted_again(clock):
    allowance = Allowance(clock)
    allowance.count_bytes(2 * BURST)
    clock.move_to(101.0)
    first = allowance.wait_for(0)
    assert allowance.wait_for(0) == first


def test_a_wire_waits_and_loses_nothing(clock, monkeypatch):
    waited = []
    monkeypatch.setattr(
        threading.Event, "wait", lambda _, timeout: waited.append(timeout)
    )
    out = Out(clock, drops=False)
    out.send(b"x" * BURST)
    assert waited == []
    out.send(b"y" * 600)
    assert waited == [pytest.approx(600 / SOURCE_BYTES_PER_S)]
    assert out.came == [b"x" * BURST, b"y" * 600]
    assert out.inlet.dropped == out.floods == 0


def test_datagrams_are_dropped_counted_and_told_of_once(clock):
    out = Out(clock, drops=True)
    out.send(b"$" + b"x" * (BURST - 1))
    for _ in range(3):
        out.send(SENTENCE)
    assert len(out.came) == 1
    assert out.inlet.dropped == 3 * len(SENTENCE)
    assert out.floods == 1
    clock.move_to(101.0)
    out.send(SENTENCE)
    assert out.came[1:] == [SENTENCE]


@pytest.mark.parametrize("begins", [b"$", b"!", b"\\"])
def test_noise_does_not_crowd_out_sentences(clock, begins):
    out = Out(clock, drops=True)
    out.send(b"x" * BURST)
    out.send(b"more noise")
    assert len(out.came) == 1
    out.send(begins + b"one")
    assert out.came[-1] == begins + b"one"


def test_frames_of_a_network_are_no_noise(clock):
    out = Out(clock, drops=True)
    out.send(b"x" * BURST)
    out.send(b"frame", "nmea2000")
    assert out.came[-1] == b"frame"


def test_a_wire_in_the_configuration_is_read_and_a_file_is_passed_over(clock):
    text = config.example_text().partition("[[lures]]")
    sources = (
        '[[sources]]\nname = "old"\nkind = "file"\ndevice = "day.nmea"\n'
        '[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "/dev/x"\nbaud = 4800\n'
    )
    settings = config.parse(sources + text[1] + text[2])
    assert [source.name for source in sources_of(settings, clock)] == ["sonar"]
