"""A 10-hour day of sentences for the benches, built fast: 10 Hz RMC and GGA, 5 Hz DPT, TAG blocks.

Every sentence of one kind has one width here, so a whole day is three tables of bytes
that are filled column by column and laid out in the order of time.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from companion.simulate.lake import Lake
from companion.units import KNOT

Bytes = NDArray[np.uint8]
Whole = NDArray[np.int64]

START_MS = 1_791_003_600_000  # 2026-10-03T05:00:00Z
TICKS = 10  # a second
SENTENCES_A_SECOND = 25


def long_day(hours: float = 10.0, seed: int = 1) -> bytes:
    """Return `hours` of sentences, 25 a second, the same bytes for the same arguments.

    The boat goes round over an invented lake at about 1.5 m/s; the depth is the lake's,
    with noise.
    """
    n = round(hours * 3600) * TICKS
    ticks = np.arange(n)
    utc = START_MS + 100 * ticks
    x, y, speed, course, depth = _way(ticks / TICKS, seed)
    place = _place(Lake(seed), x, y)
    second = ticks[::2]
    rmc = _rmc(utc, place, speed, course)
    gga = _gga(utc, place)
    dpt = _dpt(utc[second], depth[second])
    pairs = np.hstack([rmc, gga])
    return np.hstack([pairs[0::2], dpt, pairs[1::2]]).tobytes()


def _way(t: NDArray[np.float64], seed: int) -> tuple[NDArray[np.float64], ...]:
    """Position (m), speed (m/s), course (degrees) and depth below the transducer (m) at times `t` (s)."""
    a, b = 150.0, 110.0
    wa, wb = 1.5 / a, 1.5 / b * 0.618
    x, y = a * np.sin(wa * t), b * np.sin(wb * t)
    east, north = a * wa * np.cos(wa * t), b * wb * np.cos(wb * t)
    noise = np.random.default_rng(seed).normal(0.0, 0.15, len(t))
    depth = Lake(seed).bottom(x, y) - 0.3 + noise
    return (
        x,
        y,
        np.hypot(east, north),
        np.degrees(np.arctan2(east, north)) % 360.0,
        np.maximum(depth, 0.3),
    )


# -- tables of bytes --------------------------------------------------------------------------------


def _digits(value: Whole, width: int) -> Bytes:
    """Whole numbers as decimal digits with leading zeros, one row each."""
    powers = 10 ** np.arange(width - 1, -1, -1)
    return (value[:, None] // powers % 10 + ord("0")).astype(np.uint8)


def _fixed(value: NDArray[np.float64], whole: int, decimals: int) -> Bytes:
    """Numbers that are not negative with fixed digits before and after the point."""
    digits = _digits(np.rint(value * 10**decimals).astype(np.int64), whole + decimals)
    point = np.full((len(value), 1), ord("."), np.uint8)
    return np.hstack([digits[:, :whole], point, digits[:, whole:]])


def _row(n: int, *parts: str | Bytes) -> Bytes:
    """Set parts side by side; text is the same in every row."""
    columns = [
        np.broadcast_to(np.frombuffer(p.encode("ascii"), np.uint8), (n, len(p)))
        if isinstance(p, str)
        else p
        for p in parts
    ]
    return np.hstack(columns)


def _checksum(body: Bytes) -> Bytes:
    """Two hex digits of the XOR of each row."""
    x = np.bitwise_xor.reduce(body, axis=1)
    hexes = np.frombuffer(b"0123456789ABCDEF", np.uint8)
    return np.column_stack([hexes[x >> 4], hexes[x & 15]])


def _tagged(utc: Whole, late: int, body: Bytes) -> Bytes:
    n = len(utc)
    tag = _row(n, "s:sonar,c:", _digits(utc + late, 13))
    return _row(
        n, "\\", tag, "*", _checksum(tag), "\\$", body, "*", _checksum(body), "\r\n"
    )


def _clock(utc: Whole) -> Bytes:
    s = utc // 1000 % 86400
    hms = s // 3600 * 10000 + s // 60 % 60 * 100 + s % 60
    return np.hstack(
        [_digits(hms, 6), _row(len(utc), "."), _digits(utc % 1000 // 10, 2)]
    )


def _date(utc: Whole) -> Bytes:
    days = (utc // 86_400_000).astype("datetime64[D]")
    months = days.astype("datetime64[M]")
    years = days.astype("datetime64[Y]")
    day = (days - months).astype(np.int64) + 1
    month = (months - years).astype(np.int64) + 1
    return _digits(day * 10000 + month * 100 + (years.astype(np.int64) + 1970) % 100, 6)


def _place(lake: Lake, x: NDArray[np.float64], y: NDArray[np.float64]) -> Bytes:
    latitude, longitude = lake.plane.to_degrees(x, y)
    north, east = (
        ("S" if lake.plane.latitude < 0 else "N"),
        ("W" if lake.plane.longitude < 0 else "E"),
    )
    return _row(
        len(x), _angle(latitude, 2), f",{north},", _angle(longitude, 3), f",{east}"
    )


def _angle(degrees: NDArray[np.float64], width: int) -> Bytes:
    minutes = np.rint(np.abs(degrees) * 60e5).astype(np.int64)
    whole, rest = np.divmod(minutes, 6_000_000)
    return np.hstack([_digits(whole, width), _fixed(rest / 1e5, 2, 5)])


def _rmc(
    utc: Whole, place: Bytes, speed: NDArray[np.float64], course: NDArray[np.float64]
) -> Bytes:
    n = len(utc)
    way = _row(
        n,
        ",",
        _fixed(speed / KNOT, 2, 2),
        ",",
        _fixed(np.minimum(course, 359.9), 3, 1),
        ",",
    )
    body = _row(n, "GPRMC,", _clock(utc), ",A,", place, way, _date(utc), ",11.5,E,A")
    return _tagged(utc, 42, body)


def _gga(utc: Whole, place: Bytes) -> Bytes:
    body = _row(
        len(utc), "GPGGA,", _clock(utc), ",", place, ",1,11,0.9,184.0,M,-12.0,M,,"
    )
    return _tagged(utc, 55, body)


def _dpt(utc: Whole, depth: NDArray[np.float64]) -> Bytes:
    body = _row(len(utc), "SDDPT,", _fixed(depth, 2, 2), ",0.30")
    return _tagged(utc, 70, body)


if __name__ == "__main__":
    hours = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
    if len(sys.argv) < 2 or not math.isfinite(hours):
        raise SystemExit("Example: python tests/bench/long_day.py day.nmea 10")
    Path(sys.argv[1]).write_bytes(long_day(hours))
