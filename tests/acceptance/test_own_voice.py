"""The companion's own voice in a room that rings: it is never a command, and who talks over it is heard.

The room is synthetic: noise that dies away exponentially, 60 dB in `RINGS` s (the
definition of the reverberation time: ISO 3382-2), after the direct sound.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from companion.voice.clips import read_clip
from companion.voice.echo_gate import EchoGate
from companion.voice.grammar import Aboard, Grammar
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.recogniser import for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES, frames_of
from companion.voice.speaker import DEVICE_LATENCY_S, Manner

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
RINGS, BOAT_RINGS = 0.5, 0.2
"""How long a room, and an open boat with a console, ring, s (assumed)."""
SAID = (
    "number two in hand", "seventeen pound it is", "fish three pounds two", "tree top fifteen feet",
    "touch noted", "away thirty two", "clear by 3 feet", "short by 4 feet", "depth back, 13 feet",
    "take number two, it gets to 17 feet", "You can say log bite, log fish, lost the fish, or bottom contact",
)  # fmt: skip
THEN = (
    "how deep is it",
    "undo that",
    "cast now",
    "rod number two",
    "line seventeen pound",
    "reeled in",
)


pytestmark = pytest.mark.speech("espeak-ng", "flite")


@pytest.fixture(scope="module")
def recogniser():
    return for_grammar(speech_model(), GRAMMAR)


def spoken(command: list[str], path: Path, loud: float) -> np.ndarray:
    subprocess.run(command, check=True, capture_output=True)
    sound = read_clip(path).astype(float)
    return sound * loud / np.sqrt(np.mean(sound**2))


def companions(text: str, folder: Path, loud: float) -> np.ndarray:
    manner = Manner()
    command = [
        "espeak-ng",
        "-v",
        manner.voice,
        "-s",
        str(manner.rate),
        "-w",
        str(folder / "a.wav"),
        text,
    ]
    return spoken(command, folder / "a.wav", loud)


def persons(text: str, folder: Path, loud: float) -> np.ndarray:
    return spoken(
        ["flite", "-voice", "slt", "-t", text, "-o", str(folder / "b.wav")],
        folder / "b.wav",
        loud,
    )


def ringing(sound: np.ndarray, seed: int, rings: float = RINGS) -> np.ndarray:
    """Return sound as it comes back from the room, at about the level it had."""
    t = np.arange(round(rings * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    room = (
        np.random.default_rng(seed).normal(size=len(t))
        * 10.0 ** (-3.0 * t / rings)
        * 0.05
    )
    room[0] = 1.0
    return np.convolve(sound, room)


def heard(
    recogniser,
    sound: np.ndarray,
    speaks: list[tuple[float, float]],
    hushed: list[float] | None = None,
    lines: list[np.ndarray] | None = None,
):
    """Return the commands taken from sound in which the companion speaks at times, s."""
    clock = [0]
    stopped = [] if hushed is None else hushed

    def speaking() -> bool:
        now = clock[0] * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ
        is_stopped = stopped and lines is None  # what is mixed already goes on
        return not is_stopped and any(
            began <= now < ended + DEVICE_LATENCY_S for began, ended in speaks
        )

    def played() -> np.ndarray | None:
        now = clock[0] * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ
        begun = sum(began <= now for began, _ in speaks)
        return whole[begun - 1] if lines and begun else None

    whole = [line.astype(np.int16) for line in lines or []]
    gate = EchoGate(
        speaking,
        lambda: stopped.append(clock[0] * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ),
        played,
    )
    listener = Listener(recogniser, gate)
    found = []
    for frame in frames_of(np.clip(sound, -32768, 32767).astype(np.int16)):
        took = listener.accept_frame(frame)
        clock[0] += 1
        if took is not None:
            found.append(took.hearing.text)
    return [text for text in found if GRAMMAR.parse(text)]


def test_what_it_says_is_no_command_and_what_is_said_just_after_is(
    recogniser, tmp_path
):
    rng = np.random.default_rng(4)
    parts, speaks, asked = [rng.normal(0, 12, 2 * SAMPLE_RATE_HZ)], [], []
    for number, text in enumerate(SAID):
        own = ringing(companions(text, tmp_path, 1500.0), number)
        began = sum(map(len, parts)) / SAMPLE_RATE_HZ
        speaks.append((began, began + (len(own) / SAMPLE_RATE_HZ - RINGS)))
        parts += [own, np.zeros(round(0.35 * SAMPLE_RATE_HZ))]
        if number % 2 == 0:
            asked.append(THEN[number // 2])
            parts.append(persons(asked[-1], tmp_path, 2500.0))
        parts.append(np.zeros(round(1.5 * SAMPLE_RATE_HZ)))
    sound = np.concatenate(parts)
    sound += rng.normal(0, 12, len(sound))
    taken = heard(recogniser, sound, speaks)
    ungated = heard(recogniser, sound, [])
    print(f"\nasked {asked}\ntaken {taken}\nwithout the gate {ungated}")
    meant = [GRAMMAR.parse(text) for text in asked]
    assert [text for text in taken if GRAMMAR.parse(text) not in meant] == []
    assert len(taken) >= len(asked) - 1


def test_what_is_said_into_its_lines_is_a_command(recogniser, tmp_path):
    """Each is begun half a second before a line's end."""
    rng = np.random.default_rng(6)
    parts, speaks, lines, asked = [np.zeros(2 * SAMPLE_RATE_HZ)], [], [], []
    for number, text in enumerate(SAID[2::2]):
        lines.append(companions(text, tmp_path, 1000.0))
        began = sum(map(len, parts)) / SAMPLE_RATE_HZ
        speaks.append((began, began + len(lines[-1]) / SAMPLE_RATE_HZ))
        asked.append(THEN[number])
        piece = np.pad(ringing(lines[-1], number, BOAT_RINGS), (0, 3 * SAMPLE_RATE_HZ))
        words = persons(asked[-1], tmp_path, 2500.0)
        begins = len(lines[-1]) - SAMPLE_RATE_HZ // 2
        piece[begins : begins + len(words)] += words
        parts.append(np.pad(piece, (0, -len(piece) % SOUND_FRAME_SAMPLES)))
    sound = np.concatenate(parts)
    sound += rng.normal(0, 12, len(sound))
    taken = heard(recogniser, sound, speaks, None, lines)
    without = heard(recogniser, sound, speaks)
    print(f"\nasked {asked}\ntaken {taken}\nwith the lines in it {without}")
    meant = [GRAMMAR.parse(text) for text in asked]
    assert [text for text in taken if GRAMMAR.parse(text) not in meant] == []
    assert len(taken) >= len(asked) - 1
    assert len(taken) > len(without) + 1


def test_who_talks_over_it_makes_it_stop(recogniser, tmp_path):
    line = "take number two, it gets to 17 feet, and number three stays short by 4 feet"
    own = ringing(companions(line, tmp_path, 500.0), 3)
    over = persons("how deep is it", tmp_path, 5000.0)
    sound = np.concatenate(
        [np.zeros(SAMPLE_RATE_HZ), own, np.zeros(2 * SAMPLE_RATE_HZ)]
    )
    sound += np.random.default_rng(5).normal(0, 12, len(sound))
    start = round(2.2 * SAMPLE_RATE_HZ)
    sound[start : start + len(over)] += over
    hushed: list[float] = []
    heard(recogniser, sound, [(1.0, 1.0 + len(own) / SAMPLE_RATE_HZ - RINGS)], hushed)
    assert len(hushed) == 1
    assert 2.2 < hushed[0] < 3.0
