"""Sound inside the program: 16-bit mono at one rate, in frames of 20 ms."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE_HZ = 16000
"""Samples a second, of every utterance inside the program."""
SOUND_FRAME_SAMPLES = 320
"""Samples in a frame: 20 ms."""
FRAMES_A_SECOND = SAMPLE_RATE_HZ // SOUND_FRAME_SAMPLES
Samples = NDArray[np.int16]
"""Mono sound at `SAMPLE_RATE_HZ`, full scale 32768."""


def frames_of(samples: Samples) -> Iterator[Samples]:
    """Yield a recording's frames, the last filled up with silence."""
    whole = np.pad(samples, (0, -len(samples) % SOUND_FRAME_SAMPLES))
    for start in range(0, len(whole), SOUND_FRAME_SAMPLES):
        yield whole[start : start + SOUND_FRAME_SAMPLES]


def level(frame: Samples) -> float:
    """Return the level of some sound: the root mean square of its samples, of 32768."""
    return (
        float(np.sqrt(np.mean(np.square(frame, dtype=np.float64))))
        if len(frame)
        else 0.0
    )
