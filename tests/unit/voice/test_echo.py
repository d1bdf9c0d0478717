"""Taking a line out of what the microphone heard: how much of it goes, and how little of who speaks."""

from __future__ import annotations

import numpy as np
import pytest

from companion.voice.echo import (
    MOST_LATE_S,
    SHORTEST_SAMPLES,
    _alike,
    _distinct,
    without_echo,
)
from companion.voice.sound import SAMPLE_RATE_HZ, Samples


def like_speech(seconds: float, seed: int) -> np.ndarray:
    """Return noise that falls towards high tones and comes and goes five times a second."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    noise = np.convolve(rng.standard_normal(len(t)), 0.9 ** np.arange(40), "same")
    return 800.0 * noise * np.maximum(np.sin(2.0 * np.pi * 5.0 * t), 0.0)


def whole(sound: np.ndarray) -> Samples:
    return np.clip(np.rint(sound), -32768, 32767).astype(np.int16)


def power(sound: np.ndarray) -> float:
    return float(np.mean(np.square(sound, dtype=float)))


def at_the_microphone(line: np.ndarray, late: int, size: int) -> np.ndarray:
    """Return a line that comes late, straight and from two walls."""
    heard = np.zeros(size)
    for after, part in ((0, 0.5), (35, 0.2), (160, -0.1)):
        begins = late + after
        heard[begins : begins + len(line)] += part * line[: max(size - begins, 0)]
    return heard


def taken_out(
    heard: np.ndarray, line: np.ndarray, stumbled: bool = False
) -> np.ndarray:
    left = without_echo(whole(heard), whole(line), may_have_stumbled=stumbled)
    assert left is not None
    return left.astype(float)


@pytest.mark.parametrize("size", range(SHORTEST_SAMPLES, SAMPLE_RATE_HZ, 1500))
def test_of_a_line_of_which_little_was_heard_nothing_is_looked_for_after_its_end(size):
    """ "Sonar back" cut off after half a second: its rest could not have come later than what was heard."""
    line = like_speech(0.6, 1)
    for late in (0, 300, 3000):
        echo = at_the_microphone(line, late, size)
        noise = 20.0 * np.random.default_rng(size).standard_normal(size)
        left = without_echo(whole(echo + noise), whole(line), may_have_stumbled=True)
        assert left is None or len(left) == size


@pytest.mark.parametrize("stumbled", [False, True])
@pytest.mark.parametrize("late", [0, 700, 6400])
def test_a_line_goes_and_the_noise_stays(late: int, stumbled: bool):
    line, size = like_speech(2.0, 1), 3 * SAMPLE_RATE_HZ
    echo = at_the_microphone(line, late, size)
    noise = 5.0 * np.random.default_rng(2).standard_normal(size)
    left = taken_out(echo + noise, line, stumbled) - noise
    assert power(left) < power(echo) / 10**2.5  # 25 dB


def test_who_speaks_into_a_line_stays_as_he_is():
    """A canceller that adapts to whatever it hears takes part of the words away."""
    line, size = like_speech(2.0, 1), 3 * SAMPLE_RATE_HZ
    echo = at_the_microphone(line, 1500, size)
    words = np.zeros(size)
    words[24_000:40_000] = 2.0 * like_speech(1.0, 3)
    left = taken_out(echo + words, line) - words
    assert power(left) < power(echo) / 10**1.8  # 18 dB
    assert power(left[24_000:40_000]) < power(words[24_000:40_000]) / 10**2.0


@pytest.mark.parametrize("at", [8_000, 16_000, 24_000])
@pytest.mark.parametrize("gap", [500, 900, 4000])
def test_the_rest_of_a_line_whose_player_stumbled_goes_too(at: int, gap: int):
    line, size = like_speech(2.0, 1), 3 * SAMPLE_RATE_HZ
    stumbled = np.concatenate([line[:at], np.zeros(gap), line[at:]])
    echo = at_the_microphone(stumbled, 1500, size)
    words = np.zeros(size)
    words[24_000:40_000] = 2.0 * like_speech(1.0, 3)
    noise = 5.0 * np.random.default_rng(2).standard_normal(size)
    left = taken_out(echo + words + noise, line, stumbled=True) - words - noise
    assert power(left) < power(echo) / 10**1.2  # 12 dB


def test_a_line_in_three_parts_is_not_taken_for_one_that_has_gone():
    line, size = like_speech(2.0, 1), 3 * SAMPLE_RATE_HZ
    parts = [line[:10_000], np.zeros(900), line[10_000:21_000], np.zeros(1500)]
    echo = at_the_microphone(np.concatenate([*parts, line[21_000:]]), 1500, size)
    assert without_echo(whole(echo), whole(line), may_have_stumbled=True) is None


def test_a_line_that_is_not_there_is_not_found():
    heard = whole(like_speech(2.0, 4))
    assert without_echo(heard, whole(like_speech(1.0, 5))) is None
    assert without_echo(heard, np.zeros(0, np.int16)) is None
    assert without_echo(heard, np.zeros(900, np.int16)) is None
    assert without_echo(heard[: SHORTEST_SAMPLES - 1], heard) is None


@pytest.mark.parametrize("late", [0, 1, 4801, round(MOST_LATE_S * SAMPLE_RATE_HZ) - 1])
def test_how_late_a_line_is_is_found_to_the_sample(late: int):
    line = like_speech(1.5, 7)
    noise = 100.0 * np.random.default_rng(8).standard_normal(3 * SAMPLE_RATE_HZ)
    heard = at_the_microphone(line, late, 3 * SAMPLE_RATE_HZ) + noise
    assert _distinct(_alike(heard, line)) == late
