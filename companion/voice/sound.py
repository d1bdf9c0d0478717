"""Sound inside the program: 16-bit mono at one rate, in frames of 20 ms."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

RATE = 16000
"""Samples a second, of every utterance inside the program."""
FRAME = 320
"""Samples in a frame: 20 ms."""
FRAMES_A_SECOND = RATE // FRAME
Samples = NDArray[np.int16]
"""Mono sound at `RATE`, full scale 32768."""


def frames_of(samples: Samples) -> Iterator[Samples]:
    """Yield a recording's frames, the last filled up with silence."""
    whole = np.pad(samples, (0, -len(samples) % FRAME))
    for start in range(0, len(whole), FRAME):
        yield whole[start : start + FRAME]


def level(frame: Samples) -> float:
    """Return the level of some sound: the root mean square of its samples, of 32768."""
    return float(np.sqrt(np.mean(np.square(frame, dtype=np.float64)))) if len(frame) else 0.0
