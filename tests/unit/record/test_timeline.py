"""The timeline's words, where a figure alone would mislead."""

import pytest

from companion.events import Outlook, TopAhead
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
