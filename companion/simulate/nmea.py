"""What a boat's instruments send: NMEA 0183 sentences with TAG blocks, and what goes wrong with them.

`Recorder` turns the readings along a track into the bytes a logger would have kept.
`Faults` says what is to go wrong and when: the sounder loses the bottom, the GPS loses
the sky, bytes are mangled on the wire.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce
from operator import xor
from typing import NamedTuple

import numpy as np

from companion.simulate.boat import Readings
from companion.simulate.lake import Lake
from companion.units import KNOT

MAGNETIC_VARIATION_DEG = 11.5
"""Magnetic variation on the invented lake, degrees east."""


class Span(NamedTuple):
    """From `begin` to `end`, s since the recording's first instant."""

    begin: float
    end: float

    def holds(self, t: float) -> bool:
        """Say whether `t` lies in the span."""
        return self.begin <= t < self.end


NO_SPAN = Span(math.inf, math.inf)


@dataclass(frozen=True)
class Faults:
    """The faults of a day and their times.

    `depth_lost`: the sounder sends blank depths. `gps_void`: the GPS sends sentences
    that say they are not to be used. `gps_silent`: it sends nothing. `mangled`: how
    many times bytes are damaged on the wire.
    """

    depth_lost: Span = NO_SPAN
    gps_void: Span = NO_SPAN
    gps_silent: Span = NO_SPAN
    mangled: int = 0


def checksum(body: str) -> str:
    """Return the checksum of what stands between `$` or a backslash and `*`: XOR, two hex digits."""
    return f"{reduce(xor, body.encode('ascii'), 0):02X}"


def sentence(body: str) -> str:
    """Return a sentence without line end: `$body*hh`."""
    return f"${body}*{checksum(body)}"


def tag(source: str, utc_ms: int) -> str:
    """Return a TAG block: the source, and the time in ms since 1970 UTC."""
    body = f"s:{source},c:{utc_ms}"
    return f"\\{body}*{checksum(body)}\\"


def angle(degrees: float, digits: int, positive: str, negative: str) -> str:
    """Return a latitude or longitude as degrees and minutes, with its letter.

    Args:
        degrees: signed degrees.
        digits: of the whole degrees, 2 for a latitude and 3 for a longitude.
        positive: the letter when not negative, N or E.
        negative: the other letter, S or W.
    """
    ten_thousandths = round(abs(degrees) * 60e5)
    whole, minutes = divmod(ten_thousandths, 60 * 100000)
    letter = negative if degrees < 0 else positive
    return f"{whole:0{digits}d}{minutes / 1e5:08.5f},{letter}"


@dataclass(frozen=True)
class Written:
    """A recording: its bytes, how many whole sentences were written, and how often each fault struck."""

    data: bytes
    sentences: int
    faults: dict[str, int]


class _Moment(NamedTuple):
    """The instruments' values at one instant, for the sentences."""

    utc: datetime
    place: str
    speed: float
    course: float
    heading: float
    depth: float
    water: float
    transducer: float


@dataclass(frozen=True)
class Recorder:
    """A writer of readings as a recording.

    Attributes:
        lake: where, for the origin of x and y.
        start_ms: UTC of the first reading, ms since 1970.
        step: between the readings, s.
        water_temperature: at the start, degrees Celsius; it rises by a degree an hour.
        transducer: its depth below the waterline, m, sent as the DPT offset.
        faults: what goes wrong.
    """

    lake: Lake
    start_ms: int
    step: float = 0.1
    water_temperature: float = 17.0
    transducer: float = 0.3
    faults: Faults = Faults()

    def write(self, readings: Readings, rng: np.random.Generator) -> Written:
        """Return the recording of the readings; `rng` is for latencies and damage."""
        lines: list[bytes] = []
        last_ms = 0
        for tick in range(len(readings.depth)):
            now_ms = self.start_ms + round(1000 * tick * self.step)
            for order, body in enumerate(self.bodies(readings, tick)):
                # a sentence reaches the logger a little after its instant, and after
                # the one ahead of it
                late = 40 + 12 * order + int(rng.integers(0, 25))
                last_ms = max(last_ms + 1, now_ms + late)
                lines.append(
                    (tag("sonar", last_ms) + sentence(body) + "\r\n").encode("ascii")
                )
        whole = len(lines)
        counts = _mangle(lines, self.faults.mangled, rng)
        return Written(b"".join(lines), whole, counts)

    def bodies(self, readings: Readings, tick: int) -> Iterator[str]:
        """Yield the bodies of the sentences that are sent at a step of the readings."""
        return _due(self._moment(readings, tick), tick, self.step, self.faults)

    def _moment(self, r: Readings, i: int) -> _Moment:
        latitude, longitude = self.lake.plane.to_degrees(r.x[i], r.y[i])
        return _Moment(
            utc=datetime.fromtimestamp(self.start_ms / 1000 + i * self.step, UTC),
            place=f"{angle(float(latitude), 2, 'N', 'S')},{angle(float(longitude), 3, 'E', 'W')}",
            speed=float(r.speed[i]),
            course=float(r.course[i]),
            heading=float(r.heading[i]),
            depth=float(r.depth[i]),
            water=self.water_temperature + i * self.step / 3600,
            transducer=self.transducer,
        )


def _due(m: _Moment, tick: int, step: float, faults: Faults) -> Iterator[str]:
    """Yield the bodies of the sentences that are sent at this tick of `step` s."""
    now = tick * step

    def every(seconds: float, shift: int = 0) -> bool:
        return (tick + shift) % max(1, round(seconds / step)) == 0

    if not faults.gps_silent.holds(now):
        void = faults.gps_void.holds(now)
        if every(0.5):
            yield _rmc(m, void)
        if every(1.0, 2):
            yield _gga(m, void)
        if every(1.0, 7) and not void:
            yield _vtg(m)
        if every(10.0, 4):
            yield f"GPZDA,{_clock(m.utc)},{m.utc:%d,%m,%Y},00,00"
    if every(0.2):
        yield _dpt(m, tick, faults.depth_lost.holds(now))
    if every(0.5, 3):
        yield f"HCHDG,{(m.heading - MAGNETIC_VARIATION_DEG) % 360:.1f},,,{MAGNETIC_VARIATION_DEG:.1f},E"
    if every(5.0, 9):
        yield f"SDMTW,{m.water:.1f},C"


def _clock(utc: datetime) -> str:
    return f"{utc:%H%M%S}.{utc.microsecond // 10000:02d}"


def _rmc(m: _Moment, void: bool) -> str:
    if void:
        return f"GPRMC,{_clock(m.utc)},V,,,,,,,{m.utc:%d%m%y},,,N"
    speed = f"{m.speed / KNOT:.2f},{m.course:.1f}"
    return f"GPRMC,{_clock(m.utc)},A,{m.place},{speed},{m.utc:%d%m%y},{MAGNETIC_VARIATION_DEG:.1f},E,A"


def _gga(m: _Moment, void: bool) -> str:
    if void:
        return f"GPGGA,{_clock(m.utc)},,,,,0,02,,,M,,M,,"
    return f"GPGGA,{_clock(m.utc)},{m.place},1,11,0.9,184.0,M,-12.0,M,,"


def _vtg(m: _Moment) -> str:
    magnetic = (m.course - MAGNETIC_VARIATION_DEG) % 360
    return f"GPVTG,{m.course:.1f},T,{magnetic:.1f},M,{m.speed / KNOT:.2f},N,{m.speed * 3.6:.2f},K,A"


def _dpt(m: _Moment, tick: int, lost: bool) -> str:
    if lost:
        # some units leave the field blank, some say zero: this one does the second now
        # and then
        return f"SDDPT,{'0.00' if tick % 26 == 0 else ''},{m.transducer:.2f}"
    return f"SDDPT,{m.depth:.2f},{m.transducer:.2f}"


# -- damage on the wire -----------------------------------------------------------------------------


def _mangle(lines: list[bytes], times: int, rng: np.random.Generator) -> Counter[str]:
    """Damage `times` lines in place, each in one of five ways; the first line is cut as well."""
    counts: Counter[str] = Counter()
    if not times:
        return counts
    lines[0] = lines[0][len(lines[0]) // 2 :]
    counts["first line cut"] += 1
    ways = [_noise_between, _noise_inside, _nulls, _joined, _bit_flipped]
    struck = rng.choice(np.arange(20, len(lines) - 1), size=times, replace=False)
    for k, line in enumerate(sorted(int(s) for s in struck)):
        way = ways[k % len(ways)]
        lines[line] = way(lines[line], rng)
        counts[way.__name__.strip("_").replace("_", " ")] += 1
    return counts


def _noise_between(line: bytes, rng: np.random.Generator) -> bytes:
    return (
        line
        + rng.integers(128, 256, int(rng.integers(8, 60)), dtype=np.uint8).tobytes()
        + b"\r\n"
    )


def _noise_inside(line: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(line) // 2, len(line) - 4))
    return (
        line[:at] + rng.integers(0, 256, 6, dtype=np.uint8).tobytes() + line[at + 6 :]
    )


def _nulls(line: bytes, rng: np.random.Generator) -> bytes:
    return b"\x00" * int(rng.integers(1, 12)) + line


def _joined(line: bytes, rng: np.random.Generator) -> bytes:  # noqa: ARG001 - all damage has one form
    return line[:-2]


def _bit_flipped(line: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(line) * 2 // 3, len(line) - 6))
    return line[:at] + bytes([line[at] ^ 1]) + line[at + 1 :]
