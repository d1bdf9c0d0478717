"""What is understood, on voices and noises that no setting was chosen with, beside a peer in the same run.

Example: python -m tests.bench.voice --full

Everything goes through the listener that `companion run` makes, with seconds of noise before and after the
words; with --bare the recogniser is given each utterance from just before its words, as if somebody had told
it when they come. Without --full a few utterances a cell, in about a minute. Rates come with their 95 %
interval (Wilson) and n. Noise is mixed to a ratio of the speech while it sounds to the noise over its whole
band. People's voices and real noise are those of ../shared/data/speech, where it is there, and are never used
for choosing.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from companion.voice.clips import read_clip
from companion.voice.grammar import NUMBER_WORDS, Aboard, Grammar, number_words
from companion.voice.listening import Listener, listened
from companion.voice.model import speech_model
from companion.voice.phrase_scorer import lexicon
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES, Samples, frames_of
from companion.voice.suppressor import can_suppress
from tests.bench.voice import peer
from tests.bench.voice.noises import NOISES, Make, Sound, mixed
from tests.bench.voice.talk import TALK
from tests.bench.voice.talk import talk as talk_files
from tests.bench.voice.voices import (
    AROUND,
    VOICES,
    active_level,
    job_phrases,
    missing_programs,
    speak,
    voices_here,
)

SPEECH = Path(__file__).parents[3].parent / "shared" / "data" / "speech"
BARE = "--bare"
RODS, LINES = (1, 2, 3, 4), (12, 14, 17, 20)
WAKE = "kitchen ticket"
BEFORE, AFTER = 3.0, 2.0
"""Noise before the words (and up to 1 s more) and after them, s: longer than any decision may take."""
PLAIN, WOKEN = Grammar(Aboard(RODS, LINES)), Grammar(Aboard(RODS, LINES, wake=WAKE))


class Sizes(NamedTuple):
    """How much is measured: phrases a voice, people's clips of a kind, minutes of talk and of noise."""

    phrases: int
    people: int
    talk: float
    noise: float


SMALL, FULL = Sizes(3, 12, 3.0, 2.0), Sizes(30, 60, 29.5, 10.0)


class Case(NamedTuple):
    """An utterance: what was said, the sound around it, and when in it the words begin and end, s."""

    words: str
    samples: Samples
    begins: float
    ends: float


class Outcome(NamedTuple):
    """Of one utterance.

    Attributes:
        words: what was said.
        right: it was taken for the command that it was, and nothing else was taken.
        wrong: another command was taken.
        delay: from the words' end to the decision, s.
        cost: processor time for all of the sound, s.
        heard: what was taken, or made out.
    """

    words: str
    right: bool
    wrong: bool
    delay: float
    cost: float
    heard: tuple[str, ...]


class Taken(NamedTuple):
    """What was made out in some sound: the texts, when the last was decided (s of sound, and of processor
    time after it), and the processor time for all of the sound, s."""

    texts: tuple[str, ...]
    decided: float
    cost: float


Ear = Callable[[Case], Taken]

_ears: dict[str, Ear] = {}


def interval(hits: int, count: int) -> str:
    """Return a rate with its 95 % interval (Wilson 1927) and n."""
    if not count:
        return "not measured"
    z, p = 1.96, hits / count
    centre, half = p + z * z / (2 * count), z * math.sqrt(p * (1 - p) / count + z * z / (4 * count**2))
    low, high = ((centre + sign * half) / (1 + z * z / count) for sign in (-1, 1))
    return f"{p:.3f} [{max(low, 0.0):.3f}, {min(high, 1.0):.3f}] n={count}"


def hourly(events: int, hours: float) -> str:
    """Return a rate an hour with its 95 % upper bound (Poisson: three for none, by Garwood for more)."""
    from scipy.stats import chi2

    return f"{events} in {hours:.2f} h; 95 % below {chi2.ppf(0.95, 2 * events + 2) / 2 / hours:.1f} an hour"


# -- ears -------------------------------------------------------------------------------------------


def _ear(name: str) -> Ear:
    if name not in _ears:
        _ears[name] = _make_ear(name)
    return _ears[name]


@lru_cache(maxsize=1)
def _peer() -> peer.Peer:
    return peer.Peer(list(PLAIN.phrases))


def _make_ear(name: str) -> Ear:
    if name == "peer":
        return lambda case: Taken((_peer().hear(_bare(case)),), math.nan, math.nan)
    if name == "people":
        meanings = {**PLAIN.meanings, **dict.fromkeys(PEOPLE.values(), "people")}
        means = {phrase: PLAIN.parse(phrase) or phrase for phrase in meanings}
        lexicon()["mirror"] = MIRROR
        return _of(Recogniser(speech_model(), meanings, means=means.get))
    if name == "digits":
        pairs = [f"{number_words(a)} {number_words(b)}" for a in range(1, 10) for b in range(1, 10)]
        return _of(Recogniser(speech_model(), pairs, []))
    if name == "words":
        return _of(Recogniser(speech_model(), PLAIN.meanings))
    return _of(for_grammar(speech_model(), WOKEN if name == "woken" else PLAIN))


def _of(recogniser: Recogniser) -> Ear:
    """Return what hears as `companion run` does."""

    def hear(case: Case) -> Taken:
        listener, texts, decided = Listener(recogniser), [], math.nan
        began = time.process_time()
        for number, frame in enumerate(frames_of(case.samples), 1):
            before = time.process_time()
            heard = listener.accept_frame(frame)
            if heard is not None:
                texts.append(heard.hearing.text)
                decided = number * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ + time.process_time() - before
        return Taken(tuple(texts), decided, time.process_time() - began)

    def hear_bare(case: Case) -> Taken:
        began = time.process_time()
        heard = recogniser.hear(_bare(case))
        return Taken((heard.text,), case.begins - AROUND + heard.seconds, time.process_time() - began)

    return hear_bare if BARE in sys.argv else hear


def _bare(case: Case) -> Samples:
    """Return an utterance from just before its words."""
    return case.samples[round((case.begins - AROUND) * SAMPLE_RATE_HZ) :]


# -- what is said -----------------------------------------------------------------------------------


def synthetic(count: int, noise: str, decibels: float | None, wake: str = "") -> Iterator[Case]:
    """Yield phrases in the reporting voices amid noise of the reporting make."""
    for number, voice in enumerate(voices_here("reporting")):
        for n, phrase in enumerate(job_phrases(PLAIN, count, 900 + number)):
            words = f"{wake} {phrase}".strip()
            yield amid(words, speak(voice, words), noise, decibels, np.random.default_rng([number, n]))


def amid(words: str, speech: Sound, noise: str, decibels: float | None, rng: np.random.Generator) -> Case:
    """Return words with seconds of noise before and after."""
    before, after = round((BEFORE + rng.random()) * SAMPLE_RATE_HZ), round(AFTER * SAMPLE_RATE_HZ)
    size = before + len(speech) + after
    sound = rng.standard_normal(size) if decibels is None else _noise(noise, size, rng)
    level = 3.0 if decibels is None else active_level(speech) * 10 ** (-decibels / 20)
    sound = level * sound
    sound[before : before + len(speech)] += speech
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    return Case(words, samples, before / SAMPLE_RATE_HZ, (before + len(speech)) / SAMPLE_RATE_HZ)


def _noise(name: str, size: int, rng: np.random.Generator) -> Sound:
    if name in NOISES:
        return NOISES[name](size, rng, "reporting")
    clips = sorted((SPEECH / "noise").glob(f"{name}*.flac"))
    clip = read_clip(clips[rng.integers(len(clips))]).astype(float)
    start = rng.integers(len(clip))
    sound = np.resize(np.roll(clip, -start), size)
    return sound / (np.sqrt(np.mean(sound**2)) + 1e-12)


PEOPLE = {"view_glass": "view glass", "smart_mirror": "smart mirror"}
MIRROR = ("m", "ih", "r", "er")
"""Its sounds, which every word of a command has, and this is in none (from memory)."""


def people(count: int, decibels: float | None) -> Iterator[Case]:
    """Yield two-word phrases by people, which stand for commands of ours."""
    for key, phrase in PEOPLE.items():
        for n, path in enumerate(sorted((SPEECH / "phrases").glob(f"{key}*.flac"))[:count]):
            speech = read_clip(path).astype(float)
            yield amid(phrase, speech, "mixed", decibels, np.random.default_rng([7, n]))


def digits(count: int) -> Iterator[Case]:
    """Yield pairs of digits by one person, with a tenth of a second between."""
    rng = np.random.default_rng(11)
    for n in range(count):
        a, b = rng.integers(1, 10, 2)
        takes = [SPEECH / "digits" / f"{d}_speaker{n % 3 + 1}_{n % 20:02d}.flac" for d in (a, b)]
        first, second = (read_clip(take).astype(float) for take in takes)
        speech = np.concatenate([first, np.zeros(SAMPLE_RATE_HZ // 10), second])
        words = f"{number_words(int(a))} {number_words(int(b))}"
        yield amid(words, speech, "mixed", None, rng)


# -- measuring --------------------------------------------------------------------------------------


def _judge(job: tuple[str, Case]) -> Outcome:
    name, case = job
    found = _ear(name)(case)
    meant = _meaning(name, case.words)
    taken = [meaning for text in found.texts if (meaning := _meaning(name, text)) is not None]
    wrong = any(meaning != meant for meaning in taken)
    return Outcome(case.words, taken == [meant], wrong, found.decided - case.ends, found.cost, found.texts)


def _meaning(name: str, text: str) -> object:
    """Return the command that a text is to an ear; None for talk."""
    if name == "digits":
        return text if all(word in NUMBER_WORDS for word in text.split()) and len(text.split()) == 2 else None
    if name == "people" and text in PEOPLE.values():
        return text
    return (WOKEN if name == "woken" else PLAIN).parse(text)


def measure(pool: multiprocessing.pool.Pool, name: str, cases: Iterator[Case]) -> list[Outcome]:
    """Return the outcome of every case, heard by a named ear."""
    return pool.map(_judge, [(name, case) for case in cases], chunksize=4)


class Overheard(NamedTuple):
    """A file of talk to count false commands in: heard by whom, amid what make of noise, for how long."""

    ear: str
    path: Path
    decibels: float | None
    make: Make = "reporting"
    seconds: float = math.inf


def _false_in(job: Overheard) -> tuple[float, float, list[str]]:
    """Return the hours of a file of talk, its share of a core, and the commands that were heard in it."""
    sound = read_clip(job.path).astype(float)
    sound = sound if math.isinf(job.seconds) else sound[: round(job.seconds * SAMPLE_RATE_HZ)]
    rng = np.random.default_rng(len(sound))
    if job.decibels is None:
        sound = sound + 3.0 * rng.standard_normal(len(sound))
    else:
        noise = mixed(len(sound), rng, job.make)
        sound = sound + active_level(sound) * 10 ** (-job.decibels / 20) * noise
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    listener = Listener(for_grammar(speech_model(), WOKEN if job.ear == "woken" else PLAIN))
    began = time.process_time()
    found = list(listened(frames_of(samples), listener))
    share = (time.process_time() - began) / (len(samples) / SAMPLE_RATE_HZ)
    if job.ear == "peer":
        texts = [_peer().hear(spoken.samples) for spoken in found]
    else:
        texts = [spoken.hearing.text for spoken in found]
    grammar = WOKEN if job.ear == "woken" else PLAIN
    return len(samples) / SAMPLE_RATE_HZ / 3600, share, [text for text in texts if grammar.parse(text)]


def false_commands(pool: multiprocessing.pool.Pool, jobs: Sequence[Overheard]) -> str:
    """Return how often people's talk is taken for a command."""
    found = pool.map(_false_in, jobs, chunksize=1)
    texts = [text for *_, some in found for text in some]
    hours = sum(hours for hours, *_ in found)
    share = sum(hours * share for hours, share, _ in found) / hours
    return f"{hourly(len(texts), hours)} {texts[:6] if texts else ''}; {100 * share:.0f} % of a core"


def overheard(
    ear: str, files: Sequence[Path], minutes: float, decibels: float | None = None
) -> list[Overheard]:
    """Return what is to be listened to: so many minutes of some files."""
    each = 60.0 * minutes / max(len(files), 1)
    return [Overheard(ear, path, decibels, seconds=each) for path in files]


def cost_of_listening(minutes: float) -> str:
    """Return the share of a core that listening takes in boat noise with a command every twenty seconds."""
    rng = np.random.default_rng(5)
    sound = 250.0 * mixed(round(60 * minutes * SAMPLE_RATE_HZ), rng, "reporting")
    for number, start in enumerate(
        range(10 * SAMPLE_RATE_HZ, len(sound) - 5 * SAMPLE_RATE_HZ, 20 * SAMPLE_RATE_HZ)
    ):
        speech = speak(VOICES["reporting"][number % 4], job_phrases(PLAIN, 30, number)[number % 30])
        sound[start : start + len(speech)] += speech
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    listener = Listener(for_grammar(speech_model(), PLAIN))
    began = time.process_time()
    heard = sum(1 for _ in listened(frames_of(samples), listener))
    share = (time.process_time() - began) / (len(samples) / SAMPLE_RATE_HZ)
    return f"{100 * share:.1f} % of a core over {minutes:g} minutes of boat noise, {heard} utterances"


# -- the table --------------------------------------------------------------------------------------


def rows(pool: multiprocessing.pool.Pool, sizes: Sizes) -> Iterator[tuple[str, str, str]]:
    """Yield the rows of the table as they are measured: what, the goal, the figure."""
    every: list[Outcome] = []
    promptly: list[float] = []
    cells = [
        ("understood, quiet", ".99", "mixed", None),
        ("understood, mixed noise 20 dB", ".985", "mixed", 20.0),
        ("understood, mixed noise 10 dB", ".97", "mixed", 10.0),
        ("understood, mixed noise 5 dB", ".90", "mixed", 5.0),
        ("understood, trolling motor 5 dB", ".88", "trolling motor", 5.0),
        ("understood, outboard 10 dB", "", "outboard", 10.0),
        ("understood, wind 5 dB", "", "wind", 5.0),
        ("understood, wave slap 10 dB", "", "wave slap", 10.0),
        ("understood, generated rain 10 dB", "", "rain", 10.0),
    ]
    if (SPEECH / "noise").is_dir():
        cells += [("understood, real rain 10 dB", ".80", "rain_", 10.0)]
        cells += [("understood, real sea 10 dB", ".85", "waves_", 10.0)]
    for what, goal, noise, decibels in cells:
        outcomes = measure(pool, "ours", synthetic(sizes.phrases, noise, decibels))
        every += outcomes
        if noise == "mixed" and (decibels or 99) >= 10:
            promptly += [outcome.delay for outcome in outcomes if outcome.right]
        yield what, goal, _rate(outcomes)
    yield "wrong command, all of the above", "at most .003", interval(sum(o.wrong for o in every), len(every))
    middle, late = np.percentile(promptly, [50, 95]) if promptly else (math.nan, math.nan)
    what, goal = "end of speech to decision, median / 95th", ".35 / .65 s"
    yield what, goal, f"{middle:.2f} / {late:.2f} s n={len(promptly)}"
    middle, late = np.percentile([outcome.cost for outcome in every], [50, 95])
    yield "processor time for all of an utterance's sound", ".12 / .3 s", f"{middle:.2f} / {late:.2f} s"
    for decibels in (None, 10.0, 5.0):
        outcomes = measure(pool, "woken", synthetic(sizes.phrases, "mixed", decibels, WAKE))
        yield f"with the wake words, {_at(decibels)}", "", _rate(outcomes)
    for decibels in (None, 10.0, 5.0):
        outcomes = measure(pool, "words", synthetic(sizes.phrases, "mixed", decibels))
        yield f"by the words alone, {_at(decibels)}", "", _rate(outcomes)
    yield from _people_rows(pool, sizes)
    yield "CPU of continuous listening", "at most 6 %", cost_of_listening(sizes.noise)
    if peer.is_here():
        for decibels in (None, 10.0, 5.0):
            outcomes = measure(pool, "peer", synthetic(max(sizes.phrases // 2, 2), "mixed", decibels))
            yield f"pocketsphinx, {_at(decibels)}", "", _rate(outcomes)


def _people_rows(pool: multiprocessing.pool.Pool, sizes: Sizes) -> Iterator[tuple[str, str, str]]:
    if not (SPEECH / "phrases").is_dir():
        yield "people", "", "the recordings in ../shared/data/speech are not here"
        return
    for decibels, goal in ((None, ".98"), (10.0, ".95"), (5.0, ".90")):
        outcomes = measure(pool, "people", people(sizes.people, decibels))
        yield f"people's two-word phrases, {_at(decibels)}", goal, _rate(outcomes)
    yield "people's digits in pairs, quiet", ".97", _rate(measure(pool, "digits", digits(3 * sizes.people)))
    talk = sorted((SPEECH / "talk").glob("*.flac"))
    for decibels in (None, 10.0):
        what = f"false commands in people's talk, {_at(decibels)}"
        jobs = overheard("ours", talk, sizes.talk, decibels)
        yield what, "at most .1 an hour", false_commands(pool, jobs)
    jobs = overheard("woken", talk, sizes.talk, 10.0)
    yield "the same with the wake words, 10 dB", "", false_commands(pool, jobs)
    if peer.is_here():
        yield (
            "the same by pocketsphinx, quiet",
            "",
            false_commands(pool, overheard("peer", talk, min(sizes.talk, 6.0))),
        )


def talk_rows(pool: multiprocessing.pool.Pool, make: Make) -> Iterator[tuple[str, str, str]]:
    """Yield how often hours of talk by actors are taken for a command; nothing in it is meant for one."""
    files = talk_files(make)
    for ear, decibels in (("ours", None), ("ours", 10.0), ("woken", 10.0)):
        what = f"false commands in actors' talk for {make}, {ear}, {_at(decibels)}"
        jobs = [Overheard(ear, path, decibels, make) for path in files]
        yield what, "at most .1 an hour", false_commands(pool, jobs)


def _rate(outcomes: Sequence[Outcome]) -> str:
    wrong = sum(outcome.wrong for outcome in outcomes)
    return f"{interval(sum(outcome.right for outcome in outcomes), len(outcomes))}, {wrong} wrong"


def _at(decibels: float | None) -> str:
    return "quiet" if decibels is None else f"{decibels:g} dB"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--full", action="store_true", help="a few hundred utterances a cell")
    parser.add_argument(
        "--talk",
        choices=TALK,
        help="only count false commands in hours of talk (see talk.py), an hour's work",
    )
    parser.add_argument(BARE, action="store_true", help="give the recogniser each utterance by itself")
    asked = parser.parse_args()
    sizes = FULL if asked.full else SMALL
    for program in missing_programs():
        print(f"{program} is not installed (see synthesizers.py): its voices are left out")
    print(
        f"noise taken down: {can_suppress()}; voices: {', '.join(v.name for v in voices_here('reporting'))}"
    )
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        for what, goal, figure in talk_rows(pool, asked.talk) if asked.talk else rows(pool, sizes):
            print(f"{what:44} {goal:20} {figure}", flush=True)


if __name__ == "__main__":
    main()
