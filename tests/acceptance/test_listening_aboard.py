"""Commands through the listener that `companion run` makes, with sound as the microphone would give it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.cli.run import with_ears
from companion.live.devices import Parts
from companion.voice.clips import read_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.recogniser import for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES, frames_of
from companion.voice.speaker import DEVICE_LATENCY_S, Manner

SETTINGS = config.parse(config.example_text(), "example")
GRAMMAR = Grammar(aboard(SETTINGS))
SPEECH_LEVEL, HISS_LEVEL = 2500.0, 12.0
LATE_S = 0.06
"""How late the loudspeaker is, s."""

pytestmark = pytest.mark.speech("espeak-ng", "flite")


@pytest.fixture(scope="module")
def recogniser():
    return for_grammar(speech_model(), GRAMMAR)


def boat_listener(recogniser, speaker=None) -> Listener:
    """Return the listener that `companion run` makes for these settings."""
    parts = with_ears(Parts(), SETTINGS, lambda: recogniser, speaker)
    return parts.listener(lambda _: None)


def say(text: str, folder: Path) -> np.ndarray:
    path = folder / f"{text}.wav"
    if not path.exists():
        subprocess.run(
            ["flite", "-voice", "slt", "-t", text, "-o", path],
            check=True,
            capture_output=True,
        )
    sound = read_clip(path).astype(float)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound * SPEECH_LEVEL / np.sqrt(np.mean(sound**2))


def slap(seed: int) -> np.ndarray:
    """Return a wave against the hull: 0.2 s of noise that dies away."""
    t = np.arange(round(0.2 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return np.random.default_rng(seed).normal(0, 3 * SPEECH_LEVEL, len(t)) * np.exp(
        -t / 0.06
    )


def still(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * SAMPLE_RATE_HZ))


def commands(listener: Listener, *parts: np.ndarray) -> list[str]:
    """Return the phrases taken from sounds one after the other in a card's hiss."""
    sound = np.concatenate(parts)
    sound = sound + np.random.default_rng(3).normal(0, HISS_LEVEL, len(sound))
    found = []
    for frame in frames_of(np.clip(np.rint(sound), -32768, 32767).astype(np.int16)):
        took = listener.accept_frame(frame)
        if took is not None and GRAMMAR.parse(took.hearing.text):
            found.append(took.hearing.text)
    return found


@pytest.mark.parametrize("gap", [0.1, 0.55, 0.65, 1.0])
def test_a_command_is_heard_however_soon_after_a_slap_it_begins(
    recogniser, tmp_path, gap
):
    asked = ["log bite", "how deep is it", "rod number two"]
    parts = [still(2.0)]
    for number, text in enumerate(asked):
        parts += [slap(number), still(gap), say(text, tmp_path), still(2.5)]
    assert commands(boat_listener(recogniser), *parts) == asked


class OwnVoice:
    """A speaker whose lines come back to the microphone; it stops 0.1 s after it was hushed."""

    def __init__(self, folder: Path, lines: dict[float, str], loud: float) -> None:
        self.hushed: list[float] = []
        self.floor: list[tuple[float, bool]] = []
        self.now = 0.0
        self._lines = [
            (began, self._sound(text, folder, loud)) for began, text in lines.items()
        ]
        self._until = {
            began: began + len(sound) / SAMPLE_RATE_HZ for began, sound in self._lines
        }

    @staticmethod
    def _sound(text: str, folder: Path, loud: float) -> np.ndarray:
        path = folder / "own.wav"
        manner = Manner()
        command = [
            "espeak-ng",
            "-v",
            manner.voice,
            "-s",
            str(manner.rate),
            "-w",
            str(path),
            text,
        ]
        subprocess.run(command, check=True, capture_output=True)
        sound = read_clip(path).astype(float)
        return np.asarray(sound * loud / np.sqrt(np.mean(sound**2)), np.int16)

    @property
    def ends(self) -> list[float]:
        """When each line comes to its end, s."""
        return list(self._until.values())

    @property
    def speaking(self) -> bool:
        return any(
            began <= self.now < until + DEVICE_LATENCY_S
            for began, until in self._until.items()
        )

    @property
    def line(self) -> np.ndarray | None:
        """The line that is played, or was last."""
        begun = [sound for began, sound in self._lines if began <= self.now]
        return begun[-1] if begun else None

    def hush(self) -> None:
        self.hushed.append(self.now)
        self._until = {
            began: min(until, self.now + 0.1) for began, until in self._until.items()
        }

    def yield_floor(self, is_open: bool) -> None:
        self.floor.append((self.now, is_open))

    def frame(self) -> np.ndarray:
        """Return what of it reaches the microphone in the frame that begins now."""
        out = np.zeros(SOUND_FRAME_SAMPLES)
        for began, sound in self._lines:
            at = round((self.now - began - LATE_S) * SAMPLE_RATE_HZ)
            if at >= 0 and self.now < self._until[began] + LATE_S:
                piece = sound[at : at + SOUND_FRAME_SAMPLES]
                out[: len(piece)] += piece
        return out


def aboard_with(recogniser, own: OwnVoice, sound: np.ndarray) -> list[str]:
    listener = boat_listener(recogniser, own)
    found = []
    for frame in frames_of(np.clip(np.rint(sound), -32768, 32767).astype(np.int16)):
        heard = np.clip(np.rint(frame + own.frame()), -32768, 32767).astype(np.int16)
        took = listener.accept_frame(heard)
        own.now += SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ
        if took is not None and GRAMMAR.parse(took.hearing.text):
            found.append(took.hearing.text)
    return found


LINE = "take number two, it gets to 17 feet, and number three stays short"


def with_words(at: dict[float, str], seconds: float, folder: Path) -> np.ndarray:
    sound = np.random.default_rng(5).normal(
        0, HISS_LEVEL, round(seconds * SAMPLE_RATE_HZ)
    )
    for began, text in at.items():
        speech = say(text, folder)
        sound[
            round(began * SAMPLE_RATE_HZ) : round(began * SAMPLE_RATE_HZ) + len(speech)
        ] += speech
    return sound


@pytest.mark.parametrize("after", [-0.4, 0.0, 0.3, 1.0])
def test_a_command_survives_the_companions_voice_at_any_moment(
    recogniser, tmp_path, after
):
    """A line begins so long before or after the words; one line before, in quiet, tells how loud it is."""
    own = OwnVoice(tmp_path, {2.0: LINE, 10.0: LINE}, SPEECH_LEVEL / 4)
    sound = with_words({10.0 + after: "how deep is it"}, 15.0, tmp_path)
    assert aboard_with(recogniser, own, sound) == ["how deep is it"]
    assert len(own.hushed) == 1


@pytest.mark.parametrize("after", [0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
@pytest.mark.parametrize("text", ["log bite", "touched bottom"])
def test_a_command_is_heard_however_soon_after_the_companions_line_it_begins(
    recogniser, tmp_path, after, text
):
    """While the device and the room still ring, or just after."""
    own = OwnVoice(tmp_path, {2.0: LINE, 10.0: "touch ahead"}, SPEECH_LEVEL / 4)
    own_ends = own.ends[-1]
    sound = with_words({own_ends + after: text}, own_ends + after + 4.0, tmp_path)
    assert aboard_with(recogniser, own, sound) == [text]


def test_the_angler_speaking_as_a_line_begins_does_not_teach_it_how_loud_it_is(
    recogniser, tmp_path
):
    own = OwnVoice(tmp_path, {2.0: LINE, 10.0: LINE, 20.0: LINE}, SPEECH_LEVEL / 4)
    sound = with_words(
        {9.6: "how deep is it", 21.0: "how deep is the water"}, 24.0, tmp_path
    )
    assert aboard_with(recogniser, own, sound) == [
        "how deep is it",
        "how deep is the water",
    ]


def test_the_floor_is_the_anglers_from_the_first_word_to_the_last(recogniser, tmp_path):
    own = OwnVoice(tmp_path, {}, 1.0)
    text = "mark a tree top at fifteen feet"
    aboard_with(recogniser, own, with_words({3.0: text}, 8.0, tmp_path))
    (taken, is_open), (free, is_still_open) = own.floor
    assert (is_open, is_still_open) == (True, False)
    assert 3.0 < taken < 3.25
    assert free > 3.0 + len(say(text, tmp_path)) / SAMPLE_RATE_HZ


def test_slaps_of_waves_do_not_hold_the_floor_for_long(recogniser, tmp_path):
    own = OwnVoice(tmp_path, {}, 1.0)
    parts = [part for seed in range(8) for part in (slap(seed), still(1.0))]
    sound = np.concatenate([still(2.0), *parts])
    sound += np.random.default_rng(3).normal(0, HISS_LEVEL, len(sound))
    aboard_with(recogniser, own, sound)
    times = [t for t, _ in own.floor]
    held = sum(end - begin for begin, end in zip(times[::2], times[1::2], strict=True))
    assert 0.0 < held < 0.45 * 8
