"""A model's commonest words are read out of its n-gram automaton, here one of four words made by hand."""

import struct
from pathlib import Path

import numpy as np
import pytest

from companion.voice.vocabulary import (
    GRAPH_FILE,
    VocabularyError,
    common_words,
    without_sequences,
)

WORDS = {"<eps>": 0, "fish": 1, "the": 2, "[noise]": 3, "water": 4}
COSTS = {"fish": 5.0, "the": 1.0, "[noise]": 0.5, "water": 3.0}


def text(word: str) -> bytes:
    return struct.pack("<i", len(word)) + word.encode()


def symbols() -> bytes:
    table = b"".join(
        text(word) + struct.pack("<q", label) for word, label in WORDS.items()
    )
    return (
        struct.pack("<i", 2125658996)
        + text("words")
        + struct.pack("<qq", len(WORDS), len(WORDS))
        + table
    )


def automaton() -> bytes:
    """Two contexts: the empty one with four words, and one with a single word after it."""
    states, futures, finals = 2, 5, 1
    head = struct.pack("<i", 2125659606) + text("ngram") + text("standard")
    head += struct.pack("<iiQqqQ", 4, 3, 1, 0, states, 0) + 2 * symbols()
    head += struct.pack("<QQQ", states, futures, finals) + bytes(3 * 8)
    labels = np.array([1, 2, 3, 4, 2], "<i4").tobytes()
    costs = np.array([*COSTS.values(), 9.0], "<f4").tobytes()
    return (
        head
        + bytes(4 * (states + 1))
        + labels
        + bytes(4 * (states + 1) + 4 * finals)
        + costs
    )


@pytest.fixture
def model(tmp_path: Path) -> Path:
    (tmp_path / GRAPH_FILE).parent.mkdir()
    (tmp_path / GRAPH_FILE).write_bytes(automaton())
    return tmp_path


def test_the_likeliest_words_come_out(model: Path):
    assert common_words(model, 2) == ["the", "water"]
    assert common_words(model, 100) == ["fish", "the", "water"]


def test_another_file_is_refused_and_none_gives_none(model: Path):
    (model / GRAPH_FILE).write_bytes(b"an automaton of quite another kind")
    with pytest.raises(VocabularyError, match=r"Gr\.fst: cannot be read"):
        common_words(model, 2)
    (model / GRAPH_FILE).unlink()
    assert common_words(model, 2) == []


def test_without_its_sequences_the_words_are_left():
    kept = without_sequences(automaton())
    assert kept.count(symbols()) == 1
    head, tail = kept.split(symbols())
    assert head.endswith(struct.pack("<Qqqq", 3, 0, 1, 0))
    assert tail == struct.pack("<fq", 0.0, 0)
    with pytest.raises(VocabularyError, match="no n-gram automaton"):
        without_sequences(kept)
