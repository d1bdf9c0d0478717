"""The real recogniser on synthetic voices, in quiet and in noise.

The rates are kinder than people's: tests/outside/test_speech.py has people. Those of
flite are among the voices that settings were chosen with; what is reported is measured
by tests/bench/voice, on others. The rates are printed; run with `-s` to see them.
"""

import hashlib
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from companion.clock import stopwatch
from companion.voice.clips import read_clip
from companion.voice.grammar import FORMS, Aboard, Grammar
from companion.voice.listening import Listener, listened
from companion.voice.model import ModelError, speech_model
from companion.voice.recogniser import Recogniser, decoys, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of
from tests.bench.voice.synthesizers import Voice, synthesize

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
VOICES = (
    Voice("espeak-ng", "en-us+f4", 155),
    Voice("espeak-ng", "en-gb-x-rp+m1", 155),
    Voice("flite", "slt", 1.0),
    Voice("flite", "kal16", 1.0),
)
SPEECH_LEVEL = 3000.0
COMMON = (
    "log bite", "log strike", "log fish", "log fish three pounds two ounces", "lost it", "broke off",
    "bottom contact",
    "touched bottom", "snagged up", "mark a tree top at fifteen feet", "mark tree top fifteen feet",
    "mark a grass edge", "mark a rock pile", "mark a ledge", "mark a point", "mark a high spot",
    "mark this spot", "cast now", "reeled in",
    "rod tip down", "stopped now", "going again", "current half a knot two o'clock",
    "rod number one", "rod number two", "rod three", "line twelve",
    "line fourteen", "line seventeen", "line twenty pound", "which rod", "how deep is it", "how deep",
    "how deep does it go", "lure depth", "water up two feet", "undo that", "say again",
    "quiet for ten minutes", "start talking again", "what can i say", "where from", "no fifteen",
    "that was rod three", "what have you learned", "forget rod two", "cast two o'clock", "cast short",
    "cast thirty yards", "mark a tree top twenty yards two o'clock",
)  # fmt: skip
"""Every command at least once."""


pytestmark = pytest.mark.speech("espeak-ng", "flite")


@pytest.fixture(scope="module")
def recogniser() -> Recogniser:
    return for_grammar(speech_model(), GRAMMAR)


@pytest.fixture(scope="module")
def say(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Voice, str], np.ndarray]:
    """Return what speaks a text in a voice: float samples at one speech level, cut tight."""
    folder = tmp_path_factory.mktemp("voices")

    @cache
    def speak(voice: Voice, text: str) -> np.ndarray:
        path = folder / f"{hashlib.sha256(f'{voice}{text}'.encode()).hexdigest()}.wav"
        synthesize(voice, text, path)
        sound = read_clip(path).astype(float)
        loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
        sound = sound[loud[0] : loud[-1] + 1]
        return sound * SPEECH_LEVEL / np.sqrt(np.mean(sound**2))

    return speak


def wind_and_motor(count: int, seed: int) -> np.ndarray:
    """Return equal parts of gusting low-pass noise and a motor's harmonics in hiss, with unit level."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) / SAMPLE_RATE_HZ
    gusts = 1 + 0.7 * np.sin(2 * np.pi * rng.uniform(0.2, 0.6) * t + rng.uniform(0, 6))
    spectrum = np.fft.rfft(rng.normal(size=count))
    wind = (
        np.fft.irfft(
            spectrum / np.hypot(1.0, np.fft.rfftfreq(count, 1 / SAMPLE_RATE_HZ) / 50.0),
            count,
        )
        * gusts
    )
    pitch = rng.uniform(80, 140)
    motor = sum(
        np.sin(2 * np.pi * pitch * k * t + rng.uniform(0, 6)) / k for k in range(1, 25)
    )
    motor = motor + 0.5 * rng.normal(size=count)
    both = wind / wind.std() + motor / motor.std()
    return both / both.std()


def in_noise(speech: np.ndarray, decibels: float | None, seed: int) -> Samples:
    """Return speech with half a second before and after, in noise so far below it, or in a card's hiss."""
    padded = np.pad(speech, SAMPLE_RATE_HZ // 2)
    level = 5.0 if decibels is None else SPEECH_LEVEL * 10 ** (-decibels / 20)
    noise = (
        wind_and_motor(len(padded), seed)
        if decibels is not None
        else np.random.default_rng(seed).normal(size=len(padded))
    )
    return np.clip(padded + level * noise, -32768, 32767).astype(np.int16)


def interval(hits: int, count: int) -> str:
    """Return a rate with its 95 % Wilson interval."""
    z, p = 1.96, hits / count
    centre, half = (
        p + z * z / (2 * count),
        z * np.sqrt(p * (1 - p) / count + z * z / (4 * count**2)),
    )
    low, high = ((centre + sign * half) / (1 + z * z / count) for sign in (-1, 1))
    return f"{p:.3f} ({low:.3f} to {high:.3f}, n {count})"


def test_the_common_phrases_are_all_commands_and_all_commands():
    named = {type(GRAMMAR.parse(text)) for text in COMMON}
    assert named == {form.command for form in FORMS}


@pytest.mark.parametrize(
    ("decibels", "at_least"), [(None, 0.95), (10.0, 0.85)], ids=["quiet", "10 dB"]
)
def test_commands_are_understood_and_none_is_taken_for_another(
    recogniser, say, decibels, at_least
):
    """Half of all that the voices can say in quiet, the other half in noise; the bench takes all of both."""
    hits, wrong, missed = 0, [], []
    every = [(voice, text) for voice in VOICES for text in COMMON]
    spoken = every[0::2] if decibels is None else every[1::2]
    sounds = [
        in_noise(say(voice, text), decibels, seed)
        for seed, (voice, text) in enumerate(spoken)
    ]
    with ThreadPoolExecutor(2) as pool:
        hearings = list(pool.map(recogniser.hear, sounds))
    for (voice, text), heard in zip(spoken, hearings, strict=True):
        command = GRAMMAR.parse(heard.text)
        hits += command == GRAMMAR.parse(text)
        if command is None:
            missed.append((voice.name, text, heard.text))
        elif command != GRAMMAR.parse(text):
            wrong.append((voice.name, text, heard.text))
    print(
        f"\nunderstood {interval(hits, len(spoken))}, wrong {len(wrong)}; missed: {missed}"
    )
    assert hits >= at_least * len(spoken)
    assert len(wrong) <= 0.015 * len(spoken), wrong


def test_commands_are_cut_out_of_endless_noise_and_understood(recogniser, say):
    """Thirty-six commands four seconds apart, 15 dB above wind and motor, through the listener."""
    sound = [np.zeros(2 * SAMPLE_RATE_HZ)]
    for number, text in enumerate(COMMON):
        speech = say(VOICES[number % len(VOICES)], text)
        sound.append(np.pad(speech, (SAMPLE_RATE_HZ, SAMPLE_RATE_HZ)))
    whole = np.concatenate(sound)
    whole = whole + SPEECH_LEVEL * 10 ** (-15 / 20) * wind_and_motor(len(whole), 99)
    frames = frames_of(np.clip(whole, -32768, 32767).astype(np.int16))
    found = list(listened(frames, Listener(recogniser)))
    heard = [GRAMMAR.parse(item.hearing.text) for item in found]
    understood = sum(GRAMMAR.parse(text) in heard for text in COMMON)
    print(
        f"\n{len(found)} utterances for {len(COMMON)} commands, "
        f"understood {interval(understood, len(COMMON))}"
    )
    assert understood >= 0.85 * len(COMMON)
    assert len(found) <= 1.2 * len(COMMON)


def test_the_same_utterance_is_heard_the_same_whatever_came_before(recogniser, say):
    one = in_noise(say(VOICES[0], "log bite"), 5.0, 1)
    other = in_noise(say(VOICES[2], "mark a tree top at fifteen feet"), 5.0, 2)
    first = [recogniser.hear(one), recogniser.hear(other)]
    assert [recogniser.hear(other), recogniser.hear(one)] == first[::-1]
    assert for_grammar(speech_model(), GRAMMAR).hear(one) == first[0]


def test_a_decoder_used_again_makes_out_the_same(recogniser, say):
    """Also where a pause ended the words before, with the last sound it was given."""
    one = in_noise(say(VOICES[1], "mark a tree top at fifteen feet"), None, 1)
    other = in_noise(say(VOICES[3], "log fish three pounds two ounces"), 5.0, 2)
    decoders = copy(recogniser.decoders)

    def made_out(sound: Samples, *, to_a_pause: bool) -> str:
        decoder = decoders.lend()
        paused = False
        for chunk in np.array_split(sound, len(sound) * 10 // SAMPLE_RATE_HZ):
            paused = paused or decoder.accept(chunk.tobytes())
        if paused:
            decoder.result()
        assert paused == to_a_pause
        return decoders.finish(decoder)

    decoders.idle = []
    alone = made_out(other, to_a_pause=False)
    decoders.idle = []
    made_out(np.pad(one, (0, 2 * SAMPLE_RATE_HZ)), to_a_pause=True)
    assert len(decoders.idle) == 1
    assert made_out(other, to_a_pause=False) == alone
    assert len(decoders.idle) == 1


def test_a_short_pause_within_a_command_does_not_end_it_and_a_long_one_does(
    recogniser, say
):
    voice = VOICES[2]
    first, second = say(voice, "mark a tree top"), say(voice, "at fifteen feet")
    short, long = (
        np.concatenate([first, np.zeros(round(s * SAMPLE_RATE_HZ)), second])
        for s in (0.25, 1.5)
    )
    assert (
        recogniser.hear(in_noise(short, None, 3)).text
        == "mark a tree top at fifteen feet"
    )
    heard = recogniser.hear(in_noise(long, None, 3))
    assert heard.text == "mark a tree top"
    assert heard.seconds < 0.5 + len(first) / SAMPLE_RATE_HZ + 1.2
    two = np.concatenate(
        [
            say(voice, "log bite"),
            np.zeros(round(1.5 * SAMPLE_RATE_HZ)),
            say(voice, "undo that"),
        ]
    )
    assert recogniser.hear(in_noise(two, None, 4)).text == "log bite"


def test_noise_and_silence_are_no_command(recogniser):
    quiet = np.zeros(0)
    assert recogniser.hear(in_noise(quiet, None, 1)).text == ""
    assert recogniser.hear(np.zeros(0, np.int16)).text == ""
    heard = [
        recogniser.hear(in_noise(np.zeros(5 * SAMPLE_RATE_HZ), level, seed))
        for level in (0.0, 10.0)
        for seed in range(6)
    ]
    assert [item.text for item in heard if GRAMMAR.parse(item.text)] == []


@pytest.mark.parametrize("unit", ["feet", "metres"])
def test_the_model_knows_every_word_of_every_boat(unit):
    every = Grammar(
        Aboard(rods=tuple(range(1, 11)), lines=tuple(range(2, 100)), unit=unit)
    )
    Recogniser(speech_model(), every.phrases)


def test_a_word_the_model_does_not_know_is_named_at_the_start():
    with pytest.raises(
        ModelError, match="does not know crankbait, thermocline; change the wording"
    ):
        Recogniser(
            speech_model(), ["log bite", "tie the crankbait", "find the thermocline"]
        )


def test_a_folder_that_is_no_model_is_named(tmp_path: Path):
    with pytest.raises(ModelError, match="vosk cannot load this model"):
        Recogniser(tmp_path, ["log bite"])


def test_decoys_are_many_words_none_of_them_a_command():
    words = decoys()
    assert len(words) >= 500
    assert [word for word in words if GRAMMAR.parse(word) and word != "snagged"] == []


def test_what_hearing_costs(recogniser, say):
    """Print memory and decoding time; only the memory, which does not depend on the machine, is judged."""
    utterance = in_noise(say(VOICES[2], "mark a tree top at fifteen feet"), 10.0, 5)
    began = stopwatch()
    for _ in range(5):
        recogniser.hear(utterance)
    seconds = (stopwatch() - began) / 5
    length = len(utterance) / SAMPLE_RATE_HZ
    script = (
        "import numpy as np, psutil; from companion.voice.model import speech_model\n"
        "from companion.voice.recogniser import for_grammar; from companion.voice.grammar import *\n"
        "r = for_grammar(speech_model(), Grammar(Aboard((1, 2, 3, 4), (12, 14, 17, 20))))\n"
        "r.hear(np.zeros(48000, np.int16)); r.second_pass(np.zeros(48000, np.int16))\n"
        "print(psutil.Process().memory_info().rss)"
    )
    resident = (
        int(
            subprocess.run(
                [sys.executable, "-c", script], check=True, capture_output=True
            ).stdout
        )
        / 1e6
    )
    print(
        f"\ndecoding {length:.2f} s takes {seconds * 1e3:.0f} ms ({seconds / length:.3f} of its length); "
        f"{resident:.0f} MB"
    )
    assert resident < 250
