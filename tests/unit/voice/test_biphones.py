"""Sounds after each other: every path written out, the pairs of the model's graph, and what is no graph."""

from itertools import product
from pathlib import Path

import numpy as np
import pytest

from companion.voice import acoustics
from companion.voice.biphones import LOG_ZERO, SILENCE_PHONE, Biphones, biphones, word

A, B = 2, 3
PAIRS = {
    (1, 1): (0, 1),
    (1, A): (2, 3),
    (B, A): (4, 5),
    (A, B): (6, 7),
    (B, 1): (8, 9),
    (A, 1): (0, 9),
}
"""Phones one after another, and the states they begin and go on with."""


def few() -> Biphones:
    pairs = sorted(PAIRS, key=lambda pair: (pair[1], pair[0]))
    before, phones = np.array(pairs).T
    first, rest = np.array([PAIRS[pair] for pair in pairs]).T
    return Biphones(before, phones, first, rest)


def drawn(seed: int, steps: int = 5) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 3.0, (steps, 10)).astype(np.float32)


def score(path: tuple[int, ...], enters: tuple[bool, ...], scores: np.ndarray) -> float:
    """Return the score of phones, one a step; where it does not enter one, the one before goes on."""
    total, before = 0.0, SILENCE_PHONE
    for n, (phone, fresh) in enumerate(zip(path, enters, strict=True)):
        if fresh:
            before = path[n - 1] if n else SILENCE_PHONE
        elif path[n - 1] != phone:
            return LOG_ZERO
        if (before, phone) not in PAIRS:
            return LOG_ZERO
        total += float(scores[n, PAIRS[before, phone][0 if fresh else 1]])
    return total


def every(scores: np.ndarray) -> dict[tuple[int, ...], float]:
    """Return the best score of every order of phones."""
    best: dict[tuple[int, ...], float] = {}
    for path in product((SILENCE_PHONE, A, B), repeat=len(scores)):
        for later in product((True, False), repeat=len(scores) - 1):
            enters = (True, *later)
            order = tuple(
                phone for phone, fresh in zip(path, enters, strict=True) if fresh
            )
            best[order] = max(best.get(order, LOG_ZERO), score(path, enters, scores))
    return best


def amid_silence(order: tuple[int, ...], best: dict[tuple[int, ...], float]) -> float:
    """Return the best score of an order, with silence before and after or not."""
    silences = ((), (SILENCE_PHONE,))
    return max(
        best[(*before, *order, *after)] for before in silences for after in silences
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_phrase_has_the_score_of_its_likeliest_path(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    scores = drawn(seed)
    together, apart = few().fits(scores, [[[A, B]], [[A], [B]]])
    assert together == pytest.approx(amid_silence((A, B), every(scores)), abs=1e-4)
    monkeypatch.setitem(
        PAIRS, (SILENCE_PHONE, B), PAIRS[A, B]
    )  # what never follows silence is as after any
    best = every(scores)
    wanted = max(amid_silence((A, B), best), amid_silence((A, SILENCE_PHONE, B), best))
    assert apart == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_the_likeliest_of_any_kind_is_the_best_of_all(seed: int) -> None:
    scores = drawn(seed)
    free = few().free_loop(scores)
    assert free == pytest.approx(max(every(scores).values()), abs=1e-4)
    assert free >= max(few().fits(scores, [[[A, B]], [[A]]]))


def test_what_never_follows_is_taken_as_after_silence_else_as_after_any() -> None:
    assert few().states(A, A) == PAIRS[1, A]
    assert few().states(B, B) == PAIRS[A, B]
    assert few().states(B, A) == PAIRS[B, A]


def test_a_words_sounds_are_told_by_where_in_it_they_are() -> None:
    assert word([0]) == [14]
    assert word([0, 1]) == [11, 16]
    assert word([2, 0, 1]) == [19, 13, 16]


def test_the_models_pairs_are_read_off_its_graph(model: Path) -> None:
    read = biphones(model)
    assert read is not None
    states = {
        read.states(before, phone)
        for before in range(1, 167)
        for phone in range(11, 167)
    }
    listed = acoustics.transition_model(
        memoryview((model / "am" / "final.mdl").read_bytes())
    )
    assert states <= {tuple(row) for row in listed[:, 2:].tolist()}
    assert len(states) > 2000
    for phone in range(11, 167):
        first = phone - (phone - 11) % 4
        own = (listed[:, 0] >= first) & (listed[:, 0] < first + 4)
        told = {read.states(before, phone) for before in range(1, 167)}
        assert told <= {tuple(row) for row in listed[own, 2:].tolist()}, phone


@pytest.mark.parametrize("size", [0, 100, 5_000_000])
def test_a_graph_cut_short_is_none(model: Path, tmp_path: Path, size: int) -> None:
    (tmp_path / "am").symlink_to(model / "am")
    assert biphones(tmp_path) is None
    (tmp_path / "graph").mkdir()
    (tmp_path / "graph" / "HCLr.fst").write_bytes(
        (model / "graph" / "HCLr.fst").read_bytes()[:size]
    )
    biphones.cache_clear()
    assert biphones(tmp_path) is None


def test_a_graph_of_another_kind_is_none(model: Path, tmp_path: Path) -> None:
    (tmp_path / "am").symlink_to(model / "am")
    (tmp_path / "graph").mkdir()
    data = (model / "graph" / "HCLr.fst").read_bytes()
    (tmp_path / "graph" / "HCLr.fst").write_bytes(
        data[:1000].replace(b"const", b"other") + data[1000:]
    )
    assert biphones(tmp_path) is None
