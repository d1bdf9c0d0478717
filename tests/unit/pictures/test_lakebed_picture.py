"""The picture of the lakebed: what must be on it, and that eyes of every kind can read it."""

import json
import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from companion.lakebed.bed import Bed
from companion.pictures import lakebed as pictures
from companion.pictures.palette import DEPTH_RAMP
from companion.pictures.png import png
from companion.sensing.localplane import LocalPlane

PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def area():
    bed = Bed()
    for y in np.arange(0.0, 80.0, 8.0):
        for x in np.arange(0.0, 120.0, 2.0):
            bed.add(*PLANE.to_latlon(float(x), float(y)), 3.0 + 0.05 * float(x))
    rough = np.random.default_rng(3)
    for x in np.arange(0.0, 120.0, 6.0):  # a line by itself over broken ground
        bed.add(*PLANE.to_latlon(float(x), 150.0), 6.0 + float(rough.normal(0.0, 1.0)))
    bed.mark("tree top", *PLANE.to_latlon(60.0, 40.0), depth=2.0, note='"old" & <tall>')
    bed.mark("ledge", *PLANE.to_latlon(20.0, 20.0))
    return bed.areas[0]


@pytest.fixture(scope="module")
def drawn(area):
    return pictures.chart(area, "Invented lake", [np.array([[0.0, 0.0], [60.0, 40.0]])])


def test_drawing_has_bands_hatching_key_track_and_marks(drawn):
    root = ET.fromstring(pictures.svg(drawn, "feet"))
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert root.find(f"{SVG}title").text == "Invented lake"
    for wanted in (
        "depth, ft",
        "nine times in ten",
        "not known",
        "where the boat went",
        "tree top",
        "7 ft",
    ):
        assert wanted in words
    assert any("Not for navigation" in (word or "") for word in words)
    fills = {path.get("fill") for path in root.iter(f"{SVG}path")}
    assert {"url(#less)", "url(#least)"} <= fills
    assert len(bands(root)) >= 4


def bands(root):
    """The bands of depth on a map: (place in the ramp, path data)."""
    drawn = (
        (*path.get("class", "").partition(" depth-"), path.get("d"))
        for path in root.iter(f"{SVG}path")
    )
    return [(int(place), data) for kind, _, place, data in drawn if kind == "depth"]


def heading(area, box=None):
    sheet = pictures.chart(area, "slope", box=box)
    words = [
        text.text or ""
        for text in ET.fromstring(pictures.svg(sheet, "metres")).iter(f"{SVG}text")
    ]
    return sheet, next(word for word in words if "Not for navigation" in word)


def test_what_is_only_guessed_makes_no_figure_in_the_heading():
    """A slope up from 8 m to 4 m: beyond its ends the bottom is drawn, hatched, and goes on."""
    bed = Bed()
    for x in np.arange(0.0, 81.0, 2.0):
        for y in (0.0, 6.0):
            bed.add(*PLANE.to_latlon(float(x), y), 8.0 - 0.05 * float(x))
    sheet, words = heading(bed.areas[0])
    assert words.startswith("sounded 4.1 to 7.9 m deep.")  # means of cells
    assert np.nanmin(sheet.grid.depth) < 3.6
    assert np.nanmax(sheet.grid.depth) > 8.4
    assert heading(bed.areas[0], (84.0, -6.0, 90.0, 6.0))[1].startswith(
        "not sounded here, only around."
    )


def test_metres_are_shown_as_metres(drawn):
    words = [
        text.text
        for text in ET.fromstring(pictures.svg(drawn, "metres")).iter(f"{SVG}text")
    ]
    assert "depth, m" in words
    assert "2.0 m" in words


def test_deeper_bottom_lies_in_darker_bands(drawn):
    """The bottom falls to the east: so do the middles of the bands' paths."""
    places = bands(ET.fromstring(pictures.svg(drawn, "metres")))
    assert len(places) >= 4
    west = [float(re.match(r"M([\d.]+) ", data)[1]) for _, data in sorted(places)]
    assert west == sorted(west)
    assert max(place for place, _ in places) < len(DEPTH_RAMP["day"])


def test_page_tells_the_depth_under_the_pointer(drawn):
    page = pictures.html(drawn, "metres")
    data = json.loads(re.search(r"bed = (\{.*\});", page)[1])
    rows, columns = len(data["depth"]), len(data["depth"][0])
    middle = data["depth"][rows // 2][columns // 2]
    assert middle == pytest.approx(6.0, abs=0.5)
    assert data["within"][rows // 2][columns // 2] < 1.0
    assert "&quot;old&quot; &amp; &lt;tall&gt;" in page
    assert "<tall>" not in page
    assert data["length"] > 0.0
    assert data["lengthUnit"] == "m"
    for band in re.findall(r">([\d.]+ to [\d.]+)</text>", page):
        assert f"</svg>{band} m</span>" in page, "the key wraps below the drawing, too"


def test_it_becomes_a_png(drawn):
    assert png(pictures.svg(drawn, "feet"), zoom=0.5).startswith(b"\x89PNG")


def test_the_same_lake_gives_the_same_drawing(area, drawn):
    again = pictures.chart(area, "Invented lake", drawn.tracks)
    assert pictures.svg(again, "feet") == pictures.svg(drawn, "feet")


def test_a_piece_of_it_and_a_place_where_nothing_is(area):
    piece = pictures.chart(area, "piece", box=(40.0, 20.0, 80.0, 60.0))
    assert [mark.kind for mark in piece.marks] == ["tree top"]
    assert piece.box == pytest.approx((40.0, 20.0, 80.0, 60.0), abs=1.0)
    assert pictures.chart(area, "elsewhere", box=(4000.0, 0.0, 4100.0, 100.0)) is None


def test_marks_alone_and_nothing_at_all():
    bed = Bed()
    bed.mark("spot", PLANE.lat, PLANE.lon)
    words = pictures.svg(pictures.chart(bed.areas[0], "marks"), "feet")
    assert "nothing is sounded here" in words
    bed.unmark(next(iter(bed.areas[0].marks)))
    assert pictures.chart(bed.areas[0], "nothing") is None


def test_a_track_of_one_line_is_drawn():
    bed = Bed()
    for x in range(30):
        bed.add(*PLANE.to_latlon(2.0 * x, 0.0), 4.0)
    assert "within" in pictures.svg(pictures.chart(bed.areas[0], "one line"), "feet")
