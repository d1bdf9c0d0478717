"""Synthetic voices, some to choose settings with and others to report figures with, and what they say.

What they say is kept in the user's cache folder between runs. They speak more evenly
than people do, so what is understood of them is more than will be of people; kokoro's,
learned from people, come nearest.
"""

from __future__ import annotations

import hashlib
import os

import numpy as np

from companion.voice.clips import read_clip
from companion.voice.grammar import FORMS, Grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples
from tests.bench.voice.noises import NOISES, Make, Sound
from tests.bench.voice.synthesizers import Voice, cache_folder, is_here, synthesize
from tests.phrases import spelled

VOICES: dict[Make, tuple[Voice, ...]] = {
    "choosing": (
        Voice("espeak-ng", "en-us+f1", 150),
        Voice("espeak-ng", "en-us+f2", 140),
        Voice("espeak-ng", "en-gb+m3", 150),
        Voice("espeak-ng", "en-us+m6", 145),
        Voice("espeak-ng", "en-gb-scotland+m2", 145),
        Voice("flite", "kal16", 1.0),
        Voice("flite", "slt", 1.0),
        Voice("flite", "rms", 1.0),
        Voice("festival", "kal_diphone", 1.0),
        Voice("festival", "cmu_us_slt_arctic_hts", 1.15),
        Voice("kokoro", "hf_alpha", 150),
        Voice("kokoro", "hm_psi", 160),
        Voice("kokoro", "jf_alpha", 150),
        Voice("kokoro", "zm_yunxi", 145),
    ),
    "reporting": (
        Voice("espeak-ng", "en-us+f4", 150),
        Voice("espeak-ng", "en-us+m1", 155),
        Voice("espeak-ng", "en-gb-x-rp+m4", 150),
        Voice("espeak-ng", "en-us+f5", 145),
        Voice("espeak-ng", "en-gb-x-gbclan+m7", 145),
        Voice("kokoro", "ef_dora", 150),
        Voice("kokoro", "em_alex", 155),
        Voice("kokoro", "ff_siwis", 150),
        Voice("kokoro", "if_sara", 160),
        Voice("kokoro", "im_nicola", 145),
        Voice("kokoro", "pm_alex", 150),
    ),
}
"""The voices; no voice and no make of noise is in both, and the phrase scorer's network learned from none."""

SPEECH_LEVEL = 2500.0
"""Level of the speech while it sounds, of 32768: a lapel microphone worn close."""
AROUND = 0.6
"""Noise before and after the words, s."""


def missing_programs(make: Make = "reporting") -> list[str]:
    """Return the programs of these voices that are not installed."""
    return sorted(
        {voice.program for voice in VOICES[make] if not is_here(voice.program)}
    )


def voices_here(make: Make) -> list[Voice]:
    """Return the voices whose programs are installed."""
    return [voice for voice in VOICES[make] if is_here(voice.program)]


def speak(voice: Voice, words: str) -> Sound:
    """Return words in a voice: at `SAMPLE_RATE_HZ`, at `SPEECH_LEVEL`, cut tight."""
    key = hashlib.sha256(f"{voice}{words}".encode()).hexdigest()[:24]
    path = cache_folder() / f"{key}.wav"
    if not path.exists():
        part = path.with_suffix(f".{os.getpid()}.wav")
        synthesize(voice, words, part)
        part.replace(path)
    return cut_tight(read_clip(path))


def cut_tight(samples: Samples) -> Sound:
    """Return speech without the silence around it, at `SPEECH_LEVEL`."""
    sound = samples.astype(float)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound * SPEECH_LEVEL / active_level(sound)


def active_level(sound: Sound) -> float:
    """Return the level of speech while it sounds: of 20 ms frames within 25 dB of the loudest."""
    frames = sound[: len(sound) // 320 * 320].reshape(-1, 320)
    power = np.mean(frames**2, axis=1)
    return float(np.sqrt(np.mean(power[power > power.max() / 10**2.5])))


def in_noise(speech: Sound, noise: Sound, decibels: float | None) -> Samples:
    """Return speech amid noise of unit level, so many dB below its active level; None: in a card's hiss."""
    level = 3.0 if decibels is None else active_level(speech) * 10 ** (-decibels / 20)
    sound = level * noise
    start = (len(noise) - len(speech)) // 2
    sound[start : start + len(speech)] += speech
    return np.clip(np.rint(sound), -32768, 32767).astype(np.int16)


def utterance(
    voice: Voice, words: str, noise: str, decibels: float | None, make: Make, seed: int
) -> Samples:
    """Return words in a voice amid a noise by name."""
    speech = speak(voice, words)
    rng = np.random.default_rng([seed, len(words)])
    n = len(speech) + 2 * round(AROUND * SAMPLE_RATE_HZ)
    sound = (
        NOISES[noise](n, rng, make) if decibels is not None else rng.standard_normal(n)
    )
    return in_noise(speech, sound, decibels)


def job_phrases(
    grammar: Grammar, count: int, seed: int, wordings: int = 2
) -> list[str]:
    """Return phrases drawn evenly over the commands, each in one of its first few wordings."""
    rng = np.random.default_rng(seed)
    by_form = [
        [spelled(grammar, w) for w in form.wordings[:wordings]] for form in FORMS
    ]
    chosen = []
    for number in range(count):
        wording = by_form[number % len(by_form)]
        some = wording[rng.integers(len(wording))]
        chosen.append(some[rng.integers(len(some))])
    return chosen
