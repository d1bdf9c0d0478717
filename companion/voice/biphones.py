"""How a phrase fits when every sound is judged by the one before it, as the speech model's decoder does.

The decoder (vosk) weighs words by this and tells nothing of it for a phrase it did not make out. Its network
gives at each 30 ms a score of each of some two thousand states; a sound that follows another (a biphone)
begins with one of these and goes on with another. Which, is written nowhere but in the graph of its words:
graph/HCLr.fst, an OpenFst file of constant layout, whose arcs are labelled with transitions. Every arc that
enters a sound leaves a state all of whose ways end in one and the same sound, so the pairs can be read off.

A phrase is laid over all the sound: silence before, between its words where there is some, and after. From
its score that of the likeliest sounds of any kind is taken, each after each that it may follow: 0 is the
best there can be. Of 116 short sentences by people (for choosing, `tests/bench/voice`), each among all the
commands, it finds 116 in quiet and at 10 dB and 114 at 5 dB; the sounds' shares of `voice/acoustics.py` alone
find 115, 116 and 113.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from companion.voice.acoustics import SILENT, WAYS, Floats, mapped, tuples

Numbers = NDArray[np.intp]
Counts = NDArray[np.int32]

SILENCE = 1
"""The model's phone of silence."""
BEGIN, END, AMID, ALONE = range(WAYS)
"""Where in a word a sound is, in the order of the model's phones."""
NEVER = -1e9
"""The score of a path that cannot be."""
_MAGIC = struct.pack("<i", 0x7EB2FDD6)
_STATE = np.dtype([("final", "<f4"), ("arcs", "<u4"), ("count", "<u4"), ("in_", "<u4"), ("out", "<u4")])
_ARC = np.dtype([("in_", "<i4"), ("out", "<i4"), ("weight", "<f4"), ("to", "<i4")])


class Biphones:
    """The states of each phone after each other, and how phrases fit them."""

    def __init__(self, before: Numbers, phones: Numbers, first: Numbers, rest: Numbers) -> None:
        """Take the pairs that occur, sorted by the second, and the states these begin and go on with."""
        self._before, self._first, self._rest = before, first, rest
        self._begins = np.flatnonzero(np.r_[True, phones[1:] != phones[:-1]])
        self._phones = phones[self._begins]
        self._pair = {pair: n for n, pair in enumerate(zip(before.tolist(), phones.tolist(), strict=True))}
        self._any = {int(phone): int(n) for phone, n in zip(self._phones, self._begins, strict=True)}

    def states(self, before: int, phone: int) -> tuple[int, int]:
        """Return what a phone begins and goes on with.

        After one that it never follows it is as after silence, else as after any; where it never occurs, as
        the same sound elsewhere in a word.
        """
        known = (self._pair.get(pair) for pair in ((before, phone), (SILENCE, phone)))
        alike = (self._any.get(phone), *map(self._any.get, _alike(phone)))
        n = next(n for n in (*known, *alike) if n is not None)
        return int(self._first[n]), int(self._rest[n])

    def freely(self, scores: Floats) -> float:
        """Return the score of the likeliest sounds of any kind, of each state's scores (steps, states)."""
        paths = np.full(len(self._before), NEVER, np.float32)
        ends = np.full(max(self._phones.max(), self._before.max()) + 1, NEVER, np.float32)
        ends[SILENCE] = 0.0
        for step in scores:
            paths = np.maximum(paths + step[self._rest], ends[self._before] + step[self._first])
            ends[SILENCE] = NEVER
            ends[self._phones] = np.maximum.reduceat(paths, self._begins)
        return float(ends.max())

    def fits(self, scores: Floats, phrases: Sequence[Sequence[Sequence[int]]]) -> list[float]:
        """Return the score of each phrase laid over all the sound.

        Args:
            scores: of each state, (steps, states).
            phrases: of each its words, and of these their phones (`word`).
        """
        ways = _Ways(self)
        ends = [ways.ends(phrase) for phrase in phrases]
        at = ways.laid(scores)
        return [float(max(at[end] for end in some)) for some in ends]


class _Ways:
    """The ways phrases may be spoken as a tree: a node is a phone and where it may be come to from.

    Node 0 is the silence before.
    """

    def __init__(self, biphones: Biphones) -> None:
        self._of = biphones
        self._phones, self._from = [SILENCE], [(0, 0)]
        self._states = [biphones.states(SILENCE, SILENCE)]
        self._places: dict[tuple[tuple[int, ...], int], int] = {}

    def ends(self, words: Iterable[Sequence[int]]) -> tuple[int, ...]:
        """Return the nodes where a phrase may end, made where they were not there."""
        nodes: tuple[int, ...] = (0,)
        for word in words:
            for phone in word:
                nodes = self._after(nodes, phone)
            nodes = (*nodes, self._node(nodes, SILENCE))
        return nodes

    def _after(self, nodes: tuple[int, ...], phone: int) -> tuple[int, ...]:
        """Return the nodes of a phone after some: one for each phone that may stand before it."""
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

    def laid(self, scores: Floats) -> Floats:
        """Return the score of the likeliest path that ends at each node."""
        one, other = np.array(self._from, np.intp).T
        first, rest = np.array(self._states, np.intp).T
        paths = np.full(len(first), NEVER, np.float32)
        paths[0] = 0.0
        for n, step in enumerate(scores):
            silence = paths[0] + step[(rest if n else first)[0]]
            came = np.maximum(paths[one], paths[other]) + step[first]
            paths = np.maximum(paths + step[rest], came)
            paths[0] = silence
        return paths


def word(sounds: Sequence[int]) -> list[int]:
    """Return the phones of a word, by the numbers of its sounds in the order of the alphabet."""
    if len(sounds) == 1:
        return [_phone(sounds[0], ALONE)]
    first, *amid, last = sounds
    return [_phone(first, BEGIN), *(_phone(sound, AMID) for sound in amid), _phone(last, END)]


def _phone(sound: int, way: int) -> int:
    return 1 + SILENT + WAYS * sound + way


def _alike(phone: int) -> range:
    """Return the phones of the same sound, wherever in a word."""
    first = phone - (phone - 1 - SILENT) % WAYS
    return range(first, first + WAYS)


@lru_cache(maxsize=1)
def biphones(model: Path) -> Biphones | None:
    """Return the biphones of a speech model; None for a model whose graph is laid out otherwise.

    Raises:
        OSError: a file of the model cannot be read.
    """
    graph = model / "graph" / "HCLr.fst"
    if not graph.is_file():
        return None
    try:
        return _biphones(tuples(mapped(model / "am" / "final.mdl")), *_graph(mapped(graph)))
    except (ValueError, IndexError, struct.error):
        return None


def _graph(data: memoryview) -> tuple[int, Counts, NDArray[np.void]]:
    """Return where a graph begins, of each arc the state that it leaves, and the arcs.

    The file has two heads, of what looks ahead along its words and, within, of the constant layout: a magic
    number, two names, version and flags (32 bits each), properties, start, count of states and of arcs (64).
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


def _biphones(listed: Numbers, start: int, leaves: Counts, arcs: NDArray[np.void]) -> Biphones:
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
    pairs = np.unique(len(listed) * last[leaves[enters]] + states[enters]).astype(np.intp)
    before, state = np.divmod(pairs[pairs >= len(listed)], len(listed))
    order = np.lexsort((before, listed[state, 0]))
    state, before = state[order], before[order]
    phones = listed[state, 0]
    if ((np.diff(before) == 0) & (np.diff(phones) == 0)).any():
        raise ValueError("a sound after another has more than one beginning")
    return Biphones(before, phones, listed[state, 2], listed[state, 3])
