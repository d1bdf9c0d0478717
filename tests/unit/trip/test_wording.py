"""The words of the lines, by what they tell."""

from companion.casting.match import Standing
from companion.trip import wording


def test_the_words_are_short_and_in_the_configured_unit():
    assert wording.match(Standing("touch", 4.0, -1.0), "feet") == "touch"
    assert wording.match(Standing("clear", 5.9, 0.9144), "feet") == "clear by 3 feet"
    assert wording.match(Standing("short", 6.2, 1.22), "feet") == "short by 4 feet"
    assert wording.match(Standing("short", 6.2, 1.22), "metres") == "short by 1.2 metres"
    assert wording.match(Standing("clear", 5.1, 0.1), "feet") == "just clear"
    assert wording.match(Standing("unknown"), "feet") == "depth not known"
