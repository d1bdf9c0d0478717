"""The words a speech model knows, and which of them are the commonest.

The model's own language model says how likely each word is (an n-gram automaton in
OpenFst's "ngram" format: openfst.org, extension ngram; layout read from the file and
checked by the words that come out).
"""

from __future__ import annotations

import struct
from itertools import islice
from pathlib import Path

import numpy as np

GRAPH_FILE = Path("graph") / "Gr.fst"
_MAGIC, _SYMBOLS_MAGIC = 2125659606, 2125658996
_VECTOR_VERSION, _HAS_OUTPUT_WORDS = 2, 2
_EXPANDED_AND_MUTABLE = 3
_VECTOR_NAMES = (b"vector", b"standard")


class VocabularyError(ValueError):
    """The file is no n-gram automaton of the kind that is known."""


class _Bytes:
    """A cursor over little-endian bytes."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def unpack(self, form: str) -> tuple[int, ...]:
        values = struct.unpack_from(f"<{form}", self.data, self.at)
        self.at += struct.calcsize(f"<{form}")
        return values

    def text(self) -> bytes:
        (length,) = self.unpack("i")
        self.at += length
        return self.data[self.at - length : self.at]


def common_words(model: Path, count: int) -> list[str]:
    """Return the likeliest words of a vosk model, in order of the alphabet; none without its n-gram file.

    Raises:
        VocabularyError: the file is of another kind.
    """
    path = model / GRAPH_FILE
    if not path.is_file():
        return []
    try:
        words, costs = _unigrams(_Bytes(path.read_bytes()))
    except (struct.error, UnicodeDecodeError, ValueError, KeyError) as error:
        raise VocabularyError(
            f"{path}: cannot be read as an n-gram automaton ({error})"
        ) from error
    likely = (words[i] for i in np.argsort(costs, kind="stable"))
    return sorted(
        islice((word for word in likely if word.replace("'", "").isalpha()), count)
    )


def without_sequences(automaton: bytes) -> bytes:
    """Return an n-gram automaton with its table of words alone: it has one state and no word follows.

    The layout is that of OpenFst's "vector" format, version 2. A decoder that is given
    a grammar takes nothing but the table from it.

    Raises:
        VocabularyError: the automaton is of another kind.
    """
    file = _Bytes(automaton)
    try:
        _read_head(file)
        begins = file.at
        _symbols(file)
    except (struct.error, UnicodeDecodeError, ValueError) as error:
        raise VocabularyError(f"no n-gram automaton ({error})") from error
    words = automaton[begins : file.at]
    names = b"".join(struct.pack("<i", len(name)) + name for name in _VECTOR_NAMES)
    start, states, arcs = 0, 1, 0
    head = struct.pack("<i", _MAGIC) + names
    head += struct.pack("<ii", _VECTOR_VERSION, _HAS_OUTPUT_WORDS)
    head += struct.pack("<Qqqq", _EXPANDED_AND_MUTABLE, start, states, arcs)
    return head + words + struct.pack("<fq", 0.0, arcs)


def _read_head(file: _Bytes) -> None:
    if (
        file.unpack("i") != (_MAGIC,)
        or file.text() != b"ngram"
        or file.text() != b"standard"
    ):
        raise VocabularyError("not an ngram FST of standard arcs")
    file.unpack("iiQqqQ")  # version, flags, properties, start, states, arcs


def _unigrams(
    file: _Bytes,
) -> tuple[list[str], np.ndarray[tuple[int], np.dtype[np.float32]]]:
    """Return the words of the automaton's empty context, and the cost of each (natural log)."""
    _read_head(file)
    symbols = _symbols(file)
    _symbols(file)
    states, futures, finals = file.unpack("QQQ")
    file.at += sum(
        (bits + 63) // 64 * 8 for bits in (2 * states + 1, futures + states + 1, states)
    )
    file.at += 4 * (states + 1)  # the word each context begins with
    labels = np.frombuffer(file.data, "<i4", futures, file.at)
    file.at += (
        4 * futures + 4 * (states + 1) + 4 * finals
    )  # then back-off and final costs
    costs = np.frombuffer(file.data, "<f4", futures, file.at)
    ones = (
        int(np.argmax(np.diff(labels) <= 0)) + 1
    )  # each context's words ascend; the first has them all
    return [symbols[int(label)] for label in labels[:ones]], costs[:ones]


def _symbols(file: _Bytes) -> dict[int, str]:
    if file.unpack("i") != (_SYMBOLS_MAGIC,):
        raise VocabularyError("no table of words")
    file.text()
    _, size = file.unpack("qq")
    table = {}
    for _ in range(size):
        word = file.text().decode()
        (label,) = file.unpack("q")
        table[label] = word
    return table
