"""The recogniser: utterance to phrase, by vosk narrowed to the phrases, with decoys for all other talk.

An `Attempt` (`companion.voice.endpointing`) takes the frames of one utterance as they
come and decides as soon as it can. Live and from a clip the same frames go the same way
from a fresh start, so the same clip gives the same words. The rules:

- Words count only if the whole of them is one listed phrase, or one slip away from one.
- A phrase whose sounds fit ends the utterance as soon as a short pause follows.
- Any other phrase is accepted once it has stood unchanged for a while and nobody speaks
  any more. A phrase that is the prefix of others waits longer. Words that are no phrase
  end with a pause, or at a time limit.
- A phrase whose sounds fit, while no other phrase's do, needs one pass only.
- Otherwise a second pass decodes the utterance among thousands of other words. The
  decision (`companion.voice.judging`) then weighs every phrase by both passes and the
  sounds: it accepts the phrase, another one, or none.
- What begins without silence was cut out of talk, and is no command.
- Where people have just been talking, a phrase has to fit better than one said alone.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from copy import copy
from functools import lru_cache
from hashlib import sha256
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import get_args

from companion.events import MarkKind
from companion.voice.acoustics import acoustics
from companion.voice.biphones import biphones
from companion.voice.clips import clip_facts, read_clip
from companion.voice.endpointing import CHUNK_FRAMES, Attempt
from companion.voice.engine import Decoders, Model
from companion.voice.grammar import NUMBER_WORDS, TENS_WORDS, Grammar
from companion.voice.heard import UNKNOWN_WORD, Hearing
from companion.voice.judging import AMID_TALK_SHIFT, THRESHOLDS, Words
from companion.voice.model import COMMON_WORDS_COUNT, COMMON_WORDS_FILE, ModelError
from companion.voice.phrase_scorer import PhraseScorer
from companion.voice.sound import (
    SOUND_FRAME_SAMPLES,
    Samples,
    frames_of,
)
from companion.voice.vocabulary import common_words

ALTERNATIVES_FIRST_PASS, SECOND_PASS_ALTERNATIVES = 3, 15
"""The number of likeliest texts asked for in the first pass and in the second."""
REPEATS_PER_COMMAND = 300
"""How many times the phrases of a command are offered together. Found by trial."""

_NUMBERS = frozenset([*NUMBER_WORDS, *TENS_WORDS])
_KINDS = get_args(MarkKind)


def decoys() -> list[str]:
    """Return the common words offered beside the commands, so that talk is not forced into a command."""
    lines = (
        files("companion.voice")
        .joinpath("decoys.txt")
        .read_text(encoding="utf-8")
        .splitlines()
    )
    return sorted(
        {word for line in lines if not line.startswith("#") for word in line.split()}
    )


_loaded = lru_cache(maxsize=1)(Model)


class Recogniser:
    """Recognises one utterance at a time; earlier utterances never change the result."""

    def __init__(
        self,
        model: Path,
        phrases: Iterable[str] | Mapping[str, str],
        others: Iterable[str] | None = None,
        means: Callable[[str], object] | None = None,
    ) -> None:
        """Prepare to hear the phrases.

        Args:
            model: the folder of the speech model.
            phrases: every phrase that can be meant; as a mapping, each with the command
                it stands for.
            others: words of talk to be told from the phrases; None for `decoys()`.
                Those that are a whole phrase, or that the model does not know, are left
                out.
            means: gives what a phrase means, equal for wordings of the same, and None
                for what is none; with it the sounds are weighed too. Without it, or
                with a model whose network is laid out otherwise than that of the one
                fetched, the words alone count.

        Raises:
            ModelError: the model cannot be loaded, or does not know a word of the
                phrases.
        """
        self._model = _loaded(model)
        wanted = (
            dict(phrases)
            if isinstance(phrases, Mapping)
            else {phrase: phrase for phrase in phrases}
        )
        if missing := self.unknown_words(wanted):
            raise ModelError(
                f"{model}: the speech model does not know {', '.join(missing)}; change the wording"
            )
        self.thresholds = THRESHOLDS
        self.amid_talk = False
        self.phrases = frozenset(wanted)
        self.beginnings = frozenset(
            " ".join(words[:n])
            for words in map(str.split, wanted)
            for n in range(1, len(words))
        )
        self.phrase_scorer = (
            _phrase_scorer(model, self.phrases, means) if means else None
        )
        talk = decoys() if others is None else others
        self.decoders = self._decoders(wanted, talk, ALTERNATIVES_FIRST_PASS)
        common = _common(model) if self.phrase_scorer else ()
        self._second_decoders = self._decoders(wanted, common, SECOND_PASS_ALTERNATIVES)

    def _decoders(
        self, wanted: Mapping[str, str], others: Iterable[str], alternatives: int
    ) -> Decoders:
        offered = [
            word
            for word in others
            if word not in self.phrases and self._model.knows(word)
        ]
        grammar = json.dumps([*_weighted(wanted), *offered, UNKNOWN_WORD])
        return Decoders(self._model, grammar, alternatives)

    def unknown_words(self, phrases: Iterable[str]) -> list[str]:
        """Return the words of phrases that the model does not know, so that they are never heard; sorted."""
        words = {word for phrase in phrases for word in phrase.split()}
        return sorted(word for word in words if not self._model.knows(word))

    def for_voice(self, shift: float) -> Recogniser:
        """Return one like this for a person whose thresholds lie so much higher."""
        other = copy(self)
        other.thresholds = THRESHOLDS.shifted(shift)
        return other

    def begin(self, *, amid_talk: bool = False) -> Attempt:
        """Return a new attempt, which takes the frames of one utterance.

        Args:
            amid_talk: people have just been talking: then a phrase has to fit better.
        """
        return Attempt(self._amid_talk() if amid_talk else self)

    def _amid_talk(self) -> Recogniser:
        other = copy(self)
        other.thresholds = self.thresholds.shifted(AMID_TALK_SHIFT)
        other.amid_talk = True
        return other

    def hear(self, samples: Samples, *, amid_talk: bool = False) -> Hearing:
        """Return the hearing of one utterance; its text is empty when nothing was said."""
        attempt = self.begin(amid_talk=amid_talk)
        for frame in frames_of(samples):
            heard = attempt.accept_frame(frame)
            if heard is not None:
                return heard
        return attempt.finish()

    def hear_clip(self, path: Path) -> Hearing:
        """Return the hearing of a clip, as it was listened to in the boat.

        Raises:
            ClipError: the file is not there, or holds no sound that can be read.
        """
        return self.hear(read_clip(path), amid_talk=clip_facts(path).amid_talk)

    def second_pass(self, clean: Samples) -> list[Words]:
        """Return the texts of the second pass, which offers thousands of other words too."""
        decoder = self._second_decoders.lend()
        for start in range(0, len(clean), CHUNK_FRAMES * SOUND_FRAME_SAMPLES):
            decoder.accept(
                clean[start : start + CHUNK_FRAMES * SOUND_FRAME_SAMPLES].tobytes()
            )
        result = self._second_decoders.finish(decoder)
        found = json.loads(result).get("alternatives", [])
        return [
            Words(str(one["text"]).strip(), float(one["confidence"])) for one in found
        ]


def _phrase_scorer(
    model: Path, phrases: Iterable[str], means: Callable[[str], object]
) -> PhraseScorer | None:
    """Return the scorer of the phrases; None for a model of another layout."""
    network, pairs = acoustics(model), biphones(model)
    return PhraseScorer(phrases, means, network, pairs) if network and pairs else None


def for_grammar(model: Path, grammar: Grammar, shift: float = 0.0) -> Recogniser:
    """Return a recogniser for every phrase that can be said aboard.

    Args:
        model: the folder of the speech model.
        grammar: the phrases.
        shift: how much higher the thresholds of who speaks lie.

    Raises:
        ModelError: the model cannot be loaded, or does not know a word of the grammar.
    """
    return Recogniser(model, grammar.meanings, means=grammar.parse).for_voice(shift)


def _common(model: Path) -> list[str]:
    """Return the model's commonest words: those written beside it when it was fetched, else from itself."""
    written = model / COMMON_WORDS_FILE
    if written.is_file():
        return written.read_text(encoding="utf-8").split()
    return common_words(model, COMMON_WORDS_COUNT)


def _weighted(phrases: Mapping[str, str]) -> list[str]:
    """Return the phrases, each as many times as it is to count, by the command that each stands for.

    vosk makes word-pair probabilities from the phrases it is given. Undone, the two
    hundred weights of a fish would make "log" the likeliest word of all, and "rod two"
    would be heard as "log two". Every command therefore counts the same; its wordings
    share that, and phrases that differ only in numbers, or in what is marked, share the
    wording's. Of these only so many are given that every pair of words in them occurs:
    the others would add nothing but weight.
    """
    pairs: set[tuple[str, str, str]] = set()
    given: list[tuple[str, str, str]] = []
    for phrase in _shuffled(phrases):
        shape, words = _shape(phrase), phrase.split()
        new = {(shape, a, b) for a, b in pairwise(["", *words, ""])} - pairs
        pairs |= new
        given += [(phrases[phrase], shape, phrase)] if new else []
    alike = Counter((command, shape) for command, shape, _ in given)
    wordings = Counter(command for command, _ in alike)
    return [
        phrase
        for command, shape, phrase in given
        for _ in range(
            max(
                1,
                round(REPEATS_PER_COMMAND / wordings[command] / alike[command, shape]),
            )
        )
    ]


def _shuffled(phrases: Iterable[str]) -> list[str]:
    """Return phrases in an order without meaning that is always the same."""
    return sorted(phrases, key=lambda phrase: sha256(phrase.encode()).digest())


def _shape(phrase: str) -> str:
    """Return a phrase without what can be exchanged in it: its numbers, and what is marked."""
    kind = next((kind for kind in _KINDS if kind in phrase), "")
    rest = phrase.replace(kind, "@") if kind and phrase.startswith("mark ") else phrase
    return " ".join("#" if word in _NUMBERS else word for word in rest.split())
