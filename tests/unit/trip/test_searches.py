"""Questions to the planner: answered at once, or when the recording tells that they are found."""

from types import SimpleNamespace

import pytest

from companion.casting.planning import Found
from companion.trip.searches import LOOKING_AFTER_S, Question, Searches


class Spoken:
    def __init__(self):
        self.lines = []

    def say(self, t, text, _about):
        self.lines.append((t, text))


@pytest.fixture
def spoken():
    return Spoken()


@pytest.fixture
def searches(spoken):
    return Searches(spoken)


def question(words):
    return Question(SimpleNamespace(found=Found(None, (0.0, 0.0))), lambda _: words)


def test_a_recording_that_tells_nothing_of_it_has_its_answers_at_once(searches, spoken):
    searches.ask(5.0, question("four will do"))
    assert spoken.lines == [(5.0, "four will do")]
    assert not searches.take_new()


def test_an_answer_waits_until_it_is_found(searches, spoken):
    searches.come_when_found = True
    searches.ask(5.0, question("one"))
    searches.ask(5.2, question("two"))
    assert len(searches.take_new()) == 2
    assert not searches.take_new()
    searches.answer_first(5.9)
    searches.answer_first(6.0)
    searches.answer_first(7.0)
    assert spoken.lines == [(5.9, "one"), (6.0, "two")]
    assert searches.next_due == float("inf")


def test_what_takes_longer_is_said_to_be_looked_for_once(searches, spoken):
    searches.come_when_found = True
    searches.ask(5.0, question("one"))
    assert searches.next_due == 5.0 + LOOKING_AFTER_S
    searches.say_looking(searches.next_due)
    assert searches.next_due == float("inf")
    searches.answer_first(9.0)
    assert spoken.lines == [(6.0, "looking"), (9.0, "one")]


def test_a_search_answered_before_anybody_took_it_is_not_handed_out(searches):
    searches.come_when_found = True
    searches.ask(5.0, question("one"))
    searches.answer_first(5.5)
    assert not searches.take_new()
