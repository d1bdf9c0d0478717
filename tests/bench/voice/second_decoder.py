"""A peer of another make: how often does it put the right phrase first, and how often do we, and both?

Example: python -m tests.bench.voice.second_decoder FOLDER --phrases 20

The English "tiny" model of Moonshine (Jeffries and others, arXiv 2410.15608; MIT), a
transformer that learned transcripts, 27 million weights in 8 bits, run by onnxruntime.
It is asked only how likely it finds a few phrases, those that fit our sounds best, as
the transcript of an utterance. FOLDER is `assets/tiny-en` of the package
`moonshine-voice` 0.0.49, which with onnxruntime is installed for this alone. What it is
worth through the listening, and why it is not in the program yet, stands in the
results.

A phrase is written as this model writes: a capital at first, and a mark or nothing at
the end. All phrases go through the network at once.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from companion.voice.model import speech_model
from companion.voice.recogniser import for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of
from companion.voice.suppressor import Suppressor
from tests.bench.voice.spoken import EVERY_WORDING, PLAIN
from tests.bench.voice.voices import job_phrases, utterance, voices_here

if TYPE_CHECKING:
    import onnxruntime

ENCODER_FILE, DECODER_FILE, TOKENS_FILE = (
    "encoder_model.ort",
    "decoder_model_merged.ort",
    "tokenizer.bin",
)
START_TOKEN, END_TOKEN = 1, 2
"""The tokens that every transcript begins and ends with."""
_NONE = 1 << 30
_MARKS = (b".", b"?", b"!")
_SPACE = "\N{LOWER ONE EIGHTH BLOCK}"
_CACHE_HEADS, _CACHE_SIZE = 8, 36
"""The layout of the decoder's cache of keys and values, which stays empty here."""
SHORTEST_S = 0.25
"""Sound the network takes at least, s."""

Floats = NDArray[np.float32]


class SecondDecoder:
    """Scores phrases as transcripts of sound."""

    def __init__(self, folder: Path) -> None:
        """Load the model in a folder: its encoder, its decoder and its tokens.

        Raises:
            ImportError: onnxruntime is not installed.
            OSError: a file cannot be read.
            RuntimeError: a file is not the model's.
        """
        self._encoder = _session(folder / ENCODER_FILE)
        self._decoder = _session(folder / DECODER_FILE)
        self._tokens = {
            text: n
            for n, text in enumerate(_texts((folder / TOKENS_FILE).read_bytes()))
        }
        self._ends = [END_TOKEN, *(self._tokens[mark] for mark in _MARKS)]
        self._caches = [
            one.name
            for one in self._decoder.get_inputs()
            if one.name.startswith("past_")
        ]

    def encode(self, samples: Samples) -> Floats:
        """Return what the encoder makes of an utterance, (1, steps, size)."""
        short = max(0, round(SHORTEST_S * SAMPLE_RATE_HZ) - len(samples))
        sound = np.pad(samples, (0, short)).astype(np.float32)[None] / 32768.0
        given = {
            "input_values": sound,
            "attention_mask": np.ones(sound.shape, np.int64),
        }
        return np.asarray(self._encoder.run(None, given)[0], np.float32)

    def log_likelihoods(self, encoded: Floats, phrases: Sequence[str]) -> list[float]:
        """Return the log-likelihood (natural) of each phrase as the whole transcript of an utterance."""
        spelt = [self.tokens(phrase.capitalize()) for phrase in phrases]
        given = np.full((len(spelt), 1 + max(map(len, spelt))), END_TOKEN, np.int64)
        given[:, 0] = START_TOKEN
        for row, tokens in zip(given, spelt, strict=True):
            row[1 : 1 + len(tokens)] = tokens
        scores = self._decode(encoded, given)
        return [
            self._whole(_log_softmax(steps), tokens)
            for steps, tokens in zip(scores, spelt, strict=True)
        ]

    def _whole(self, logs: Floats, tokens: Sequence[int]) -> float:
        """Return the log-likelihood of tokens and of an end after them."""
        ends = np.logaddexp.reduce(logs[len(tokens), self._ends])
        return float(logs[np.arange(len(tokens)), tokens].sum() + ends)

    def _decode(self, encoded: Floats, tokens: NDArray[np.int64]) -> Floats:
        count = len(tokens)
        empty = np.zeros((0, _CACHE_HEADS, 1, _CACHE_SIZE), np.float32)
        given = {
            "input_ids": tokens,
            "encoder_hidden_states": np.repeat(encoded, count, axis=0),
            "encoder_attention_mask": np.ones((count, encoded.shape[1]), np.int64),
            "use_cache_branch": np.array([False]),
            **dict.fromkeys(self._caches, empty),
        }
        return np.asarray(self._decoder.run(["logits"], given)[0], np.float32)

    def tokens(self, text: str) -> list[int]:
        """Return the tokens of a text (byte-pair encoding; Sennrich and others, ACL 2016).

        Of two neighbours that make a token those with the lowest number are joined,
        over and over.
        """
        parts = [sign.encode() for sign in _SPACE + text.replace(" ", _SPACE)]
        while True:
            joined = [
                (self._tokens.get(a + b, _NONE), n)
                for n, (a, b) in enumerate(pairwise(parts))
            ]
            token, n = min(joined, default=(_NONE, 0))
            if token == _NONE:
                return [self._tokens[part] for part in parts]
            parts[n : n + 2] = [parts[n] + parts[n + 1]]


def _session(path: Path) -> onnxruntime.InferenceSession:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = (
        False  # it would keep what its largest utterance took
    )
    return onnxruntime.InferenceSession(
        str(path), options, providers=["CPUExecutionProvider"]
    )


def _texts(data: bytes) -> Iterator[bytes]:
    """Yield the texts of the tokens: each after its length, in one byte, or in two from 128 on."""
    at = 0
    while at < len(data):
        size, at = data[at], at + 1
        if size >= 128:
            size, at = size - 128 + 128 * data[at], at + 1
        yield data[at : at + size]
        at += size


def _log_softmax(scores: Floats) -> Floats:
    scores = scores - scores.max(axis=-1, keepdims=True)
    return np.asarray(
        scores - np.log(np.exp(scores).sum(axis=-1, keepdims=True)), np.float32
    )


WEIGHT = 1.6
"""Of a phrase's log-likelihood over its phones and three, beside our ratio by sounds
(found on utterances for choosing, through the listening)."""


def cleaned(samples: Samples) -> Samples:
    """Return an utterance with its noise taken down, as the listening does it."""
    suppressor = Suppressor()
    return np.concatenate([suppressor.clean(frame) for frame in frames_of(samples)])


def main() -> None:
    """Rank what the voices for choosing say, and print who puts the right phrase first."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--phrases", type=int, default=20, help="of each voice")
    parser.add_argument(
        "--decibels", type=float, help="speech above the noise; without: in quiet"
    )
    asked = parser.parse_args()
    scorer, decoder = (
        for_grammar(speech_model(), PLAIN).phrase_scorer,
        SecondDecoder(asked.folder),
    )
    assert scorer is not None, "the speech model is one whose network we read"
    first: Counter[str] = Counter()
    for number, voice in enumerate(voices_here("choosing")):
        for words in job_phrases(PLAIN, asked.phrases, number, EVERY_WORDING):
            sound = utterance(voice, words, "mixed", asked.decibels, "choosing", number)
            clean = cleaned(sound)
            fits = scorer.score_phrases(sound, clean).fits
            told = decoder.log_likelihoods(
                decoder.encode(clean), [fit.phrase for fit in fits]
            )
            counts = [fit.sounds + 3 for fit in fits]
            ours = [fit.llr / count for fit, count in zip(fits, counts, strict=True)]
            theirs = [score / count for score, count in zip(told, counts, strict=True)]
            both = list(np.add(ours, np.multiply(WEIGHT, theirs)))
            ranked = {"ours": ours, "theirs, of our eight": theirs, "both": both}
            for who, scores in ranked.items():
                best = max(
                    zip(scores, (fit.phrase for fit in fits), strict=True),
                    default=(0.0, ""),
                )
                first[who] += PLAIN.parse(best[1]) == PLAIN.parse(words)
            first["said"] += 1
    for who in ("ours", "theirs, of our eight", "both"):
        print(f"{who}: the right command first in {first[who]} of {first['said']}")


if __name__ == "__main__":
    main()
