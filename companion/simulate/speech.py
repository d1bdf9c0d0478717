"""Invented speech on an invented boat: synthetic voices with wind, motor and waves mixed in.

Two speech synthesizers are run as programs, so that nothing here is a recording of a
person. Sound is mono at 16 kHz. Noise is drawn from a seed; with the same synthesizers
the same words give the same clip.
"""

from __future__ import annotations

import math
import subprocess
import tempfile
import wave
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.signal import butter, resample_poly, sosfilt

from companion.simulate.lake import Floats
from companion.voice.sound import SAMPLE_RATE_HZ, Samples

SILENCE_AROUND_WORDS_S = 0.4
"""Silence before and after the words, s (noise goes on)."""

_PEAK = 0.5  # of full scale, for the loudest sample of a clip


class NoSynthesizerError(Exception):
    """A speech synthesizer is not on this machine; the message says which package has it."""


class SyntheticVoice(NamedTuple):
    """A synthetic voice.

    Attributes:
        program: what speaks.
        name: the voice's name there.
        pace: words a minute for espeak-ng, a stretch of durations for flite (1 is its
            own pace).
        pitch: mean pitch in Hz, flite only; None for the voice's own.
        avoids: what the speech engine does not get from it even in quiet; another voice
            says that.
    """

    program: str
    name: str
    pace: float
    pitch: int | None = None
    avoids: tuple[str, ...] = ()


DEMO_VOICES = {
    "cole": SyntheticVoice("flite", "kal16", 1.1),
    "amber": SyntheticVoice("espeak-ng", "en-us+f2", 140, avoids=("touched bottom",)),
    "dale": SyntheticVoice("flite", "kal16", 1.1, pitch=85),
    "birch": SyntheticVoice("espeak-ng", "en-us+f1", 135, avoids=("touched bottom",)),
    "wren": SyntheticVoice("flite", "kal16", 1.1, pitch=160),
    "moss": SyntheticVoice(
        "espeak-ng", "en-us+m6", 135, avoids=("pound nine ounces", "undo that")
    ),
}
"""The voices of the demo days, under names of our own.

Chosen by two rules, because a synthetic voice that the engine does not follow says
nothing about noise on a boat: in quiet (30 dB) what it misses three times out of three
is left to another voice; at 15 dB it gets 95 % of the rest of the day's commands. So
the share that is understood says nothing about real people.
"""

HARD_VOICE = SyntheticVoice("flite", "awb", 1.3)
"""A voice that fails the second rule (82 %); the few clips that are meant to be hard are in it."""


def speak(words: str, voice: SyntheticVoice) -> Floats:
    """Return words as spoken by a voice, -1 to 1, without any noise.

    Raises:
        NoSynthesizerError: the voice's program is not installed.
    """
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "words.wav"
        _run(_command(words, voice, out), voice.program)
        return _read(out)


def _command(words: str, voice: SyntheticVoice, out: Path) -> list[str]:
    if voice.program == "flite":
        ways = ["--setf", f"duration_stretch={voice.pace:g}"]
        if voice.pitch is not None:
            ways += ["--setf", f"int_f0_target_mean={voice.pitch}"]
        return ["flite", "-voice", voice.name, *ways, "-t", words, "-o", str(out)]
    return [
        "espeak-ng",
        "-v",
        voice.name,
        "-s",
        f"{voice.pace:.0f}",
        "-w",
        str(out),
        words,
    ]


def _run(command: list[str], program: str) -> None:
    try:
        subprocess.run(command, check=True, capture_output=True)
    except FileNotFoundError:
        raise NoSynthesizerError(
            f"{program}: not found; it speaks for the demo day; install the Debian package {program}"
        ) from None


def _read(path: Path) -> Floats:
    with wave.open(str(path)) as file:
        rate = file.getframerate()
        samples = (
            np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32768.0
        )
    common = math.gcd(rate, SAMPLE_RATE_HZ)
    return np.asarray(resample_poly(samples, SAMPLE_RATE_HZ // common, rate // common))


# -- noise ------------------------------------------------------------------------------------------


def wind(n: int, rng: np.random.Generator) -> Floats:
    """Return `n` samples of wind on a microphone: rumble that falls with frequency, in gusts."""
    rumble = _band(rng.standard_normal(n), 60.0, 500.0) + 0.25 * _band(
        rng.standard_normal(n), 300.0, 4000.0
    )
    times = np.arange(n) / SAMPLE_RATE_HZ
    gusts = 1.0 + 0.5 * np.sin(
        math.tau * times / rng.uniform(1.2, 3.0) + rng.uniform(0, math.tau)
    )
    return rumble * gusts


def motor(n: int, rng: np.random.Generator) -> Floats:
    """Return `n` samples of a trolling motor: a hum with overtones that breathes with the load."""
    times = np.arange(n) / SAMPLE_RATE_HZ
    pitch = rng.uniform(85.0, 120.0)
    turns = math.tau * (pitch * times + 0.6 * np.sin(math.tau * 0.7 * times))
    hum = sum(
        (np.sin(k * turns + rng.uniform(0, math.tau)) / k for k in range(1, 9)),
        np.zeros(n),
    )
    return hum + 0.1 * np.sin(math.tau * rng.uniform(900, 1300) * times)


def waves(n: int, rng: np.random.Generator) -> Floats:
    """Return `n` samples of small waves that slap against a hull, one every second or so."""
    sound = np.zeros(n)
    at = rng.uniform(0.0, 0.8)
    while at * SAMPLE_RATE_HZ < n:
        start = int(at * SAMPLE_RATE_HZ)
        burst = np.exp(
            -np.arange(n - start) / (SAMPLE_RATE_HZ * rng.uniform(0.05, 0.12))
        )
        sound[start:] += burst * rng.standard_normal(n - start)
        at += rng.uniform(0.6, 1.6)
    return _band(sound, 200.0, 1500.0)


def _band(sound: Floats, low: float, high: float) -> Floats:
    return np.asarray(
        sosfilt(butter(2, [low, high], "band", fs=SAMPLE_RATE_HZ, output="sos"), sound)
    )


def boat_noise(n: int, rng: np.random.Generator, under_way: bool) -> Floats:
    """Return `n` samples of noise as on a boat: wind and waves, and the motor when it is under way."""
    parts: list[tuple[float, Callable[[int, np.random.Generator], Floats]]] = [
        (1.0, wind),
        (0.6, waves),
        (0.7 if under_way else 0.0, motor),
    ]
    total = np.zeros(n)
    for share, make in parts:
        sound = make(n, rng)
        total += share * sound / (np.sqrt(np.mean(sound**2)) + 1e-12)
    return total


# -- clips ------------------------------------------------------------------------------------------


def speech_power(speech: Floats) -> float:
    """Return the mean power of speech while it sounds: of 20 ms frames within 25 dB of the loudest."""
    frame = SAMPLE_RATE_HZ // 50
    frames = speech[: len(speech) // frame * frame].reshape(-1, frame)
    power = np.mean(frames**2, axis=1)
    return float(np.mean(power[power > power.max() / 10**2.5]))


def mix(speech: Floats, noise: Floats, snr: float) -> Floats:
    """Return speech with noise at a signal-to-noise ratio of `snr` dB, speech padded to the noise.

    The signal is `speech_power`; the noise is taken over its whole length and band.
    """
    gain = math.sqrt(speech_power(speech) / 10 ** (snr / 10) / float(np.mean(noise**2)))
    sound = gain * noise
    before = (len(noise) - len(speech)) // 2
    sound[before : before + len(speech)] += speech
    return sound


def clip(
    words: str,
    voice: SyntheticVoice,
    snr: float,
    *,
    rng: np.random.Generator,
    under_way: bool,
) -> Samples:
    """Return one utterance as it would have been recorded: 16-bit samples at 16 kHz.

    Args:
        words: what is said.
        voice: who says it.
        snr: signal-to-noise ratio, dB.
        rng: for the noise.
        under_way: whether the motor is heard.

    Raises:
        NoSynthesizerError: the voice's program is not installed.
    """
    speech = _trim(speak(words, voice))
    n = len(speech) + 2 * round(SILENCE_AROUND_WORDS_S * SAMPLE_RATE_HZ)
    sound = mix(speech, boat_noise(n, rng, under_way), snr)
    return np.asarray(
        np.round(sound * (_PEAK * 32767.0 / np.abs(sound).max())), dtype=np.int16
    )


def _trim(speech: Floats) -> Floats:
    """Cut the silence a synthesizer leaves at both ends."""
    loud = np.flatnonzero(np.abs(speech) > 0.01 * np.abs(speech).max())
    return speech[loud[0] : loud[-1] + 1]
