"""What is understood, on voices and noises that no setting was chosen with, beside a peer in the same run.

Examples:
    python -m tests.bench.voice --full --outcomes now.jsonl
    python -m tests.bench.voice.compare before.jsonl now.jsonl

Everything goes through the listener that `companion run` makes, with seconds of noise
before and after the words; with --bare the recogniser is given each utterance from just
before its words, as if somebody had told it when they come. Without --full a few
utterances a row, in a few minutes. Rates come with their 95 % interval (Wilson) and n.
Noise is mixed to a ratio of the speech while it sounds to the noise over its whole
band. People's voices and real noise are those of ../shared/data/speech, where it is
there, and are never used for choosing. Every processor measures; what became of each
clip goes to a file as soon as it is known.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np

from companion.voice import commands
from companion.voice.clips import read_clip
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.recogniser import for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, frames_of
from companion.voice.suppressor import can_suppress
from tests.bench.voice import peer, spoken
from tests.bench.voice.ears import BARE, ear
from tests.bench.voice.noises import Make, Sound, mixed
from tests.bench.voice.outcomes import Kept, Outcome, Overheard
from tests.bench.voice.spoken import HISS, PLAIN, SPEECH, WAKE, WOKEN, Made, Setting
from tests.bench.voice.talk import TALK
from tests.bench.voice.talk import talk as talk_files
from tests.bench.voice.voices import (
    VOICES,
    active_level,
    job_phrases,
    missing_programs,
    speak,
    voices_here,
)


class Sizes(NamedTuple):
    """How much is measured: phrases a voice, people's clips of a kind, pairs of digits, minutes of noise."""

    phrases: int
    people: int
    pairs: int
    noise: float


SMALL, FULL = Sizes(3, 12, 12, 1.0), Sizes(30, 60, 180, 10.0)
DESTRUCTIVE = (commands.ForgetRod, commands.UndoThat)
"""What takes something away."""

Job = Callable[[], Kept]


class Row(NamedTuple):
    """A row of the table: what, its goal, and the jobs that measure it."""

    what: str
    goal: str
    jobs: list[Job]


def interval(hits: int, count: int) -> str:
    """Return a rate with its 95 % interval (Wilson 1927) and n."""
    if not count:
        return "not measured"
    z, p = 1.96, hits / count
    centre, half = (
        p + z * z / (2 * count),
        z * math.sqrt(p * (1 - p) / count + z * z / (4 * count**2)),
    )
    low, high = ((centre + sign * half) / (1 + z * z / count) for sign in (-1, 1))
    return f"{p:.3f} [{max(low, 0.0):.3f}, {min(high, 1.0):.3f}] n={count}"


def hourly(events: int, hours: float) -> str:
    """Return a rate an hour with its 95 % upper bound (Poisson: three for none, by Garwood for more)."""
    from scipy.stats import chi2

    return f"{events} in {hours:.2f} h; 95 % below {chi2.ppf(0.95, 2 * events + 2) / 2 / hours:.1f} an hour"


# -- one clip ---------------------------------------------------------------------------------------


def hear(row: str, clip: int, name: str, made: Made) -> Outcome:
    """Return the outcome of one utterance, heard by the ear of a name."""
    case, listens = made(), ear(name)
    found = listens.hear_case(case)
    meant = listens.means(case.words)
    taken = [
        meaning for text in found.texts if (meaning := listens.means(text)) is not None
    ]
    others = [meaning for meaning in taken if meaning != meant]
    delay, late, cost = (
        None if math.isnan(one) else round(one, 4)
        for one in (found.decided - case.ends, found.late, found.cost)
    )
    destructive = any(isinstance(meaning, DESTRUCTIVE) for meaning in others)
    return Outcome(
        row,
        clip,
        case.words,
        taken == [meant],
        bool(others),
        destructive,
        delay,
        late,
        cost,
        found.texts,
    )


def overhear(row: str, clip: int, name: str, made: Callable[[], Sound]) -> Overheard:
    """Return what is taken for a command in sound in which nothing is one."""
    samples = np.clip(np.rint(made()), -32768, 32767).astype(np.int16)
    grammar = WOKEN if name == "woken" else PLAIN
    listener = Listener(for_grammar(speech_model(), grammar))
    heard, times = [], [time.process_time()]
    for frame in frames_of(samples):
        heard.append(listener.accept_frame(frame))
        times.append(time.process_time())
    texts = [one.hearing.text for one in [*heard, listener.finish()] if one is not None]
    seconds = len(samples) / SAMPLE_RATE_HZ
    false = tuple(text for text in texts if grammar.parse(text))
    share, latest = (times[-1] - times[0]) / seconds, float(np.diff(times).max())
    return Overheard(row, clip, seconds / 3600, share, false, len(texts), latest)


# -- what is overheard ------------------------------------------------------------------------------


def talk_in(
    path: Path, decibels: float | None, make: Make, part: slice = slice(None)
) -> Sound:
    """Return a file of talk, or a part of it, amid mixed noise."""
    sound = read_clip(path).astype(float)[part]
    rng = np.random.default_rng(len(sound))
    if decibels is None:
        return sound + HISS * rng.standard_normal(len(sound))
    return sound + active_level(sound) * 10 ** (-decibels / 20) * mixed(
        len(sound), rng, make
    )


def nobody(minutes: float) -> Sound:
    """Return a sound card's hiss."""
    return HISS * np.random.default_rng(4).standard_normal(
        round(60 * minutes * SAMPLE_RATE_HZ)
    )


def boat(minutes: float) -> Sound:
    """Return boat noise with a command every twenty seconds."""
    rng = np.random.default_rng(5)
    sound = 250.0 * mixed(round(60 * minutes * SAMPLE_RATE_HZ), rng, "reporting")
    for number, start in enumerate(
        range(10 * SAMPLE_RATE_HZ, len(sound) - 5 * SAMPLE_RATE_HZ, 20 * SAMPLE_RATE_HZ)
    ):
        speech = speak(
            VOICES["reporting"][number % 4], job_phrases(PLAIN, 30, number)[number % 30]
        )
        sound[start : start + len(speech)] += speech
    return sound


def partner_and_radio(minutes: float) -> Sound:
    """Return somebody who talks, with a radio's voice 10 dB below all the time."""
    size = round(60 * minutes * SAMPLE_RATE_HZ)
    one, other = (
        np.resize(talk_in(path, None, "reporting"), size) for path in _people_talk()[:2]
    )
    return (
        one
        + spoken.by_telephone(other)
        * active_level(one)
        / active_level(other)
        * 10**-0.5
    )


def talk_for(minutes: float) -> Sound:
    """Return somebody who talks all the time."""
    return np.resize(
        talk_in(_people_talk()[0], None, "reporting"),
        round(60 * minutes * SAMPLE_RATE_HZ),
    )


def _people_talk() -> list[Path]:
    return sorted((SPEECH / "talk").glob("*.flac"))


# -- the table --------------------------------------------------------------------------------------


def rows(sizes: Sizes) -> Iterator[Row]:
    """Yield the rows of the table."""
    yield from _voice_rows(sizes)
    for decibels in (None, 10.0, 5.0):
        setting = Setting(decibels=decibels)
        yield _row(
            f"with the wake words, {_at(decibels)}",
            "",
            "woken",
            spoken.synthetic(10, setting, WAKE),
        )
    yield from _people_rows(sizes)
    yield Row(
        "cost: nobody",
        "1 % of a core",
        [partial(overhear, "cost: nobody", 0, "ours", partial(nobody, 2.0))],
    )
    what = "cost: boat noise, a command every 20 s"
    yield Row(
        what, "5 %", [partial(overhear, what, 0, "ours", partial(boat, sizes.noise))]
    )
    if peer.is_here():
        for decibels in (None, 10.0, 5.0):
            said = spoken.synthetic(
                max(sizes.phrases // 2, 2), Setting(decibels=decibels)
            )
            yield _row(f"pocketsphinx, {_at(decibels)}", "", "peer", said)


def _voice_rows(sizes: Sizes) -> Iterator[Row]:
    settings = {
        "quiet": (".995", Setting()),
        "mixed noise 20 dB": (".99", Setting(decibels=20.0)),
        "mixed noise 10 dB": (".98", Setting(decibels=10.0)),
        "mixed noise 5 dB": (".95", Setting(decibels=5.0)),
        "1 m away in a room": (".96", Setting(near=spoken.in_a_room)),
        "telephone band, 10 dB": (
            ".95",
            Setting(decibels=10.0, far=spoken.by_telephone),
        ),
        "clipped": (".98", Setting(far=spoken.clipped)),
        "-30 dB": (".98", Setting(near=spoken.faint)),
        "trolling motor 5 dB": ("", Setting("trolling motor", 5.0)),
        "wave slap 10 dB": ("", Setting("wave slap", 10.0)),
    }
    if (SPEECH / "noise").is_dir():
        settings |= {
            "real rain 10 dB": ("", Setting("rain_", 10.0)),
            "real sea 10 dB": ("", Setting("waves_", 10.0)),
        }
    for what, (goal, setting) in settings.items():
        yield _row(
            f"understood, {what}",
            goal,
            "ours",
            spoken.synthetic(sizes.phrases, setting),
        )


def _people_rows(sizes: Sizes) -> Iterator[Row]:
    if not (SPEECH / "phrases").is_dir():
        return
    for decibels, goal in ((None, ".985"), (20.0, ".98"), (10.0, ".96"), (5.0, ".92")):
        said = spoken.people(sizes.people, Setting(decibels=decibels))
        yield _row(f"people's two-word phrases, {_at(decibels)}", goal, "people", said)
    yield _row(
        "people's digits in pairs, quiet", ".95", "pairs", spoken.digits(sizes.pairs)
    )
    for decibels in (None, 10.0):
        what = f"orders taken for commands, {_at(decibels)}"
        files = [
            partial(talk_in, path, decibels, "reporting") for path in _people_talk()
        ]
        yield _overheard(what, ".2 / .3 an hour", "ours", files)
    yield _overheard(
        "cost: somebody talks", "12 % of a core", "ours", [partial(talk_for, 2.0)]
    )
    yield _overheard(
        "cost: a partner and a radio",
        "12 % of a core",
        "ours",
        [partial(partner_and_radio, 2.0)],
    )


def talk_rows(make: Make) -> Iterator[Row]:
    """Yield how often hours of talk by actors are taken for a command; nothing in it is meant for one."""
    for name, decibels in (("ours", None), ("ours", 10.0), ("woken", 10.0)):
        what = f"actors' talk for {make}, {name}, {_at(decibels)}"
        files = [partial(talk_in, path, decibels, make) for path in talk_files(make)]
        yield _overheard(what, ".2 / .3 an hour", name, files)


def _row(what: str, goal: str, name: str, said: Iterator[Made]) -> Row:
    return Row(
        what, goal, [partial(hear, what, n, name, made) for n, made in enumerate(said)]
    )


def _overheard(
    what: str, goal: str, name: str, sounds: Sequence[Callable[[], Sound]]
) -> Row:
    return Row(
        what,
        goal,
        [partial(overhear, what, n, name, made) for n, made in enumerate(sounds)],
    )


def _at(decibels: float | None) -> str:
    return "quiet" if decibels is None else f"{decibels:g} dB"


# -- figures ----------------------------------------------------------------------------------------


def figure(kept: Sequence[Kept]) -> str:
    """Return the figure of a row."""
    said = [one for one in kept if isinstance(one, Outcome)]
    talk = [one for one in kept if isinstance(one, Overheard)]
    if talk:
        hours, false = (
            sum(one.hours for one in talk),
            [text for one in talk for text in one.false],
        )
        share = sum(one.hours * one.share for one in talk) / hours
        latest = max(one.latest for one in talk)
        rate = f"{hourly(len(false), hours)} {false[:6] or ''}"
        return f"{rate}; {100 * share:.1f} % of a core, slowest frame {latest:.2f} s"
    rate = interval(sum(one.right for one in said), len(said))
    return f"{rate}, {sum(one.wrong for one in said)} wrong; cost {_quantiles([one.cost for one in said])}"


def summary(kept: Sequence[Kept]) -> Iterator[str]:
    """Yield the lines below the table: of all rows together in which phrases were said to the product."""
    said = [
        one
        for one in kept
        if isinstance(one, Outcome) and one.row.startswith(("understood", "people"))
    ]
    right = [one for one in said if one.right]
    yield f"wrong command (.002): {interval(sum(one.wrong for one in said), len(said))}"
    yield f"destructive among them (0): {sum(one.destructive for one in said)}"
    yield f"end of speech to decision, sound (.3 / .6 s): {_quantiles([one.delay for one in right])}"
    yield f"the same, processor time: {_quantiles([one.late for one in right])}"
    yield f"processor time for all of an utterance's sound: {_quantiles([one.cost for one in said])}"


def _quantiles(values: Sequence[float | None]) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return "-"
    middle, late = np.percentile(known, [50, 95])
    return f"{middle:.2f} / {late:.2f} s"


def _do(job: Job) -> Kept:
    return job()


def measured(table: Sequence[Row], file: Path | None, processes: int) -> list[Kept]:
    """Return the outcomes of all rows, and print the figure of each row once it is known."""
    rows = {row.what: row for row in table}
    kept: dict[str, list[Kept]] = {what: [] for what in rows}
    jobs = [job for row in table for job in row.jobs]
    with (
        multiprocessing.get_context("fork").Pool(processes) as pool,
        (file or Path(os.devnull)).open("wb", buffering=0) as out,
    ):
        for one in pool.imap_unordered(_do, jobs):
            out.write(msgspec.json.encode(one) + b"\n")
            row, some = rows[one.row], kept[one.row]
            some.append(one)
            if len(some) == len(row.jobs):
                print(f"{row.what:44} {row.goal:16} {figure(some)}", flush=True)
    return [
        one for some in kept.values() for one in sorted(some, key=lambda one: one.clip)
    ]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--full", action="store_true", help="a few hundred utterances a row"
    )
    parser.add_argument(
        "--talk",
        choices=TALK,
        help="only listen to hours of talk (see talk.py), an hour's work",
    )
    parser.add_argument(
        "--only",
        default="",
        help="only rows whose name this regular expression matches",
    )
    parser.add_argument(
        "--outcomes", type=Path, help="where to keep what became of each clip"
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument(
        BARE, action="store_true", help="give the recogniser each utterance by itself"
    )
    asked = parser.parse_args()
    for program in missing_programs():
        print(
            f"{program} is not installed (see synthesizers.py): its voices are left out"
        )
    print(
        f"noise taken down: {can_suppress()}; voices: {', '.join(v.name for v in voices_here('reporting'))}"
    )
    table = talk_rows(asked.talk) if asked.talk else rows(FULL if asked.full else SMALL)
    chosen = [row for row in table if re.search(asked.only, row.what)]
    print("\n".join(summary(measured(chosen, asked.outcomes, asked.jobs))))


if __name__ == "__main__":
    sys.exit(main())
