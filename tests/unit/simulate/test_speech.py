"""Invented speech: noise is as loud as stated, the voices are there, the same seed gives the same clip."""

import shutil

import numpy as np
import pytest

from companion.simulate import speech

MISSING = [p for p in ("espeak-ng", "flite") if shutil.which(p) is None]
needs_voices = pytest.mark.skipif(
    bool(MISSING), reason=f"not on this machine: {', '.join(MISSING)}"
)


def tone(seconds=1.0, pause=0.5):
    """A tone, a pause, a tone: speech as far as its power goes."""
    n, gap = (
        round(seconds * speech.SAMPLE_RATE_HZ),
        round(pause * speech.SAMPLE_RATE_HZ),
    )
    sound = 0.3 * np.sin(2 * np.pi * 440 * np.arange(n) / speech.SAMPLE_RATE_HZ)
    return np.concatenate([sound, np.zeros(gap), sound])


def test_power_is_that_of_speech_while_it_sounds():
    assert speech.speech_power(tone(pause=0.0)) == pytest.approx(0.045, rel=1e-3)
    assert speech.speech_power(tone(pause=2.0)) == pytest.approx(0.045, rel=0.02)


@pytest.mark.parametrize("snr", [0.0, 8.0, 12.0, 20.0])
def test_noise_is_mixed_in_at_the_stated_ratio(snr):
    words = tone()
    noise = speech.boat_noise(
        len(words) + 12800, np.random.default_rng(4), under_way=True
    )
    mixed = speech.mix(words, noise.copy(), snr)
    added = mixed.copy()
    added[6400 : 6400 + len(words)] -= words
    assert 10 * np.log10(
        speech.speech_power(words) / np.mean(added**2)
    ) == pytest.approx(snr, abs=0.01)


@pytest.mark.parametrize("make", [speech.wind, speech.motor, speech.waves])
def test_each_noise_sounds_and_comes_again_with_its_seed(make):
    first = make(speech.SAMPLE_RATE_HZ, np.random.default_rng(2))
    assert len(first) == speech.SAMPLE_RATE_HZ
    assert np.std(first) > 0
    assert np.array_equal(first, make(speech.SAMPLE_RATE_HZ, np.random.default_rng(2)))
    assert not np.array_equal(
        first, make(speech.SAMPLE_RATE_HZ, np.random.default_rng(3))
    )


def test_wind_rumbles_low_and_the_motor_hums():
    def power_per_hertz(sound, low, high):
        power = np.abs(np.fft.rfft(sound)) ** 2
        return power[
            round(low * len(sound) / speech.SAMPLE_RATE_HZ) : round(
                high * len(sound) / speech.SAMPLE_RATE_HZ
            )
        ].mean()

    rng = np.random.default_rng(5)
    wind, motor = (
        speech.wind(4 * speech.SAMPLE_RATE_HZ, rng),
        speech.motor(4 * speech.SAMPLE_RATE_HZ, rng),
    )
    assert power_per_hertz(wind, 100, 400) > 8 * power_per_hertz(wind, 1000, 3000)
    assert power_per_hertz(wind, 1000, 3000) > 8 * power_per_hertz(wind, 7000, 8000)
    assert power_per_hertz(motor, 60, 1000) > 50 * power_per_hertz(motor, 1400, 8000)


@needs_voices
@pytest.mark.parametrize("name", sorted(speech.DEMO_VOICES))
def test_each_voice_speaks(name):
    sound = speech.speak("log bite", speech.DEMO_VOICES[name])
    assert 0.4 < len(sound) / speech.SAMPLE_RATE_HZ < 3.0
    assert np.abs(sound).max() > 0.05


@needs_voices
def test_a_clip_has_its_lead_in_and_is_the_same_again():
    voice = speech.DEMO_VOICES["cole"]
    first, second = (
        speech.clip(
            "how deep", voice, 20.0, rng=np.random.default_rng(1), under_way=False
        )
        for _ in range(2)
    )
    assert first.dtype == np.int16
    assert np.array_equal(first, second)
    lead = first[: round(0.35 * speech.SAMPLE_RATE_HZ)].astype(float)
    assert np.std(lead) < 0.2 * np.std(first.astype(float))
    assert np.abs(first).max() == pytest.approx(0.5 * 32767, abs=1)


def test_a_missing_synthesizer_is_one_clear_line():
    with pytest.raises(speech.NoSynthesizerError, match="no-such-program: not found"):
        speech._run(["no-such-program"], "no-such-program")
