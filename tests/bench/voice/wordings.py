"""How well each wording of the table is understood by itself, through the listening of `companion run`.

Example: python -m tests.bench.voice.wordings --decibels 10

Every wording of every command is said once by each reporting voice, with another of its
values each time. Prints the rate of all, and the wordings that were missed or taken
wrongly.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from companion.voice.grammar import FORMS
from companion.voice.listening import Listener, listened
from companion.voice.model import speech_model
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import frames_of
from tests.bench.voice.__main__ import interval
from tests.bench.voice.spoken import PLAIN, Setting, amid, command_of
from tests.bench.voice.voices import speak, voices_here
from tests.phrases import spelled

WORDINGS = [wording for form in FORMS for wording in form.wordings]


class Said(NamedTuple):
    """A wording by number, said by a voice by number, with noise so many dB below it."""

    wording: int
    voice: int
    decibels: float | None


class Result(NamedTuple):
    """What was said, what was made out of it, and whether it was understood or taken wrongly."""

    phrase: str
    texts: tuple[str, ...]
    right: bool
    wrong: bool


@lru_cache(maxsize=1)
def _recogniser() -> Recogniser:
    return for_grammar(speech_model(), PLAIN)


def heard(said: Said) -> Result:
    """Return what becomes of a wording."""
    rng = np.random.default_rng([said.wording, said.voice])
    phrases = spelled(PLAIN, WORDINGS[said.wording])
    phrase = phrases[rng.integers(len(phrases))]
    speech = speak(voices_here("reporting")[said.voice], phrase)
    samples = amid(phrase, speech, Setting(decibels=said.decibels), rng).samples
    texts = tuple(
        one.hearing.text
        for one in listened(frames_of(samples), Listener(_recogniser()))
    )
    taken = [found for text in texts if (found := command_of(text)) is not None]
    meant = PLAIN.parse(phrase)
    return Result(
        phrase, texts, taken == [meant], any(found != meant for found in taken)
    )


def main() -> None:
    """Print the rate and what was missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--decibels",
        type=float,
        help="noise so far below the speech; without it, quiet",
    )
    asked = parser.parse_args()
    voices = range(len(voices_here("reporting")))
    jobs = [
        Said(wording, voice, asked.decibels)
        for wording in range(len(WORDINGS))
        for voice in voices
    ]
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        found = pool.map(heard, jobs, chunksize=4)
    right, wrong = sum(one.right for one in found), sum(one.wrong for one in found)
    print(f"{len(WORDINGS)} wordings: {interval(right, len(found))}, {wrong} wrong")
    for job, one in zip(jobs, found, strict=True):
        if not one.right:
            how = "wrong" if one.wrong else "missed"
            print(
                f"{how:7}{WORDINGS[job.wording]:32} {one.phrase!r} heard as {one.texts}"
            )


if __name__ == "__main__":
    main()
