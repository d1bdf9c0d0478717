"""A second opinion on an utterance: how well each phrase fits the sounds that were spoken, from end to end.

The decoder of `companion.voice.recogniser` strings words together pair by pair, so in noise it hears "quiet
for i minutes". Here two networks say which of 39 sounds is spoken at a time, and every phrase of the grammar
is laid over the whole utterance (connectionist temporal classification: Graves and others, ICML 2006; the
likeliest path, over the phrases as a tree). What fits much worse than the likeliest sounds of any kind is no
command. One network is the speech model's own (`companion.voice.acoustics`), which knows how people speak.
The other, here, is small and knows speech amid the noise of a boat, but learned from synthesized voices; its
weights are made by `tests/training`. How a phrase fits is the sum of both, for each errs where the other
does not. Those that fit best are laid a third time, each sound judged by the one before it
(`companion.voice.biphones`), which is better still and would take long for all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import cached_property, lru_cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.voice.acoustics import HOP, NO_OUTPUTS, SIZE, SPAN, Acoustics, framed, triangles
from companion.voice.biphones import NEVER, Biphones, word
from companion.voice.sound import RATE, Samples

Floats = NDArray[np.float32]

_SIGNS = """
    aa ae ah ao aw ay b ch d dh eh er ey f g hh ih iy jh k l m n ng ow oy p r s sh t th uh uw v w y z zh
"""
SOUNDS = tuple(_SIGNS.split())
"""The sounds of English in ARPAbet's signs; output 0 of the network is none of them."""
LEAST = 100.0
"""Added to a band's power: what is quieter than a sound card's hiss is all the same."""
MELS = 40
"""Bands of a spectrum."""
BLOCKS = 10
"""Layers of the network between the first and the last."""
SHARE = 0.5
"""How much the network here counts beside the speech model's. Of commands, each among all phrases (for
choosing: 116 sentences by people, 336 commands by voices, quiet and at 5 dB), the model's alone finds .991,
.983 and .985, .848; this one alone .922, .845 and .994, .988; both 1.000, .983 and 1.000, .985."""
PAUSE_S = 0.45
"""A pause within a phrase is shorter, s: a quarter of a second between its parts looks like 0.44."""
STEP = 2 * HOP / RATE
"""From one step of the network to the next, s."""


class Fit(NamedTuple):
    """How a phrase fits: its log-likelihood less that of the likeliest sounds of any kind (0 at best).

    Attributes:
        phrase: what is laid.
        model: how it fits by the speech model's network.
        here: how it fits by the network here.
        sounds: how many the phrase has.
        after: how it fits by the model's network when each sound is judged by the one before it; 0 where that
            was not asked.
    """

    phrase: str
    model: float
    here: float
    sounds: int
    after: float = 0.0

    @property
    def ratio(self) -> float:
        """How it fits by both."""
        return self.model + SHARE * self.here


class Laid(NamedTuple):
    """How phrases fit an utterance.

    Attributes:
        fits: the phrases that fit best, the best first.
        quiet: since when nothing is spoken, s.
        began: how long nothing is spoken at first, s.
        spoke: when what was spoken last, without a longer pause, began and ended, s; None for nothing.
        model: how the path to each node of the tree fits, by the speech model's network; none for no sound.
        here: the same by the network here.
        sounds: what the two networks made of it, the model's first.
        states: the scores of the model's states, each step.
        freely: the score of the likeliest of these by their order.
    """

    fits: list[Fit]
    quiet: float
    began: float
    model: Floats
    here: Floats
    sounds: tuple[Floats, Floats] | None
    states: Floats = NO_OUTPUTS.states
    freely: float = 0.0
    spoke: tuple[float, float] | None = None


NOTHING = Laid([], 0.0, math.inf, np.zeros(0, np.float32), np.zeros(0, np.float32), None)


@lru_cache(maxsize=1)
def _weights() -> dict[str, Floats]:
    with files("companion.voice").joinpath("sounds.npz").open("rb") as file:
        return {name: value.astype(np.float32) for name, value in np.load(file).items()}


@lru_cache(maxsize=1)
def lexicon() -> dict[str, tuple[str, ...]]:
    """Return the sounds of the words that can be verified."""
    lines = files("companion.voice").joinpath("sounds.tsv").read_text(encoding="utf-8").splitlines()
    return {word: tuple(sounds.split()) for word, sounds in (line.split("\t") for line in lines)}


def _is_known(text: str) -> bool:
    return all(word in lexicon() for word in text.split())


def _spelt(text: str) -> list[str]:
    """Return the sounds of known words, one after the other."""
    return [sound for word in text.split() for sound in lexicon()[word]]


def _phones(text: str) -> list[list[int]]:
    """Return the speech model's phones of known words, of each its own."""
    return [word([SOUNDS.index(sound) for sound in lexicon()[one]]) for one in text.split()]


@lru_cache(maxsize=1)
def band_weights() -> Floats:
    """Return the share of each of a spectrum's 257 bins in each band, (bins, bands).

    Triangles evenly spaced on the mel scale, 2595 log10(1 + f/700) (O'Shaughnessy, Speech Communication,
    1987).
    """
    low, high = (2595.0 * np.log10(1.0 + hertz / 700.0) for hertz in (60.0, 7600.0))
    edges = 700.0 * (10.0 ** (np.linspace(low, high, MELS + 2) / 2595.0) - 1.0)
    return triangles(edges, np.linspace(0.0, RATE / 2, SIZE // 2 + 1)).astype(np.float32)


def bands(samples: Samples) -> Floats:
    """Return the log power of each band less its mean over the utterance, (frames, bands)."""
    spectrum = np.fft.rfft(framed(samples) * np.hanning(SPAN + 1)[:-1].astype(np.float32), SIZE)
    power = (np.abs(spectrum) ** 2).astype(np.float32)
    logs = np.log(power @ band_weights() + LEAST)
    return np.asarray(logs - logs.mean(axis=0), np.float32)


def likelihoods(samples: Samples) -> Floats:
    """Return the natural log of each sound's probability in each 20 ms, (steps, 1 + sounds)."""
    w, x = _weights(), bands(samples)
    padded = np.pad(x, ((2, 2), (0, 0)))
    stacked = np.lib.stride_tricks.sliding_window_view(padded, 5, axis=0)[::2]
    first = w["first.w"]
    x = np.maximum(stacked.reshape(len(stacked), -1) @ first.reshape(len(first), -1).T + w["first.b"], 0.0)
    for n in range(BLOCKS):
        x = x + np.maximum(
            _along(x, w[f"deep{n}.w"], w[f"deep{n}.b"]) @ w[f"wide{n}.w"].T + w[f"wide{n}.b"], 0.0
        )
    scores = x @ w["last.w"].T + w["last.b"]
    scores -= scores.max(axis=1, keepdims=True)
    return np.asarray(scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)), np.float32)


def quiet(samples: Samples) -> float:
    """Return since when nothing is spoken, s, by the last second of an utterance: cheaper than laying."""
    return _quiet(likelihoods(samples[-RATE:])) if len(samples) >= 2 * SPAN else 0.0


def _quiet(logs: Floats) -> float:
    spoken = np.flatnonzero(logs.argmax(axis=1))
    return float(STEP * (len(logs) - 1 - (spoken[-1] if len(spoken) else -1)))


def _began(logs: Floats) -> float:
    spoken = np.flatnonzero(logs.argmax(axis=1))
    return float(STEP * (spoken[0] if len(spoken) else len(logs)))


def _spoke(logs: Floats) -> tuple[float, float] | None:
    """Return when what was spoken last began and ended, s: after the last long pause."""
    spoken = np.flatnonzero(logs.argmax(axis=1))
    if not len(spoken):
        return None
    pauses = np.flatnonzero(np.diff(spoken) > PAUSE_S / STEP)
    first = spoken[pauses[-1] + 1] if len(pauses) else spoken[0]
    return round(STEP * float(first), 3), round(STEP * float(spoken[-1] + 1), 3)


def _along(x: Floats, taps: Floats, bias: Floats) -> Floats:
    """Return each channel filtered along time by its own taps, (channels, taps)."""
    half = taps.shape[1] // 2
    padded = np.pad(x, ((half, half), (0, 0)))
    out = np.broadcast_to(bias, x.shape).copy()
    for n in range(taps.shape[1]):
        out += padded[n : n + len(x)] * taps[:, n]
    return out


class _Tree:
    """Words as a tree of their sounds: where two begin alike they share the nodes. Node 0 is its root."""

    def __init__(self) -> None:
        self.parents, self.sounds = [0], [0]
        self._places: dict[tuple[int, int], int] = {}

    def end(self, sounds: Iterable[str]) -> int:
        """Return the node where some sounds end, made where it was not there."""
        node = 0
        for sound in sounds:
            key = (node, SOUNDS.index(sound) + 1)
            if key not in self._places:
                self._places[key] = len(self.parents)
                self.parents.append(node)
                self.sounds.append(key[1])
            node = self._places[key]
        return node

    @cached_property
    def _grown(self) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
        """Of each node its parent, its sound, and what bars the way from one to the next at once.

        A sound that follows itself needs a rest between; no node is added after this was asked.
        """
        parents, sounds = np.array(self.parents, np.intp), np.array(self.sounds, np.intp)
        return parents, sounds, np.where(sounds == sounds[parents], np.float32(NEVER), np.float32(0.0))

    def laid(self, logs: Floats) -> Floats:
        """Return the log-likelihood of the likeliest path that ends at each node."""
        parents, sounds, barred = self._grown
        rests = np.full(len(parents), NEVER, np.float32)
        spoken, before, came, score = (rests.copy() for _ in range(4))
        rests[0] = 0.0
        for step in logs:  # in place, and without the checks of indexing: half of the time
            np.take(rests, parents, out=before, mode="clip")
            np.take(spoken, parents, out=came, mode="clip")
            np.take(step, sounds, out=score, mode="clip")
            came += barred
            np.maximum(came, before, out=came)
            np.maximum(rests, spoken, out=rests)
            rests += step[0]
            np.maximum(spoken, came, out=spoken)
            spoken += score
            spoken[0] = NEVER
        return np.maximum(rests, spoken)

    def behind(self, logs: Floats) -> Floats:
        """Return how much less likely the path to each node is than the likeliest sounds of any kind."""
        return np.asarray(self.laid(logs) - logs.max(axis=1).sum(), np.float32)


class OwnScores(NamedTuple):
    """What the network here makes of an utterance: each sound, each step; and how the tree's nodes fit."""

    sounds: Floats
    nodes: Floats


class Verifier:
    """Lays phrases over utterances."""

    def __init__(
        self,
        phrases: Iterable[str],
        means: Callable[[str], object],
        acoustics: Acoustics,
        biphones: Biphones,
    ) -> None:
        """Make the tree of the phrases' sounds; a phrase with a word of unknown sounds is left out.

        `means` gives what a phrase means, equal for wordings of the same, and None for what is no phrase.
        `acoustics` is the speech model's network, `biphones` are its sounds after each other.
        `beginnings` are those whose sounds a longer one begins with.
        """
        self.means = means
        self._acoustics = acoustics
        self._biphones = biphones
        tree = _Tree()
        self._ends: dict[int, str] = {}
        self._nodes: dict[str, int] = {}
        for phrase in sorted(phrases):
            if _is_known(phrase):
                node = self._nodes[phrase] = tree.end(_spelt(phrase))
                self._ends.setdefault(node, phrase)
        self._tree = tree
        self._last = np.fromiter(self._ends, np.intp)
        self._counts = np.array([self.count(phrase) for phrase in self._ends.values()], np.intp)
        parents = set(tree.parents)
        self.beginnings = {phrase for end, phrase in self._ends.items() if end in parents}

    def is_laid(self, laid: Laid, phrase: str) -> bool:
        """Tell whether a phrase has known sounds, and there was sound to lay it over."""
        return phrase in self._nodes and bool(len(laid.model))

    def fits(self, laid: Laid, phrases: Iterable[str]) -> list[Fit]:
        """Return how phrases fit what was laid; those of unknown sounds are left out, with no sound all."""
        known = [phrase for phrase in phrases if self.is_laid(laid, phrase)]
        if not known:
            return []
        scores = self._biphones.fits(laid.states, [_phones(phrase) for phrase in known])
        return [
            self._fit(phrase, laid)._replace(after=score - laid.freely)
            for phrase, score in zip(known, scores, strict=True)
        ]

    def fit(self, laid: Laid, phrase: str) -> Fit | None:
        """Return how a phrase fits what was laid; None for one of unknown sounds, or too little sound."""
        return next(iter(self.fits(laid, [phrase])), None)

    @staticmethod
    def others(laid: Laid, texts: Iterable[str]) -> list[Fit]:
        """Return how words of any kind fit what was laid; those of unknown sounds are left out."""
        known = [text for text in texts if text and _is_known(text)]
        if not known or laid.sounds is None:
            return []
        tree = _Tree()
        ends = [tree.end(_spelt(text)) for text in known]
        model, here = (tree.behind(logs) for logs in laid.sounds)
        return [
            Fit(text, float(model[end]), float(here[end]), Verifier.count(text))
            for text, end in zip(known, ends, strict=True)
        ]

    @staticmethod
    def count(phrase: str) -> int:
        """Return how many sounds a phrase of known words has."""
        return len(_spelt(phrase))

    def score(self, samples: Samples) -> OwnScores | None:
        """Return what the network here alone makes of an utterance; None for too little sound."""
        if len(samples) < 2 * SPAN or not self._ends:
            return None
        logs = likelihoods(samples)
        return OwnScores(logs, self._tree.behind(logs))

    def own_fits(self, own: OwnScores) -> tuple[NDArray[np.intp], Floats]:
        """Return of every phrase how many sounds it has, and how it fits by the network here."""
        return self._counts, own.nodes[self._last]

    def lay(self, samples: Samples, clean: Samples, count: int = 8, own: OwnScores | None = None) -> Laid:
        """Return how the phrases fit an utterance; none for too little sound.

        Args:
            samples: the utterance, which the network here knows amid noise.
            clean: the same with its noise suppressed, for the model's network.
            count: how many phrases are told, of those that fit best.
            own: what `score` made of the samples, if that is known.
        """
        own = own or self.score(samples)
        if own is None or len(clean) < 2 * SPAN:
            return NOTHING
        (logs, here), theirs = own, self._acoustics.heard(clean)
        model, ends = self._tree.behind(theirs.sounds), self._last
        best = ends[np.argsort(-(model + SHARE * here)[ends], kind="stable")[:count]]
        freely = self._biphones.freely(theirs.states)
        laid = Laid(
            [],
            _quiet(logs),
            _began(logs),
            model,
            here,
            (theirs.sounds, logs),
            theirs.states,
            freely,
            _spoke(logs),
        )
        return laid._replace(fits=self.fits(laid, [self._ends[int(end)] for end in best]))

    def _fit(self, phrase: str, laid: Laid) -> Fit:
        node = self._nodes[phrase]
        return Fit(phrase, float(laid.model[node]), float(laid.here[node]), self.count(phrase))
