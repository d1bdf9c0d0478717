"""Words and sounds weighed together: who wins, who is refused, and what is not even asked."""

from collections.abc import Callable

import numpy as np
import pytest

from companion.voice.grammar import Aboard, Grammar
from companion.voice.judging import (
    AMID,
    APART,
    BEHIND,
    BEHIND_A_SOUND,
    FEW,
    HARDLY,
    HARDLY_ELSE,
    OTHER_HEARD,
    TALK,
    TALK_TWICE,
    TALK_UNHEARD,
    UNFIT,
    UNHEARD,
    Words,
    agree,
    amid_talk,
    borne_out,
    could_be,
    hardly_fits,
    may_go_on,
    spoken,
    weighed,
)
from companion.voice.verifier import CLEARLY, NOTHING, STEP, Fit, Laid, Verifier

GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))
VERIFIER = Verifier(GRAMMAR.phrases, GRAMMAR.parse)


def laid(**ratios: float) -> Laid:
    """Return how phrases fit, named with _ for a space: as far behind as told, all others out of reach."""
    found = {name.replace("_", " "): ratio for name, ratio in ratios.items()}
    every = np.full(len(VERIFIER._tree.parents), -900.0, np.float32)
    for phrase, ratio in found.items():
        every[VERIFIER._nodes[phrase]] = ratio
    fits = [Fit(phrase, ratio, VERIFIER.count(phrase)) for phrase, ratio in found.items()]
    return Laid(sorted(fits, key=lambda fit: -fit.ratio), 0.5, every, NOTHING.logs)


def judged(words: list[tuple[str, float]], sounds: Laid, first: str = "") -> str | None:
    return spoken(weighed([Words(*one) for one in words], first, sounds, VERIFIER))


def test_what_both_put_first_is_spoken() -> None:
    assert judged([("rod two", 90.0), ("rod you", 88.0)], laid(rod_two=-1.0, rod_four=-20.0)) == "rod two"


def test_words_that_are_no_phrase_give_way_to_what_the_sounds_fit() -> None:
    """The decoder heard "rod you", its second choice was the phrase; or it did not name it at all."""
    assert judged([("rod you", 90.0), ("rod two", 87.0)], laid(rod_two=-1.0)) == "rod two"
    assert judged([("rod or", 90.0)], laid(rod_four=-1.0)) == "rod four"


def test_a_phrase_heard_gives_way_only_to_one_that_fits_far_better() -> None:
    heard, long = [("mark a ledge", 90.0)], "mark_a_grass_edge"
    assert judged(heard, laid(**{long: 0.0}, mark_a_ledge=APART - OTHER_HEARD)) == "mark a ledge"
    assert judged(heard, laid(**{long: 0.0}, mark_a_ledge=0.1 - OTHER_HEARD)) is None, "none is well ahead"
    assert judged(heard, laid(**{long: 0.0}, mark_a_ledge=-0.1 - OTHER_HEARD)) is None
    assert judged(heard, laid(**{long: 0.0}, mark_a_ledge=-APART - OTHER_HEARD)) == "mark a grass edge"
    assert judged(heard, laid(log_bite=-6.0)) is None, "so short a phrase is too far behind by both"


def test_what_is_far_behind_by_both_is_not_spoken() -> None:
    count = VERIFIER.count("log bite")
    least = -BEHIND - BEHIND_A_SOUND * count
    assert judged([("lock by", 90.0), ("log bite", 88.0)], laid(log_bite=least + 2.1)) == "log bite"
    assert judged([("lock by", 90.0), ("log bite", 88.0)], laid(log_bite=least + 1.9)) is None
    assert judged([("lock by", 90.0)], laid(log_bite=least + UNHEARD - 0.1)) is None
    assert judged([("lock by", 90.0)], laid(log_bite=least + UNHEARD + 0.1)) == "log bite"


@pytest.mark.parametrize("words", ["", "there is more"])
def test_a_phrase_that_the_words_do_not_name_has_to_fit_very_well(words: str) -> None:
    least = -BEHIND - BEHIND_A_SOUND * VERIFIER.count("log bite") + UNHEARD
    assert judged([(words, 96.0)], laid(log_bite=least + 0.1)) == "log bite"
    assert judged([(words, 96.0)], laid(log_bite=least - 0.1)) is None


def test_a_phrase_of_few_sounds_has_to_be_named() -> None:
    assert VERIFIER.count("hung up") == FEW
    assert judged([("on up", 90.0)], laid(hung_up=0.0)) is None
    assert judged([("on up", 90.0)], laid(hung_up=0.0), first="hung up") == "hung up"
    assert judged([("on up", 90.0), ("hung up", 88.0)], laid(hung_up=0.0)) == "hung up"


def test_no_sound_costs_more_than_so_much() -> None:
    """Two phrases that fit not at all are told apart by the words, and then not believed."""
    one, other = weighed(
        [Words("rod two", 90.0), Words("log bite", 85.0)], "", laid(rod_two=-70.0, log_bite=-200.0), VERIFIER
    )
    assert (one.phrase, one.both, other.both) == ("rod two", -UNFIT, -UNFIT - 5.0)
    assert spoken([one, other]) is None


def test_wordings_of_the_same_are_one() -> None:
    (one,) = weighed(
        [Words("rod number two", 90.0), Words("rod two", 89.0)],
        "",
        laid(rod_two=-1.0, rod_number_two=-9.0),
        VERIFIER,
    )
    assert (one.phrase, one.words, one.sounds) == ("rod two", 0.0, -1.0)
    assert spoken([one]) == "rod two"


def test_too_few_sounds_are_not_told_from_noise() -> None:
    assert VERIFIER.count("no two") == 4
    assert judged([("no two", 90.0)], laid(no_two=0.0)) is None


def test_nothing_named_is_nothing_spoken() -> None:
    assert judged([], NOTHING) is None
    assert judged([("there is more wind", 90.0)], laid(rod_two=-60.0)) is None


@pytest.mark.parametrize(
    ("sounds", "is_so"),
    [
        (laid(rod_two=-2.0, log_bite=-9.0), True),
        (laid(rod_number_two=-2.0, rod_two=-3.0), True),
        (laid(rod_two=-2.0, rod_four=-1.5 - CLEARLY / 2), False),
        (laid(log_bite=-2.0, rod_two=-9.0), False),
        (laid(rod_two=-25.0), False),
        (NOTHING, False),
    ],
    ids=["clearly best", "in another wording", "another near", "another better", "far behind", "no sound"],
)
def test_words_and_sounds_agree(sounds: Laid, is_so: bool) -> None:
    assert agree("rod two", sounds, VERIFIER) == is_so


@pytest.mark.parametrize(
    ("again", "sounds", "is_so"),
    [
        ("rod two", laid(rod_two=-1.0), True),
        ("rod number two", laid(rod_two=-1.0), True),
        ("rod you", laid(rod_two=-1.0), True),
        ("there is more", laid(rod_two=-1.0), False),
        ("rod three", laid(rod_two=-1.0), False),
        ("rod two", laid(log_bite=-1.0, rod_two=-9.0), True),
        ("rod two", laid(log_bite=-1.0, rod_two=-12.0), False),
        ("rod two", laid(log_bite=-9.0, rod_two=-30.0), True),
        ("rod two", laid(log_bite=-9.0, rod_two=-35.0), False),
        ("rod two", NOTHING, True),
    ],
    ids=[
        "the same", "in another wording", "half of its words", "other words", "another phrase",
        "another fits well and better", "well and far better", "badly and better", "badly and far better",
        "no sounds",
    ],
)  # fmt: skip
def test_a_phrase_heard_is_borne_out(again: str, sounds: Laid, is_so: bool) -> None:
    candidates = weighed([Words(again, 90.0)], "rod two", sounds, VERIFIER)
    assert borne_out("rod two", again, candidates, sounds, VERIFIER) == is_so


@pytest.fixture
def what_for(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Say how far behind "what for" is by its sounds."""
    return lambda ratio: monkeypatch.setattr(Verifier, "fitting", lambda *_: {"what for": ratio})


def test_talk_that_is_likelier_by_far_is_no_phrase(what_for: Callable[[float], None]) -> None:
    words, behind = [("what for", 90.0)], 1.0 + TALK_UNHEARD
    what_for(TALK - behind + 0.1)
    assert judged(words, laid(rod_four=-1.0)) is None
    what_for(TALK - behind - 0.1)
    assert judged(words, laid(rod_four=-1.0)) == "rod four"


def test_talk_heard_at_both_hearings_counts_for_more(what_for: Callable[[float], None]) -> None:
    words, behind = [("what for", 90.0)], 1.0 + TALK_UNHEARD
    what_for(TALK - TALK_TWICE - behind + 0.1)
    assert judged(words, laid(rod_four=-1.0), first="what for") is None
    assert judged(words, laid(rod_four=-1.0), first="rod four") == "rod four"


def test_a_phrase_heard_is_not_borne_out_where_talk_is_likelier(what_for: Callable[[float], None]) -> None:
    words, sounds = [Words("rod four", 90.0), Words("what for", 89.0)], laid(rod_four=-12.0)
    for ratio, is_so in ((-8.0, True), (-5.0, False)):
        what_for(ratio)
        assert (
            borne_out("rod four", "rod four", weighed(words, "", sounds, VERIFIER), sounds, VERIFIER) == is_so
        )


@pytest.mark.parametrize(
    ("again", "least"), [("rod two", HARDLY), ("rod number two", HARDLY), ("rod you", HARDLY_ELSE)]
)
def test_a_phrase_that_its_sounds_hardly_fit_is_told(again: str, least: float) -> None:
    far = -least * VERIFIER.count("rod two")
    assert hardly_fits("rod two", again, laid(rod_two=far - 0.1), VERIFIER)
    assert not hardly_fits("rod two", again, laid(rod_two=far + 0.1), VERIFIER)
    assert not hardly_fits("rod two", again, laid(rod_two=-99.0, rod_number_two=-1.0), VERIFIER), "the same"
    assert not hardly_fits("rod two", again, NOTHING, VERIFIER)


@pytest.mark.parametrize(("silent", "is_so"), [(0.0, True), (AMID - STEP, True), (AMID, False), (9.0, False)])
def test_what_begins_at_once_was_cut_out_of_talk(silent: float, is_so: bool) -> None:
    logs = np.zeros((100, 3), np.float32)
    logs[round(silent / STEP) :, 1] = 1.0
    assert amid_talk(NOTHING._replace(logs=logs)) == is_so
    assert not amid_talk(NOTHING)


def test_more_may_follow_where_it_or_its_like_begins_another() -> None:
    assert may_go_on("mark a ledge", NOTHING, VERIFIER)
    assert not may_go_on("lost it", NOTHING, VERIFIER)
    assert not may_go_on("mark this spot", laid(mark_this_spot=-1.0, mark_a_spot=-30.0), VERIFIER)
    assert may_go_on("mark this spot", laid(mark_this_spot=-1.0, mark_a_spot=-9.0), VERIFIER)


def test_only_what_could_be_a_phrase_is_heard_again() -> None:
    assert could_be(laid(rod_two=-12.0))
    assert not could_be(laid(rod_two=-14.0))
    assert not could_be(laid(no_two=0.0))
    assert not could_be(NOTHING)
