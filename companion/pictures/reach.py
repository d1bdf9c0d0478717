"""How deep each rod gets: a table, a plot in characters, and a drawing in SVG.

All three show the same data (`companion.tackle.RodReach`): the path of each rod's lure from where it
lands to the rod, and the band that holds the truth in nine cases of ten.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from itertools import pairwise

from companion.tackle import RodReach
from companion.units import FOOT, YARD, LengthUnit, round_steps

COLOURS = ("#1b6ca8", "#d1603d", "#2f8f6b", "#8a5a9e", "#b8860b", "#4a4a4a")
"""Colours for rods: apart in lightness as well as in hue, so that colour-blind eyes can tell them."""
DASHES = ("", "9 4", "3 3", "12 3 3 3", "6 6", "1 4")
"""Line styles that go with the colours, for print and for eyes that see neither."""

_WIDTH, _HEIGHT = 960, 540
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 24, 56, 150

Points = Sequence[tuple[float, float]]


def table(found: Sequence[RodReach], unit: LengthUnit) -> str:
    """Return the reaches as lines of text in columns, with a note for each line that is only guessed."""
    short, far, pace = ("ft", "yd", "ft/s") if unit == "feet" else ("m", "m", "m/s")
    head = (
        "rod",
        "lure",
        "line",
        f"cast {far}",
        pace,
        f"reach {short}",
        "nine in ten",
        f"at {far}",
        "after s",
    )
    rows = [head, *(_row(one, unit) for one in found)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    notes = dict.fromkeys(one.guessed for one in found if one.guessed)
    return "\n".join([*(line.rstrip() for line in lines), *(f"note: {note}" for note in notes)]) + "\n"


def _row(one: RodReach, unit: LengthUnit) -> tuple[str, ...]:
    depth, far = _scales(unit)
    band = f"{one.reach.low / depth:.1f} to {one.reach.high / depth:.1f}"
    return (
        str(one.rod),
        one.lure,
        one.line,
        f"{one.cast / far:.0f}",
        f"{one.speed / depth:.1f}",
        f"{one.reach.best / depth:.1f}",
        band,
        f"{one.reach_at / far:.0f}",
        f"{one.reach_after:.0f}",
    )


def plot(found: Sequence[RodReach], unit: LengthUnit, width: int = 78, height: int = 20) -> str:
    """Return the paths drawn in characters: each rod's number marks its way, the rod tip is at the left."""
    depth, far = _scales(unit)
    deepest, longest = _extent(found)
    across, down = width - 6, height - 3
    canvas = [[" "] * across for _ in range(down)]
    for one in found:
        for x, z in _closely(one.path, across * 2):
            column, row = int(x / longest * (across - 1)), int(z / deepest * (down - 1))
            if 0 <= column < across:
                canvas[row][column] = str(one.rod)[-1]
    labels = {round(z * depth / deepest * (down - 1)): f"{z:g}" for z in round_steps(deepest / depth)}
    drawn = [f"{labels.get(row, ''):>5}|{''.join(cells).rstrip()}" for row, cells in enumerate(canvas)]
    ruler = [" "] * (across + 4)
    for x in round_steps(longest / far):
        at = round(x * far / longest * (across - 1))
        ruler[at : at + len(f"{x:g}")] = f"{x:g}"
    ticks = "".join(ruler)
    names = ("depth ft, distance from the rod tip yd", "depth and distance from the rod tip m")
    return (
        "\n".join(["     " + "~" * (across + 1), *drawn, f"      {ticks}".rstrip(), names[unit != "feet"]])
        + "\n"
    )


def svg(found: Sequence[RodReach], unit: LengthUnit) -> str:
    """Return the paths as an SVG drawing, readable without colour."""
    deepest, longest = _extent(found)
    frame = _Frame(longest, deepest)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        'font-family="sans-serif" font-size="14" role="img">',
        f"<title>{escape(_summary(found, unit))}</title>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fbfaf7"/>',
        f'<text x="{_LEFT}" y="30" font-size="19" fill="#222">How deep each rod gets</text>',
        *_axes(frame, unit),
        *(part for place, one in enumerate(found) for part in _band(one, place, frame)),
        *(part for place, one in enumerate(found) for part in _way(one, place, frame)),
        *(part for place, one in enumerate(found) for part in _legend(one, place, unit)),
        f'<text x="{_LEFT}" y="{_HEIGHT - 8}" font-size="11" fill="#555">'
        "Shaded: nine times in ten. Estimates for fishing; not for navigation.</text>",
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


class _Frame:
    """Where a distance and a depth, m, come to lie on the drawing."""

    def __init__(self, longest: float, deepest: float) -> None:
        self.longest, self.deepest = longest, deepest

    def x(self, distance: float) -> float:
        return _LEFT + distance / self.longest * (_WIDTH - _LEFT - _RIGHT)

    def y(self, depth: float) -> float:
        return _TOP + depth / self.deepest * (_HEIGHT - _TOP - _BOTTOM)

    def points(self, path: Points) -> str:
        return " ".join(f"{self.x(x):.1f},{self.y(z):.1f}" for x, z in path)


def _axes(frame: _Frame, unit: LengthUnit) -> Iterable[str]:
    depth, far = _scales(unit)
    left, right = frame.x(0.0), frame.x(frame.longest)
    for z in round_steps(frame.deepest / depth):
        y = frame.y(z * depth)
        yield f'<line x1="{left}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}" stroke="#d8d5cc"/>'
        yield f'<text x="{left - 8}" y="{y + 5:.1f}" text-anchor="end" fill="#444">{z:g}</text>'
    for x in round_steps(frame.longest / far):
        place = f'x="{frame.x(x * far):.1f}" y="{frame.y(frame.deepest) + 20:.1f}"'
        yield f'<text {place} text-anchor="middle" fill="#444">{x:g}</text>'
    yield f'<line x1="{left}" x2="{right}" y1="{_TOP}" y2="{_TOP}" stroke="#6b8fa3" stroke-width="2"/>'
    words = ("depth, ft; from the rod tip, yd", "depth and distance from the rod tip, m")[unit != "feet"]
    yield f'<text x="{right}" y="30" text-anchor="end" fill="#444">{words}</text>'


def _band(one: RodReach, place: int, frame: _Frame) -> Iterable[str]:
    outline = [*one.shallow, *reversed(one.deep)]
    yield f'<polygon points="{frame.points(outline)}" fill="{_style(place)[0]}" fill-opacity="0.13"/>'


def _way(one: RodReach, place: int, frame: _Frame) -> Iterable[str]:
    colour, dash = _style(place)
    yield (
        f'<polyline points="{frame.points(one.path)}" fill="none" stroke="{colour}" stroke-width="2.5"'
        + (f' stroke-dasharray="{dash}"' if dash else "")
        + "/>"
    )
    # The badges stand beside each other along the paths, so that rods that reach alike stay readable.
    x, z = one.path[min(len(one.path) - 1, len(one.path) * (4 + place % 6) // 14)]
    yield f'<circle cx="{frame.x(x):.1f}" cy="{frame.y(z):.1f}" r="10" fill="{colour}"/>'
    yield (
        f'<text x="{frame.x(x):.1f}" y="{frame.y(z) + 4.5:.1f}" text-anchor="middle" font-size="12" '
        f'fill="#fff">{one.rod}</text>'
    )


def _legend(one: RodReach, place: int, unit: LengthUnit) -> Iterable[str]:
    column, row = place % 2, place // 2
    x, y = _LEFT + column * 440, _HEIGHT - _BOTTOM + 48 + row * 18
    colour, dash = _style(place)
    yield (
        f'<line x1="{x}" x2="{x + 34}" y1="{y - 5}" y2="{y - 5}" stroke="{colour}" stroke-width="2.5"'
        + (f' stroke-dasharray="{dash}"' if dash else "")
        + "/>"
    )
    yield f'<text x="{x + 42}" y="{y}" font-size="12.5" fill="#222">{escape(_words(one, unit))}</text>'


def _words(one: RodReach, unit: LengthUnit) -> str:
    depth, far = _scales(unit)
    short, long = ("ft", "yd") if unit == "feet" else ("m", "m")
    return (
        f"{one.name}: {one.reach.best / depth:.1f} {short} "
        f"({one.reach.low / depth:.1f} to {one.reach.high / depth:.1f}), "
        f"{one.line}, {one.cast / far:.0f} {long} cast"
    )


def _summary(found: Sequence[RodReach], unit: LengthUnit) -> str:
    return "; ".join(_words(one, unit) for one in found)


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


def _scales(unit: LengthUnit) -> tuple[float, float]:
    """Return metres in the units that depths and casts are shown in."""
    return (FOOT, YARD) if unit == "feet" else (1.0, 1.0)


def _style(place: int) -> tuple[str, str]:
    """Return colour and dashes of the rod at a place in the list; no two of ten are alike in both."""
    rounds = place // len(COLOURS)
    return COLOURS[place % len(COLOURS)], DASHES[(place + rounds) % len(DASHES)]
