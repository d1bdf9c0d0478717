"""Sound inside the program: 16-bit mono at one rate, in frames of 20 ms."""

from __future__ import annotations

import io
import wave
from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE_HZ = 16000
"""Samples a second, of every utterance inside the program."""
SOUND_FRAME_SAMPLES = 320
"""Samples in a frame: 20 ms."""
FRAMES_A_SECOND = SAMPLE_RATE_HZ // SOUND_FRAME_SAMPLES
SPEECH_BAND_HZ = 300.0, 3500.0
"""Where most of speech is, and little of what motors and wind do."""
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


@cache
def _speech_band() -> tuple[NDArray[np.bool_], NDArray[np.float64], float]:
    """Return which bins of a frame's spectrum are speech's, the frame's window, and the window's power."""
    hertz = np.fft.rfftfreq(SOUND_FRAME_SAMPLES, 1 / SAMPLE_RATE_HZ)
    low, high = SPEECH_BAND_HZ
    window = np.hanning(SOUND_FRAME_SAMPLES)
    return (hertz >= low) & (hertz < high), window, float(np.mean(window**2))


def speech_band_level(frame: Samples) -> float:
    """Return the level of a frame's sound between 300 and 3,500 Hz, of 32768.

    By Parseval's theorem: the power of a windowed frame is the sum over its spectrum.
    """
    band, window, share = _speech_band()
    spectrum = np.fft.rfft(frame * window)[band]
    power = 2.0 * np.sum(spectrum.real**2 + spectrum.imag**2)
    return float(np.sqrt(power / share)) / SOUND_FRAME_SAMPLES


def to_wav(samples: Samples, rate: int) -> bytes:
    """Return samples taken at a rate, a second, as a WAV file."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(samples.astype("<i2").tobytes())
    return out.getvalue()


def from_wav(sound: bytes) -> tuple[Samples, int]:
    """Return a WAV file's samples and their rate; no samples of what is no mono file of 16 bits."""
    try:
        with wave.open(io.BytesIO(sound)) as file:
            kind = (file.getsampwidth(), file.getnchannels())
            # espeak-ng writes to a pipe and cannot state the length
            data = file.readframes(len(sound))
            rate = file.getframerate()
    except (wave.Error, EOFError):
        return np.zeros(0, np.int16), SAMPLE_RATE_HZ
    if kind != (2, 1):
        return np.zeros(0, np.int16), SAMPLE_RATE_HZ
    return np.frombuffer(data[: len(data) // 2 * 2], dtype="<i2"), rate
