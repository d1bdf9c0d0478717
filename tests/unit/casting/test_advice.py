"""When a line nobody asked for is spoken, and when it is not."""

import pytest

from companion import config
from companion.casting.advice import REMIND_BEFORE, Advice, Stamp
from companion.casting.deck import Deck
from companion.casting.manners import APART, COVER_EVERY, Manners
from companion.casting.match import Standing, spoken_match
from companion.events import Match, Notice, Said
from companion.lakebed.bed import CoverHint
from companion.lakebed.surface import LevelHint

RODS = config.parse(config.example_text(), "example").rods
HINT = CoverHint(45.0, -93.0, 3.0, 6.0, 3.0, 4.0)


def test_volunteered_lines_keep_apart():
    manners = Manners()
    assert manners.allows(0.0, "match", casting=False)
    assert not manners.allows(APART - 0.1, "water", casting=False)
    assert manners.allows(APART + 0.1, "water", casting=False)


def test_a_danger_goes_before_all_but_quiet():
    manners = Manners()
    assert manners.allows(0.0, "match", casting=False)
    assert manners.allows(0.1, "danger", casting=True)
    manners.quiet_for(1.0, 5.0)
    assert not manners.allows(2.0, "danger", casting=True)
    assert manners.allows(1.0 + 300.0, "danger", casting=True)


def test_during_a_foretold_cast_only_dangers_are_told():
    manners = Manners()
    assert not manners.allows(0.0, "match", casting=True)
    assert not manners.allows(0.0, "cover", casting=True)


def test_possible_cover_is_told_once_a_while():
    manners = Manners()
    assert manners.allows(0.0, "cover", casting=False)
    assert not manners.allows(COVER_EVERY - 1.0, "cover", casting=False)
    assert manners.allows(COVER_EVERY + 1.0, "cover", casting=False)


def test_quiet_ends_when_it_is_taken_back():
    manners = Manners()
    manners.quiet_for(0.0, 30.0)
    assert not manners.allows(10.0, "match", casting=False)
    manners.quiet_for(11.0, 0.0)
    assert manners.allows(11.0, "match", casting=False)


@pytest.fixture
def advice():
    return Advice(Deck(RODS), "feet", Manners())


def said(events):
    return [event.text for event in events if isinstance(event, Said)]


def test_quiet_or_not_what_is_noticed_is_an_event(advice):
    advice._manners.quiet_for(0.0, 10.0)
    events = advice.depth(Stamp(1.0, None), 30.0, None)
    assert [type(event) for event in events] == [Match]


def test_a_rod_that_stays_short_names_one_that_does_not(advice):
    deck = advice._deck
    deck.take(3)
    depth = deck.reach(deck.rod(1)) - 0.02
    touching = Standing("short", depth, depth - deck.reach(deck.rod(3)))
    assert advice._better(deck.rod(3), touching) == 1
    beyond = Standing("short", depth + 1.0, 1.0)
    assert advice._better(deck.rod(1), beyond) is None
    assert spoken_match(touching, "feet", better=1).endswith(", take number one")


def test_possible_cover_is_called_possible(advice):
    notice, line = advice.cover(Stamp(5.0, None), HINT)
    assert isinstance(notice, Notice)
    assert notice.text == "possible cover: top at 10 feet, 10 feet high, 13 feet wide"
    assert line.text == "possible cover, up to 10 feet"


def test_another_water_level_is_told_once(advice):
    told = advice.level(Stamp(5.0, None), LevelHint(0.6, 80))
    assert said(told) == ["water seems 2 feet higher than the map"]
    assert advice.level(Stamp(50.0, None), LevelHint(0.7, 90)) == []
    assert advice.level(Stamp(60.0, None), None) == []


def test_a_reminder_comes_only_while_its_cast_is_under_way(advice):
    assert advice.remind_at == float("inf")
    assert advice.remind(Stamp(10.0, None)) == []
    assert REMIND_BEFORE > 2.0, "never later than two seconds before"
