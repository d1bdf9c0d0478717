"""Processor time of a network's message through sensing, beside the library's own reading of it alone.

    python -m tests.bench.networks

Frames of NMEA 2000 as a recording holds them, of a bus with depth, place, motion and
heading.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from nmea2000 import NMEA2000Decoder

from companion.sensing import Chunk, Sensing
from companion.sensing.networks import network_line

START_MS = 1_791_036_900_000
FRAMES = (
    "09F50B23#0034020000F4FFFF",
    "09F80123#0000001A00000046",
    "09F80223#00FC1027E803FFFF",
    "09F11223#00204EFF7FE803FD",
)
ROUNDS, TIMES = 500, 15


def best(do: Callable[[], None]) -> float:
    """Return the shortest processor time of several runs for one frame, us."""
    took = []
    for _ in range(TIMES):
        began = time.process_time()
        do()
        took.append(time.process_time() - began)
    return min(took) / (ROUNDS * len(FRAMES)) * 1e6


TEXTS = [f"(1791036900.000000) can0 {frame}" for frame in FRAMES * ROUNDS]
LINES = [
    network_line(text.encode(), "bus", "nmea2000", START_MS + 25 * n)
    for n, text in enumerate(TEXTS)
]


def library() -> None:
    """Read the frames with the library alone."""
    decoder = NMEA2000Decoder()
    for text in TEXTS:
        decoder.decode(text)


def ours() -> None:
    """Read the same frames out of a recording, to readings and the boat's state."""
    sensing = Sensing({})
    for begin in range(0, len(LINES), 100):
        for _ in sensing.feed(
            Chunk(0.0, "recording", b"".join(LINES[begin : begin + 100]))
        ):
            pass


if __name__ == "__main__":
    alone, whole = best(library), best(ours)
    print(
        f"library alone {alone:.1f} us a frame; through sensing {whole:.1f} us, {whole / alone:.2f} times"
    )
