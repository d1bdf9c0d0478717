"""The table, the plot in characters and the drawing show what was computed, and nothing else."""

import xml.etree.ElementTree as ET
from functools import cache

import pytest
from msgspec import structs

from companion.config import parse
from companion.pictures import reach as pictures
from companion.pictures.palette import rod_class
from companion.tackle import RodReach, calibrations, reaches
from companion.units import LengthUnit

SVG = "{http://www.w3.org/2000/svg}"
BOAT = "".join(
    f"""
[[rods]]
number = {number}
lure = "deep dorrow"
cast = "{50 - number} yd"
line = {{ material = "fluorocarbon", strength = "{10 + number} lb" }}
reel = {{ per_turn = "28 in", turns = "1.25 /s" }}
"""
    for number in (1, 2, 3)
)


@cache
def found() -> tuple[RodReach, ...]:
    rods = parse(BOAT).rods
    return reaches(rods, calibrations(rods))


@pytest.mark.parametrize(("unit", "metres"), [("feet", 0.3048), ("metres", 1.0)])
def test_table_has_each_rod_with_its_reach_and_says_what_is_guessed(
    unit: LengthUnit, metres: float
) -> None:
    lines = pictures.table(found(), unit).splitlines()
    for one, line in zip(found(), lines[1:4], strict=True):
        assert line.startswith(f"{one.rod} ")
        assert f" {one.reach.best / metres:.1f} " in line
        assert f"{one.reach.low / metres:.1f} to {one.reach.high / metres:.1f}" in line
    assert (
        len([line for line in lines if line.startswith("note: ") and "guessed" in line])
        == 3
    )


def test_the_drawing_names_the_lures_where_there_are_several() -> None:
    first, *others = found()
    assert first.lure not in pictures.svg(found(), "feet")
    drawn = pictures.svg((structs.replace(first, lure="fat dorrow"), *others), "feet")
    assert all(f"{name} on " in drawn for name in ("fat dorrow", "deep dorrow"))


def test_plot_puts_each_rod_as_deep_as_it_reaches() -> None:
    lines = pictures.plot(found(), "feet", width=80, height=40).splitlines()
    water = [line.split("|", 1)[1] for line in lines if "|" in line]
    assert all(len(line) <= 80 for line in lines)
    depth_of_row = (
        1.05 * max(z for one in found() for _, z in one.deep) / (len(water) - 1)
    )
    for one in found():
        deepest = max(row for row, line in enumerate(water) if str(one.rod) in line)
        hidden = [other.reach.best for other in found() if other.rod > one.rod]
        assert not hidden or deepest * depth_of_row == pytest.approx(
            one.reach.best, abs=2.1 * depth_of_row
        )


def test_drawing_is_svg_with_a_path_a_band_and_words_for_each_rod() -> None:
    root = ET.fromstring(pictures.svg(found(), "metres"))
    ways, bands = root.findall(f"{SVG}polyline"), root.findall(f"{SVG}polygon")
    assert len(ways) == len(bands) == len(found())
    styles = {way.get("class") for way in ways}
    assert len(styles) == len(found())
    words = [text.text or "" for text in root.iter(f"{SVG}text")]
    assert all(
        any(f"{one.reach.best:.1f} m" in word for word in words) for one in found()
    )
    assert any("not for navigation" in word for word in words)


def test_ten_rods_are_all_told_apart() -> None:
    assert len({rod_class(place) for place in range(10)}) == 10


def test_names_are_escaped() -> None:
    import msgspec

    odd = msgspec.structs.replace(found()[0], name="<b> & co", line='"q"')
    root = ET.fromstring(pictures.svg([odd], "feet"))
    assert any("<b> & co" in (text.text or "") for text in root.iter(f"{SVG}text"))
