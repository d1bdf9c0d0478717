"""What phrases read aloud teach of a voice, and what that is worth on other phrases and costs in talk.

Example: python tests/bench/own_voice.py --decibels 5 --talk 30

Each voice reads the phrases that `companion listen --test` asks for, and then says
others, all through the listener that `companion run` makes, amid noise. Beside what was
learned stands everybody's threshold, in the same run. `--talk` counts, in so many
minutes of people's talk at 10 dB, what is taken for a command with everybody's
threshold and with the lowest that can be learned.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from companion.cli.talk import asked_for
from companion.voice.clips import read_clip
from companion.voice.judging import LOWEST_SHIFT
from companion.voice.listening import Listened, Listener, listened
from companion.voice.model import speech_model
from companion.voice.own_voice import VoiceLesson, learned, outcomes
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of
from tests.bench.voice.__main__ import hourly, interval
from tests.bench.voice.noises import Make, mixed
from tests.bench.voice.spoken import PLAIN, SPEECH, Setting, amid, command_of
from tests.bench.voice.voices import (
    Voice,
    active_level,
    job_phrases,
    speak,
    voices_here,
)

OTHERS = 27
"""Phrases beside those read aloud, one of each command."""


class Job(NamedTuple):
    """A voice of a make, and how loud the noise is."""

    voice: Voice
    decibels: float
    number: int


class Gain(NamedTuple):
    """What one voice taught; of so many others what was understood and taken wrongly, before and then."""

    lesson: VoiceLesson
    others: int
    before: tuple[int, int]
    then: tuple[int, int]


@lru_cache(maxsize=1)
def _everybodys() -> Recogniser:
    return for_grammar(speech_model(), PLAIN)


def _spoken(job: Job, phrase: str, recogniser: Recogniser) -> list[Listened]:
    speech = speak(job.voice, phrase)
    rng = np.random.default_rng([31, job.number, len(phrase)])
    case = amid(phrase, speech, Setting(decibels=job.decibels), rng)
    return list(listened(frames_of(case.samples), Listener(recogniser)))


def _understood(job: Job, phrase: str, recogniser: Recogniser) -> tuple[int, int]:
    """Return whether a phrase is understood, and whether it is taken for another."""
    texts = (one.hearing.text for one in _spoken(job, phrase, recogniser))
    taken = [found for text in texts if (found := command_of(text)) is not None]
    meant = PLAIN.parse(phrase)
    return taken == [meant], any(found != meant for found in taken)


def gain(job: Job) -> Gain:
    """Return what a voice teaches, and what that is worth."""
    recogniser = _everybodys()
    asked = asked_for(PLAIN)
    longest = [(phrase, _longest(_spoken(job, phrase, recogniser))) for phrase in asked]
    lesson = learned(
        [
            outcomes(recogniser, phrase, sound)
            for phrase, sound in longest
            if sound is not None
        ]
    )
    own = recogniser.for_voice(lesson.shift)
    others = [
        phrase
        for phrase in job_phrases(PLAIN, OTHERS, 400 + job.number, 4)
        if phrase not in asked
    ]
    before = [_understood(job, phrase, recogniser) for phrase in others]
    then = (
        before
        if not lesson.is_gain
        else [_understood(job, phrase, own) for phrase in others]
    )
    counts = (
        (sum(a for a, _ in some), sum(b for _, b in some)) for some in (before, then)
    )
    return Gain(lesson, len(others), *counts)


def _longest(found: list[Listened]) -> Samples | None:
    return max((one.samples for one in found), key=len, default=None)


def _taken_of_talk(job: tuple[int, float, float]) -> list[str]:
    """Return what is taken for a command in some seconds of a file of talk, with a shift."""
    number, seconds, shift = job
    path = sorted((SPEECH / "talk").glob("*.flac"))[number]
    sound = read_clip(path).astype(float)[: round(seconds * SAMPLE_RATE_HZ)]
    noise = mixed(len(sound), np.random.default_rng(number), "reporting")
    sound = sound + active_level(sound) * 10 ** (-10.0 / 20) * noise
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    found = listened(frames_of(samples), Listener(_everybodys().for_voice(shift)))
    texts = (one.hearing.text for one in found)
    return [text for text in texts if command_of(text) is not None]


def rows(pool: multiprocessing.pool.Pool, make: Make, decibels: float) -> Iterator[str]:
    """Yield a line for each voice, and one for all."""
    jobs = [
        Job(voice, decibels, number) for number, voice in enumerate(voices_here(make))
    ]
    found = []
    for job, one in zip(jobs, pool.imap(gain, jobs), strict=True):
        found.append(one)
        lesson = one.lesson
        yield (
            f"{job.voice.name:24} shift {lesson.shift:4.1f}; read {lesson.understood} -> {lesson.then} of "
            f"{lesson.read}; others {one.before[0]} -> {one.then[0]} of {one.others}, "
            f"wrong {one.before[1]} -> {one.then[1]}"
        )
    count = sum(one.others for one in found)
    for what, some in (
        ("before", [one.before for one in found]),
        ("then", [one.then for one in found]),
    ):
        yield f"{what:24} {interval(sum(a for a, _ in some), count)}, {sum(b for _, b in some)} wrong"


def talk_rows(pool: multiprocessing.pool.Pool, minutes: float) -> Iterator[str]:
    """Yield how much talk is taken for a command with everybody's threshold and with the lowest."""
    files = len(list((SPEECH / "talk").glob("*.flac")))
    for shift in (0.0, LOWEST_SHIFT):
        jobs = [(number, 60.0 * minutes / files, shift) for number in range(files)]
        taken = [text for some in pool.imap(_taken_of_talk, jobs) for text in some]
        yield f"talk, shift {shift:4.1f}: {hourly(len(taken), minutes / 60.0)} {taken[:6]}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--make", choices=("choosing", "reporting"), default="reporting"
    )
    parser.add_argument("--decibels", type=float, default=5.0)
    parser.add_argument("--talk", type=float, default=0.0, help="minutes of talk")
    asked = parser.parse_args()
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        for line in rows(pool, asked.make, asked.decibels):
            print(line, flush=True)
        if asked.talk:
            for line in talk_rows(pool, asked.talk):
                print(line, flush=True)


if __name__ == "__main__":
    main()
