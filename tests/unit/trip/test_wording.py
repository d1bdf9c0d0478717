"""The words of the lines, by what they tell."""

import pytest

from companion import config
from companion.casting.match import Standing
from companion.trip import wording
from companion.voice.grammar import Grammar, aboard
from tests.phrases import echoes

GRAMMAR = Grammar(aboard(config.parse(config.example_text(), "example")))
LINES = [
    (Standing("touch", 4.0, -1.0), "feet", "touch"),
    (
        Standing("touch", 4.0, -3.0, better=2),
        "feet",
        "digs by 10 feet, number two will do",
    ),
    (Standing("clear", 5.9, 0.9144), "feet", "clear by 3 feet"),
    (Standing("clear", 5.1, 0.1), "feet", "just clear"),
    (
        Standing("short", 6.2, 1.22, better=1),
        "feet",
        "short by 4 feet, take number one",
    ),
    (
        Standing("short", 6.2, 1.22, better=1),
        "metres",
        "short by 1.2 metres, take number one",
    ),
    (Standing("short", 9.2, 4.22, better=1), "feet", "short, take number one"),
    (Standing("short", 6.2, 1.22), "feet", "too deep for any rod"),
    (Standing("unknown"), "feet", "depth not known"),
]


@pytest.mark.parametrize(("standing", "unit", "line"), LINES)
def test_a_match_in_the_configured_unit_with_amounts_near_the_bottom_only(
    standing, unit, line
):
    assert wording.match(standing, unit) == line


def test_a_line_tells_whether_it_means_ahead():
    assert (
        wording.match(Standing("touch", 4.0, -1.0), "feet", ahead=True) == "touch ahead"
    )
    short = Standing("short", 6.2, 1.22, better=1)
    assert (
        wording.match(short, "feet", ahead=True)
        == "short by 4 feet ahead, take number one"
    )


@pytest.mark.parametrize("standing", [standing for standing, _, _ in LINES])
@pytest.mark.parametrize(
    ("over_tree", "line"),
    [
        (-0.5, "too deep, but hits the tree ahead"),
        (0.1, "too deep, but hits the tree ahead"),
        (0.9, "too deep, over the tree ahead by 3 feet"),
        (4.0, "too deep for any rod ahead"),
    ],
)
def test_a_tree_ahead_is_told_where_no_rod_gets_down_and_nowhere_else(
    standing, over_tree, line
):
    said = wording.match(standing, "feet", ahead=True, over_tree=over_tree)
    assert not echoes(GRAMMAR, said)
    if standing != Standing("short", 6.2, 1.22):
        line = wording.match(standing, "feet", ahead=True)
    assert said == line


@pytest.mark.parametrize("ahead", [False, True])
@pytest.mark.parametrize("standing", [standing for standing, _, _ in LINES])
def test_no_line_is_a_phrase_that_is_listened_for_and_all_are_short(standing, ahead):
    line = wording.match(standing, "feet", ahead=ahead)
    assert not echoes(GRAMMAR, line)
    assert len(line.split()) <= 9


@pytest.mark.parametrize("unit", ["feet", "metres"])
@pytest.mark.parametrize("far", [None, 0.3, 1.0, 4.6, 21.0])
def test_a_lure_off_the_bottom_is_told_in_few_words_that_are_no_command(far, unit):
    line = wording.off_the_bottom(far, unit)
    assert not echoes(GRAMMAR, line)
    assert len(line.split()) <= 7


@pytest.mark.parametrize("speed", [0.13, 0.26, 0.4, 0.56])
@pytest.mark.parametrize("heading", [None, 200.0])
def test_a_current_that_touches_tell_of_is_told_in_words_that_are_no_command(
    speed, heading
):
    line = wording.felt_current(speed, 100.0, heading)
    assert not echoes(GRAMMAR, line)
    assert line.endswith("east" if heading is None else "nine o'clock")


def test_what_to_do_about_a_tree_is_no_command():
    assert not echoes(GRAMMAR, f"tree in 12 seconds, {wording.RAISE_THE_ROD}")
