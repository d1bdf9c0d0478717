"""The recogniser on people's voices and talk, recorded by others.

Source of all recordings: ../shared/data/INDEX.md, speech/, which names repository and
licence of each (S: open data). The thresholds are ours, below what was measured; the
rates are printed, `-s` shows them.
"""

from pathlib import Path

import numpy as np
import pytest

from companion.voice.clips import read_clip
from companion.voice.grammar import Aboard, Grammar, number_words
from companion.voice.listening import Listener, listened
from companion.voice.model import ModelError, speech_model
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of

SPEECH = Path(__file__).parents[2].parent / "shared" / "data" / "speech"
GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
TALK_SECONDS = 300


def missing() -> str:
    """Return what is needed and not here."""
    try:
        speech_model()
    except ModelError:
        return "the speech model (hardware/install.sh fetches it)"
    return "" if SPEECH.is_dir() else "the recordings in ../shared/data/speech"


pytestmark = pytest.mark.skipif(bool(missing()), reason=f"not here: {missing()}")


def level(sound: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(sound, dtype=float))))


def clips(folder: str, pattern: str = "*.flac") -> list[Path]:
    found = sorted((SPEECH / folder).glob(pattern))
    assert found
    return found


def in_rain(speech: Samples, decibels: float | None, seed: int) -> Samples:
    """Return speech with 0.4 s before and after, in recorded rain so far below its loud half-seconds."""
    padded = np.pad(speech.astype(float), round(0.4 * SAMPLE_RATE_HZ))
    if decibels is None:
        noise, wanted = np.random.default_rng(seed).normal(size=len(padded)), 3.0
    else:
        every = clips("noise", "rain_*.flac")
        noise = np.resize(
            read_clip(every[seed % len(every)]).astype(float), len(padded)
        )
        blocks = np.array_split(speech, max(1, len(speech) // (SAMPLE_RATE_HZ // 2)))
        wanted = max(level(block) for block in blocks) * 10 ** (-decibels / 20)
    return np.clip(padded + noise * wanted / level(noise), -32768, 32767).astype(
        np.int16
    )


@pytest.mark.parametrize(
    ("decibels", "at_least"), [(None, 0.9), (10.0, 0.6)], ids=["quiet", "rain, 10 dB"]
)
def test_two_word_phrases_by_many_people_are_heard(decibels, at_least):
    """Stand-ins for two-word commands: the phrases are listed beside all the commands, and then spoken."""
    named = {"view_glass": "view glass", "smart_mirror": "smart mirror"}
    recogniser = Recogniser(speech_model(), [*GRAMMAR.phrases, *named.values()])
    every = [
        (path, phrase)
        for key, phrase in named.items()
        for path in clips("phrases", f"{key}*")
    ]
    spoken = (
        every[0::4] if decibels is None else every[2::4]
    )  # all of both: tests.bench.voice
    heard = [
        recogniser.hear(in_rain(read_clip(path), decibels, i)).text
        for i, (path, _) in enumerate(spoken)
    ]
    hits = sum(text == phrase for text, (_, phrase) in zip(heard, spoken, strict=True))
    taken = [text for text in heard if GRAMMAR.parse(text)]
    print(f"\nphrases understood {hits} of {len(spoken)}; taken for a command: {taken}")
    assert hits >= at_least * len(spoken)
    assert len(taken) <= 0.02 * len(spoken), taken


def test_pairs_of_digits_by_people_are_heard():
    """Two digits by one person, one after the other, among all pairs of 1 to 9."""
    pairs = [
        f"{number_words(a)} {number_words(b)}"
        for a in range(1, 10)
        for b in range(1, 10)
    ]
    recogniser = Recogniser(speech_model(), pairs, [])
    rng = np.random.default_rng(11)
    hits, wrong = 0, []
    for number in range(60):
        a, b = rng.integers(1, 10, 2)
        takes = [
            SPEECH
            / "digits"
            / f"{digit}_speaker{number % 3 + 1}_{number % 20:02d}.flac"
            for digit in (a, b)
        ]
        first, second = (read_clip(take) for take in takes)
        sound = np.concatenate(
            [first, np.zeros(SAMPLE_RATE_HZ // 10, np.int16), second]
        )
        text = recogniser.hear(in_rain(sound, None, number)).text
        hits += text == f"{number_words(int(a))} {number_words(int(b))}"
        if text in pairs and text != f"{number_words(int(a))} {number_words(int(b))}":
            wrong.append((int(a), int(b), text))
    print(f"\npairs of digits understood {hits} of 60; taken for another pair: {wrong}")
    assert hits >= 0.85 * 60


def test_talk_is_never_a_command():
    """Five minutes of people ordering drinks, listened to as the microphone's sound is."""
    recogniser = for_grammar(speech_model(), GRAMMAR)
    heard, seconds = [], 0.0
    for path in clips("talk"):
        sound = read_clip(path)[: TALK_SECONDS * SAMPLE_RATE_HZ // 10]
        seconds += len(sound) / SAMPLE_RATE_HZ
        heard += [
            spoken.hearing.text
            for spoken in listened(frames_of(sound), Listener(recogniser))
        ]
    commands = [text for text in heard if GRAMMAR.parse(text)]
    print(
        f"\n{seconds / 60:.1f} minutes of talk, {len(heard)} utterances, taken for commands: {commands}"
    )
    assert seconds > 120
    assert commands == []
