"""Steady noise is taken down, a voice is left; without the library everything goes through unchanged."""

import numpy as np
import pytest

from companion.voice import suppressor
from companion.voice.sound import (
    SAMPLE_RATE_HZ,
    SOUND_FRAME_SAMPLES,
    Samples,
    frames_of,
    level,
)
from companion.voice.suppressor import Suppressor, can_suppress

HERE = pytest.mark.skipif(
    not can_suppress(), reason="not here: libspeexdsp1; hardware/install.sh brings it"
)


def cleaned(samples: Samples) -> Samples:
    one = Suppressor()
    return np.concatenate([one.clean(frame) for frame in frames_of(samples)])


def hiss(seconds: float, loud: float) -> Samples:
    return (
        np.random.default_rng(2)
        .normal(0, loud, round(seconds * SAMPLE_RATE_HZ))
        .astype(np.int16)
    )


@HERE
def test_noise_is_taken_down_and_what_rises_above_it_is_left():
    noise = hiss(4.0, 300.0)
    t = np.arange(SAMPLE_RATE_HZ // 2) / SAMPLE_RATE_HZ
    burst = (6000 * np.sin(2 * np.pi * 500 * t) * np.sin(2 * np.pi * t) ** 2).astype(
        np.int16
    )
    noise[2 * SAMPLE_RATE_HZ : 2 * SAMPLE_RATE_HZ + len(burst)] += burst
    clean = cleaned(noise)
    assert level(clean[SAMPLE_RATE_HZ : 2 * SAMPLE_RATE_HZ]) < 0.4 * level(
        noise[SAMPLE_RATE_HZ : 2 * SAMPLE_RATE_HZ]
    )
    middle = slice(2 * SAMPLE_RATE_HZ, 2 * SAMPLE_RATE_HZ + len(burst))
    assert level(clean[middle]) > 0.7 * level(burst)


@HERE
def test_the_same_sound_gives_the_same_and_the_given_frame_is_left_alone():
    frame = hiss(SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ, 500.0)
    before = frame.copy()
    Suppressor().clean(frame)
    assert np.array_equal(frame, before)
    assert np.array_equal(cleaned(hiss(1.0, 500.0)), cleaned(hiss(1.0, 500.0)))


def test_without_the_library_sound_goes_through(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(suppressor, "_library", lambda: None)
    assert not can_suppress()
    sound = hiss(0.5, 500.0)
    assert np.array_equal(cleaned(sound), sound)
