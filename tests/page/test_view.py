"""What the page says: the words for a glance, the picture, and what a follower is told of a change."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import msgspec
import pytest
from msgspec import structs

from companion.events import Logged, TripBegan, TripEnded, Undone
from companion.glance import BottomPoint, Glance
from companion.page.side import SIDE_HEIGHT, SIDE_WIDTH, draw
from companion.page.view import News, View, make_view


def view(glance, unit="feet", quiet_for=0.0, news=None) -> View:
    return make_view(glance, news or News(), unit, quiet_for)


def test_what_is_not_known_is_never_a_number(scenes):
    rods = scenes.rods(None)
    shown = view(Glance(t=100.0, rods=rods))
    for part in (
        "depth",
        "figure",
        "word",
        "band",
        "rod-2-match",
        "said",
        "heard",
        "said-age",
        "depth-age",
        "clock",
        "boat",
    ):
        assert not re.search(r"\d", shown.text[part]), f"{part}: {shown.text[part]}"
    assert shown.text["depth"] == "not known"
    assert shown.text["figure"] == "not known"
    assert shown.text["band"] == "no depth comes from the sonar now"
    assert shown.state["depth"] == "not-known"
    assert shown.state["rod-2"] == "unknown"


def test_nothing_at_all_is_shown_as_waiting():
    shown = view(None)
    assert shown.state["feed"] == "waiting"
    assert shown.text["rod"] == "no rod in hand"
    assert shown.state["needs"] == "missing"
    assert "sonar" in shown.text["need-depth"]
    assert "not known yet" in shown.text["side"]


def test_a_rods_name_keeps_its_capitals(scenes):
    glance = scenes.glance(200.0, 6.0)
    rods = tuple(structs.replace(rod, name="grandpa's Old Rod") for rod in glance.rods)
    shown = view(structs.replace(glance, rods=rods))
    assert shown.text["rod"] == "Grandpa's Old Rod"
    assert shown.text["rod-2-name"] == "Grandpa's Old Rod"


def test_rods_that_are_still_worked_out_are_not_taken_for_none_in_hand():
    shown = view(Glance(t=20.0, rods_known=False, depth=6.0, depth_at=19.5))
    assert "being worked out" in shown.text["band"]
    assert "being worked out" in shown.text["reach"]
    assert not any("no rod in hand" in words for words in shown.text.values())
    assert shown.text["need-rods"] == ""


def test_a_lost_depth_tells_when_the_last_one_came(scenes):
    shown = view(scenes.glance(200.0, None, depth_at=186.0))
    assert (shown.text["depth"], shown.text["depth-age"]) == (
        "not known",
        "the last one came 14 s ago",
    )


@pytest.mark.parametrize(
    ("unit", "depth", "reach", "headline"),
    [
        (
            "feet",
            "21 ft",
            "reaches 18 ft (16 to 20)",
            ("clear by", "3 ft", "nine in ten: clear by 1 ft to short by 5 ft"),
        ),
        (
            "metres",
            "6.3 m",
            "reaches 5.5 m (4.9 to 6.1)",
            ("clear by", "0.8 m", "nine in ten: clear by 0.2 m to short by 1.4 m"),
        ),
    ],
)
def test_numbers_are_those_of_the_glance_in_the_chosen_unit(
    scenes, unit, depth, reach, headline
):
    shown = view(scenes.glance(side=scenes.side(lure=None)), unit)
    assert (shown.text["depth"], shown.text["reach"]) == (depth, reach)
    assert tuple(shown.text[part] for part in ("word", "figure", "band")) == headline
    assert shown.text["carries"] == "deep dorrow on 12 lb fluorocarbon"
    assert shown.text["rod-4-reach"].startswith(
        "reaches 12 ft" if unit == "feet" else "reaches 3.6 m"
    )


def test_what_goes_on_without_news_gets_old_and_says_so(scenes):
    shown = view(scenes.glance(), quiet_for=30.0)
    assert shown.state["feed"] == "silent"
    assert shown.text["feed"].startswith("OLD")
    assert shown.text["said-age"] == "42 s ago"
    assert shown.text["depth-age"] == "measured 30 s ago"


def test_a_day_that_is_over_is_not_called_live(scenes):
    news = News()
    news.note_event(TripBegan(t=0.0, name="x", rods={}))
    assert view(scenes.glance(), news=news).state["feed"] == "live"
    news.note_event(TripEnded(t=9.0, sentences=1, dropped={}))
    assert view(scenes.glance(), quiet_for=60.0, news=news).state["feed"] == "ended"


def test_undo_names_what_it_would_take_back():
    news = News()
    assert news.last == "nothing logged yet"
    for number, what in enumerate(("bite", "mark"), 1):
        news.note_event(
            Logged(
                t=1.0,
                number=number,
                what=what,
                detail="tree top" if what == "mark" else None,
            )
        )
    assert news.last == "2. mark, tree top"
    news.note_event(Undone(t=2.0, number=2, what="mark"))
    assert news.last == "1. bite"


def test_a_change_and_an_older_view_make_the_newer_one(scenes):
    older, newer = (
        view(scenes.glance()),
        view(scenes.glance(230.0, 4.0, 2, side=scenes.side(5.1, 0.7))),
    )
    change = newer.since(older)
    assert older.text | change.text == newer.text
    assert older.state | change.state == newer.state
    assert change.picture == newer.picture
    assert "carries" in change.text
    assert newer.since(newer) == View({}, {}, "")


@pytest.mark.parametrize("unit", ["feet", "metres"])
@pytest.mark.parametrize("lure", [None, 0.0, 0.5, 1.0])
@pytest.mark.parametrize("mapped", [True, False])
def test_the_picture_is_sound_and_all_of_it_is_inside(scenes, unit, lure, mapped):
    drawn = draw(scenes.side(5.5, lure, mapped=mapped), unit, 6.3)
    svg = ElementTree.fromstring(f"<svg>{drawn.picture}</svg>")
    assert "nan" not in drawn.picture
    for marker in svg.iter("circle"):
        assert 0 <= float(marker.get("cx")) <= SIDE_WIDTH
        assert 0 <= float(marker.get("cy")) <= SIDE_HEIGHT
    assert len(list(svg.iter("circle"))) == (lure is not None)
    assert ("bottom not known here" in drawn.picture) != mapped
    assert "#unknown" in drawn.picture
    assert "style=" not in drawn.picture  # the page's content policy would drop it


def test_the_lure_is_drawn_where_it_is(scenes):
    """Depth and distance are linear in the picture: a known path, and the marker on it."""
    seen = scenes.side(5.5, 0.4)
    svg = ElementTree.fromstring(f"<svg>{draw(seen, 'metres', None).picture}</svg>")
    path = next(e for e in svg.iter("polyline") if e.get("class") == "path")
    points = [
        tuple(map(float, point.split(","))) for point in path.get("points").split()
    ]
    marker = next(svg.iter("circle"))
    assert (float(marker.get("cx")), float(marker.get("cy"))) == pytest.approx(
        points[round(0.4 * 24)], abs=0.1
    )
    # The path is 40 m long and ends at the rod tip; the surface is where both its ends
    # are.
    assert points[0][1] == points[-1][1]
    assert (points[0][0] - points[12][0]) / (
        points[0][0] - points[-1][0]
    ) == pytest.approx(0.5, abs=0.01)


def test_a_bottom_far_below_leaves_the_picture_and_says_so(scenes):
    deep = scenes.side()
    bottom = tuple(BottomPoint(float(x), 40.0, 1.0) for x in range(0, 41, 5))
    seen = deep.__class__(
        bearing=None,
        under_way=False,
        path=deep.path,
        shallow=deep.shallow,
        deep=deep.deep,
        bottom=bottom,
    )
    drawn = draw(seen, "feet", 40.0)
    assert "bottom deeper than this" in drawn.picture
    assert "The bottom along it: 131 ft, nine times in ten within 5 ft." in drawn.words


def test_a_bottom_is_shown_only_where_the_lure_comes_and_never_above_the_surface(
    scenes,
):
    seen = scenes.side()
    bottom = tuple(BottomPoint(float(x), 3.0 - 0.1 * x, 2.0) for x in range(0, 81, 5))
    drawn = draw(msgspec.structs.replace(seen, bottom=bottom), "metres", None)
    assert (
        "The bottom along it: 0.0 m to 3.0 m, nine times in ten within 3.3 m."
        in drawn.words
    )
    assert "-" not in drawn.words.replace("lure's", "")
