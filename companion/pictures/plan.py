"""The best ways to fish a target: a table, and a drawing with the map and a section along each cast.

On the map north is up; A, B and C are the boats and their lines the casts. In a section the boat is at the
left, the lure lands at the right and comes back along its line, thick where its metres count.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from itertools import pairwise

import contourpy
import numpy as np

from companion.casting.plan import Ground, Plan, Step, Target
from companion.casting.swim import Floats
from companion.pictures.reach import COLOURS, DASHES
from companion.units import FOOT, YARD, LengthUnit

LETTERS = "ABCDEFGHI"
"""What the plans are called on the drawing and in the table, best first."""

_WIDTH, _HEIGHT = 1240, 800
_MAP = (56, 64, 620)
_SECTION_LEFT, _SECTION_RIGHT, _SECTION_TOP, _SECTION_HEIGHT = 752, 1216, 64, 232
_HEAD, _FOOT = 44, 34
_SHALLOW, _DEEP = (222, 236, 232), (104, 146, 160)
_LAND, _BED, _TIMBER, _INK = "#f1ede2", "#b9a888", "#5f7a4c", "#242424"
_BANDS = 12
_NINE_IN_TEN = 1.645


def table(found: Sequence[Plan], unit: LengthUnit) -> str:
    """Return the plans as lines of text in columns, best first."""
    depth, far = _scales(unit)
    short, long = _names(unit)
    head = (
        "",
        "rod",
        "off",
        "cast to",
        f"{long} that count",
        "one in ten below",
        "sureness",
        f"over {short}",
        "",
    )
    rows = [
        (
            LETTERS[place],
            one.name,
            f"{one.stand_off / far:.0f} {long}",
            f"{one.bearing:.0f} deg",
            f"{one.metres / far:.0f}",
            f"{one.low / far:.0f}",
            f"{one.sureness:.0%}",
            "?" if one.depth is None else f"{one.depth / depth:.1f}",
            one.manner,
        )
        for place, one in enumerate(found)
    ]
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(len(head))]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in (head, *rows)
    ]
    return "\n".join(lines) + "\n"


def svg(found: Sequence[Plan], on: Ground, target: Target, unit: LengthUnit) -> str:
    """Return the plans as an SVG drawing, readable without colour: the map, a section of each of three."""
    chosen = found[:3]
    frame = _Map(on, chosen, target)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{_HEIGHT}" '
        f'viewBox="0 0 {_WIDTH} {_HEIGHT}" font-family="sans-serif" font-size="13" role="img">',
        f"<title>{escape('; '.join(_words(one, unit) for one in chosen))}</title>",
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fbfaf7"/>',
        f'<text x="{_MAP[0]}" y="36" font-size="20" fill="{_INK}">Where to lie: {escape(target.name)}</text>',
        *_chart(frame, on, unit),
        *_target(frame, target),
        *(part for place, one in enumerate(chosen) for part in _on_map(frame, one, place)),
        *(_badge(frame.x(one.east), frame.y(one.north), place) for place, one in enumerate(chosen)),
        *_scale_bar(frame, unit),
        *(part for place, one in enumerate(chosen) for part in _section(one, place, unit)),
        f'<text x="{_MAP[0]}" y="{_HEIGHT - 16}" font-size="12" fill="#555">Thick line: the lure is where it '
        "is wanted. Light edge of the bottom: nine times in ten it lies within. Estimates for fishing; not "
        "for navigation.</text>",
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


class _Map:
    """The square of the lake that holds all the casts and the target, and where it comes to lie."""

    def __init__(self, on: Ground, found: Sequence[Plan], target: Target) -> None:
        ends = [place for one in found for place in ((one.east, one.north), one.at(one.cast))]
        if target.place is not None:
            ends.append(target.place)
        if not ends:
            east, north = on.places()
            ends = [(float(east.min()), float(north.min())), (float(east.max()), float(north.max()))]
        low, high = np.min(ends, axis=0), np.max(ends, axis=0)
        self.side = max(float((high - low).max()) + 24.0, 70.0)
        self.west, self.south = (float(v) for v in (low + high) / 2.0 - self.side / 2.0)

    def x(self, east: float) -> float:
        return _MAP[0] + (east - self.west) / self.side * _MAP[2]

    def y(self, north: float) -> float:
        return _MAP[1] + _MAP[2] - (north - self.south) / self.side * _MAP[2]

    def points(self, line: Iterable[Sequence[float]]) -> str:
        return " ".join(f"{self.x(e):.1f},{self.y(n):.1f}" for e, n in line)


def _chart(frame: _Map, on: Ground, unit: LengthUnit) -> Iterable[str]:
    left, top, side = _MAP
    yield f'<clipPath id="map"><rect x="{left}" y="{top}" width="{side}" height="{side}"/></clipPath>'
    yield f'<rect x="{left}" y="{top}" width="{side}" height="{side}" fill="{_LAND}"/>'
    yield '<g clip-path="url(#map)">'
    yield from _depths(frame, on, unit)
    yield from _tree_tops(frame, on)
    yield "</g>"
    yield f'<rect x="{left}" y="{top}" width="{side}" height="{side}" fill="none" stroke="#8a8577"/>'
    yield (
        f'<path d="M{left + side - 26},{top + 44} v-30 m-6,10 l6,-10 l6,10" fill="none" stroke="{_INK}" '
        f'stroke-width="1.5"/><text x="{left + side - 26}" y="{top + 58}" text-anchor="middle" '
        f'fill="{_INK}">N</text>'
    )


def _depths(frame: _Map, on: Ground, unit: LengthUnit) -> Iterable[str]:
    """Yield the depth as tints and lines, the lines with their depths."""
    east, north = on.places()
    half = frame.side / 2
    near = np.maximum(abs(east - frame.west - half), abs(north - frame.south - half)) <= half + 2.0 * on.step
    depth = np.ma.masked_invalid(np.where(near & (on.depth > 0.0), on.depth, np.nan))
    if depth.count() < 4:
        return
    scale = _scales(unit)[0]
    every = _contour_step(float(depth.max() - depth.min()) / scale)
    first, last = math.floor(depth.min() / (every * scale)), math.ceil(depth.max() / (every * scale))
    levels = every * scale * np.arange(first, last + 1)
    drawn = contourpy.contour_generator(
        east[0],
        north[:, 0],
        depth,
        fill_type=contourpy.FillType.OuterOffset,
        line_type=contourpy.LineType.Separate,
    )
    for band, (low, high) in enumerate(pairwise(levels)):
        colour = _tint(band / max(len(levels) - 2, 1))
        for points, offsets in zip(*drawn.filled(low, high), strict=True):
            rings = (points[a:b] for a, b in pairwise(offsets))
            way = " ".join(f"M{frame.points(ring)}Z" for ring in rings)
            yield f'<path d="{way}" fill="{colour}" fill-rule="evenodd"/>'
    labels: list[tuple[float, float]] = []
    for level in levels:
        for line in (np.asarray(line, dtype=float) for line in drawn.lines(level)):
            yield f'<polyline points="{frame.points(line)}" fill="none" stroke="#5d7f8a" stroke-width="0.8"/>'
            yield from _label(frame, line, f"{level / scale:.0f}", labels)


def _label(frame: _Map, line: Floats, words: str, placed: list[tuple[float, float]]) -> Iterable[str]:
    """Yield the depth of a long contour once, well inside the map and apart from those placed already."""
    left, top, side = _MAP
    places = [(frame.x(e), frame.y(n)) for e, n in line]
    inside = [
        (x, y) for x, y in places if left + 20 < x < left + side - 40 and top + 70 < y < top + side - 40
    ]
    free = [place for place in inside if all(math.dist(place, other) > 40.0 for other in placed)]
    if len(inside) < 12 or not free:
        return
    x, y = free[len(free) // 5]
    placed.append((x, y))
    yield (
        f'<text x="{x:.1f}" y="{y + 4:.1f}" font-size="11" text-anchor="middle" fill="#2f5560" '
        f'stroke="#e6eeec" stroke-width="3" paint-order="stroke">{words}</text>'
    )


def _tree_tops(frame: _Map, on: Ground) -> Iterable[str]:
    east, north = on.places()
    standing = on.top < on.depth - 0.01
    half = 0.5 * on.step / frame.side * _MAP[2]
    for e, n in zip(east[standing], north[standing], strict=True):
        x, y = frame.x(float(e)), frame.y(float(n))
        crown = f"M{x:.1f},{y - half:.1f} l{half:.1f},{2 * half:.1f} h{-2 * half:.1f}Z"
        yield f'<path d="{crown}" fill="{_TIMBER}"/>'


def _target(frame: _Map, target: Target) -> Iterable[str]:
    if target.lines is None:
        return
    if target.place is not None:
        x, y = frame.x(target.place[0]), frame.y(target.place[1])
        radius = target.within / frame.side * _MAP[2]
        yield (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="none" stroke="{_INK}" '
            f'stroke-width="1.5" stroke-dasharray="2 4"/>'
        )
        yield f'<path d="M{x - 6:.1f},{y:.1f} h12 m-6,-6 v12" stroke="{_INK}" stroke-width="2"/>'
        return
    yield '<g clip-path="url(#map)">'
    for line in target.lines:
        yield (
            f'<polyline points="{frame.points(line)}" fill="none" stroke="{_INK}" stroke-width="2" '
            f'stroke-dasharray="2 5"/>'
        )
    yield "</g>"


def _on_map(frame: _Map, one: Plan, place: int) -> Iterable[str]:
    """Yield a cast and the stretch of it that counts."""
    colour, dash = COLOURS[place], DASHES[place]
    boat = (one.east, one.north)
    lines = (((boat, one.at(one.cast)), 2.0, dash), ((one.at(one.begins), one.at(one.ends)), 7.0, ""))
    for ends, width, pattern in lines:
        yield (
            f'<polyline points="{frame.points(ends)}" fill="none" stroke="{colour}" stroke-width="{width}" '
            f'stroke-linecap="round"' + (f' stroke-dasharray="{pattern}"' if pattern else "") + "/>"
        )
    x, y = frame.x(one.at(one.cast)[0]), frame.y(one.at(one.cast)[1])
    yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#fff" stroke="{colour}" stroke-width="2"/>'


def _badge(x: float, y: float, place: int) -> str:
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="12" fill="{COLOURS[place]}" stroke="#fff" stroke-width="2"/>'
        f'<text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" font-weight="bold" fill="#fff">'
        f"{LETTERS[place]}</text>"
    )


def _scale_bar(frame: _Map, unit: LengthUnit) -> Iterable[str]:
    far = _scales(unit)[1]
    length = max(step for step in (5, 10, 20, 50, 100, 200) if step * far <= 0.4 * frame.side)
    left, y = _MAP[0] + 14, _MAP[1] + _MAP[2] - 16
    wide = length * far / frame.side * _MAP[2]
    yield f'<path d="M{left},{y - 5} v5 h{wide:.1f} v-5" fill="none" stroke="{_INK}" stroke-width="1.5"/>'
    yield f'<text x="{left + 6}" y="{y - 6}" fill="{_INK}">{length} {_names(unit)[1]}</text>'
    depth = ("depths in feet", "depths in metres")[unit != "feet"]
    corner = f'x="{_MAP[0] + _MAP[2]}" y="{_MAP[1] + _MAP[2] + 18}"'
    yield f'<text {corner} text-anchor="end" fill="#444">{depth}</text>'


class _Frame:
    """Where a distance and a depth, m, come to lie in a section."""

    def __init__(self, one: Plan, place: int) -> None:
        depths = [s.bottom for s in one.way if s.bottom is not None] + [s.depth for s in one.way]
        self.deepest = min(1.15 * max(depths), 1.9 * max(one.reach, 1.0))
        self.longest = one.cast
        self.top = _SECTION_TOP + place * _SECTION_HEIGHT + _HEAD
        self.bottom = _SECTION_TOP + (place + 1) * _SECTION_HEIGHT - _FOOT

    def x(self, away: float) -> float:
        return _SECTION_LEFT + away / self.longest * (_SECTION_RIGHT - _SECTION_LEFT)

    def y(self, depth: float) -> float:
        return self.top + min(depth / self.deepest, 1.0) * (self.bottom - self.top)

    def points(self, way: Iterable[tuple[float, float]]) -> str:
        return " ".join(f"{self.x(away):.1f},{self.y(depth):.1f}" for away, depth in way)


def _section(one: Plan, place: int, unit: LengthUnit) -> Iterable[str]:
    frame, colour = _Frame(one, place), COLOURS[place]
    left, right, top = _SECTION_LEFT, _SECTION_RIGHT, frame.top
    yield _badge(left + 12, top - 28, place)
    first, second = _words(one, unit).split("; ")
    yield f'<text x="{left + 32}" y="{top - 31}" font-size="14" fill="{_INK}">{escape(first)}</text>'
    yield f'<text x="{left + 32}" y="{top - 14}" fill="#444">{escape(second)}</text>'
    yield f'<rect x="{left}" y="{top}" width="{right - left}" height="{frame.bottom - top}" fill="#e8f0ef"/>'
    for run in _known(one.way):
        yield from _bed(frame, run)
    yield from _axes(frame, unit)
    yield f'<line x1="{left}" x2="{right}" y1="{top}" y2="{top}" stroke="#6b8fa3" stroke-width="2"/>'
    yield (
        f'<polyline points="{frame.points((s.away, s.depth) for s in one.way)}" fill="none" '
        f'stroke="{colour}" stroke-width="2"'
        + (f' stroke-dasharray="{DASHES[place]}"' if DASHES[place] else "")
        + "/>"
    )
    for stretch in _counted(one.way):
        yield (
            f'<polyline points="{frame.points((s.away, s.depth) for s in stretch)}" fill="none" '
            f'stroke="{colour}" stroke-width="6" stroke-linecap="round"/>'
        )
    yield f'<path d="M{left - 4},{top - 6} h30 l8,-0 l-6,9 h-26 z" fill="{_INK}"/>'


def _known(way: Sequence[Step]) -> list[list[Step]]:
    """Return the runs of steps over a bottom that is known."""
    return _runs(way, [step.bottom is not None for step in way])


def _counted(way: Sequence[Step]) -> list[list[Step]]:
    """Return the runs of steps that count; one alone is drawn to the step after it."""
    runs = _runs(way, [step.counts for step in way])
    return [run if len(run) > 1 else [run[0], run[0]] for run in runs]


def _runs(way: Sequence[Step], chosen: Sequence[bool]) -> list[list[Step]]:
    runs: list[list[Step]] = []
    before = False
    for step, is_in in zip(way, chosen, strict=True):
        if is_in:
            runs = [*runs[:-1], [*runs[-1], step]] if before else [*runs, [step]]
        before = is_in
    return runs


def _bed(frame: _Frame, run: Sequence[Step]) -> Iterable[str]:
    """Yield the bottom, its band, and what stands on it."""
    ground = [(s.away, s.bottom or 0.0) for s in run]
    spread = [_NINE_IN_TEN * (s.sigma or 0.0) for s in run]
    higher = [(a, max(z - w, 0.0)) for (a, z), w in zip(ground, spread, strict=True)]
    lower = [(a, z + w) for (a, z), w in zip(ground, spread, strict=True)]
    floor = [(run[-1].away, frame.deepest), (run[0].away, frame.deepest)]
    for step in run:
        if step.top is not None and step.bottom is not None and step.top < step.bottom - 0.01:
            x, y = frame.x(step.away), frame.y(step.top)
            wide = frame.x(1.0) - frame.x(0.0)
            yield (
                f'<rect x="{x - wide / 2:.1f}" y="{y:.1f}" width="{wide:.1f}" '
                f'height="{frame.y(step.bottom) - y:.1f}" fill="{_TIMBER}" fill-opacity="0.75"/>'
            )
    yield f'<polygon points="{frame.points([*ground, *floor])}" fill="{_BED}"/>'
    yield f'<polygon points="{frame.points([*higher, *reversed(lower)])}" fill="#d8cbb0" fill-opacity="0.7"/>'
    yield f'<polyline points="{frame.points(ground)}" fill="none" stroke="#6d5c3f" stroke-width="1.5"/>'


def _axes(frame: _Frame, unit: LengthUnit) -> Iterable[str]:
    depth, far = _scales(unit)
    short, long = _names(unit)
    for z in _ticks(frame.deepest / depth, 4)[1:]:
        y = frame.y(z * depth)
        yield (
            f'<line x1="{_SECTION_LEFT}" x2="{_SECTION_RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="#fff" '
            f'stroke-opacity="0.6"/><text x="{_SECTION_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" '
            f'fill="#444">{z:g} {short}</text>'
        )
    for x in _ticks(frame.longest / far, 5):
        yield (
            f'<text x="{frame.x(x * far):.1f}" y="{frame.bottom + 16:.1f}" text-anchor="middle" '
            f'fill="#444">{x:g}{f" {long}" if x else ""}</text>'
        )


def _words(one: Plan, unit: LengthUnit) -> str:
    """Return a plan in two lines' worth of words, parted by a semicolon."""
    depth, far = _scales(unit)
    short, long = _names(unit)
    over = "" if one.depth is None else f", over {one.depth / depth:.0f} {short}"
    return (
        f"{one.name}, {one.stand_off / far:.0f} {long} off, cast to {one.bearing:.0f}°, {one.manner}{over}; "
        f"{one.metres / far:.0f} {long} where wanted, one cast in ten under {one.low / far:.0f}, "
        f"sureness {one.sureness:.0%}"
    )


def _contour_step(spread: float) -> float:
    rough = max(spread, 0.5) / _BANDS
    return next(step for step in (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if step >= rough)


def _ticks(most: float, about: int) -> list[float]:
    step = next(s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if s >= most / about)
    return [n * step for n in range(int(most / step) + 1)]


def _tint(share: float) -> str:
    return "#" + "".join(f"{round(a + share * (b - a)):02x}" for a, b in zip(_SHALLOW, _DEEP, strict=True))


def _scales(unit: LengthUnit) -> tuple[float, float]:
    """Return metres in the units that depths and distances are shown in."""
    return (FOOT, YARD) if unit == "feet" else (1.0, 1.0)


def _names(unit: LengthUnit) -> tuple[str, str]:
    return ("ft", "yd") if unit == "feet" else ("m", "m")
