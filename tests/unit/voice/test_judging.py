"""Words and sounds weighed together: who is taken, who is refused, and what is not even asked."""

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from companion.voice.acoustics import Acoustics
from companion.voice.biphones import LOG_ZERO, Biphones
from companion.voice.grammar import Aboard, Grammar
from companion.voice.judging import (
    ACCEPT_THRESHOLD,
    AMID_TALK_SHIFT,
    BIPHONE_LLR_FLOOR,
    CLEAR_MARGIN,
    DOUBT_MARGIN,
    EARLY_ACCEPT_THRESHOLD,
    FEWEST_PHONES,
    FIRST_PASS_ONLY_PENALTY,
    LEAD_BOUNDS,
    LEADING_SILENCE_S,
    LLR_FLOOR,
    LOWEST_SHIFT,
    MOST_PHONES,
    OTHER_NAMED_PENALTY,
    TALK_LEAD_BOUNDS,
    THRESHOLDS,
    UNNAMED_PENALTY,
    WEIGHTS,
    Candidate,
    Features,
    Words,
    accepted_early,
    accepted_phrase,
    best_candidate,
    doubt,
    lacks_leading_silence,
    may_be_accepted_early,
    may_go_on,
    sounds_agree,
    worth_second_pass,
)
from companion.voice.phrase_scorer import (
    NO_SCORES,
    NOISE_NET_STEP_S,
    NOISE_NET_WEIGHT,
    Fit,
    NoiseNetScores,
    PhraseScorer,
    PhraseScores,
    _phones,
    _spellings,
)

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
FAR = -60.0


class _Alike:
    """Biphones by which a phrase fits as it was told to; the scores hold nothing else."""

    def __init__(self) -> None:
        self.told: dict[str, float] = {}

    def fits(self, _: np.ndarray, phrases: list[list[list[int]]]) -> list[float]:
        return [self.told.get(str(phrase), 0.0) for phrase in phrases]


ALIKE = _Alike()
SCORER = PhraseScorer(
    GRAMMAR.phrases, GRAMMAR.parse, cast("Acoustics", None), cast("Biphones", ALIKE)
)


def fit(
    phrase: str,
    acoustic_llr: float,
    noise_net_llr: float = 0.0,
    biphone_llr: float = 0.0,
) -> Fit:
    return Fit(phrase, acoustic_llr, noise_net_llr, SCORER.count(phrase), biphone_llr)


def scores(**models: float) -> PhraseScores:
    """Return how phrases fit, named with _ for a space: so badly by the speech model, and well by our own."""
    fits = [
        fit(name.replace("_", " "), llr, biphone_llr=llr)
        for name, llr in models.items()
    ]
    acoustic_llr, noise_net_llr = (
        np.full(len(SCORER._tree._sounds), LOG_ZERO, np.float32) for _ in range(2)
    )
    for one in fits:
        (
            acoustic_llr[SCORER._nodes[one.phrase]],
            noise_net_llr[SCORER._nodes[one.phrase]],
        ) = (
            one.acoustic_llr,
            one.noise_net_llr,
        )
    return PhraseScores(
        sorted(fits, key=lambda one: -one.llr),
        0.5,
        1.0,
        acoustic_llr,
        noise_net_llr,
        None,
    )


def likeliest(
    words: list[tuple[str, float]], sounds: PhraseScores, first: str = ""
) -> Candidate:
    found = best_candidate([Words(*one) for one in words], first, sounds, SCORER)
    assert found is not None
    return found


def test_points_are_added_up() -> None:
    one = Candidate(Fit("log bite", -9.0, -18.0, 6, -27.0), 1, 9.0, 7.0)
    assert one.features == Features(-1.0, -2.0, -3.0, 1.0, 1, 6, 7.0)
    assert one.score == pytest.approx(float(np.dot(WEIGHTS, one.features)))


def test_nothing_counts_without_bounds() -> None:
    one = Candidate(Fit("much", -900.0, -900.0, 40, -900.0), 0, math.inf, -math.inf)
    assert one.features == Features(
        LLR_FLOOR,
        LLR_FLOOR,
        BIPHONE_LLR_FLOOR,
        LEAD_BOUNDS[1],
        0,
        MOST_PHONES,
        TALK_LEAD_BOUNDS[0],
    )
    assert one._replace(lead=-900.0).features.lead == LEAD_BOUNDS[0]


def test_what_has_enough_points_is_spoken() -> None:
    enough = Candidate(fit("log bite", 0.0), 2, 20.0)
    assert enough.score > ACCEPT_THRESHOLD
    assert accepted_phrase(enough) == "log bite"
    barely = 9.0 * (ACCEPT_THRESHOLD - enough.score) / WEIGHTS.noise_net_llr
    for more, taken in ((0.01, "log bite"), (-0.01, None)):
        assert (
            accepted_phrase(enough._replace(fit=fit("log bite", 0.0, barely + more)))
            == taken
        )
    assert accepted_phrase(None) is None


def test_a_voice_of_ones_own_is_taken_with_fewer_points() -> None:
    lower = THRESHOLDS.shifted(LOWEST_SHIFT)
    enough = Candidate(fit("log bite", 0.0), 2, 20.0)
    short_of = (
        9.0
        * (ACCEPT_THRESHOLD + LOWEST_SHIFT / 2 - enough.score)
        / WEIGHTS.noise_net_llr
    )
    one = enough._replace(fit=fit("log bite", 0.0, short_of))
    assert (accepted_phrase(one), accepted_phrase(one, lower)) == (None, "log bite")
    assert lower.early - lower.accept == pytest.approx(
        EARLY_ACCEPT_THRESHOLD - ACCEPT_THRESHOLD
    )


def test_amid_talk_a_phrase_needs_more_points() -> None:
    amid = THRESHOLDS.shifted(AMID_TALK_SHIFT)
    enough = Candidate(fit("log bite", 0.0), 2, 20.0)
    between = ACCEPT_THRESHOLD + AMID_TALK_SHIFT / 2 - enough.score
    one = enough._replace(
        fit=fit("log bite", 0.0, 9.0 * between / WEIGHTS.noise_net_llr)
    )
    assert (accepted_phrase(one), accepted_phrase(one, amid)) == ("log bite", None)
    assert accepted_phrase(enough, amid) == "log bite"


def test_few_sounds_have_to_be_heard_twice() -> None:
    short = Candidate(fit("no two", 0.0), 1, 60.0)
    assert short.score > ACCEPT_THRESHOLD
    assert short.fit.sounds < FEWEST_PHONES
    assert accepted_phrase(short) is None
    assert accepted_phrase(short._replace(passes=2)) == "no two"


def test_the_likeliest_is_that_by_words_and_sounds_together() -> None:
    both = scores(rod_two=-9.0, rod_four=-3.0)
    assert (
        likeliest([("rod two", 90.0), ("rod four", 82.0)], both).fit.phrase == "rod two"
    )
    assert (
        likeliest([("rod two", 90.0), ("rod four", 86.0)], both).fit.phrase
        == "rod four"
    )


@pytest.mark.parametrize(
    ("words", "first", "behind", "passes"),
    [
        ([("rod two", 90.0), ("rod you", 88.0)], "rod two", 0.0, 2),
        ([("rod number two", 90.0), ("rod two", 89.0)], "rod number two", 0.0, 2),
        ([("rod you", 90.0), ("rod two", 87.0)], "", -3.0, 0),
        ([("rod you", 90.0)], "rod two", -FIRST_PASS_ONLY_PENALTY, 1),
        ([("rod you", 90.0)], "rod you", -UNNAMED_PENALTY, 0),
        ([("log bite", 90.0)], "", -OTHER_NAMED_PENALTY, 0),
        ([("rod you", 90.0), ("rod two", 10.0)], "", -UNNAMED_PENALTY, 0),
        ([], "", -UNNAMED_PENALTY, 0),
    ],
    ids=[
        "both",
        "in other words",
        "second choice",
        "first only",
        "neither",
        "another",
        "hardly",
        "no words",
    ],
)
def test_how_far_behind_it_is_by_its_words(
    words: list[tuple[str, float]], first: str, behind: float, passes: int
) -> None:
    named = bool(words) and SCORER.means(words[0][0]) is not None
    as_good = -1.0 + behind + (OTHER_NAMED_PENALTY if named else UNNAMED_PENALTY)
    for better, meant in ((-0.1, "rod two"), (0.1, "lost it")):
        both = scores(rod_two=-1.0, rod_number_two=-1.0, lost_it=as_good + better)
        found = likeliest(words, both, first)
        assert SCORER.means(found.fit.phrase) == SCORER.means(meant)
        assert found.passes == (passes if meant == "rod two" else 0)


def test_how_far_it_is_ahead_is_told_by_sounds_alone_and_not_of_its_own_wordings() -> (
    None
):
    long, short = (
        _phones(next(_spellings(text))) for text in ("log a bite", "log bite")
    )
    ALIKE.told = {str(long): -1.0, str(short): -3.0}
    fits = scores(rod_two=-7.0, log_a_bite=-1.0, log_bite=-3.0)._replace(free_loop=1.0)
    fits = fits._replace(fits=[one._replace(biphone_llr=-7.0) for one in fits.fits])
    found = likeliest([("log bite", 90.0), ("log a bite", 89.9)], fits, "log bite")
    ALIKE.told = {}
    assert found.fit.phrase == "log a bite"
    assert (found.fit.biphone_llr, found.lead) == (-2.0, 5.0)
    assert likeliest([("log bite", 90.0)], scores(log_bite=-3.0)).lead == math.inf


def test_words_that_are_no_phrase_are_weighed_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[str] = []

    def others(_: PhraseScores, texts: list[str]) -> list[Fit]:
        asked.extend(texts)
        return [Fit("what for", -4.0, -4.0, 6)]

    monkeypatch.setattr(PhraseScorer, "others", staticmethod(others))
    found = likeliest(
        [("rod four", 90.0), ("what for", 89.0)], scores(rod_four=-3.0), "what for"
    )
    assert set(asked) == {"what for"}
    assert found.beside_talk == pytest.approx(
        -3.0 - (-1.0 - 4.0 - NOISE_NET_WEIGHT * 4.0)
    )
    monkeypatch.setattr(PhraseScorer, "others", lambda *_: [])
    assert (
        likeliest([("rod four", 90.0)], scores(rod_four=-3.0)).beside_talk == math.inf
    )


def test_nothing_named_is_nothing_weighed() -> None:
    assert best_candidate([], "", NO_SCORES, SCORER) is None
    assert (
        best_candidate([Words("there is more wind", 90.0)], "", NO_SCORES, SCORER)
        is None
    )


def points_at_once(sounds: PhraseScores) -> float:
    best, other = sounds.fits
    return Candidate(best, 1, best.biphone_llr - other.biphone_llr).score


def test_a_phrase_that_fits_well_is_taken_at_once() -> None:
    best = scores(rod_two=0.0, log_bite=FAR)
    spare = (
        (points_at_once(best) - EARLY_ACCEPT_THRESHOLD)
        * (SCORER.count("rod two") + 3)
        / (WEIGHTS.acoustic_llr + WEIGHTS.biphone_llr)
    )
    assert spare > 0.0
    for llr, taken in ((0.1 - spare, "rod two"), (-0.1 - spare, None)):
        assert accepted_early(scores(rod_two=llr, log_bite=llr + FAR), SCORER) == taken
    assert (
        accepted_early(scores(rod_two=0.0, log_bite=0.1 - CLEAR_MARGIN), SCORER) is None
    ), "another fits as well"
    assert accepted_early(scores(no_two=0.0), SCORER) is None, "too few sounds"
    assert accepted_early(NO_SCORES, SCORER) is None


def test_words_and_sounds_agree() -> None:
    assert sounds_agree("rod two", scores(rod_two=0.0, log_bite=FAR), SCORER)
    assert sounds_agree(
        "rod two", scores(rod_number_two=0.0, rod_two=-1.0, log_bite=FAR), SCORER
    )
    assert not sounds_agree("rod two", scores(log_bite=0.0, rod_two=FAR), SCORER)
    assert not sounds_agree("rod two", badly(scores(rod_two=FAR)), SCORER)
    assert not sounds_agree("rod two", NO_SCORES, SCORER)


def badly(sounds: PhraseScores) -> PhraseScores:
    """Return the same where all of it fits badly by our own network, and each sound after the other."""
    return sounds._replace(
        fits=[
            one._replace(noise_net_llr=-99.0, biphone_llr=-99.0) for one in sounds.fits
        ]
    )


def test_what_could_not_have_enough_points_is_not_heard_again() -> None:
    assert worth_second_pass("", scores(log_bite=-9.0), SCORER)
    assert not worth_second_pass("", badly(scores(log_bite=FAR)), SCORER)
    assert not worth_second_pass("", scores(no_two=0.0), SCORER), (
        "one hearing is not enough of so few sounds"
    )
    assert worth_second_pass("no two", scores(no_two=0.0), SCORER)
    assert not worth_second_pass("log bite", NO_SCORES, SCORER)


def test_what_was_made_out_may_be_heard_again_though_others_fit_better() -> None:
    many = badly(scores(log_bite=-20.0, rod_two=FAR))
    only = many._replace(fits=[one for one in many.fits if one.phrase == "rod two"])
    assert not worth_second_pass("", only, SCORER)
    assert worth_second_pass("log bite", only, SCORER)


@pytest.mark.parametrize(
    ("silent", "is_so"),
    [
        (0.0, True),
        (LEADING_SILENCE_S - NOISE_NET_STEP_S, True),
        (LEADING_SILENCE_S, False),
        (9.0, False),
    ],
)
def test_what_begins_at_once_was_cut_out_of_talk(silent: float, is_so: bool) -> None:
    assert lacks_leading_silence(NO_SCORES._replace(began=silent)) == is_so
    assert not lacks_leading_silence(NO_SCORES)


def test_more_may_follow_where_it_or_its_like_begins_another() -> None:
    assert may_go_on("mark a ledge", NO_SCORES, SCORER)
    assert not may_go_on("lost it", NO_SCORES, SCORER)
    assert not may_go_on(
        "mark this spot", scores(mark_this_spot=-1.0, mark_a_spot=-30.0), SCORER
    )
    assert may_go_on(
        "mark this spot", scores(mark_this_spot=-1.0, mark_a_spot=-9.0), SCORER
    )


def test_our_own_network_counts_by_half() -> None:
    assert fit("log bite", -4.0, -6.0).llr == -4.0 + NOISE_NET_WEIGHT * -6.0


def test_what_one_network_alone_rules_out_could_not_have_been_clear():
    """The bound is what all the rest could add at most: a phrase just above it is clear when it does."""
    best = WEIGHTS.lead * LEAD_BOUNDS[1] + WEIGHTS.passes + WEIGHTS.length * MOST_PHONES
    least = (EARLY_ACCEPT_THRESHOLD - best) / WEIGHTS.noise_net_llr * (MOST_PHONES + 3)

    def told(noise_net_llr: float) -> tuple[bool, float]:
        fit = Fit("log bite", 0.0, noise_net_llr, MOST_PHONES)
        score = Candidate(fit, 1, 99.0 * (MOST_PHONES + 3)).score
        own = NoiseNetScores(
            np.zeros((1, 1), np.float32), np.array([noise_net_llr], np.float32)
        )
        scores = SimpleNamespace(
            noise_net_fits=lambda scores: (np.array([MOST_PHONES]), scores.nodes)
        )
        return may_be_accepted_early(own, cast("PhraseScorer", scores)), score

    assert told(least + 0.01) == (True, pytest.approx(EARLY_ACCEPT_THRESHOLD, abs=0.01))
    possible, score = told(least - 0.01)
    assert not possible
    assert score < EARLY_ACCEPT_THRESHOLD


def test_another_value_of_the_same_command_that_fits_nearly_as_well_leaves_a_doubt() -> (
    None
):
    for behind, told in ((0.1 - DOUBT_MARGIN, "rod four"), (-0.1 - DOUBT_MARGIN, None)):
        fits = scores(rod_two=0.0, rod_number_two=0.0, rod_four=behind / 2.0)
        assert doubt("rod two", fits, SCORER) == told
    assert doubt("rod two", scores(rod_two=0.0, log_bite=-1.0), SCORER) is None, (
        "another command"
    )
    assert doubt("rod two", scores(rod_two=0.0, rod_number_two=-1.0), SCORER) is None, (
        "the same value"
    )


def test_another_value_that_the_second_hearing_made_out_leaves_a_doubt() -> None:
    alone = scores(rod_two=0.0)
    assert doubt("rod two", alone, SCORER, "rod four") == "rod four"
    assert doubt("rod two", alone, SCORER, "rod number two") is None
    assert doubt("rod two", alone, SCORER, "rod you") is None
    assert doubt("log bite", NO_SCORES, SCORER) is None
