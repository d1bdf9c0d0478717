"""How phrases are laid over the sounds of two networks, against every path written out."""

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise, product
from typing import cast

import numpy as np
import pytest

from companion.voice import phrase_scorer
from companion.voice.acoustics import Acoustics, Outputs
from companion.voice.biphones import Biphones
from companion.voice.grammar import Aboard, Grammar
from companion.voice.phrase_scorer import (
    ARPABET_PHONES,
    MOST_WAYS_TO_SAY,
    NO_SCORES,
    NOISE_NET_STEP_S,
    NOISE_NET_WEIGHT,
    PhraseScorer,
    lexicon,
)
from companion.voice.sound import SAMPLE_RATE_HZ

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
NAMES = {
    "one": ("b", "ao", "t"),
    "two": ("b", "ao"),
    "three": ("t", "t"),
    "four": ("ao",),
}


class _Model:
    """A speech model's network that tells what it is given to tell."""

    def __init__(self, logs: np.ndarray | None = None) -> None:
        self.logs = (
            np.zeros((4, len(ARPABET_PHONES) + 1), np.float32) if logs is None else logs
        )
        self.given: list[np.ndarray] = []

    def forward(self, samples: np.ndarray) -> Outputs:
        self.given.append(samples)
        return Outputs(self.logs, np.zeros((len(self.logs), 1), np.float32))


class _Pairs:
    """Biphones that tell a phrase to fit the better the fewer words it has, and 5 for anything."""

    def fits(
        self, _: np.ndarray, phrases: Sequence[Sequence[Sequence[int]]]
    ) -> list[float]:
        return [-float(len(phrase)) for phrase in phrases]

    def free_loop(self, _: np.ndarray) -> float:
        return 5.0


def verifies(phrases: Iterable[str], model: _Model | None = None) -> PhraseScorer:
    return PhraseScorer(
        phrases, str, cast("Acoustics", model or _Model()), cast("Biphones", _Pairs())
    )


def drawn(seed: int) -> np.ndarray:
    """Return log-likelihoods of six steps that are drawn."""
    shares = np.random.default_rng(seed).dirichlet(np.ones(len(ARPABET_PHONES) + 1), 6)
    return np.asarray(np.log(shares), np.float32)


SOUND = np.zeros(SAMPLE_RATE_HZ, np.int16)


@pytest.fixture
def words_of_few_sounds(monkeypatch: pytest.MonkeyPatch) -> None:
    known = {name: (sounds,) for name, sounds in NAMES.items()}
    monkeypatch.setattr(phrase_scorer, "lexicon", lambda: known)


def likeliest(logs: np.ndarray, wanted: tuple[int, ...]) -> float:
    """The likeliest of all paths that give these sounds once repeats and then blanks
    are dropped (Graves and others, ICML 2006, section 3.1: the map B)."""
    used = [0, *sorted(set(wanted))]
    best = -np.inf
    for path in product(used, repeat=len(logs)):
        merged = [path[0], *(b for a, b in pairwise(path) if b != a)]
        if tuple(s for s in merged if s) == wanted:
            best = max(best, sum(logs[t, s] for t, s in enumerate(path)))
    return best


@pytest.mark.usefixtures("words_of_few_sounds")
def test_a_laid_phrase_is_the_likeliest_of_all_its_paths(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    noise_net_llr, model = drawn(3), drawn(4)
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: noise_net_llr)
    fits = verifies(NAMES, _Model(model)).score_phrases(SOUND, SOUND).fits
    assert len(fits) == len(NAMES)
    for fit in fits:
        wanted = tuple(ARPABET_PHONES.index(sound) + 1 for sound in NAMES[fit.phrase])
        assert fit.noise_net_llr == pytest.approx(
            likeliest(noise_net_llr, wanted) - noise_net_llr.max(axis=1).sum(), abs=1e-4
        )
        assert fit.acoustic_llr == pytest.approx(
            likeliest(model, wanted) - model.max(axis=1).sum(), abs=1e-4
        )
        assert fit.llr == pytest.approx(
            fit.acoustic_llr + NOISE_NET_WEIGHT * fit.noise_net_llr
        )
    assert [fit.llr for fit in fits] == sorted((fit.llr for fit in fits), reverse=True)


def test_our_network_hears_the_sound_as_it_is_and_the_models_what_is_left_of_the_noise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given: list[np.ndarray] = []
    monkeypatch.setattr(
        phrase_scorer, "likelihoods", lambda sound: given.append(sound) or drawn(5)
    )
    model, clean = _Model(), np.ones(SAMPLE_RATE_HZ, np.int16)
    verifies(["log bite"], model).score_phrases(SOUND, clean)
    assert given[0] is SOUND
    assert model.given[0] is clean


@pytest.mark.usefixtures("words_of_few_sounds")
def test_words_that_are_no_phrase_are_laid_alike(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    noise_net_llr, model = drawn(3), drawn(4)
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: noise_net_llr)
    laid = verifies(["one"], _Model(model)).score_phrases(SOUND, SOUND)
    one, other = PhraseScorer.others(laid, ["one", "two three", "", "four five"])
    assert one == laid.fits[0]._replace(biphone_llr=0.0), "five has no sounds here"
    assert (other.phrase, other.sounds) == ("two three", 4)
    wanted = tuple(
        ARPABET_PHONES.index(sound) + 1
        for name in ("two", "three")
        for sound in NAMES[name]
    )
    assert other.noise_net_llr == pytest.approx(
        likeliest(noise_net_llr, wanted) - noise_net_llr.max(axis=1).sum(), abs=1e-4
    )
    assert other.acoustic_llr == pytest.approx(
        likeliest(model, wanted) - model.max(axis=1).sum(), abs=1e-4
    )
    assert PhraseScorer.others(NO_SCORES, ["one"]) == []


@pytest.mark.usefixtures("words_of_few_sounds")
def test_one_sound_twice_takes_a_gap_between(monkeypatch: pytest.MonkeyPatch) -> None:
    logs = np.full((3, len(ARPABET_PHONES) + 1), -9.0, np.float32)
    t = ARPABET_PHONES.index("t") + 1
    logs[[0, 1, 2], [t, t, t]] = -0.1
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: logs)
    (fit,) = verifies(["three"]).score_phrases(SOUND, SOUND).fits
    assert fit.noise_net_llr == pytest.approx(
        -8.9, abs=1e-4
    )  # the blank in the middle costs its place


@pytest.mark.usefixtures("words_of_few_sounds")
def test_it_tells_how_long_nothing_is_spoken_at_first_and_at_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    logs = np.full((10, len(ARPABET_PHONES) + 1), -9.0, np.float32)
    logs[:, 0] = -0.1
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: logs)
    assert verifies(NAMES).score_phrases(SOUND, SOUND).quiet == pytest.approx(
        10 * NOISE_NET_STEP_S
    )
    logs[6, 3] = 0.0
    laid = verifies(NAMES).score_phrases(SOUND, SOUND)
    assert (laid.began, laid.quiet) == (
        pytest.approx(6 * NOISE_NET_STEP_S),
        pytest.approx(3 * NOISE_NET_STEP_S),
    )


def test_the_last_second_tells_since_when_nothing_is_spoken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given: list[int] = []

    def likelihoods(samples: np.ndarray) -> np.ndarray:
        given.append(len(samples))
        logs = np.full((50, len(ARPABET_PHONES) + 1), -9.0, np.float32)
        logs[:, 0], logs[42, 3] = -0.1, 0.0
        return logs

    monkeypatch.setattr(phrase_scorer, "likelihoods", likelihoods)
    assert phrase_scorer.quiet(np.zeros(3 * SAMPLE_RATE_HZ, np.int16)) == pytest.approx(
        7 * NOISE_NET_STEP_S
    )
    assert given == [SAMPLE_RATE_HZ]
    assert phrase_scorer.quiet(np.zeros(100, np.int16)) == 0.0


@pytest.mark.usefixtures("words_of_few_sounds")
def test_it_knows_which_phrases_a_longer_one_begins_like() -> None:
    told = verifies([*NAMES, "five"])
    assert told.beginnings == {"two"}
    assert told.count("one") == 3


@pytest.mark.usefixtures("words_of_few_sounds")
def test_how_any_phrase_fits_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: drawn(3))
    told = verifies([*NAMES, "five"], _Model(drawn(4)))
    laid, full = (
        told.score_phrases(SOUND, SOUND, count=1),
        told.score_phrases(SOUND, SOUND),
    )
    assert len(laid.fits) == 1
    assert [told.fit(laid, fit.phrase) for fit in full.fits] == full.fits
    assert told.fit(laid, "five") is None
    assert told.fit(NO_SCORES, "one") is None


@pytest.mark.usefixtures("words_of_few_sounds")
def test_how_it_fits_each_sound_after_the_other_is_beside_the_likeliest() -> None:
    told = verifies(["one", "two three"])
    assert {
        fit.phrase: fit.biphone_llr for fit in told.score_phrases(SOUND, SOUND).fits
    } == {
        "one": -6.0,
        "two three": -7.0,
    }


@pytest.mark.usefixtures("words_of_few_sounds")
def test_a_phrase_with_a_word_of_unknown_sounds_is_left_out() -> None:
    assert verifies(["five"]).score_phrases(SOUND, SOUND).fits == []


def test_too_little_sound_fits_nothing() -> None:
    assert verifies(["log bite"]).score_phrases(SOUND[:300], SOUND[:300]) == NO_SCORES


def test_every_word_that_can_be_said_has_its_sounds() -> None:
    many = Grammar(
        Aboard(tuple(range(1, 21)), tuple(range(2, 100)), wake="kitchen ticket")
    )
    assert {w for phrase in many.phrases for w in phrase.split()} <= set(lexicon())
    ways = [way for word in lexicon().values() for way in word]
    assert {sound for way in ways for sound in way} <= set(ARPABET_PHONES)


def test_a_word_has_its_usual_pronunciation_first_and_none_twice() -> None:
    assert lexicon()["lure"][0] == ("l", "uh", "r")
    assert ("l", "er") in lexicon()["lure"]
    assert all(len(set(ways)) == len(ways) for ways in lexicon().values())
    most = max(
        math.prod(len(lexicon()[word]) for word in phrase.split())
        for phrase in GRAMMAR.phrases
    )
    assert most == MOST_WAYS_TO_SAY


def test_a_phrase_is_scored_by_the_pronunciation_that_fits_best_and_given_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    names = {"one": (("b", "ao", "t"), ("ao", "t"), ("t",)), "two": (("b", "ao"),)}
    monkeypatch.setattr(phrase_scorer, "lexicon", lambda: names)
    noise_net_llr, model = drawn(3), drawn(4)
    monkeypatch.setattr(phrase_scorer, "likelihoods", lambda _: noise_net_llr)
    scorer = verifies(["one", "two"], _Model(model))
    fits = scorer.score_phrases(SOUND, SOUND).fits
    assert sorted(fit.phrase for fit in fits) == ["one", "two"]
    one = next(fit for fit in fits if fit.phrase == "one")
    ways = {
        way: (likeliest(model, way), likeliest(noise_net_llr, way))
        for way in (
            tuple(ARPABET_PHONES.index(sound) + 1 for sound in sounds)
            for sounds in names["one"]
        )
    }
    best = max(ways, key=lambda way: ways[way][0] + NOISE_NET_WEIGHT * ways[way][1])
    assert one.sounds == len(best)
    assert one.acoustic_llr == pytest.approx(
        ways[best][0] - model.max(axis=1).sum(), abs=1e-4
    )
    assert one.noise_net_llr == pytest.approx(
        ways[best][1] - noise_net_llr.max(axis=1).sum(), abs=1e-4
    )


def test_the_likelihoods_of_a_step_add_up_to_one_and_level_does_not_count() -> None:
    sound = np.random.default_rng(1).normal(0, 900, SAMPLE_RATE_HZ).astype(np.int16)
    logs = phrase_scorer.likelihoods(sound)
    assert logs.shape == (49, len(ARPABET_PHONES) + 1)
    assert np.exp(logs).sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    assert phrase_scorer.likelihoods((sound * 2).astype(np.int16)) == pytest.approx(
        logs, abs=0.05
    )


def test_what_was_spoken_last_begins_after_the_last_long_pause():
    logs = np.full((100, 40), -9.0, np.float32)
    logs[:, 0] = 0.0
    # A pause of 0.6 s, and one of 0.2 s within a phrase.
    for begin, end in (
        (5, 20),
        (50, 60),
        (70, 80),
    ):
        logs[begin:end, 3] = 1.0
    assert phrase_scorer._spoke(logs) == (1.0, 1.6)
    assert phrase_scorer._spoke(logs[:4]) is None
