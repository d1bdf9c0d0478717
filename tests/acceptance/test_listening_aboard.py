"""Commands through the listener that `companion run` makes, with sound as the microphone would give it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.cli.run import with_ears
from companion.live.live import Parts
from companion.voice.clips import read_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.recogniser import for_grammar
from companion.voice.sound import RATE, frames_of

SETTINGS = config.parse(config.example_text(), "example")
GRAMMAR = Grammar(aboard(SETTINGS))
SPEECH_LEVEL, HISS_LEVEL = 2500.0, 12.0

pytestmark = pytest.mark.speech("flite")


@pytest.fixture(scope="module")
def recogniser():
    return for_grammar(speech_model(), GRAMMAR)


def boat_listener(recogniser, speaker=None) -> Listener:
    """Return the listener that `companion run` makes for these settings."""
    parts = with_ears(Parts(), SETTINGS, recogniser, speaker)
    return parts.listener(lambda _: None)


def say(text: str, folder: Path) -> np.ndarray:
    path = folder / f"{text}.wav"
    if not path.exists():
        subprocess.run(["flite", "-voice", "slt", "-t", text, "-o", path], check=True, capture_output=True)
    sound = read_clip(path).astype(float)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound * SPEECH_LEVEL / np.sqrt(np.mean(sound**2))


def slap(seed: int) -> np.ndarray:
    """Return a wave against the hull: 0.2 s of noise that dies away."""
    t = np.arange(round(0.2 * RATE)) / RATE
    return np.random.default_rng(seed).normal(0, 3 * SPEECH_LEVEL, len(t)) * np.exp(-t / 0.06)


def still(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * RATE))


def commands(listener: Listener, *parts: np.ndarray) -> list[str]:
    """Return the phrases taken from sounds one after the other in a card's hiss."""
    sound = np.concatenate(parts)
    sound = sound + np.random.default_rng(3).normal(0, HISS_LEVEL, len(sound))
    found = []
    for frame in frames_of(np.clip(np.rint(sound), -32768, 32767).astype(np.int16)):
        took = listener.take(frame)
        if took is not None and GRAMMAR.parse(took.hearing.text):
            found.append(took.hearing.text)
    return found


@pytest.mark.parametrize("gap", [0.1, 0.4, 0.5, 0.55, 0.6, 0.65, 0.7, 1.0])
def test_a_command_is_heard_however_soon_after_a_slap_it_begins(recogniser, tmp_path, gap):
    asked = ["log bite", "how deep is it", "rod number two"]
    parts = [still(2.0)]
    for number, text in enumerate(asked):
        parts += [slap(number), still(gap), say(text, tmp_path), still(2.5)]
    assert commands(boat_listener(recogniser), *parts) == asked
