"""Words and sounds weighed together: who is taken, who is refused, and what is not even asked."""

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from companion.voice.acoustics import Acoustics
from companion.voice.biphones import NEVER, Biphones
from companion.voice.grammar import Aboard, Grammar
from companion.voice.judging import (
    AMID,
    AT_ONCE,
    CLEARLY,
    DOUBTFUL,
    FIRST_ONLY,
    LEAD,
    LONG,
    OTHER_HEARD,
    POINTS,
    SHORTEST,
    TAKEN,
    TALK_LEAD,
    UNHEARD,
    WORST,
    WORST_AFTER,
    Points,
    Weighed,
    Words,
    agree,
    amid_talk,
    clear,
    could_be,
    could_be_clear,
    doubt,
    may_go_on,
    spoken,
    weighed,
)
from companion.voice.verifier import NOTHING, SHARE, STEP, Fit, Laid, OwnScores, Verifier, _phones

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
FAR = -60.0


class _Alike:
    """Biphones by which a phrase fits as it was told to; the scores hold nothing else."""

    def __init__(self) -> None:
        self.told: dict[str, float] = {}

    def fits(self, _: np.ndarray, phrases: list[list[list[int]]]) -> list[float]:
        return [self.told.get(str(phrase), 0.0) for phrase in phrases]


ALIKE = _Alike()
VERIFIER = Verifier(GRAMMAR.phrases, GRAMMAR.parse, cast("Acoustics", None), cast("Biphones", ALIKE))


def fit(phrase: str, model: float, here: float = 0.0, after: float = 0.0) -> Fit:
    return Fit(phrase, model, here, VERIFIER.count(phrase), after)


def laid(**models: float) -> Laid:
    """Return how phrases fit, named with _ for a space: so badly by the speech model, and well by our own."""
    fits = [fit(name.replace("_", " "), ratio, after=ratio) for name, ratio in models.items()]
    model, here = (np.full(len(VERIFIER._tree.parents), NEVER, np.float32) for _ in range(2))
    for one in fits:
        model[VERIFIER._nodes[one.phrase]], here[VERIFIER._nodes[one.phrase]] = one.model, one.here
    return Laid(sorted(fits, key=lambda one: -one.ratio), 0.5, 1.0, model, here, None)


def likeliest(words: list[tuple[str, float]], sounds: Laid, first: str = "") -> Weighed:
    found = weighed([Words(*one) for one in words], first, sounds, VERIFIER)
    assert found is not None
    return found


def test_points_are_added_up() -> None:
    one = Weighed(Fit("log bite", -9.0, -18.0, 6, -27.0), 1, 9.0, 7.0)
    assert one.parts == Points(-1.0, -2.0, -3.0, 1.0, 1, 6, 7.0)
    assert one.points == pytest.approx(float(np.dot(POINTS, one.parts)))


def test_nothing_counts_without_bounds() -> None:
    one = Weighed(Fit("much", -900.0, -900.0, 40, -900.0), 0, math.inf, -math.inf)
    assert one.parts == Points(WORST, WORST, WORST_AFTER, LEAD[1], 0, LONG, TALK_LEAD[0])
    assert one._replace(ahead=-900.0).parts.ahead == LEAD[0]


def test_what_has_enough_points_is_spoken() -> None:
    enough = Weighed(fit("log bite", 0.0), 2, 20.0)
    assert enough.points > TAKEN
    assert spoken(enough) == "log bite"
    barely = 9.0 * (TAKEN - enough.points) / POINTS.here
    for more, taken in ((0.01, "log bite"), (-0.01, None)):
        assert spoken(enough._replace(fit=fit("log bite", 0.0, barely + more))) == taken
    assert spoken(None) is None


def test_few_sounds_have_to_be_heard_twice() -> None:
    short = Weighed(fit("no two", 0.0), 1, 60.0)
    assert short.points > TAKEN
    assert short.fit.sounds < SHORTEST
    assert spoken(short) is None
    assert spoken(short._replace(hearings=2)) == "no two"


def test_the_likeliest_is_that_by_words_and_sounds_together() -> None:
    both = laid(rod_two=-9.0, rod_four=-3.0)
    assert likeliest([("rod two", 90.0), ("rod four", 82.0)], both).fit.phrase == "rod two"
    assert likeliest([("rod two", 90.0), ("rod four", 86.0)], both).fit.phrase == "rod four"


@pytest.mark.parametrize(
    ("words", "first", "behind", "hearings"),
    [
        ([("rod two", 90.0), ("rod you", 88.0)], "rod two", 0.0, 2),
        ([("rod number two", 90.0), ("rod two", 89.0)], "rod number two", 0.0, 2),
        ([("rod you", 90.0), ("rod two", 87.0)], "", -3.0, 0),
        ([("rod you", 90.0)], "rod two", -FIRST_ONLY, 1),
        ([("rod you", 90.0)], "rod you", -UNHEARD, 0),
        ([("log bite", 90.0)], "", -OTHER_HEARD, 0),
        ([("rod you", 90.0), ("rod two", 10.0)], "", -UNHEARD, 0),
        ([], "", -UNHEARD, 0),
    ],
    ids=["both", "in other words", "second choice", "first only", "neither", "another", "hardly", "no words"],
)
def test_how_far_behind_it_is_by_its_words(
    words: list[tuple[str, float]], first: str, behind: float, hearings: int
) -> None:
    named = bool(words) and VERIFIER.means(words[0][0]) is not None
    as_good = -1.0 + behind + (OTHER_HEARD if named else UNHEARD)
    for better, meant in ((-0.1, "rod two"), (0.1, "lost it")):
        both = laid(rod_two=-1.0, rod_number_two=-1.0, lost_it=as_good + better)
        found = likeliest(words, both, first)
        assert VERIFIER.means(found.fit.phrase) == VERIFIER.means(meant)
        assert found.hearings == (hearings if meant == "rod two" else 0)


def test_how_far_it_is_ahead_is_told_by_sounds_alone_and_not_of_its_own_wordings() -> None:
    ALIKE.told = {str(_phones("log a bite")): -1.0, str(_phones("log bite")): -3.0}
    fits = laid(rod_two=-7.0, log_a_bite=-1.0, log_bite=-3.0)._replace(freely=1.0)
    fits = fits._replace(fits=[one._replace(after=-7.0) for one in fits.fits])
    found = likeliest([("log bite", 90.0), ("log a bite", 89.9)], fits, "log bite")
    ALIKE.told = {}
    assert found.fit.phrase == "log a bite"
    assert (found.fit.after, found.ahead) == (-2.0, 5.0)
    assert likeliest([("log bite", 90.0)], laid(log_bite=-3.0)).ahead == math.inf


def test_words_that_are_no_phrase_are_weighed_too(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def others(_: Laid, texts: list[str]) -> list[Fit]:
        asked.extend(texts)
        return [Fit("what for", -4.0, -4.0, 6)]

    monkeypatch.setattr(Verifier, "others", staticmethod(others))
    found = likeliest([("rod four", 90.0), ("what for", 89.0)], laid(rod_four=-3.0), "what for")
    assert set(asked) == {"what for"}
    assert found.beside_talk == pytest.approx(-3.0 - (-1.0 - 4.0 - SHARE * 4.0))
    monkeypatch.setattr(Verifier, "others", lambda *_: [])
    assert likeliest([("rod four", 90.0)], laid(rod_four=-3.0)).beside_talk == math.inf


def test_nothing_named_is_nothing_weighed() -> None:
    assert weighed([], "", NOTHING, VERIFIER) is None
    assert weighed([Words("there is more wind", 90.0)], "", NOTHING, VERIFIER) is None


def points_at_once(sounds: Laid) -> float:
    best, other = sounds.fits
    return Weighed(best, 1, best.after - other.after).points


def test_a_phrase_that_fits_well_is_taken_at_once() -> None:
    best = laid(rod_two=0.0, log_bite=FAR)
    spare = (points_at_once(best) - AT_ONCE) * (VERIFIER.count("rod two") + 3) / (POINTS.model + POINTS.after)
    assert spare > 0.0
    for ratio, taken in ((0.1 - spare, "rod two"), (-0.1 - spare, None)):
        assert clear(laid(rod_two=ratio, log_bite=ratio + FAR), VERIFIER) == taken
    assert clear(laid(rod_two=0.0, log_bite=0.1 - CLEARLY), VERIFIER) is None, "another fits as well"
    assert clear(laid(no_two=0.0), VERIFIER) is None, "too few sounds"
    assert clear(NOTHING, VERIFIER) is None


def test_words_and_sounds_agree() -> None:
    assert agree("rod two", laid(rod_two=0.0, log_bite=FAR), VERIFIER)
    assert agree("rod two", laid(rod_number_two=0.0, rod_two=-1.0, log_bite=FAR), VERIFIER)
    assert not agree("rod two", laid(log_bite=0.0, rod_two=FAR), VERIFIER)
    assert not agree("rod two", badly(laid(rod_two=FAR)), VERIFIER)
    assert not agree("rod two", NOTHING, VERIFIER)


def badly(sounds: Laid) -> Laid:
    """Return the same where all of it fits badly by our own network, and each sound after the other."""
    return sounds._replace(fits=[one._replace(here=-99.0, after=-99.0) for one in sounds.fits])


def test_what_could_not_have_enough_points_is_not_heard_again() -> None:
    assert could_be("", laid(log_bite=-9.0), VERIFIER)
    assert not could_be("", badly(laid(log_bite=FAR)), VERIFIER)
    assert not could_be("", laid(no_two=0.0), VERIFIER), "one hearing is not enough of so few sounds"
    assert could_be("no two", laid(no_two=0.0), VERIFIER)
    assert not could_be("log bite", NOTHING, VERIFIER)


def test_what_was_made_out_may_be_heard_again_though_others_fit_better() -> None:
    many = badly(laid(log_bite=-20.0, rod_two=FAR))
    only = many._replace(fits=[one for one in many.fits if one.phrase == "rod two"])
    assert not could_be("", only, VERIFIER)
    assert could_be("log bite", only, VERIFIER)


@pytest.mark.parametrize(("silent", "is_so"), [(0.0, True), (AMID - STEP, True), (AMID, False), (9.0, False)])
def test_what_begins_at_once_was_cut_out_of_talk(silent: float, is_so: bool) -> None:
    assert amid_talk(NOTHING._replace(began=silent)) == is_so
    assert not amid_talk(NOTHING)


def test_more_may_follow_where_it_or_its_like_begins_another() -> None:
    assert may_go_on("mark a ledge", NOTHING, VERIFIER)
    assert not may_go_on("lost it", NOTHING, VERIFIER)
    assert not may_go_on("mark this spot", laid(mark_this_spot=-1.0, mark_a_spot=-30.0), VERIFIER)
    assert may_go_on("mark this spot", laid(mark_this_spot=-1.0, mark_a_spot=-9.0), VERIFIER)


def test_our_own_network_counts_by_half() -> None:
    assert fit("log bite", -4.0, -6.0).ratio == -4.0 + SHARE * -6.0


def test_what_one_network_alone_rules_out_could_not_have_been_clear():
    """The bound is what all the rest could add at most: a phrase just above it is clear when it does."""
    best = POINTS.ahead * LEAD[1] + POINTS.hearings + POINTS.length * LONG
    least = (AT_ONCE - best) / POINTS.here * (LONG + 3)

    def told(here: float) -> tuple[bool, float]:
        fit = Fit("log bite", 0.0, here, LONG)
        points = Weighed(fit, 1, 99.0 * (LONG + 3)).points
        own = OwnScores(np.zeros((1, 1), np.float32), np.array([here], np.float32))
        laid = SimpleNamespace(own_fits=lambda scores: (np.array([LONG]), scores.nodes))
        return could_be_clear(own, cast("Verifier", laid)), points

    assert told(least + 0.01) == (True, pytest.approx(AT_ONCE, abs=0.01))
    possible, points = told(least - 0.01)
    assert not possible
    assert points < AT_ONCE


def test_another_value_of_the_same_command_that_fits_nearly_as_well_leaves_a_doubt() -> None:
    for behind, told in ((0.1 - DOUBTFUL, "rod four"), (-0.1 - DOUBTFUL, None)):
        fits = laid(rod_two=0.0, rod_number_two=0.0, rod_four=behind / 2.0)
        assert doubt("rod two", fits, VERIFIER) == told
    assert doubt("rod two", laid(rod_two=0.0, log_bite=-1.0), VERIFIER) is None, "another command"
    assert doubt("rod two", laid(rod_two=0.0, rod_number_two=-1.0), VERIFIER) is None, "the same value"


def test_another_value_that_the_second_hearing_made_out_leaves_a_doubt() -> None:
    alone = laid(rod_two=0.0)
    assert doubt("rod two", alone, VERIFIER, "rod four") == "rod four"
    assert doubt("rod two", alone, VERIFIER, "rod number two") is None
    assert doubt("rod two", alone, VERIFIER, "rod you") is None
    assert doubt("log bite", NOTHING, VERIFIER) is None
