"""The phrase scorer: how well each phrase of the grammar fits the sounds of an utterance from end to end.

The decoder of `companion.voice.recogniser` strings words together pair by pair, so in
noise it hears "quiet for i minutes". Here two networks give the posterior of 39 phones
at each step, and every phrase is aligned with the whole utterance: Viterbi scores over
a trie of the phrases' phones, with a blank as in connectionist temporal classification
(Graves and others, ICML 2006). Each score is a log-likelihood ratio against the
likeliest phones in any order, so what fits much worse than those is no command.

One network is the speech model's own (`companion.voice.acoustics`), which knows how
people speak. The other, here, is small and knows speech amid the noise of a boat, but
learned from synthesized voices; `tests/training` makes its weights. A phrase's ratio is
the weighted sum of both, for each errs where the other does not. The best phrases are
scored once more by biphones (`companion.voice.biphones`), which is better still and
would take long for all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from importlib.resources import files
from itertools import chain, islice, product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.voice.acoustics import (
    FFT_SIZE,
    FRAME_SAMPLES,
    HOP_SAMPLES,
    NO_OUTPUTS,
    Acoustics,
    framed,
    mel_filterbank,
)
from companion.voice.biphones import LOG_ZERO, Biphones, word
from companion.voice.sound import SAMPLE_RATE_HZ, Samples

Floats = NDArray[np.float32]

_SIGNS = """
    aa ae ah ao aw ay b ch d dh eh er ey f g hh ih iy jh k l m n ng ow oy p r s sh t th uh uw v w y z zh
"""
ARPABET_PHONES = tuple(_SIGNS.split())
"""The phones of English in ARPAbet's signs; output 0 of the network is the blank."""
BAND_POWER_FLOOR = 100.0
"""Added to a band's power: anything quieter than a sound card's hiss looks the same."""
NOISE_NET_MEL_BANDS = 40
"""Mel bands of a spectrum."""
NETWORK_BLOCKS = 10
"""Blocks of the network between its first and its last layer."""
NOISE_NET_WEIGHT = 0.5
"""The weight of the network here beside the speech model's. Of commands, each among all
phrases (for choosing: 116 sentences by people, 336 commands by voices, quiet and at 5
dB), the model's alone finds .991, .983 and .985, .848; this one alone .922, .845 and
.994, .988; both 1.000, .983 and 1.000, .985."""
MOST_WAYS_TO_SAY = 12
"""Pronunciations of one phrase at most: of "lure depth"."""
LONGEST_PAUSE_IN_PHRASE_S = 0.45
"""The longest pause within a phrase, s: a quarter of a second between its parts looks like 0.44."""
NOISE_NET_STEP_S = 2 * HOP_SAMPLES / SAMPLE_RATE_HZ
"""One step of the network, s."""


class Fit(NamedTuple):
    """The scores of a phrase: log-likelihood ratios against the likeliest phones in any order (0 at best).

    Attributes:
        phrase: the phrase.
        acoustic_llr: its ratio by the speech model's network.
        noise_net_llr: its ratio by the network here.
        sounds: its number of phones.
        biphone_llr: its ratio by the speech model's biphones; 0 where that was not
            computed.
    """

    phrase: str
    acoustic_llr: float
    noise_net_llr: float
    sounds: int
    biphone_llr: float = 0.0

    @property
    def llr(self) -> float:
        """Its ratio by both networks."""
        return self.acoustic_llr + NOISE_NET_WEIGHT * self.noise_net_llr


class PhraseScores(NamedTuple):
    """The scores of all phrases over an utterance.

    Attributes:
        fits: the best phrases, the best first.
        quiet: the silence at the end, s.
        began: the silence at the beginning, s.
        spoke: the begin and end of the last speech without a longer pause, s; None for
            no speech.
        acoustic_llr: the ratio at each node of the trie by the speech model's network;
            empty for no sound.
        noise_net_llr: the same by the network here.
        sounds: the log posteriors of both networks, the speech model's first.
        states: the scores of the speech model's states, (steps, states).
        free_loop: the score of the likeliest states in any order that biphones allow.
    """

    fits: list[Fit]
    quiet: float
    began: float
    acoustic_llr: Floats
    noise_net_llr: Floats
    sounds: tuple[Floats, Floats] | None
    states: Floats = NO_OUTPUTS.states
    free_loop: float = 0.0
    spoke: tuple[float, float] | None = None


NO_SCORES = PhraseScores(
    [], 0.0, math.inf, np.zeros(0, np.float32), np.zeros(0, np.float32), None
)


@lru_cache(maxsize=1)
def _weights() -> dict[str, Floats]:
    """Return the weights of the network, those of its blocks with a column for each channel."""
    with files("companion.voice").joinpath("sounds.npz").open("rb") as file:
        weights = {n: value.astype(np.float32) for n, value in np.load(file).items()}
    for n in range(NETWORK_BLOCKS):
        for layer in (f"deep{n}.w", f"wide{n}.w"):
            weights[layer] = np.ascontiguousarray(weights[layer].T)
    return weights


Pronunciation = tuple[str, ...]
"""The phones of a word, one after the other."""


@lru_cache(maxsize=1)
def lexicon() -> dict[str, tuple[Pronunciation, ...]]:
    """Return the pronunciations of the words that can be scored, the usual one of each first.

    Those in variants.tsv are from memory: "lure" with the vowel of "law" or of "fur",
    and "depth" without its "th" after the stop, as it is said in haste. By the usual
    ones alone "lure depth" was refused to five of eight voices (choosing, in quiet).
    """
    found: dict[str, tuple[Pronunciation, ...]] = {}
    for name in ("sounds.tsv", "variants.tsv"):
        text = files("companion.voice").joinpath(name).read_text(encoding="utf-8")
        for line in text.splitlines():
            one, sounds = line.split("\t")
            found[one] = (*found.get(one, ()), tuple(sounds.split()))
    return found


def _is_known(text: str) -> bool:
    return all(word in lexicon() for word in text.split())


def _spellings(text: str) -> Iterator[tuple[Pronunciation, ...]]:
    """Yield each way to pronounce known words, word by word, the usual one first."""
    return product(*(lexicon()[word] for word in text.split()))


def _spelt(text: str) -> list[str]:
    """Return the phones of known words in their usual pronunciations, one after the other."""
    return list(chain.from_iterable(next(_spellings(text))))


def _phones(words: Iterable[Pronunciation]) -> list[list[int]]:
    """Return the speech model's phones of pronunciations, a list for each word."""
    return [word([ARPABET_PHONES.index(sound) for sound in one]) for one in words]


@lru_cache(maxsize=1)
def mel_weights() -> Floats:
    """Return the share of each of a spectrum's 257 bins in each band, (bins, bands).

    Triangles evenly spaced on the mel scale, 2595 log10(1 + f/700) (O'Shaughnessy,
    Speech Communication, 1987).
    """
    low, high = (2595.0 * np.log10(1.0 + hertz / 700.0) for hertz in (60.0, 7600.0))
    edges = 700.0 * (
        10.0 ** (np.linspace(low, high, NOISE_NET_MEL_BANDS + 2) / 2595.0) - 1.0
    )
    return mel_filterbank(
        edges, np.linspace(0.0, SAMPLE_RATE_HZ / 2, FFT_SIZE // 2 + 1)
    ).astype(np.float32)


def log_mel_bands(samples: Samples) -> Floats:
    """Return the log power of each mel band less its mean over the utterance, (frames, bands)."""
    spectrum = np.fft.rfft(
        framed(samples) * np.hanning(FRAME_SAMPLES + 1)[:-1].astype(np.float32),
        FFT_SIZE,
    )
    power = (np.abs(spectrum) ** 2).astype(np.float32)
    logs = np.log(power @ mel_weights() + BAND_POWER_FLOOR)
    return np.asarray(logs - logs.mean(axis=0), np.float32)


def likelihoods(samples: Samples) -> Floats:
    """Return the log posterior of the blank and each phone in each 20 ms, (steps, 1 + phones)."""
    w, bands = _weights(), _padded(log_mel_bands(samples), 2)
    stacked = np.lib.stride_tricks.sliding_window_view(bands, 5, axis=0)[::2]
    first = w["first.w"]
    x = np.maximum(
        stacked.reshape(len(stacked), -1) @ first.reshape(len(first), -1).T
        + w["first.b"],
        0.0,
    )
    for n in range(NETWORK_BLOCKS):
        block = _depthwise(x, w[f"deep{n}.w"], w[f"deep{n}.b"]) @ w[f"wide{n}.w"]
        block += w[f"wide{n}.b"]
        x += np.maximum(block, 0.0, out=block)
    scores = x @ w["last.w"].T + w["last.b"]
    scores -= scores.max(axis=1, keepdims=True)
    return np.asarray(
        scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)), np.float32
    )


def quiet(samples: Samples) -> float:
    """Return the silence at the end of an utterance, s, at most a second: cheaper than scoring phrases."""
    return (
        _quiet(likelihoods(samples[-SAMPLE_RATE_HZ:]))
        if len(samples) >= 2 * FRAME_SAMPLES
        else 0.0
    )


def _quiet(logs: Floats) -> float:
    spoken = np.flatnonzero(logs.argmax(axis=1))
    return float(
        NOISE_NET_STEP_S * (len(logs) - 1 - (spoken[-1] if len(spoken) else -1))
    )


def _began(logs: Floats) -> float:
    spoken = np.flatnonzero(logs.argmax(axis=1))
    return float(NOISE_NET_STEP_S * (spoken[0] if len(spoken) else len(logs)))


def _spoke(logs: Floats) -> tuple[float, float] | None:
    """Return the begin and end of the speech after the last long pause, s; None for no speech."""
    spoken = np.flatnonzero(logs.argmax(axis=1))
    if not len(spoken):
        return None
    pauses = np.flatnonzero(
        np.diff(spoken) > LONGEST_PAUSE_IN_PHRASE_S / NOISE_NET_STEP_S
    )
    first = spoken[pauses[-1] + 1] if len(pauses) else spoken[0]
    return round(NOISE_NET_STEP_S * float(first), 3), round(
        NOISE_NET_STEP_S * float(spoken[-1] + 1), 3
    )


def _depthwise(x: Floats, taps: Floats, bias: Floats) -> Floats:
    """Return each channel filtered along time by its own taps, (taps, channels)."""
    near = np.lib.stride_tricks.sliding_window_view(
        _padded(x, len(taps) // 2), len(taps), axis=0
    )
    return np.asarray(np.einsum("nck,kc->nc", near, taps) + bias, np.float32)


def _padded(x: Floats, count: int) -> Floats:
    """Return rows with so many rows of zeros before and after: a tenth of what numpy's `pad` costs."""
    padded = np.zeros((len(x) + 2 * count, x.shape[1]), np.float32)
    padded[count : count + len(x)] = x
    return padded


class _TrieMaker:
    """Makes a trie of phrases by their phones; node 0 is its root."""

    def __init__(self) -> None:
        self.parents, self.sounds = [0], [0]
        self._places: dict[tuple[int, int], int] = {}

    def end(self, sounds: Iterable[str]) -> int:
        """Return the node where some phones end; add it where it is missing."""
        node = 0
        for sound in sounds:
            key = (node, ARPABET_PHONES.index(sound) + 1)
            if key not in self._places:
                self._places[key] = len(self.parents)
                self.parents.append(node)
                self.sounds.append(key[1])
            node = self._places[key]
        return node

    def made(self) -> _Trie:
        """Return the trie."""
        return _Trie(np.array(self.parents, np.intp), np.array(self.sounds, np.intp))


class _Trie:
    """A trie of phrases: most nodes follow on the one before them, their parent."""

    def __init__(self, parents: NDArray[np.intp], sounds: NDArray[np.intp]) -> None:
        """Take the parent and the phone of each node.

        A phone that repeats its parent's needs a blank between.
        """
        self._sounds = sounds
        self._branches = np.flatnonzero(parents != np.arange(len(parents)) - 1)[1:]
        self._repeats = np.flatnonzero(sounds == sounds[parents])[1:]
        self._stems, self._repeated = parents[self._branches], parents[self._repeats]

    def scores(self, logs: Floats) -> Floats:
        """Return the Viterbi score of each node: the log-likelihood of the likeliest path that ends there."""
        best = np.full(len(self._sounds), LOG_ZERO, np.float32)
        rests, spoken, came, emitted = (best.copy() for _ in range(4))
        best[0] = rests[0] = 0.0
        for step in logs:  # in place, and mostly without an index: half of the time
            came[1:] = best[:-1]
            came[self._branches] = best[self._stems]
            came[self._repeats] = rests[self._repeated]
            np.add(best, step[0], out=rests)
            np.maximum(spoken, came, out=spoken)
            np.take(step, self._sounds, out=emitted, mode="clip")
            spoken += emitted
            spoken[0] = LOG_ZERO
            np.maximum(rests, spoken, out=best)
        return best

    def llrs(self, logs: Floats) -> Floats:
        """Return the log-likelihood ratio of each node against the likeliest phones in any order."""
        return np.asarray(self.scores(logs) - logs.max(axis=1).sum(), np.float32)


class NoiseNetScores(NamedTuple):
    """The log posteriors of the network here at each step, and the ratio at each node of the trie."""

    sounds: Floats
    nodes: Floats


class PhraseScorer:
    """Scores phrases over utterances."""

    def __init__(
        self,
        phrases: Iterable[str],
        means: Callable[[str], object],
        acoustics: Acoustics,
        biphones: Biphones,
    ) -> None:
        """Make the trie of the phrases; a phrase with a word of unknown phones is left out.

        `means` gives the meaning of a phrase, equal for wordings of the same, and None
        for any other text. `acoustics` and `biphones` are those of the speech model.
        `beginnings` are the phrases that are prefixes of others.
        """
        self.means = means
        self._acoustics = acoustics
        self._biphones = biphones
        maker = _TrieMaker()
        self._ends: dict[int, str] = {}
        self._nodes: dict[str, list[int]] = {}
        self._spelt: dict[int, tuple[Pronunciation, ...]] = {}
        for phrase in sorted(filter(_is_known, phrases)):
            for words in _spellings(phrase):
                node = maker.end(chain.from_iterable(words))
                self._nodes.setdefault(phrase, []).append(node)
                self._ends.setdefault(node, phrase)
                self._spelt.setdefault(node, words)
        self._tree = maker.made()
        self._last = np.fromiter(self._ends, np.intp)
        self._counts = np.array([self._count(end) for end in self._ends], np.intp)
        parents = set(maker.parents)
        self.beginnings = {
            phrase for end, phrase in self._ends.items() if end in parents
        }

    def has_score(self, scores: PhraseScores, phrase: str) -> bool:
        """Tell whether a phrase was scored: its phones are known, and there was enough sound."""
        return phrase in self._nodes and bool(len(scores.acoustic_llr))

    def fits(self, scores: PhraseScores, phrases: Iterable[str]) -> list[Fit]:
        """Return the scores of some phrases with their biphone ratios; phrases not scored are left out."""
        known = [phrase for phrase in phrases if self.has_score(scores, phrase)]
        if not known:
            return []
        nodes = [self._likeliest(phrase, scores) for phrase in known]
        by_biphones = self._biphones.fits(
            scores.states, [_phones(self._spelt[node]) for node in nodes]
        )
        return [
            Fit(
                phrase,
                float(scores.acoustic_llr[node]),
                float(scores.noise_net_llr[node]),
                self._count(node),
                likelihood - scores.free_loop,
            )
            for phrase, node, likelihood in zip(known, nodes, by_biphones, strict=True)
        ]

    def fit(self, scores: PhraseScores, phrase: str) -> Fit | None:
        """Return the scores of a phrase; None for one that was not scored."""
        return next(iter(self.fits(scores, [phrase])), None)

    @staticmethod
    def others(scores: PhraseScores, texts: Iterable[str]) -> list[Fit]:
        """Return the scores of texts that are no phrases; those with unknown phones are left out."""
        known = [text for text in texts if text and _is_known(text)]
        if not known or scores.sounds is None:
            return []
        maker = _TrieMaker()
        ends = [maker.end(_spelt(text)) for text in known]
        tree = maker.made()
        acoustic_llr, noise_net_llr = (tree.llrs(logs) for logs in scores.sounds)
        return [
            Fit(
                text,
                float(acoustic_llr[end]),
                float(noise_net_llr[end]),
                PhraseScorer.count(text),
            )
            for text, end in zip(known, ends, strict=True)
        ]

    @staticmethod
    def count(phrase: str) -> int:
        """Return the number of phones of a phrase of known words, as it is usually pronounced."""
        return len(_spelt(phrase))

    def _count(self, node: int) -> int:
        """Return the number of phones that end at a node."""
        return sum(map(len, self._spelt[node]))

    def _likeliest(self, phrase: str, scores: PhraseScores) -> int:
        """Return the node of a phrase's pronunciation that fits the sounds best."""
        nodes = self._nodes[phrase]
        llrs = (
            scores.acoustic_llr[nodes] + NOISE_NET_WEIGHT * scores.noise_net_llr[nodes]
        )
        return nodes[int(np.argmax(llrs))]

    def score_with_noise_net(self, samples: Samples) -> NoiseNetScores | None:
        """Return the scores by the network here alone; None for too little sound."""
        if len(samples) < 2 * FRAME_SAMPLES or not self._ends:
            return None
        logs = likelihoods(samples)
        return NoiseNetScores(logs, self._tree.llrs(logs))

    def noise_net_fits(self, own: NoiseNetScores) -> tuple[NDArray[np.intp], Floats]:
        """Return the number of phones and the ratio by the network here of every phrase."""
        return self._counts, own.nodes[self._last]

    def score_phrases(
        self,
        samples: Samples,
        clean: Samples,
        count: int = 8,
        own: NoiseNetScores | None = None,
    ) -> PhraseScores:
        """Return the scores of the phrases over an utterance; `NO_SCORES` for too little sound.

        Args:
            samples: the utterance as it came, for the network here.
            clean: the same with its noise suppressed, for the speech model's network.
            count: the number of best phrases that are returned.
            own: the result of `score_with_noise_net`, if it is known.
        """
        own = own or self.score_with_noise_net(samples)
        if own is None or len(clean) < 2 * FRAME_SAMPLES:
            return NO_SCORES
        (logs, noise_net_llr), theirs = own, self._acoustics.forward(clean)
        acoustic_llr, ends = self._tree.llrs(theirs.sounds), self._last
        llrs = (acoustic_llr + NOISE_NET_WEIGHT * noise_net_llr)[ends]
        order = ends[np.argsort(-llrs, kind="stable")[: count * MOST_WAYS_TO_SAY]]
        best = islice(dict.fromkeys(self._ends[end] for end in order.tolist()), count)
        free_loop = self._biphones.free_loop(theirs.states)
        scores = PhraseScores(
            [],
            _quiet(logs),
            _began(logs),
            acoustic_llr,
            noise_net_llr,
            (theirs.sounds, logs),
            theirs.states,
            free_loop,
            _spoke(logs),
        )
        return scores._replace(fits=self.fits(scores, best))
