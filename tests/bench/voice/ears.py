"""What listens in the bench: the product as `companion run` listens, parts of it, and a peer."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from functools import cache
from typing import NamedTuple

import numpy as np

from companion.voice.grammar import number_words
from companion.voice.listening import Listener
from companion.voice.model import speech_model
from companion.voice.phrase_scorer import lexicon
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import (
    SAMPLE_RATE_HZ,
    SOUND_FRAME_SAMPLES,
    Samples,
    frames_of,
)
from tests.bench.voice import peer
from tests.bench.voice.spoken import MIRROR, PEOPLE, PLAIN, WOKEN, Case
from tests.bench.voice.voices import AROUND

BARE = "--bare"
PAIRS = [
    f"{number_words(a)} {number_words(b)}" for a in range(1, 10) for b in range(1, 10)
]


class Taken(NamedTuple):
    """What was made out in some sound.

    Attributes:
        texts: all of it.
        decided: when the last text was, s of sound.
        late: processor time that deciding it took after that, s.
        cost: processor time for all of the sound, s.
    """

    texts: tuple[str, ...]
    decided: float
    late: float
    cost: float


class Ear(NamedTuple):
    """Hears sound, and knows what a text means: equal for wordings of the same, None for talk."""

    hear: Callable[[Samples], Taken]
    means: Callable[[str], object]

    def hear_case(self, case: Case) -> Taken:
        """Return what is made out of an utterance; with --bare from just before its words."""
        if BARE not in sys.argv:
            return self.hear(case.samples)
        bare = case.begins - AROUND
        taken = self.hear(case.samples[round(bare * SAMPLE_RATE_HZ) :])
        return taken._replace(decided=bare + taken.decided)


@cache
def ear(name: str) -> Ear:
    """Return what is called "ours", "woken", "words" (alone), "people", "pairs" or "peer"."""
    if name == "peer":
        other = peer.Peer(list(PLAIN.phrases))
        return Ear(
            lambda samples: Taken((other.hear(samples),), np.nan, np.nan, np.nan),
            PLAIN.parse,
        )
    if name in ("people", "pairs"):
        lexicon()["mirror"] = (MIRROR,)
        return _with(
            dict.fromkeys(PEOPLE.values() if name == "people" else PAIRS, name)
        )
    if name == "words":
        return Ear(_heard_by(Recogniser(speech_model(), PLAIN.meanings)), PLAIN.parse)
    grammar = WOKEN if name == "woken" else PLAIN
    return Ear(_heard_by(for_grammar(speech_model(), grammar)), grammar.parse)


def _with(listed: Mapping[str, str]) -> Ear:
    """Return what hears phrases beside all commands."""
    meanings = {**PLAIN.meanings, **listed}
    means = {phrase: PLAIN.parse(phrase) or phrase for phrase in meanings}
    return Ear(
        _heard_by(Recogniser(speech_model(), meanings, means=means.get)), means.get
    )


def _heard_by(recogniser: Recogniser) -> Callable[[Samples], Taken]:
    """Return what hears as `companion run` does."""

    def hear(samples: Samples) -> Taken:
        listener, texts, decided, late = Listener(recogniser), [], np.nan, np.nan
        began = time.process_time()
        for number, frame in enumerate(frames_of(samples), 1):
            before = time.process_time()
            heard = listener.accept_frame(frame)
            if heard is not None:
                texts.append(heard.hearing.text)
                late = time.process_time() - before
                decided = number * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ
        return Taken(tuple(texts), decided, late, time.process_time() - began)

    def hear_bare(samples: Samples) -> Taken:
        began = time.process_time()
        heard = recogniser.hear(samples)
        return Taken((heard.text,), heard.seconds, np.nan, time.process_time() - began)

    return hear_bare if BARE in sys.argv else hear
