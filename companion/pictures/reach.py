"""How deep each rod gets: a table, a plot in characters, and a drawing in SVG.

All three show the same data (`companion.tackle.RodReach`): the path of each rod's lure
from where it lands to the rod, and the band that holds the truth in nine cases of ten.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

from companion.pictures.drawing import Box, SideSection, badge, document, polyline, text
from companion.pictures.palette import ROD_DASHES, rod_class
from companion.tackle import RodReach
from companion.units import LengthUnit, Units, round_steps

_WIDE, _HIGH, _ROW = 960.0, 460.0, 26.0
_BOX = Box(64.0, 56.0, 936.0, 390.0)

Points = Sequence[tuple[float, float]]


def table(found: Sequence[RodReach], unit: LengthUnit) -> str:
    """Return the reaches as lines of text in columns, with a note for each line in doubt."""
    short, far = Units(unit).depth_unit, Units(unit).distance_unit
    head = (
        "rod",
        "lure",
        "line",
        f"cast {far}",
        f"{short}/s",
        f"reach {short}",
        "nine in ten",
        f"at {far}",
        "after s",
    )
    rows = [head, *(_row(one, unit) for one in found)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]
    notes = dict.fromkeys(one.line_doubt for one in found if one.line_doubt)
    return (
        "\n".join(
            [*(line.rstrip() for line in lines), *(f"note: {note}" for note in notes)]
        )
        + "\n"
    )


def _row(one: RodReach, unit: LengthUnit) -> tuple[str, ...]:
    depth, far = Units(unit).depth_m, Units(unit).distance_m
    band = f"{one.reach.low / depth:.1f} to {one.reach.high / depth:.1f}"
    return (
        str(one.rod),
        one.lure,
        _line(one, Units(unit)),
        f"{one.cast / far:.0f}",
        f"{one.speed / depth:.1f}",
        f"{one.reach.best / depth:.1f}",
        band,
        f"{one.reach_at / far:.0f}",
        f"{one.reach_after:.0f}",
    )


def plot(
    found: Sequence[RodReach], unit: LengthUnit, width: int = 78, height: int = 20
) -> str:
    """Return the paths drawn in characters: each rod's number marks its way, the rod tip is at the left."""
    depth, far = Units(unit).depth_m, Units(unit).distance_m
    deepest, longest = _extent(found)
    across, down = width - 6, height - 3
    canvas = [[" "] * across for _ in range(down)]
    for one in found:
        for x, z in _closely(one.path, across * 2):
            column, row = int(x / longest * (across - 1)), int(z / deepest * (down - 1))
            if 0 <= column < across:
                canvas[row][column] = str(one.rod)[-1]
    labels = {
        round(z * depth / deepest * (down - 1)): f"{z:g}"
        for z in round_steps(deepest / depth)
    }
    drawn = [
        f"{labels.get(row, ''):>5}|{''.join(cells).rstrip()}"
        for row, cells in enumerate(canvas)
    ]
    ruler = [" "] * (across + 4)
    for x in round_steps(longest / far):
        at = round(x * far / longest * (across - 1))
        ruler[at : at + len(f"{x:g}")] = f"{x:g}"
    ticks = "".join(ruler)
    names = {
        "feet": "depth ft, distance from the rod tip yd",
        "metres": "depth and distance from the rod tip m",
    }
    return (
        "\n".join(
            [
                "     " + "~" * (across + 1),
                *drawn,
                f"      {ticks}".rstrip(),
                names[unit],
            ]
        )
        + "\n"
    )


def svg(found: Sequence[RodReach], unit: LengthUnit) -> str:
    """Return the paths as an SVG drawing, readable without colour."""
    deepest, longest = _extent(found)
    units = Units(unit)
    rows = len(found)
    high = _HIGH + _ROW * rows
    section = SideSection(_BOX, longest, deepest)
    several = len({one.lure for one in found}) > 1
    words = [_words(one, units, lure=several) for one in found]
    parts = [
        text(_BOX.left, 30.0, "How deep each rod gets", "title"),
        _BOX.rect("water"),
        *(
            part
            for place, one in enumerate(found)
            for part in _band(one, place, section)
        ),
        *(
            part
            for place, one in enumerate(found)
            for part in _way(one, place, section)
        ),
        *section.axes(units),
        *(
            part
            for place, one in enumerate(found)
            for part in _legend(one, place, words[place])
        ),
        text(
            _BOX.left,
            high - 10.0,
            "Shaded: nine times in ten. Estimates for fishing; not for navigation.",
            "note",
        ),
    ]
    return document(_WIDE, high, "; ".join(words), parts)


def _band(one: RodReach, place: int, section: SideSection) -> Iterable[str]:
    outline = section.points([*one.shallow, *reversed(one.deep)])
    yield f'<polygon class="spread fill-rod-{place % len(ROD_DASHES)}" points="{outline}"/>'


def _way(one: RodReach, place: int, section: SideSection) -> Iterable[str]:
    yield polyline(section.points(one.path), f"way {rod_class(place)}")
    # The badges stand beside each other along the paths, so that rods that reach alike
    # stay readable.
    x, z = one.path[min(len(one.path) - 1, len(one.path) * (4 + place % 6) // 14)]
    yield badge(section.x(x), section.y(z), str(one.rod), place)


def _legend(one: RodReach, place: int, words: str) -> Iterable[str]:
    y = _BOX.bottom + 62.0 + place * _ROW
    yield f'<path class="way {rod_class(place)}" d="M{_BOX.left + 26.0} {y - 5:.1f}h40"/>'
    yield badge(_BOX.left + 6.0, y - 5.0, str(one.rod), place)
    yield text(_BOX.left + 78.0, y, words)


def _words(one: RodReach, units: Units, *, lure: bool) -> str:
    """Return what a rod reaches, with its lure where the rods carry several."""
    band = f"{units.depth_number(one.reach.low):.1f} to {units.depth_number(one.reach.high):.1f}"
    carries = f"{one.lure} on {_line(one, units)}" if lure else _line(one, units)
    return (
        f"{one.name}: {units.depth(one.reach.best)} ({band}), {carries}, "
        f"{units.distance(one.cast)} cast"
    )


def _line(one: RodReach, units: Units) -> str:
    """Return the line's name, with how long its leader is."""
    if one.leader is None:
        return one.line
    return one.line.replace(" leader", f" leader of {units.depth(one.leader)}")


def _extent(found: Sequence[RodReach]) -> tuple[float, float]:
    """Return the greatest depth and distance, m, that the pictures must hold."""
    deepest = max((z for one in found for _, z in one.deep), default=1.0)
    longest = max((x for one in found for x, _ in one.deep), default=1.0)
    return 1.05 * max(deepest, 0.1), max(longest, 1.0)


def _closely(path: Points, parts: int) -> Iterable[tuple[float, float]]:
    """Return points so close along a path that none is missed when drawn in characters."""
    for (x0, z0), (x1, z1) in pairwise(path):
        pieces = max(1, math.ceil(abs(x1 - x0) / max(path[0][0], 1e-9) * parts))
        for piece in range(pieces):
            yield x0 + (x1 - x0) * piece / pieces, z0 + (z1 - z0) * piece / pieces
