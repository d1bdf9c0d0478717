"""Marks as waypoints: what goes out is what comes in again, whatever it is called."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from companion.lakebed.exchange import Imported, MarkPoint
from companion.lakebed.waypoints import (
    LONGEST_SENT_SENTENCE,
    Waypoint,
    mark_named,
    marks_from_gpx,
    marks_from_nmea,
    marks_to_gpx,
    marks_to_nmea,
    waypoint_name,
    waypoints_to_nmea,
)

lats, lons = (
    st.floats(-89, 89).map(lambda v: round(v, 5)),
    st.floats(-179, 179).map(lambda v: round(v, 5)),
)
whole_depths = st.none() | st.integers(1, 300).map(lambda v: v / 100.0)
kinds = st.sampled_from(["tree top", "rock", "rock pile", "spot", "ledge"])
short_notes = st.one_of(
    st.sampled_from(
        [
            "",
            "ledge",
            "3 m",
            "pier (2)",
            "spot",
            "rock 4 ft",
            "? m",
            "rock pile",
            "old, *$^ \\one",
        ]
    ),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=9).map(
        lambda text: " ".join(text.split())
    ),
)
marks = st.lists(
    st.builds(
        MarkPoint, lats, lons, kinds, whole_depths, short_notes, st.none(), st.none()
    ),
    max_size=5,
)


def told(mark: MarkPoint) -> tuple[object, ...]:
    return mark.kind, mark.note, None if mark.top is None else round(mark.top, 2)


@given(marks)
def test_marks_survive_gpx(points):
    points = [
        p._replace(note="" if p.note == p.kind else p.note, radius=2.5) for p in points
    ]
    assert marks_from_gpx(marks_to_gpx(points, "metres")) == Imported(points)
    back = marks_from_gpx(marks_to_gpx(points, "feet"))
    assert list(map(told, back.items)) == list(map(told, points))


@given(marks)
@example(
    [
        MarkPoint(-0.000001, 179.9999999, "spot"),
        MarkPoint(59.99999999, -0.5, "ledge", 2.0, "Fjörd ä"),
    ]
)
def test_marks_survive_sentences(points):
    sent = marks_to_nmea(points, "metres")
    assert all(len(line) + 2 <= LONGEST_SENT_SENTENCE for line in sent.splitlines())
    back = marks_from_nmea(sent.encode())
    assert back.problems == []
    assert list(map(told, back.items)) == list(map(told, points))
    for one, again in zip(points, back.items, strict=True):
        assert (again.lat, again.lon) == pytest.approx((one.lat, one.lon), abs=1e-6)


@pytest.mark.parametrize(
    ("mark", "unit", "name"),
    [
        (MarkPoint(1.0, 2.0, "tree top", 4.572), "feet", "tree top 15 ft"),
        (MarkPoint(1.0, 2.0, "tree top", 4.5), "metres", "tree top 4.5 m"),
        (MarkPoint(1.0, 2.0, "spot", None, "old pier"), "feet", "old pier"),
        (MarkPoint(1.0, 2.0, "ledge", 3.0, "old pier"), "metres", "ledge old pier 3 m"),
        (
            MarkPoint(1.0, 2.0, "spot", None, "by the stump"),
            "feet",
            "spot: by the stump ? m",
        ),
        (
            MarkPoint(1.0, 2.0, "spot", None, "ledge north"),
            "feet",
            "spot: ledge north ? m",
        ),
    ],
)
def test_names_as_a_plotter_shows_them(mark, unit, name):
    assert waypoint_name(mark, unit) == name
    assert told(mark_named(1.0, 2.0, name)) == told(mark)


def test_two_of_one_name_are_told_apart_and_come_back_alike():
    point = MarkPoint(45.0, -93.0, "tree top", 4.572)
    sent = marks_to_nmea([point, point._replace(lat=45.1)], "feet")
    assert [line.split(",")[5].split("*")[0] for line in sent.splitlines()] == [
        "tree top 15 ft",
        "tree top 15 ft (2)",
    ]
    assert [told(mark) for mark in marks_from_nmea(sent.encode()).items] == [
        told(point)
    ] * 2


def test_a_long_name_is_cut_and_keeps_its_depth():
    (line,) = marks_to_nmea(
        [MarkPoint(45.0, -93.0, "ledge", 3.0, "long " * 30)], "metres"
    ).splitlines()
    assert len(line) <= LONGEST_SENT_SENTENCE - 2
    (mark,) = marks_from_nmea(line.encode()).items
    assert (mark.kind, mark.top) == ("ledge", 3.0)


def test_a_long_route_takes_several_sentences():
    places = [Waypoint(45.0, -93.0, f"a place of some length {n}") for n in range(7)]
    routes = [
        line for line in waypoints_to_nmea(places, "plan").splitlines() if "RTE" in line
    ]
    assert all(len(line) + 2 <= LONGEST_SENT_SENTENCE for line in routes)
    assert [line.split(",")[1:5] for line in routes] == [
        [str(len(routes)), str(n), "c", "plan"] for n in range(1, len(routes) + 1)
    ]
    names = [name for line in routes for name in line.split("*")[0].split(",")[5:]]
    assert names == [place.name for place in places]


@pytest.mark.parametrize(
    "body",
    [
        "IIWPL,9100.0,N,09300.0,W,a*7D",
        "IIWPL,4500.0,X,09300.0,W,a*6F",
        "IIWPL,nan,N,09300.0,W,a*1A",
        "IIWPL,45*26",
    ],
)
def test_a_waypoint_that_is_nowhere_is_named(body):
    from companion.sensing.framing import checksum

    text = body.partition("*")[0]
    read = marks_from_nmea(f"${text}*{checksum(text.encode()):02X}\r\n".encode())
    assert read.items == []
    assert len(read.problems) == 1


def test_a_damaged_waypoint_is_none():
    (line,) = marks_to_nmea([MarkPoint(45.0, -93.0, "ledge")], "metres").splitlines()
    assert marks_from_nmea(line.replace("4500", "4600").encode()).items == []
