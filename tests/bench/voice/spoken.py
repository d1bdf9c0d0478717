"""What is said to the bench: phrases by voices and people, as the microphone of a boat would give them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from companion.voice.clips import read_clip
from companion.voice.commands import Command, GoOn
from companion.voice.grammar import Aboard, Grammar, number_words
from companion.voice.sound import SAMPLE_RATE_HZ, Samples
from tests.bench.voice.noises import NOISES, Make, Sound
from tests.bench.voice.synthesizers import Voice
from tests.bench.voice.voices import active_level, job_phrases, speak, voices_here

SPEECH = Path(__file__).parents[3].parent / "shared" / "data" / "speech"
RODS, LINES = (1, 2, 3, 4), (12, 14, 17, 20)
WAKE = "kitchen ticket"
BEFORE, AFTER = 3.0, 2.0
"""Noise before the words (and up to 1 s more) and after them, s: longer than any decision may take."""
HISS = 3.0
"""The level of a sound card's noise, of 32768."""
EVERY_WORDING = 99
PLAIN, WOKEN = Grammar(Aboard(RODS, LINES)), Grammar(Aboard(RODS, LINES, wake=WAKE))
PEOPLE = {"view_glass": "view glass", "smart_mirror": "smart mirror"}
MIRROR = ("m", "ih", "r", "er")
"""Its sounds, which every word of a command has, and this is in none (from memory)."""


class Case(NamedTuple):
    """An utterance: what was said, the sound around it, and when in it the words begin and end, s."""

    words: str
    samples: Samples
    begins: float
    ends: float


class Setting(NamedTuple):
    """Where something is said.

    Attributes:
        noise: by name, of the reporting make, or the beginning of the names of files of
            real noise.
        decibels: how far the speech is above it; None for a card's hiss alone.
        near, far: what becomes of the speech before the noise is added, and of all of
            the sound.
        make: of the noise.
    """

    noise: str = "mixed"
    decibels: float | None = None
    near: Callable[[Sound], Sound] | None = None
    far: Callable[[Sound], Sound] | None = None
    make: Make = "reporting"


Made = Callable[[], Case]
"""Makes an utterance; made where it is heard, for a thousand of them are large."""


def synthetic(
    count: int,
    setting: Setting,
    wake: str = "",
    make: Make = "reporting",
    seed: int = 900,
) -> Iterator[Made]:
    """Yield phrases of all wordings in the voices of a make."""
    for number, voice in enumerate(voices_here(make)):
        for n, phrase in enumerate(
            job_phrases(PLAIN, count, seed + number, EVERY_WORDING)
        ):
            yield partial(
                _said, voice, f"{wake} {phrase}".strip(), setting, (number, n)
            )


def _said(voice: Voice, words: str, setting: Setting, seed: tuple[int, ...]) -> Case:
    return amid(words, speak(voice, words), setting, np.random.default_rng(seed))


def amid(words: str, speech: Sound, setting: Setting, rng: np.random.Generator) -> Case:
    """Return words with seconds of noise before and after."""
    before, after = (
        round((BEFORE + rng.random()) * SAMPLE_RATE_HZ),
        round(AFTER * SAMPLE_RATE_HZ),
    )
    level = active_level(speech)
    speech = speech if setting.near is None else setting.near(speech)
    size = before + len(speech) + after
    if setting.decibels is None:
        sound = HISS * rng.standard_normal(size)
    else:
        sound = level * 10 ** (-setting.decibels / 20) * _noise(setting, size, rng)
    sound[before : before + len(speech)] += speech
    if setting.far is not None:
        sound = setting.far(sound)
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    return Case(
        words, samples, before / SAMPLE_RATE_HZ, (before + len(speech)) / SAMPLE_RATE_HZ
    )


def _noise(setting: Setting, size: int, rng: np.random.Generator) -> Sound:
    if setting.noise in NOISES:
        return NOISES[setting.noise](size, rng, setting.make)
    clips = sorted((SPEECH / "noise").glob(f"{setting.noise}*.flac"))
    clip = read_clip(clips[rng.integers(len(clips))]).astype(float)
    start = rng.integers(len(clip))
    sound = np.resize(np.roll(clip, -start), size)
    return sound / (np.sqrt(np.mean(sound**2)) + 1e-12)


def in_a_room(speech: Sound) -> Sound:
    """Return speech from 1 m away in a room that rings for .4 s, as loud as what comes straight (assumed)."""
    rng = np.random.default_rng(31)
    t = np.arange(round(0.4 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    ring = rng.standard_normal(len(t)) * 10 ** (-3.0 * t / 0.4)
    ring *= 1.0 / np.sqrt(np.sum(ring**2))
    ring[: SAMPLE_RATE_HZ // 200] = 0.0
    ring[0] = 1.0
    return np.asarray(0.2 * fftconvolve(speech, ring))


def by_telephone(sound: Sound) -> Sound:
    """Return the band of a telephone, 300 to 3,400 Hz."""
    band = butter(4, [300.0, 3400.0], "band", fs=SAMPLE_RATE_HZ, output="sos")
    return np.asarray(sosfilt(band, sound))


def clipped(sound: Sound) -> Sound:
    """Return sound 20 dB louder, most of whose peaks go beyond full scale."""
    return 10.0 * sound


def faint(speech: Sound) -> Sound:
    """Return speech 30 dB softer."""
    return speech * 10**-1.5


def people(count: int, setting: Setting) -> Iterator[Made]:
    """Yield two-word phrases by people, which stand for commands of ours."""
    for key, phrase in PEOPLE.items():
        for n, path in enumerate(
            sorted((SPEECH / "phrases").glob(f"{key}*.flac"))[:count]
        ):
            yield partial(_person, phrase, path, setting, (7, n))


def _person(phrase: str, path: Path, setting: Setting, seed: tuple[int, ...]) -> Case:
    return amid(
        phrase, read_clip(path).astype(float), setting, np.random.default_rng(seed)
    )


def digits(count: int) -> Iterator[Made]:
    """Yield pairs of digits by one person, with a tenth of a second between."""
    return (partial(_pair, n) for n in range(count))


def _pair(n: int) -> Case:
    rng = np.random.default_rng([11, n])
    a, b = rng.integers(1, 10, 2)
    takes = [
        SPEECH / "digits" / f"{d}_speaker{n % 3 + 1}_{n % 20:02d}.flac" for d in (a, b)
    ]
    first, second = (read_clip(take).astype(float) for take in takes)
    speech = np.concatenate([first, np.zeros(SAMPLE_RATE_HZ // 10), second])
    return amid(
        f"{number_words(int(a))} {number_words(int(b))}", speech, Setting(), rng
    )


def command_of(text: str) -> Command | None:
    """Return the command a text is; None for none, and for what only goes on with one before."""
    found = PLAIN.parse(text)
    return None if isinstance(found, GoOn) else found
