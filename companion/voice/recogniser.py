"""Utterance to words: vosk, narrowed to the command phrases, with decoys for all other talk."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Container, Iterable
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import vosk
from numpy.typing import NDArray

from companion.voice.grammar import ONES, TENS
from companion.voice.model import ModelError

RATE = 16000
"""Samples a second, of every utterance inside the program."""
UNKNOWN = "[unk]"
"""What stands in a text for sounds that are no word offered."""
ALTERNATIVES = 3
SHARE, LEAST = 90, 3
"""How often phrases that differ only in numbers are offered: together, and each at least.

Found by trial: in wind and motor noise at 5 dB it raised what was understood from .78 to .86 (n 109).
"""

Samples = NDArray[np.int16]
"""Mono sound at `RATE`, full scale 32768."""

_NUMBERS = frozenset([*ONES, *TENS])

vosk.SetLogLevel(-1)


class Hearing(NamedTuple):
    """What was heard.

    Attributes:
        text: a listed phrase where one was meant, else the likeliest words.
        alternatives: what else it may have been, likeliest first.
    """

    text: str
    alternatives: tuple[str, ...] = ()


def decoys() -> list[str]:
    """Return the common words offered beside the commands, so that talk is not forced into a command."""
    lines = files("companion.voice").joinpath("decoys.txt").read_text(encoding="utf-8").splitlines()
    return sorted({word for line in lines if not line.startswith("#") for word in line.split()})


@lru_cache(maxsize=1)
def _model(folder: Path) -> vosk.Model:
    """Return the model of a folder; it takes half a second and 130 MB, so it is loaded once."""
    try:
        return vosk.Model(str(folder))
    except Exception as error:  # vosk raises nothing more precise
        raise ModelError(f"{folder}: vosk cannot load this model; fetch it again or name another") from error


class Recogniser:
    """Hears one utterance at a time; what it heard before never changes what it hears next."""

    def __init__(self, model: Path, phrases: Iterable[str], others: Iterable[str] | None = None) -> None:
        """Prepare to hear the phrases.

        Args:
            model: the folder of the speech model.
            phrases: every phrase that can be meant.
            others: words of talk to be told from the phrases; None for `decoys()`. Those that are a
                whole phrase, or that the model does not know, are left out.

        Raises:
            ModelError: the model cannot be loaded, or does not know a word of the phrases.
        """
        self._model = _model(model)
        wanted = list(dict.fromkeys(phrases))
        missing = sorted({word for phrase in wanted for word in phrase.split() if not self._knows(word)})
        if missing:
            raise ModelError(
                f"{model}: the speech model does not know {', '.join(missing)}; change the wording"
            )
        spoken_for = set(wanted)
        offered = [
            w for w in (decoys() if others is None else others) if w not in spoken_for and self._knows(w)
        ]
        self._phrases = spoken_for
        self._grammar = json.dumps([*_weighted(wanted), *offered, UNKNOWN])

    def _knows(self, word: str) -> bool:
        return bool(self._model.vosk_model_find_word(word) >= 0)

    def hear(self, samples: Samples) -> Hearing:
        """Return what is heard in one utterance; the text is empty when nothing was said.

        A pause inside the utterance does not end it: what stands before and after is one text.
        """
        decoder = vosk.KaldiRecognizer(self._model, RATE, self._grammar)
        decoder.SetMaxAlternatives(ALTERNATIVES)
        spans: list[list[str]] = []
        for start in range(0, len(samples), RATE // 4):
            if decoder.AcceptWaveform(samples[start : start + RATE // 4].tobytes()):
                spans.append(_texts(decoder.Result()))
        spans.append(_texts(decoder.FinalResult()))
        return _decided(_joined([texts for texts in spans if texts[0]]), self._phrases)


def _weighted(phrases: list[str]) -> list[str]:
    """Return the phrases, each as many times as it is to count.

    vosk makes word-pair probabilities from the phrases it is given. Undone, the two hundred weights of a
    fish would make "log" the likeliest word of all, and "rod two" would be heard as "log two". Phrases
    that differ only in their numbers therefore share `SHARE` between them.
    """
    family = Counter(_without_numbers(phrase) for phrase in phrases)
    times = {shape: max(LEAST, SHARE // count) for shape, count in family.items()}
    return [phrase for phrase in phrases for _ in range(times[_without_numbers(phrase)])]


def _without_numbers(phrase: str) -> str:
    return " ".join("#" if word in _NUMBERS else word for word in phrase.split())


def _decided(texts: list[str], phrases: Container[str]) -> Hearing:
    """Return the likeliest text, unless it is a slip away from the one listed phrase among the others.

    Words that are no listed phrase, with a listed phrase one word away that sounded nearly the same, are
    that phrase misheard. Where sounds were no word at all, or two phrases are as near, nothing is taken.
    """
    best, *rest = texts
    near = [text for text in rest if text in phrases and _a_slip(best, text)]
    if best in phrases or UNKNOWN in best or len(near) != 1:
        return Hearing(best, tuple(rest))
    return Hearing(near[0], tuple(text for text in texts if text != near[0]))


def _a_slip(heard: str, phrase: str) -> bool:
    """Tell whether what was heard is a phrase of three words or more with one word changed or lost.

    A word too many is how talk around a command's words looks, so that is no slip.
    """
    a, b = heard.split(), phrase.split()
    if len(b) < 3 or len(a) > len(b):
        return False
    same = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    return a[same:] == b[same + 1 :] or a[same + 1 :] == b[same + 1 :]


def _texts(result: str) -> list[str]:
    """Return the texts in one of vosk's results, the likeliest first; never an empty list."""
    found: dict[str, Any] = json.loads(result)
    return [str(item["text"]).strip() for item in found.get("alternatives", [])] or [""]


def _joined(spans: list[list[str]]) -> list[str]:
    """Return texts of the whole utterance: the best of every span, then with another choice in one span."""
    best = [texts[0] for texts in spans]
    swapped = [[*best[:i], other, *best[i + 1 :]] for i, texts in enumerate(spans) for other in texts[1:]]
    return list(dict.fromkeys(" ".join(words) for words in [best, *swapped]))
