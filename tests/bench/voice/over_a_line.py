"""What is understood of commands that meet the companion's own voice.

Example: python -m tests.bench.voice.over_a_line --count 4 --lost

A boat's sound in which the companion says a line, and then another that somebody speaks
into: words that begin before it ends, just after, or amid it. The microphone hears the
companion late by its device, coloured and ringing, and the sound of a line ends a while
after it was told to stop, as a player and a sound card do. Through the listener that
`companion run` makes.
"""

from __future__ import annotations

import argparse
import multiprocessing
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.signal import fftconvolve

from companion.voice.echo_gate import EchoGate
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES
from companion.voice.speaker import DEVICE_LATENCY_S, Manner
from tests.bench.voice.__main__ import interval
from tests.bench.voice.noises import Make, Sound, mixed
from tests.bench.voice.spoken import PLAIN, command_of
from tests.bench.voice.voices import (
    SPEECH_LEVEL,
    Voice,
    active_level,
    job_phrases,
    speak,
    voices_here,
)

LINES = (
    "number two in hand",
    "clear by 3 feet",
    "take number two, it gets to 17 feet",
    "will touch in 20 yards",
    "bite logged, number one, 16 feet",
    "short by 4 feet, number three would do",
)
OFFSETS_S = (
    ("amid the line", -9.0, -9.0),
    ("0.8 to 0.4 s before its end", -0.8, -0.4),
    ("0.4 to 0 s before", -0.4, 0.0),
    ("0 to 0.4 s after", 0.0, 0.4),
)
"""By name, when the words begin after the line's end, s; -9 means in its first half."""
DRIVE, CLOCKS_APART = 1.0, 5e-5
"""How far the loudspeaker is driven into its limits, and two cards' clocks are apart (assumed)."""
COMMANDS = 27
"""Phrases from which those said are taken, one of each command."""
LEAST_LATE_S, MOST_LATE_S = 0.06, 0.3
"""How late the companion is at the microphone, s (pipes, cards and air)."""
LEAST_STUMBLE_S, MOST_STUMBLE_S = 0.03, 0.25
"""How long its player is silent when it stumbles, s."""


class Meeting(NamedTuple):
    """A command that meets a line: whose, which, how loud the companion is beside it (dB), and when."""

    voice: Voice
    words: str
    line: str
    own_db: float
    noise_db: float
    where: int
    seed: int
    stumbles: bool = False


class Mouth:
    """Stands for the speaker: what it plays, until it is told to stop, and what of it is heard."""

    def __init__(
        self, level: float, rng: np.random.Generator, *, stumbles: bool = False
    ) -> None:
        self._rng = rng
        self._stumbles = stumbles
        self._level = level
        t = np.arange(SAMPLE_RATE_HZ // 10) / SAMPLE_RATE_HZ
        room = rng.standard_normal(len(t)) * 10.0 ** (-3.0 * t / 0.2) * 0.05
        room[: len(t) // 50] = 0.0
        room[0], room[5] = 1.0, 0.3
        self._room = room
        self._heard = np.zeros(0)
        self._ends = -SAMPLE_RATE_HZ
        self.line: Sound | None = None
        self.now = 0

    def play(self, line: Sound) -> None:
        """Begin a line, at `SAMPLE_RATE_HZ`."""
        late = round(self._rng.uniform(LEAST_LATE_S, MOST_LATE_S) * SAMPLE_RATE_HZ)
        played = _through_a_small_speaker(line)
        if self._stumbles:
            silent = self._rng.uniform(LEAST_STUMBLE_S, MOST_STUMBLE_S)
            at = self._rng.integers(len(line) // 5, len(line) * 4 // 5)
            played = np.insert(played, at, np.zeros(round(silent * SAMPLE_RATE_HZ)))
        heard = fftconvolve(played, self._room)
        heard *= self._level / active_level(heard)
        self._heard = np.concatenate([np.zeros(self.now + late), heard])
        self._ends = self.now + len(line)
        self.line = line

    def hush(self) -> None:
        """Stop: what the device holds still comes out."""
        if self.now < self._ends:
            self._ends = self.now
            stop = self.now + round(DEVICE_LATENCY_S * SAMPLE_RATE_HZ)
            self._heard = self._heard[:stop]

    def is_speaking(self) -> bool:
        """Tell whether it plays, as the speaker tells it."""
        return self.now < self._ends + DEVICE_LATENCY_S * SAMPLE_RATE_HZ

    def sound(self) -> Sound:
        """Return what is heard of it in the present frame."""
        out = np.zeros(SOUND_FRAME_SAMPLES)
        here = self._heard[self.now : self.now + SOUND_FRAME_SAMPLES]
        out[: len(here)] = here
        return out


def _through_a_small_speaker(line: Sound) -> Sound:
    """Return a line as a small loudspeaker plays it: driven into its limits, by a clock of its own."""
    driven = line / np.abs(line).max()
    limited = np.tanh(DRIVE * driven) / DRIVE + 0.05 * driven**2
    t = np.arange(len(line)) * (1.0 + CLOCKS_APART)
    return np.asarray(np.interp(t, np.arange(len(line)), limited))


@lru_cache(maxsize=1)
def _recogniser() -> Recogniser:
    return for_grammar(speech_model(), PLAIN)


@lru_cache(maxsize=32)
def _line(text: str) -> Sound:
    return speak(Voice("espeak-ng", Manner().voice, Manner().rate), text)


def taken(case: Meeting, *, cancels: bool = True) -> list[str]:
    """Return the commands taken in a meeting."""
    rng = np.random.default_rng([case.seed, case.where])
    own = SPEECH_LEVEL * 10 ** (case.own_db / 20)
    mouth = Mouth(own, rng, stumbles=case.stumbles)
    gate = EchoGate(mouth.is_speaking, mouth.hush)
    if cancels:
        gate = EchoGate(mouth.is_speaking, mouth.hush, lambda: mouth.line)
    listener = Listener(_recogniser(), gate)
    speech, line = speak(case.voice, case.words), _line(case.line)
    first, second = 1.5, 1.5 + len(_line(LINES[0])) / SAMPLE_RATE_HZ + 1.5
    starts = [
        (round(t * SAMPLE_RATE_HZ), s)
        for t, s in ((first, _line(LINES[0])), (second, line))
    ]
    _, low, high = OFFSETS_S[case.where]
    length = len(line) / SAMPLE_RATE_HZ
    after = (
        rng.uniform(low, high)
        if low > -9.0
        else rng.uniform(0.1, 0.5) * length - length
    )
    begins = round((second + length + after + MOST_LATE_S / 2) * SAMPLE_RATE_HZ)
    size = begins + len(speech) + 2 * SAMPLE_RATE_HZ
    sound = SPEECH_LEVEL * 10 ** (-case.noise_db / 20) * mixed(size, rng, "choosing")
    sound[begins : begins + len(speech)] += speech
    texts = []
    for at in range(0, size - SOUND_FRAME_SAMPLES, SOUND_FRAME_SAMPLES):
        mouth.now = at
        if starts and at >= starts[0][0]:
            mouth.play(starts.pop(0)[1])
        frame = sound[at : at + SOUND_FRAME_SAMPLES] + mouth.sound()
        samples = np.clip(np.rint(frame), -32768, 32767).astype(np.int16)
        heard = listener.accept_frame(samples)
        if heard is not None:
            texts.append(heard.hearing.text)
    return [text for text in texts if command_of(text) is not None]


def meetings(make: Make, count: int, own_db: float, noise_db: float) -> list[Meeting]:
    """Return so many meetings of each voice and time."""
    cases = []
    for number, voice in enumerate(voices_here(make)):
        for where in range(len(OFFSETS_S)):
            phrases = job_phrases(PLAIN, COMMANDS, 70 + 10 * number + where, 4)
            for n in range(count):
                seed = count * number + n
                words = phrases[(7 * seed + where) % len(phrases)]
                line = LINES[seed % len(LINES)]
                cases.append(Meeting(voice, words, line, own_db, noise_db, where, seed))
    return cases


def _judged(job: tuple[Meeting, bool]) -> tuple[int, str, list[str]]:
    case, cancels = job
    return case.where, case.words, taken(case, cancels=cancels)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--make", choices=("choosing", "reporting"), default="choosing")
    parser.add_argument("--count", type=int, default=2, help="phrases of a voice")
    parser.add_argument("--own-db", type=float, default=-12.0)
    parser.add_argument("--noise-db", type=float, default=20.0)
    parser.add_argument("--without", action="store_true", help="without cancelling")
    parser.add_argument("--stumbles", action="store_true", help="its player stumbles")
    parser.add_argument("--lost", action="store_true", help="print what was lost")
    asked = parser.parse_args()
    cases = meetings(asked.make, asked.count, asked.own_db, asked.noise_db)
    cases = [case._replace(stumbles=asked.stumbles) for case in cases]
    jobs = [(case, not asked.without) for case in cases]
    right, wrong = [0] * len(OFFSETS_S), 0
    with multiprocessing.get_context("fork").Pool(2) as pool:
        for where, words, texts in pool.imap(_judged, jobs):
            means = [PLAIN.parse(text) for text in texts]
            right[where] += means == [PLAIN.parse(words)]
            wrong += any(meant != PLAIN.parse(words) for meant in means)
            if asked.lost and means != [PLAIN.parse(words)]:
                print(f"{OFFSETS_S[where][0]}: {words!r} -> {texts}", flush=True)
    each = len(jobs) // len(OFFSETS_S)
    for (name, _, _), hits in zip(OFFSETS_S, right, strict=True):
        print(f"{name:30} {interval(hits, each)}")
    print(f"wrong {wrong} of {len(jobs)}")


if __name__ == "__main__":
    main()
