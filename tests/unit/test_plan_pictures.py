"""The table and the drawing of plans."""

import re
from xml.etree import ElementTree

import msgspec
import numpy as np
import pytest

from companion import config
from companion.casting.plan import Target, ground, plan
from companion.casting.swim import Wish
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief
from companion.pictures import plan as pictures
from companion.pictures.png import png
from companion.tackle import calibrations, reaches
from companion.units import fine_compass

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def planned():
    settings = config.parse(config.example_text(), "the example config")
    rods = reaches(settings.rods, calibrations(settings.rods))
    line = np.arange(0.0, 101.0, 2.0)
    east, north = np.meshgrid(line, line)
    depth = 3.4 + 3.0 / (1.0 + np.exp(-(east - 50.0) / 2.0)) + 0.01 * north
    depth[:, :3] = np.nan
    on = ground(
        Relief(line, line, depth, 0.2 + 0.0 * depth),
        [Mark(1, "tree top", 70.0, 50.0, radius=3.0, top=4.5)],
    )
    target = Target("lip & ledge", (np.array([[48.0, 30.0], [48.0, 70.0]]),))
    return plan(on, rods, target, Wish()), on, target


def test_the_table_has_a_line_for_each_plan(planned):
    found, _, _ = planned
    lines = pictures.table(found, "feet").splitlines()
    assert len(lines) == 1 + len(found)
    for letter, one, line in zip(pictures.PLAN_LETTERS, found, lines[1:], strict=False):
        assert line.startswith(f"{letter}  {one.name}")
        assert f"  {fine_compass(one.bearing)}  " in line
        assert line.endswith(one.manner)
    assert "yd" in lines[0]
    assert "yd" not in pictures.table(found, "metres")


def test_the_drawing_is_xml_within_its_frame(planned):
    found, on, target = planned
    root = ElementTree.fromstring(pictures.svg(found, on, target, "feet"))
    width, height = (float(root.get(side)) for side in ("width", "height"))
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert "Where to lie: lip & ledge" in words
    assert any("not for navigation" in one for one in words)
    moved = {
        id(part)
        for group in root.iter(f"{SVG}g")
        if group.get("transform")
        for part in group.iter()
    }
    assert all(
        0 <= float(t.get("x")) <= width and 0 <= float(t.get("y")) <= height
        for t in root.iter(f"{SVG}text")
        if id(t) not in moved
    )
    clipped = {id(part) for group in root.iter(f"{SVG}g") for part in group.iter()}
    for line in root.iter(f"{SVG}polyline"):
        if id(line) not in clipped:
            places = [
                tuple(map(float, pair.split(",")))
                for pair in line.get("points").split()
            ]
            assert all(0 <= x <= width and 0 <= y <= height for x, y in places)


def test_each_plan_is_on_the_map_and_in_a_section(planned):
    found, on, target = planned
    drawing = pictures.svg(found, on, target, "metres")
    root = ElementTree.fromstring(drawing)
    letters = [
        text.text for text in root.iter(f"{SVG}text") if text.text in ("A", "B", "C")
    ]
    assert sorted(letters) == sorted(2 * pictures.PLAN_LETTERS[: len(found)])
    assert png(drawing).startswith(b"\x89PNG")


@pytest.mark.parametrize("north", [10.0, 18.0, 26.0, 34.0])
def test_no_depth_of_a_contour_lies_under_a_cast(planned, north):
    found, on, target = planned
    # Casts side by side, where they cross every contour.
    found = [
        msgspec.structs.replace(one, north=north + 12.0 * i)
        for i, one in enumerate(found[:3])
    ]
    root = ElementTree.fromstring(pictures.svg(found, on, target, "feet"))
    labels = [one for one in root.iter(f"{SVG}text") if one.get("class") == "label"]
    places = np.array([(float(one.get("x")), float(one.get("y"))) for one in labels])
    inside = places[places[:, 0] < 650.0]
    assert len(inside)
    for way in root.iter(f"{SVG}path"):
        if not (way.get("class") or "").startswith("way "):
            continue
        ends = np.array(re.findall(r"[-\d.]+", way.get("d")), float).reshape(-1, 2)
        if len(ends) != 2:
            continue  # the lure's way in a section
        line = ends[0] + np.linspace(0.0, 1.0, 200)[:, None] * ends[1]
        # A label's middle is over the place it stands for, a third of a letter above
        # its foot.
        apart = np.abs(inside[:, None] - (0.0, 4.7) - line)
        assert not ((apart[:, :, 0] < 8.0) & (apart[:, :, 1] < 5.0)).any()


def test_nothing_found_is_still_a_map(planned):
    _, on, target = planned
    root = ElementTree.fromstring(pictures.svg((), on, target, "feet"))
    assert sum(1 for _ in root.iter(f"{SVG}path")) > 5
    assert pictures.table((), "feet").count("\n") == 1
