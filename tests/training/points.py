"""Find what is worth how many points in `companion.voice.judging`, and where the line is to be drawn.

Examples:
    python -m tests.training.points record FOLDER
    python -m tests.training.points fit FOLDER

`record` listens as the companion does but takes nothing, and writes of every moment at
which an utterance is to be judged what speaks for the likeliest phrase: of commands by
voices (quiet and at 5 dB), of people's short sentences, each listed as a command
(quiet, 10 and 5 dB), and of hours of actors' talk (quiet and at 10 dB), all of it for
choosing. It takes hours on two cores; `--only` records a part. `fit` finds the worth of
each by logistic regression and prints, for several limits, what would be understood and
what taken by mistake.

The people's sentences are lines of the talk for choosing in which the decoder, of all
words it knows, made out two to five and was sure of each: nobody has written down what
is said.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np
import vosk
from numpy.typing import NDArray

from companion.voice.clips import read_clip
from companion.voice.endpointing import SHORT_PAUSE_S, Attempt, Judge
from companion.voice.heard import Hearing
from companion.voice.judging import (
    WEIGHTS,
    Candidate,
    Features,
    best_by_sounds,
    best_candidate,
    long_enough,
)
from companion.voice.listening import Listener, listened
from companion.voice.model import MODEL_ARCHIVE_FOLDER, published_archive, speech_model
from companion.voice.phrase_scorer import Fit, PhraseScorer, PhraseScores, lexicon
from companion.voice.recogniser import Recogniser
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of
from tests.bench.voice.noises import Sound, mixed
from tests.bench.voice.spoken import PLAIN
from tests.bench.voice.synthesizers import Voice, cache_folder
from tests.bench.voice.talk import SAMPLED, SKY, sky, talk, unpacked_at
from tests.bench.voice.voices import (
    active_level,
    cut_tight,
    in_noise,
    job_phrases,
    speak,
    voices_here,
)

Part = Literal["voices", "people", "talk"]
LEVELS: dict[Part, tuple[float | None, ...]] = {
    "voices": (None, 5.0),
    "people": (None, 10.0, 5.0),
    "talk": (None, 10.0),
}
"""How far speech is above mixed noise, dB; None for quiet."""
EACH, SENTENCES, TOGETHER = 24, 120, 10
"""Commands a voice speaks, sentences by people, and how many of these are listed as commands at a time."""
BEFORE, AFTER = 0.8, 1.4
"""Silence or noise around what is spoken, s."""
HOPELESS = 0.3
"""What would not have so many points if all else spoke for it is not heard again."""
FALSE_WEIGHS = 3.0
"""How much a moment of talk or of another phrase counts beside one at which the likeliest is right."""


class Moment(msgspec.Struct, frozen=True):
    """What speaks for the likeliest phrase, and, if it could be taken at the first hearing, for that."""

    parts: Features
    at_once: Features | None
    right: bool


class Utterance(msgspec.Struct, frozen=True):
    """The moments of an utterance, in their order; nothing in talk is ever right."""

    part: Part
    decibels: float | None
    moments: list[Moment]


Job = Callable[[], list[Utterance]]
"""Listens to a part of what is to be listened to."""


# -- listening without taking ------------------------------------------------------------------------


class Watched(Recogniser):
    """Takes nothing, and keeps of each utterance what was weighed; `meant` is what is spoken, if anything."""

    meant: object = None
    moments: Sequence[list[Moment]] = ()

    def begin(self, *, amid_talk: bool = False) -> Attempt:  # noqa: ARG002
        """Return what takes the frames of one utterance."""
        self.moments = [*self.moments, []]
        return Attempt(self, _Watching)


class _Watching(Judge):
    _of: Watched

    def _by_both(
        self, heard: Hearing, whole: bool, scorer: PhraseScorer, scores: PhraseScores
    ) -> Hearing:
        if (whole or scores.quiet >= SHORT_PAUSE_S) and any(map(_hopeful, scores.fits)):
            self._keep(heard, whole, scorer, scores)
        return self._refused(heard, "nothing is taken")

    def _keep(
        self, heard: Hearing, whole: bool, scorer: PhraseScorer, scores: PhraseScores
    ) -> None:
        words = self._of.second_pass(np.concatenate(self._sound.clean))
        likeliest = best_candidate(words, heard.text, scores, scorer)
        if likeliest is None or not long_enough(likeliest.fit, likeliest.passes):
            return
        if whole or self.is_over(likeliest.fit.phrase, named=likeliest.passes > 0):
            meaning = scorer.means(likeliest.fit.phrase)
            at_once = self._at_once(heard, scorer, scores)
            right = self._of.meant is not None and meaning == self._of.meant
            self._of.moments[-1].append(Moment(likeliest.features, at_once, right))

    @staticmethod
    def _at_once(
        heard: Hearing, scorer: PhraseScorer, scores: PhraseScores
    ) -> Features | None:
        best = best_by_sounds(scores, scorer)
        listed = scorer.means(heard.text) is not None
        same = best is not None and scorer.means(best.fit.phrase) == scorer.means(
            heard.text
        )
        return best.features if best is not None and listed and same else None


def _hopeful(fit: Fit) -> bool:
    return Candidate(fit, 2, math.inf, math.inf).score > HOPELESS


# -- what is listened to -----------------------------------------------------------------------------


def voices() -> Iterator[Job]:
    """Yield, for every voice, what listens to its commands."""
    return (
        partial(_voice, number, voice)
        for number, voice in enumerate(voices_here("choosing"))
    )


def _voice(number: int, voice: Voice) -> list[Utterance]:
    phrases = job_phrases(PLAIN, EACH, 7000 + number)
    ear = Watched(speech_model(), PLAIN.meanings, means=PLAIN.parse)
    spoken = [(speak(voice, phrase), PLAIN.parse(phrase)) for phrase in phrases]
    return list(_spoken("voices", ear, spoken, number))


def people() -> Iterator[Job]:
    """Yield, for every few sentences, what listens to them."""
    every = list(islice(_sentences(), SENTENCES))
    return (
        partial(_people, every[n : n + TOGETHER])
        for n in range(0, len(every), TOGETHER)
    )


def _people(sentences: Sequence[tuple[str, Sound]]) -> list[Utterance]:
    meanings = {**PLAIN.meanings, **{text: text for text, _ in sentences}}
    means = {phrase: PLAIN.parse(phrase) or phrase for phrase in meanings}
    ear = Watched(speech_model(), meanings, means=means.get)
    return list(_spoken("people", ear, [(sound, text) for text, sound in sentences], 5))


def _spoken(
    part: Part, ear: Watched, spoken: Iterable[tuple[Sound, object]], seed: int
) -> Iterator[Utterance]:
    for n, (speech, meant) in enumerate(spoken):
        for decibels in LEVELS[part]:
            rng = np.random.default_rng([78, seed, n, round(decibels or 0)])
            size = len(speech) + round((BEFORE + AFTER) * SAMPLE_RATE_HZ)
            noise = (
                rng.standard_normal(size)
                if decibels is None
                else mixed(size, rng, "choosing")
            )
            ear.meant, ear.moments = meant, []
            ear.hear(_shifted(in_noise(speech, noise, decibels)))
            yield Utterance(part, decibels, ear.moments[-1])


def _shifted(samples: Samples) -> Samples:
    """Return sound whose middle is spoken, so that it begins `BEFORE` that."""
    return samples[round((AFTER - BEFORE) / 2 * SAMPLE_RATE_HZ) :]


def _sentences() -> Iterator[tuple[str, Sound]]:
    """Yield people's short sentences, each once, and their sound."""
    from scipy.signal import resample_poly

    decoder = vosk.KaldiRecognizer(
        vosk.Model(str(_model_with_sequences())), SAMPLE_RATE_HZ
    )
    decoder.SetWords(True)
    seen: set[str] = set()
    for n, line in enumerate(sky(unpacked_at(SKY))):
        if n % 3 or not 0.6 < len(line) / SAMPLED < 1.7:
            continue
        sound = cut_tight(resample_poly(line.astype(float), 640, 441))
        words = _made_out(decoder, np.pad(sound, SAMPLE_RATE_HZ // 2))
        text = " ".join(word["word"] for word in words)
        sure = all(word["conf"] >= 0.9 and word["word"] in lexicon() for word in words)
        if (
            2 <= len(words) <= 5
            and sure
            and PhraseScorer.count(text) >= 6
            and text not in seen
        ):
            seen.add(text)
            yield text, sound


def _model_with_sequences() -> Path:
    """Return the folder of the model as published: the one aboard has lost its n-grams of words."""
    folder = cache_folder() / "published-model"
    if not folder.is_dir():
        with tempfile.TemporaryDirectory(dir=folder.parent) as at:
            with zipfile.ZipFile(published_archive(Path(at))) as packed:
                packed.extractall(at)
            (Path(at) / MODEL_ARCHIVE_FOLDER).rename(folder)
    return folder


def _made_out(decoder: Any, sound: Sound) -> list[dict[str, Any]]:
    hiss = 3.0 * np.random.default_rng(len(sound)).standard_normal(len(sound))
    decoder.AcceptWaveform(np.rint(sound + hiss).astype(np.int16).tobytes())
    found: list[dict[str, Any]] = json.loads(decoder.FinalResult()).get("result", [])
    return found


def talked() -> Iterator[Job]:
    """Yield, for every file of talk and level, what listens to it."""
    return (
        partial(_talked, path, decibels)
        for path in talk("choosing")
        for decibels in LEVELS["talk"]
    )


def _talked(path: Path, decibels: float | None) -> list[Utterance]:
    sound = read_clip(path).astype(float)
    rng = np.random.default_rng(len(sound))
    noise = mixed(len(sound), rng, "choosing") if decibels is not None else 0.0
    sound = sound + 3.0 * rng.standard_normal(len(sound))
    sound = sound + active_level(sound) * 10 ** (-(decibels or 0.0) / 20) * noise
    ear = Watched(speech_model(), PLAIN.meanings, means=PLAIN.parse)
    samples = np.clip(np.rint(sound), -32768, 32767).astype(np.int16)
    for _ in listened(frames_of(samples), Listener(ear)):
        pass
    return [Utterance("talk", decibels, moments) for moments in ear.moments]


PARTS: dict[Part, Callable[[], Iterator[Job]]] = {
    "voices": voices,
    "people": people,
    "talk": talked,
}


def _do(job: Job) -> list[Utterance]:
    return job()


def record(folder: Path, parts: Iterable[Part]) -> None:
    """Write the moments of each part to FOLDER/PART.jsonl."""
    for part in parts:
        jobs = list(PARTS[part]())
        with (
            get_context("fork").Pool(os.cpu_count()) as pool,
            (folder / f"{part}.jsonl").open("wb") as file,
        ):
            for n, some in enumerate(pool.imap_unordered(_do, jobs)):
                file.writelines(
                    msgspec.json.encode(utterance) + b"\n" for utterance in some
                )
                file.flush()
                print(f"{part}: {n + 1} of {len(jobs)}", file=sys.stderr)


# -- finding the worth -------------------------------------------------------------------------------


def read(folder: Path) -> list[Utterance]:
    """Return what was recorded."""
    decoder = msgspec.json.Decoder(Utterance)
    return [
        decoder.decode(line)
        for path in sorted(folder.glob("*.jsonl"))
        for line in path.open("rb")
    ]


def worth(moments: Sequence[Moment]) -> Features:
    """Return what each part is worth, scaled so that a sound is worth half a point: logistic regression."""
    from scipy.optimize import minimize

    parts = np.array([moment.parts for moment in moments])
    right = np.array([moment.right for moment in moments], float)
    spread = parts.std(axis=0) + 1e-9
    x = np.c_[(parts - parts.mean(axis=0)) / spread, np.ones(len(parts))]
    weight = np.where(right > 0, 1.0, FALSE_WEIGHS) / len(x)

    def loss(b: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        scores = x @ b
        lost = np.logaddexp(0.0, scores) - scores * right
        slope = x.T @ (weight * (1.0 / (1.0 + np.exp(-scores)) - right))
        slope[:-1] += 2e-3 * b[:-1]
        return float(weight @ lost + 1e-3 * b[:-1] @ b[:-1]), slope

    found = (
        minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B").x[:-1]
        / spread
    )
    return Features(
        *(
            float(value)
            for value in found * 0.5 / found[Features._fields.index("length")]
        )
    )


def taken(
    utterances: Sequence[Utterance],
    points: Features,
    limit: float,
    at_once: bool = False,
) -> dict[tuple[Part, float | None], tuple[int, int, int]]:
    """Return of each part and level how many utterances are understood, taken by mistake, and there."""
    counts: dict[tuple[Part, float | None], list[int]] = {}
    for utterance in utterances:
        some = counts.setdefault((utterance.part, utterance.decibels), [0, 0, 0])
        some[2] += 1
        first = next(
            (one for one in utterance.moments if _score(one, points, at_once) >= limit),
            None,
        )
        if first is not None:
            some[0 if first.right else 1] += 1
    return {
        key: (right, wrong, every)
        for key, (right, wrong, every) in sorted(counts.items(), key=str)
    }


def _score(moment: Moment, points: Features, at_once: bool) -> float:
    parts = moment.at_once if at_once else moment.parts
    return -math.inf if parts is None else float(np.dot(points, parts))


def _table(
    utterances: Sequence[Utterance],
    points: Features,
    limits: Iterable[float],
    at_once: bool,
) -> None:
    for limit in limits:
        cells = [
            f"{part} {'quiet' if level is None else f'{level:g} dB'} "
            + (
                f"{wrong} false"
                if part == "talk"
                else f"{right / every:.3f} ({wrong} wrong)"
            )
            for (part, level), (right, wrong, every) in taken(
                utterances, points, limit, at_once
            ).items()
        ]
        print(f"{limit:5.2f}  " + ", ".join(cells))


def fit(folder: Path) -> None:
    """Print what is worth how many points, and what would be taken at several limits."""
    utterances = read(folder)
    moments = [moment for utterance in utterances for moment in utterance.moments]
    print(f"{len(moments)} moments of {len(utterances)} utterances")
    for name, points in (("found", worth(moments)), ("in use", WEIGHTS)):
        print(
            f"{name}: "
            + ", ".join(f"{key} {value:.2f}" for key, value in points._asdict().items())
        )
        _table(utterances, points, np.arange(0.6, 3.7, 0.3).tolist(), at_once=False)
        print("at the first hearing:")
        _table(utterances, points, np.arange(1.2, 4.9, 0.4).tolist(), at_once=True)


def main() -> None:
    """Record or fit."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("record", "fit"))
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--only",
        choices=PARTS,
        action="append",
        help="record this part (may be repeated)",
    )
    options = parser.parse_args()
    if options.what == "record":
        options.folder.mkdir(parents=True, exist_ok=True)
        record(options.folder, options.only or PARTS)
    else:
        fit(options.folder)


if __name__ == "__main__":
    main()
