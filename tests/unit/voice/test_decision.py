"""When words that are no command are taken for one misheard, and when they are not."""

from collections import Counter
from itertools import pairwise

import pytest

from companion.voice.heard import Hearing
from companion.voice.recogniser import SHARE, _decided, _weighted

PHRASES = frozenset(
    ["log bite", "rod two", "line seventeen", "mark a ledge", "how deep is it", "how deep does it go"]
)


@pytest.mark.parametrize(
    ("texts", "taken"),
    [
        (["log bite", "rod two"], "log bite"),
        (["how deep is hot", "how deep is it"], "how deep is it"),
        (["how is it", "how deep is it"], "how deep is it"),
        (["deep does it go", "how foot", "how deep does it go"], "how deep does it go"),
    ],
    ids=["listed", "one word changed", "one word lost", "first word lost"],
)
def test_taken(texts: list[str], taken: str):
    heard = _decided(texts, PHRASES)
    assert heard.text == taken
    assert sorted([heard.text, *heard.alternatives]) == sorted(texts)


@pytest.mark.parametrize(
    "texts",
    [
        ["rod you", "rod two"],
        ["now how deep is it", "how deep is it"],
        ["[unk] deep is it", "how deep is it"],
        ["how that is hot", "how deep is it"],
        ["mark the ledge"],
        [""],
    ],
    ids=["two words", "a word too many", "no word", "two words changed", "not among the others", "nothing"],
)
def test_not_taken(texts: list[str]):
    assert _decided(texts, PHRASES) == Hearing(texts[0], tuple(texts[1:]))


def test_two_phrases_as_near_are_neither():
    phrases = frozenset(["water up two feet", "water up three feet"])
    texts = ["water up the feet", "water up two feet", "water up three feet"]
    assert _decided(texts, phrases).text == "water up the feet"


def test_commands_count_the_same_and_share_that_among_their_phrases():
    many = [f"line {tens} {ones}" for tens in ("twenty", "thirty") for ones in ("one", "two", "three")]
    marks = ["mark a ledge", "mark a point", "mark this spot"]
    meanings = {"log bite": "bite"} | dict.fromkeys(many, "line") | dict.fromkeys(marks, "mark")
    counts = Counter(_weighted(meanings))
    assert counts["log bite"] == SHARE
    assert sum(counts[phrase] for phrase in many) == pytest.approx(SHARE, rel=0.05)
    assert sum(counts[phrase] for phrase in marks) == pytest.approx(SHARE, rel=0.05)
    assert counts["mark a ledge"] == counts["mark a point"] < counts["mark this spot"]


def test_of_a_crowd_only_so_many_are_offered_that_every_pair_of_words_is():
    numbers = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    crowd = [f"mark {a} {b} {c}" for a in numbers for b in numbers for c in numbers]
    offered = set(_weighted(dict.fromkeys(crowd, "mark")))
    assert len(offered) < len(crowd) / 4
    assert {pair for p in offered for pair in pairwise(p.split())} == {
        pair for p in crowd for pair in pairwise(p.split())
    }
