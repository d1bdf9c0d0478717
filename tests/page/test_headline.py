"""The one figure: what the voice says, with its doubt, for a rod before a cast and for the cast under way."""

from __future__ import annotations

import pytest

from companion.events import Outlook
from companion.page.headline import headline


def outlook(state="touch", sureness="should", chance=0.83, margin=-0.3, **more):
    given = {
        "t": 195.0,
        "cast": 2,
        "rod": "rod 1",
        "bearing": 81.0,
        "distance": 19.2,
        "seconds": 14.0,
    }
    return Outlook(
        **given | more,
        state=state,
        sureness=sureness,
        chance=chance,
        margin=margin,
        contact=5.0,
        mapped=0.9,
    )


@pytest.mark.parametrize(
    ("depth", "told"),
    [
        (None, ("unknown", "", "not known", "no depth comes from the sonar now")),
        (3.0, ("touch", "digs by", "8 ft", "nine in ten: digs by 6 to 10 ft")),
        (5.4, ("touch", "", "touch", "nine in ten: touch to clear by 2 ft")),
        (5.6, ("clear", "just", "clear", "nine in ten: touch to clear by 2 ft")),
        (12.0, ("short", "short by", "21 ft", "nine in ten: short by 19 to 23 ft")),
    ],
)
def test_before_a_cast_it_is_the_rod_over_the_bottom_under_the_boat(
    scenes, depth, told
):
    seen = scenes.glance(depth=depth, side=scenes.side(lure=None))
    assert headline(seen, seen.rods[0], "feet")[:4] == told


def test_over_a_bottom_ahead_figure_and_doubt_are_of_that_one(scenes):
    seen = scenes.glance(
        depth=12.0, ahead=True, rods=scenes.rods(5.4), side=scenes.side(lure=None)
    )
    assert headline(seen, seen.rods[0], "feet") == (
        "touch",
        "",
        "touch",
        "nine in ten: touch to clear by 2 ft",
        "rod 1 over the bottom ahead",
    )


@pytest.mark.parametrize(
    ("foretold", "told"),
    [
        (outlook(), ("touch", "should", "touch", "touches in 8 of 10 such casts")),
        (outlook("clear", "may", 0.4, 0.2), ("touch", "may", "touch", "touches in 4 of 10 such casts")),
        (outlook("clear", "unlikely", 0.04, 0.61),
         ("clear", "clear by", "2 ft", "touches in 0 of 10 such casts")),
        (outlook("unknown", "unlikely", 0.0, None),
         ("unknown", "", "not known", "nothing is mapped along this cast")),
    ],
)  # fmt: skip
def test_while_a_cast_is_fished_it_is_what_that_cast_meets(scenes, foretold, told):
    seen = scenes.glance(foretold=foretold)
    assert headline(seen, seen.rods[0], "feet")[:4] == told


def test_the_first_touch_is_counted_down_while_it_lies_ahead(scenes):
    seen = scenes.glance(t=200.0, foretold=outlook())
    assert (
        headline(seen, seen.rods[0], "feet").about
        == "this cast, rod 1, first 21 yd out, in 9 s"
    )
    later = scenes.glance(t=215.0, foretold=outlook())
    assert (
        headline(later, later.rods[0], "feet").about
        == "this cast, rod 1, first 21 yd out"
    )
