"""Biphone scores of phrases: every phone judged by the one before it, as the speech model's decoder does.

The decoder (vosk) scores words this way and reports nothing for a phrase it did not
recognise. Its network gives a score of some two thousand states at each 30 ms. A phone
after another (a biphone) enters one of these states and goes on in another. Which ones
is written only in the graph of its words: graph/HCLr.fst, an OpenFst file of constant
layout, whose arcs are labelled with transitions. Every arc that enters a phone leaves a
state all of whose paths end in one and the same phone, so the pairs can be read off.

A phrase is aligned with all of the sound: silence before it, optionally between its
words, and after it. Its ratio is its score less that of the likeliest phones in any
order that biphones allow: 0 at best. Of 116 short sentences by people (for choosing,
`tests/bench/voice`), each among all the commands, it finds 116 in quiet and at 10 dB
and 114 at 5 dB; the posteriors of `voice/acoustics.py` alone find 115, 116 and 113.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from companion.voice.acoustics import (
    SILENCE_PHONES,
    WORD_POSITIONS,
    Floats,
    mapped,
    transition_model,
)

Numbers = NDArray[np.intp]
Counts = NDArray[np.int32]

SILENCE_PHONE = 1
"""The model's phone of silence."""
WORD_BEGIN, WORD_END, WORD_INTERNAL, WORD_SINGLETON = range(WORD_POSITIONS)
"""Positions of a phone in a word (B, E, I, S), in the order of the model's phones."""
LOG_ZERO = -1e9
"""The score of an impossible path (the log of zero)."""
_MAGIC = struct.pack("<i", 0x7EB2FDD6)
_STATE = np.dtype(
    [
        ("final", "<f4"),
        ("arcs", "<u4"),
        ("count", "<u4"),
        ("in_", "<u4"),
        ("out", "<u4"),
    ]
)
_ARC = np.dtype([("in_", "<i4"), ("out", "<i4"), ("weight", "<f4"), ("to", "<i4")])


class Biphones:
    """The states of every biphone, and the scores of phrases by them."""

    def __init__(
        self, before: Numbers, phones: Numbers, first: Numbers, rest: Numbers
    ) -> None:
        """Take the pairs that occur, sorted by the second phone, and their states on entry and afterwards."""
        self._before, self._first, self._rest = before, first, rest
        self._begins = np.flatnonzero(np.r_[True, phones[1:] != phones[:-1]])
        self._phones = phones[self._begins]
        self._pair = {
            pair: n
            for n, pair in enumerate(zip(before.tolist(), phones.tolist(), strict=True))
        }
        self._backoff = {
            int(phone): int(n)
            for phone, n in zip(self._phones, self._begins, strict=True)
        }

    def states(self, before: int, phone: int) -> tuple[int, int]:
        """Return the states of a biphone on entry and afterwards.

        A pair that never occurs backs off to the phone after silence, then after any
        phone, then to the same sound elsewhere in a word.
        """
        known = (
            self._pair.get(pair) for pair in ((before, phone), (SILENCE_PHONE, phone))
        )
        alike = (self._backoff.get(phone), *map(self._backoff.get, _alike(phone)))
        n = next(n for n in (*known, *alike) if n is not None)
        return int(self._first[n]), int(self._rest[n])

    def free_loop(self, scores: Floats) -> float:
        """Return the score of the free phone loop over the scores of the states, (steps, states)."""
        paths = np.full(len(self._before), LOG_ZERO, np.float32)
        ends = np.full(
            max(self._phones.max(), self._before.max()) + 1, LOG_ZERO, np.float32
        )
        ends[SILENCE_PHONE] = 0.0
        for step in scores:
            paths = np.maximum(
                paths + step[self._rest], ends[self._before] + step[self._first]
            )
            ends[SILENCE_PHONE] = LOG_ZERO
            ends[self._phones] = np.maximum.reduceat(paths, self._begins)
        return float(ends.max())

    def fits(
        self, scores: Floats, phrases: Sequence[Sequence[Sequence[int]]]
    ) -> list[float]:
        """Return the score of each phrase, aligned with all of the sound.

        Args:
            scores: of the states, (steps, states).
            phrases: the words of each, as lists of phones (`word`).
        """
        ways = _PhraseGraph(self)
        ends = [ways.ends(phrase) for phrase in phrases]
        at = ways.best_paths(scores)
        return [float(max(at[end] for end in some)) for some in ends]


class _PhraseGraph:
    """The graph of the phrases: a node is a phone and the nodes that may precede it.

    Node 0 is the silence before a phrase.
    """

    def __init__(self, biphones: Biphones) -> None:
        self._of = biphones
        self._phones, self._from = [SILENCE_PHONE], [(0, 0)]
        self._states = [biphones.states(SILENCE_PHONE, SILENCE_PHONE)]
        self._places: dict[tuple[tuple[int, ...], int], int] = {}

    def ends(self, words: Iterable[Sequence[int]]) -> tuple[int, ...]:
        """Return the nodes where a phrase may end; add those that are missing."""
        nodes: tuple[int, ...] = (0,)
        for word in words:
            for phone in word:
                nodes = self._after(nodes, phone)
            nodes = (*nodes, self._node(nodes, SILENCE_PHONE))
        return nodes

    def _after(self, nodes: tuple[int, ...], phone: int) -> tuple[int, ...]:
        """Return the nodes of a phone after some nodes: one for each phone that may precede it."""
        before: dict[int, list[int]] = {}
        for node in nodes:
            before.setdefault(self._phones[node], []).append(node)
        return tuple(self._node(tuple(some), phone) for some in before.values())

    def _node(self, nodes: tuple[int, ...], phone: int) -> int:
        key = (nodes, phone)
        if key not in self._places:
            self._places[key] = len(self._phones)
            self._states.append(self._of.states(self._phones[nodes[0]], phone))
            self._phones.append(phone)
            self._from.append((nodes[0], nodes[-1]))
        return self._places[key]

    def best_paths(self, scores: Floats) -> Floats:
        """Return the Viterbi score of each node."""
        one, other = np.array(self._from, np.intp).T
        first, rest = np.array(self._states, np.intp).T
        paths = np.full(len(first), LOG_ZERO, np.float32)
        paths[0] = 0.0
        for n, step in enumerate(scores):
            silence = paths[0] + step[(rest if n else first)[0]]
            came = np.maximum(paths[one], paths[other]) + step[first]
            paths = np.maximum(paths + step[rest], came)
            paths[0] = silence
        return paths


def word(sounds: Sequence[int]) -> list[int]:
    """Return the model's phones of a word, by the numbers of its sounds in the alphabet's order."""
    if len(sounds) == 1:
        return [_phone(sounds[0], WORD_SINGLETON)]
    first, *amid, last = sounds
    return [
        _phone(first, WORD_BEGIN),
        *(_phone(sound, WORD_INTERNAL) for sound in amid),
        _phone(last, WORD_END),
    ]


def _phone(sound: int, way: int) -> int:
    return 1 + SILENCE_PHONES + WORD_POSITIONS * sound + way


def _alike(phone: int) -> range:
    """Return the phones of the same sound at any position in a word."""
    first = phone - (phone - 1 - SILENCE_PHONES) % WORD_POSITIONS
    return range(first, first + WORD_POSITIONS)


@lru_cache(maxsize=1)
def biphones(model: Path) -> Biphones | None:
    """Return the biphones of a speech model; None for a model of another layout.

    Raises:
        OSError: a file of the model cannot be read.
    """
    graph = model / "graph" / "HCLr.fst"
    if not graph.is_file():
        return None
    try:
        return _biphones(
            transition_model(mapped(model / "am" / "final.mdl")), *_graph(mapped(graph))
        )
    except (ValueError, IndexError, struct.error):
        return None


def _graph(data: memoryview) -> tuple[int, Counts, NDArray[np.void]]:
    """Return where a graph begins, of each arc the state that it leaves, and the arcs.

    The file has two heads, of what looks ahead along its words and, within, of the
    constant layout: a magic number, two names, version and flags (32 bits each),
    properties, start, count of states and of arcs (64).
    """
    at = bytes(data[:4096]).index(_MAGIC, len(_MAGIC)) + len(_MAGIC)
    for name in (b"const", b"standard"):
        (size,) = struct.unpack_from("<i", data, at)
        if bytes(data[at + 4 : at + 4 + size]) != name:
            raise ValueError("the graph is of another kind")
        at += 4 + size
    start, states, arcs = struct.unpack_from("<16xqqq", data, at)
    at += 40
    table = np.frombuffer(data, _STATE, states, at)
    leaves = np.repeat(np.arange(states, dtype=np.int32), table["count"])
    return start, leaves, np.frombuffer(data, _ARC, arcs, at + states * _STATE.itemsize)


def _biphones(
    listed: Numbers, start: int, leaves: Counts, arcs: NDArray[np.void]
) -> Biphones:
    """Return the pairs of phones in a graph, by its arcs' transitions: two for each of the listed states."""
    states, to = (arcs["in_"] - 1) // 2, arcs["to"]
    spoken = (states >= 0) & (states < len(listed))
    phones = listed[:, 0].astype(np.int32)[np.where(spoken, states, 0)]
    last = np.full(1 + max(leaves.max(), to.max()), -1, np.int32)
    last[start] = 0
    last[to[spoken]] = phones[spoken]
    silent = np.flatnonzero(~spoken)
    while (last[to[silent]] != last[leaves[silent]]).any():
        known = silent[(last[to[silent]] < 0) & (last[leaves[silent]] >= 0)]
        if not len(known):
            raise ValueError("a sound has more than one before it")
        last[to[known]] = last[leaves[known]]
    enters = spoken & (to != leaves)
    if (last[to[spoken]] != phones[spoken]).any() or (last[leaves[enters]] < 0).any():
        raise ValueError("a sound has more than one before it")
    pairs = np.unique(len(listed) * last[leaves[enters]] + states[enters]).astype(
        np.intp
    )
    before, state = np.divmod(pairs[pairs >= len(listed)], len(listed))
    order = np.lexsort((before, listed[state, 0]))
    state, before = state[order], before[order]
    phones = listed[state, 0]
    if ((np.diff(before) == 0) & (np.diff(phones) == 0)).any():
        raise ValueError("a sound after another has more than one beginning")
    return Biphones(before, phones, listed[state, 2], listed[state, 3])
