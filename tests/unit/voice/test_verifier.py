"""How phrases are laid over sounds, against every path written out; and when a fit may overrule the words."""

from itertools import pairwise, product

import numpy as np
import pytest

from companion.voice import verifier
from companion.voice.grammar import Aboard, Grammar
from companion.voice.sound import RATE
from companion.voice.verifier import (
    CLEARLY,
    NOTHING,
    SOUNDS,
    STEP,
    SURE,
    SURE_A_SOUND,
    Fit,
    Verifier,
    lexicon,
)

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
NAMES = {"one": ("b", "ao", "t"), "two": ("b", "ao"), "three": ("t", "t"), "four": ("ao",)}


@pytest.fixture
def words_of_few_sounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verifier, "lexicon", lambda: NAMES)


def likeliest(logs: np.ndarray, wanted: tuple[int, ...]) -> float:
    """The likeliest of all paths that give these sounds once repeats and then blanks are dropped
    (Graves and others, ICML 2006, section 3.1: the map B)."""
    used = [0, *sorted(set(wanted))]
    best = -np.inf
    for path in product(used, repeat=len(logs)):
        merged = [path[0], *(b for a, b in pairwise(path) if b != a)]
        if tuple(s for s in merged if s) == wanted:
            best = max(best, sum(logs[t, s] for t, s in enumerate(path)))
    return best


@pytest.mark.usefixtures("words_of_few_sounds")
def test_a_laid_phrase_is_the_likeliest_of_all_its_paths(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.log(np.random.default_rng(3).dirichlet(np.ones(len(SOUNDS) + 1), 6)).astype(np.float32)
    monkeypatch.setattr(verifier, "likelihoods", lambda _: logs)
    fits = Verifier(NAMES, str).lay(np.zeros(RATE, np.int16)).fits
    free = logs.max(axis=1).sum()
    assert len(fits) == len(NAMES)
    for fit in fits:
        wanted = tuple(SOUNDS.index(sound) + 1 for sound in NAMES[fit.phrase])
        assert fit.ratio == pytest.approx(likeliest(logs, wanted) - free, abs=1e-4)
    assert [fit.ratio for fit in fits] == sorted((fit.ratio for fit in fits), reverse=True)


@pytest.mark.usefixtures("words_of_few_sounds")
def test_words_that_are_no_phrase_are_laid_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.log(np.random.default_rng(4).dirichlet(np.ones(len(SOUNDS) + 1), 6)).astype(np.float32)
    monkeypatch.setattr(verifier, "likelihoods", lambda _: logs)
    laid = Verifier(["one"], str).lay(np.zeros(RATE, np.int16))
    found = Verifier.fitting(laid, ["one", "two three", "four five"])
    assert found.keys() == {"one", "two three"}, "five has no sounds here"
    assert found["one"] == pytest.approx(laid.fits[0].ratio, abs=1e-5)
    wanted = tuple(SOUNDS.index(sound) + 1 for name in ("two", "three") for sound in NAMES[name])
    assert found["two three"] == pytest.approx(likeliest(logs, wanted) - logs.max(axis=1).sum(), abs=1e-4)
    assert Verifier.fitting(NOTHING, ["one"]) == {}


@pytest.mark.usefixtures("words_of_few_sounds")
def test_one_sound_twice_takes_a_gap_between(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.full((3, len(SOUNDS) + 1), -9.0, np.float32)
    t = SOUNDS.index("t") + 1
    logs[[0, 1, 2], [t, t, t]] = -0.1
    monkeypatch.setattr(verifier, "likelihoods", lambda _: logs)
    (fit,) = Verifier(["three"], str).lay(np.zeros(RATE, np.int16)).fits
    assert fit.ratio == pytest.approx(-8.9, abs=1e-4)  # the blank in the middle costs its place


@pytest.mark.usefixtures("words_of_few_sounds")
def test_it_tells_since_when_nothing_is_spoken(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.full((10, len(SOUNDS) + 1), -9.0, np.float32)
    logs[:, 0] = -0.1
    monkeypatch.setattr(verifier, "likelihoods", lambda _: logs)
    assert Verifier(NAMES, str).lay(np.zeros(RATE, np.int16)).quiet == pytest.approx(10 * STEP)
    logs[6, 3] = 0.0
    assert Verifier(NAMES, str).lay(np.zeros(RATE, np.int16)).quiet == pytest.approx(3 * STEP)


def test_the_last_second_tells_since_when_nothing_is_spoken(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[int] = []

    def likelihoods(samples: np.ndarray) -> np.ndarray:
        given.append(len(samples))
        logs = np.full((50, len(SOUNDS) + 1), -9.0, np.float32)
        logs[:, 0], logs[42, 3] = -0.1, 0.0
        return logs

    monkeypatch.setattr(verifier, "likelihoods", likelihoods)
    assert verifier.quiet(np.zeros(3 * RATE, np.int16)) == pytest.approx(7 * STEP)
    assert given == [RATE]
    assert verifier.quiet(np.zeros(100, np.int16)) == 0.0


@pytest.mark.usefixtures("words_of_few_sounds")
def test_it_knows_which_phrases_a_longer_one_begins_like() -> None:
    told = Verifier([*NAMES, "five"], str)
    assert told.beginnings == {"two"}
    assert told.count("one") == 3


@pytest.mark.usefixtures("words_of_few_sounds")
def test_the_ratio_of_any_phrase_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.log(np.random.default_rng(3).dirichlet(np.ones(len(SOUNDS) + 1), 6)).astype(np.float32)
    monkeypatch.setattr(verifier, "likelihoods", lambda _: logs)
    told = Verifier([*NAMES, "five"], str)
    laid = told.lay(np.zeros(RATE, np.int16), count=1)
    full = told.lay(np.zeros(RATE, np.int16))
    assert len(laid.fits) == 1
    assert {fit.phrase: told.ratio(laid, fit.phrase) for fit in full.fits} == {
        fit.phrase: pytest.approx(fit.ratio) for fit in full.fits
    }
    assert told.ratio(laid, "five") is None
    assert told.ratio(verifier.NOTHING, "one") is None


@pytest.mark.usefixtures("words_of_few_sounds")
def test_a_phrase_with_a_word_of_unknown_sounds_is_left_out() -> None:
    assert Verifier(["five"], str).lay(np.zeros(RATE, np.int16)).fits == []


def test_too_little_sound_fits_nothing() -> None:
    assert Verifier(["log bite"], str).lay(np.zeros(300, np.int16)).fits == []


def test_every_word_that_can_be_said_has_its_sounds() -> None:
    many = Grammar(Aboard(tuple(range(1, 21)), tuple(range(2, 100)), wake="copper kettle"))
    assert {w for phrase in many.phrases for w in phrase.split()} <= set(lexicon())
    assert {sound for sounds in lexicon().values() for sound in sounds} <= set(SOUNDS)


def test_the_likelihoods_of_a_step_add_up_to_one_and_level_does_not_count() -> None:
    sound = np.random.default_rng(1).normal(0, 900, RATE).astype(np.int16)
    logs = verifier.likelihoods(sound)
    assert logs.shape == (49, len(SOUNDS) + 1)
    assert np.exp(logs).sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    assert verifier.likelihoods((sound * 2).astype(np.int16)) == pytest.approx(logs, abs=0.05)


def fitting(*fits: Fit) -> str | None:
    return Verifier([], GRAMMAR.parse).clear(NOTHING._replace(fits=list(fits), quiet=0.5))


WELL = -SURE - 8 * SURE_A_SOUND + 0.1
"""Just likely enough for a phrase of eight sounds."""


def test_a_phrase_that_fits_well_and_clearly_best_is_taken() -> None:
    assert fitting(Fit("log bite", WELL, 8), Fit("rod two", WELL - CLEARLY - 1, 5)) == "log bite"
    assert fitting(Fit("log bite", WELL, 8)) == "log bite"


def test_one_that_fits_badly_or_not_clearly_best_is_not() -> None:
    assert fitting(Fit("log bite", WELL - 0.2, 8)) is None
    assert fitting(Fit("log bite", WELL, 7)) is None
    assert fitting(Fit("rod two", WELL, 8), Fit("rod three", WELL - CLEARLY / 2, 8)) is None
    assert fitting() is None


def test_another_wording_of_the_same_is_no_rival() -> None:
    near = Fit("rod number two", WELL - CLEARLY / 2, 8)
    assert fitting(Fit("rod two", WELL, 8), near, Fit("line twelve", -30.0, 8)) == "rod two"
