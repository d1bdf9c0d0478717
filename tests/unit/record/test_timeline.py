"""The timeline's words, where a figure alone would mislead."""

import pytest

from companion.events import Fix, Logged, Outlook, TopAhead
from companion.record.timeline import line


@pytest.mark.parametrize(
    ("clearance", "says"),
    [
        (1.5, "; tree top 30.5 ft out, cleared by 4.9 ft"),
        (-0.9, "; tree top 30.5 ft out, 3.0 ft too high to clear, 6 % to run into it"),
    ],
)
def test_a_tree_top_too_high_is_not_called_cleared(clearance, says):
    ahead = Outlook(
        t=10.0,
        utc=None,
        cast=1,
        rod="rod 1",
        bearing=103.0,
        state="short",
        sureness="unlikely",
        chance=0.01,
        distance=None,
        seconds=None,
        contact=None,
        margin=2.3,
        mapped=1.0,
        tops=(TopAhead(9.3, clearance, 0.06),),
    )
    assert line(ahead, "feet").endswith("rod 1 towards 103: short by 7.5 ft" + says)


def test_a_mark_off_the_bow_is_told_where_it_lies():
    mark = Logged(
        t=1.0, number=1, what="mark", boat=Fix(1.0, 2.0, 3.0), at=Fix(1.5, 2.5, 6.0)
    )
    assert line(mark, "metres").endswith("1. mark, at 1.50000 2.50000 within 6.0 m")


def test_a_fish_is_weighed_in_the_users_unit():
    fish = Logged(t=1.0, number=2, what="fish", size=1.36078)
    assert line(fish, "feet").endswith("2. fish, 3 lb")
    assert line(fish, "metres").endswith("2. fish, 1.36 kg")


def test_a_cast_is_as_long_as_it_was_called():
    cast = Logged(t=1.0, number=3, what="cast", size=54.864)
    assert line(cast, "feet").endswith("3. cast, 60 yd")
    assert line(cast, "metres").endswith("3. cast, 55 m")
