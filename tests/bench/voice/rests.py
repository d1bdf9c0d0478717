"""What becomes of a command whose rest comes after a moment's thought: "log fish", then "eight pounds".

Example: python -m tests.bench.voice.rests

Each pair is spoken by the reporting voices with a pause, through the listener that
`companion run` makes. It is whole where what was heard last completes what was taken
first, by the rule of `companion.trip`.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from companion.trip.state import GOES_ON_WITHIN_S
from companion.voice.commands import Command, GoOn
from companion.voice.listening import Listened, Listener, listened
from companion.voice.model import speech_model
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, frames_of
from tests.bench.voice.__main__ import interval
from tests.bench.voice.spoken import PLAIN, Setting, amid
from tests.bench.voice.voices import speak, voices_here

PAIRS = (
    ("log fish", "eight pounds"), ("log a fish", "four pound two"), ("log fish four pounds", "two ounces"),
    ("mark a ledge", "at nine feet"), ("mark tree top", "fifteen feet"), ("mark a stump", "twenty two feet"),
    ("cast now", "two o'clock"), ("cast thirty yards", "ten o'clock"), ("water up two feet", "and a half"),
    ("mark a rock pile", "twenty yards two o'clock"),
)  # fmt: skip
PAUSES_S = (0.4, 0.7, 0.9, 1.1, 1.4)


class Case(NamedTuple):
    """A pair by number, in a voice by number, with a pause, s, and noise so many dB below it."""

    pair: int
    voice: int
    pause: float
    decibels: float | None


@lru_cache(maxsize=1)
def _recogniser() -> Recogniser:
    return for_grammar(speech_model(), PLAIN)


def heard(case: Case) -> str:
    """Return how a pair is taken: "whole", "first" where its rest is lost, "none", or "wrong"."""
    first, rest = PAIRS[case.pair]
    voice = voices_here("reporting")[case.voice]
    pause = np.zeros(round(case.pause * SAMPLE_RATE_HZ))
    speech = np.concatenate([speak(voice, first), pause, speak(voice, rest)])
    rng = np.random.default_rng([case.pair, case.voice])
    samples = amid(
        f"{first} {rest}", speech, Setting(decibels=case.decibels), rng
    ).samples
    said, go_on = PLAIN.parse(first), PLAIN.parse(rest)
    assert said is not None
    assert isinstance(go_on, GoOn)
    whole = PLAIN.completed(said, go_on.rest)
    taken = _taken(list(listened(frames_of(samples), Listener(_recogniser()))))
    if taken == [whole]:
        return "whole"
    return "first" if taken == [said] else "wrong" if taken else "none"


def _taken(found: Sequence[Listened]) -> list[Command]:
    """Return the commands as they stand in the end, each with its rest."""
    taken: list[Command] = []
    decided = -np.inf
    for one in found:
        command = PLAIN.parse(one.hearing.text)
        spoke = one.hearing.spoke
        if isinstance(command, GoOn):
            began = one.began + (spoke[0] if spoke is not None else 0.0)
            more = PLAIN.completed(taken[-1], command.rest) if taken else None
            if more is not None and began - decided <= GOES_ON_WITHIN_S:
                taken[-1] = more
        elif command is not None:
            taken.append(command)
            decided = one.ended
    return taken


def main() -> None:
    """Print a line for each pause and noise."""
    voices = range(len(voices_here("reporting")))
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        for decibels in (None, 10.0):
            for pause in PAUSES_S:
                cases = [
                    Case(pair, voice, pause, decibels)
                    for pair in range(len(PAIRS))
                    for voice in voices
                ]
                found = pool.map(heard, cases, chunksize=1)
                whole = interval(found.count("whole"), len(found))
                at = "quiet" if decibels is None else f"{decibels:g} dB"
                print(
                    f"{at:6} pause {pause:.1f} s: whole {whole}, without its rest {found.count('first')}, "
                    f"none {found.count('none')}, wrong {found.count('wrong')}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
