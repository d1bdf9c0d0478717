"""The water along the cast, drawn from the side: an SVG picture, and the same in words.

Everything is told apart by shape, line style and label as well as by colour; colours, line widths and
type come from the page's style sheet, so that day and night need no second drawing. The boat is at the
left, the cast goes to the right, the bottom's shaded seam and the lure's shaded band each hold the truth
nine times in ten.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

import msgspec

from companion.glance import BottomPoint, SideView
from companion.units import FOOT, YARD, LengthUnit, round_steps

WIDTH, HEIGHT = 420, 270
"""The picture's extent in its own units, for the viewBox."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 10, 30, 36
NINE_IN_TEN = 1.645
"""How many sigmas either way hold the truth nine times in ten, for a normal distribution."""
DEEPEST_SHOWN = 2.5
"""A bottom deeper than so many times the lure's reach leaves the picture: what counts is near the lure."""

NEAR = 1.5
"""Points of a line nearer than this to each other are drawn as one, in the picture's units."""

Point = tuple[float, float]


class Drawing(NamedTuple):
    """The inside of an SVG element, and what can be seen in it in words."""

    picture: str
    words: str


def draw(side: SideView | None, unit: LengthUnit, under_boat: float | None) -> Drawing:
    """Draw the water along the cast.

    Args:
        side: what is there; None gives an empty water with its reason.
        unit: what depths and distances are shown in.
        under_boat: the depth under the boat, m, None when it is not known.
    """
    if side is None or not side.path:
        words = "The water along the cast is not known yet."
        return Drawing(_label(WIDTH / 2, 120, words), words)
    side = _as_far_as_the_cast(side)
    frame = _Frame(side, unit, under_boat)
    parts = [
        *_water(),
        *_ground(side.bottom, frame),
        *_path(side, frame),
        *_bottom(side.bottom, frame),
        *_sonar(under_boat, frame),
        *_tops(side, frame),
        *_axes(frame),
        *_lure(side.lure, frame),
    ]
    return Drawing("".join(parts), _words(side, frame))


def _label(x: float, y: float, text: str) -> str:
    return f'<text class="label" x="{x:.1f}" y="{y:.1f}" text-anchor="middle">{text}</text>'


def _as_far_as_the_cast(side: SideView) -> SideView:
    """Return the view with the bottom only where the lure comes, and none of it above the surface."""
    longest = max(x for x, _ in side.path)
    near = [p for p in side.bottom if p.away <= longest]
    bottom = [BottomPoint(p.away, None if p.depth is None else max(p.depth, 0.0), p.sigma) for p in near]
    return msgspec.structs.replace(side, bottom=tuple(bottom))


class _Frame:
    """Where a distance and a depth, m, come to lie in the picture; its extents change in whole steps."""

    def __init__(self, side: SideView, unit: LengthUnit, under_boat: float | None) -> None:
        self.unit: LengthUnit = unit
        self.deep, self.far = (FOOT, YARD) if unit == "feet" else (1.0, 1.0)
        reach = max(z for _, z in (*side.path, *side.deep))
        depths = [z for z in (*_lower_edges(side.bottom), under_boat) if z is not None]
        wanted = max([reach, *(z for _, z in side.tops), *depths])
        step = 5.0 * FOOT if unit == "feet" else 2.0
        self.deepest = step * math.ceil(max(min(wanted, DEEPEST_SHOWN * reach) * 1.08, step) / step)
        longest = max(x for x, _ in (*side.path, *side.deep))
        self.longest = 5.0 * self.far * math.ceil(max(longest * 1.02, self.far) / (5.0 * self.far))

    def x(self, distance: float) -> float:
        return _LEFT + distance / self.longest * (WIDTH - _LEFT - _RIGHT)

    def y(self, depth: float) -> float:
        return _TOP + depth / self.deepest * (HEIGHT - _TOP - _BOTTOM)

    def points(self, path: Iterable[Point]) -> str:
        """Return points for an SVG, without those too near the one before to be told from it."""
        kept: list[Point] = []
        ends = [(self.x(x), self.y(z)) for x, z in path]
        for x, y in ends:
            if not kept or abs(x - kept[-1][0]) + abs(y - kept[-1][1]) >= NEAR:
                kept.append((x, y))
        if ends and kept[-1] != ends[-1]:
            kept.append(ends[-1])
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in kept)

    def depth(self, metres: float) -> str:
        return f"{round(metres / FOOT)} ft" if self.unit == "feet" else f"{metres:.1f} m"

    def distance(self, metres: float) -> str:
        return f"{metres / self.far:.0f} {'yd' if self.unit == 'feet' else 'm'}"


def _lower_edges(bottom: Sequence[BottomPoint]) -> Iterator[float]:
    return (p.depth + NINE_IN_TEN * (p.sigma or 0.0) for p in bottom if p.depth is not None)


def _water() -> Iterator[str]:
    left, surface = _LEFT, _TOP
    place = f'x="{left}" y="{surface}" width="{WIDTH - _RIGHT - left}" height="{HEIGHT - _BOTTOM - surface}"'
    yield (
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M0 0V7"/></pattern><clipPath id="water">'
        f'<rect {place}/></clipPath></defs><rect class="water" {place}/>'
    )
    # The rod at the left: where every distance is counted from.
    yield f'<path class="rod" d="M{left - 16} {surface - 4}L{left} {surface - 20}"/>'


def _stretches(bottom: Sequence[BottomPoint]) -> Iterator[tuple[bool, list[tuple[float, float, float]]]]:
    """Yield the bottom in stretches, mapped or not, of (distance, depth, half the seam's width), m."""
    for mapped, stretch in groupby(bottom, lambda point: point.depth is not None):
        yield mapped, [(p.away, p.depth or 0.0, NINE_IN_TEN * (p.sigma or 0.0)) for p in stretch]


def _ground(bottom: Sequence[BottomPoint], frame: _Frame) -> Iterator[str]:
    floor = frame.deepest * 1.2
    yield '<g clip-path="url(#water)">'
    for mapped, stretch in _stretches(bottom):
        if mapped:
            line = [(x, z) for x, z, _ in stretch]
            ground = [*line, (line[-1][0], floor), (line[0][0], floor)]
            seam = [*((x, z - s) for x, z, s in stretch), *((x, z + s) for x, z, s in reversed(stretch))]
            yield f'<polygon class="ground" points="{frame.points(ground)}"/>'
            yield f'<polygon class="seam" fill="url(#hatch)" points="{frame.points(seam)}"/>'
    yield "</g>"


def _bottom(bottom: Sequence[BottomPoint], frame: _Frame) -> Iterator[str]:
    low = HEIGHT - _BOTTOM - 8
    yield '<g clip-path="url(#water)">'
    for mapped, stretch in _stretches(bottom):
        if mapped:
            yield f'<polyline class="bottom" points="{frame.points((x, z) for x, z, _ in stretch)}"/>'
        elif len(stretch) < len(bottom):
            yield _label(frame.x((stretch[0][0] + stretch[-1][0]) / 2), low, "?")
    yield "</g>"
    if note := _bottom_note(bottom, frame):
        yield _label((WIDTH + _LEFT) / 2, low, note)


def _bottom_note(bottom: Sequence[BottomPoint], frame: _Frame) -> str:
    depths = [p.depth for p in bottom if p.depth is not None]
    if not depths:
        return "bottom not mapped here"
    return "bottom deeper than this" if min(depths) > frame.deepest else ""


def _sonar(under_boat: float | None, frame: _Frame) -> Iterator[str]:
    if under_boat is not None and under_boat <= frame.deepest:
        x, y = frame.x(0.0), frame.y(under_boat)
        yield f'<path class="sonar" d="M{x:.1f} {y:.1f}h26m-6 -5v10"/>'


def _tops(side: SideView, frame: _Frame) -> Iterator[str]:
    for away, depth in side.tops:
        x, y = frame.x(away), frame.y(depth)
        floor = frame.y(min(_depth_at(side.bottom, away) or frame.deepest, frame.deepest))
        yield f'<path class="stem" d="M{x:.1f} {y:.1f}V{max(floor, y):.1f}"/>'
        yield f'<path class="top" d="M{x:.1f} {y:.1f}l7 13h-14z"/>'
        yield _label(x, y - 5, frame.depth(depth))


def _depth_at(bottom: Sequence[BottomPoint], away: float) -> float | None:
    """Return the mapped depth nearest to a distance, m."""
    near = [(abs(p.away - away), p.depth) for p in bottom if p.depth is not None]
    return min(near)[1] if near else None


def _path(side: SideView, frame: _Frame) -> Iterator[str]:
    if side.shallow and side.deep:
        outline = [*side.shallow, *reversed(side.deep)]
        yield f'<polygon class="band" points="{frame.points(outline)}"/>'
    yield f'<polyline class="path" points="{frame.points(side.path)}"/>'


def _axes(frame: _Frame) -> Iterator[str]:
    floor = HEIGHT - _BOTTOM
    yield f'<path class="surface" d="M{_LEFT} {_TOP}H{WIDTH - _RIGHT}"/>'
    yield f'<path class="axis" d="M{_LEFT} {_TOP}V{floor}H{WIDTH - _RIGHT}"/>'
    for z in round_steps(frame.deepest / frame.deep)[1:]:
        y = frame.y(z * frame.deep)
        yield f'<path class="axis" d="M{_LEFT - 4} {y:.1f}h4"/>'
        yield f'<text class="tick" x="{_LEFT - 7}" y="{y + 5:.1f}" text-anchor="end">{z:g}</text>'
    for x in round_steps(frame.longest / frame.far)[1:]:
        at = frame.x(x * frame.far)
        anchor = "end" if at > WIDTH - 24 else "middle"
        yield f'<text class="tick" x="{at:.1f}" y="{floor + 16}" text-anchor="{anchor}">{x:g}</text>'
    short, far = ("ft", "yd") if frame.unit == "feet" else ("m", "m")
    yield f'<text class="tick" x="2" y="{_TOP - 14}">{short}</text>'
    yield (
        f'<text class="tick" x="{WIDTH - _RIGHT}" y="{HEIGHT - 4}" text-anchor="end">'
        f"{far} from the rod tip</text>"
    )


def _lure(lure: Point | None, frame: _Frame) -> Iterator[str]:
    if lure is None:
        return
    x, y = frame.x(lure[0]), frame.y(lure[1])
    anchor, beside = ("end", -13) if x > WIDTH - 130 else ("start", 13)
    place = f'x="{x + beside:.1f}" y="{max(y - 6, _TOP - 8):.1f}" text-anchor="{anchor}"'
    yield f'<circle class="halo" cx="{x:.1f}" cy="{y:.1f}" r="9"/>'
    yield f'<path class="lure" d="M{x:.1f} {y - 8:.1f}l8 8l-8 8l-8 -8z"/>'
    yield f'<text class="now" {place}>lure {frame.depth(lure[1])}</text>'


def _words(side: SideView, frame: _Frame) -> str:
    bearing = "" if side.bearing is None else f", bearing {round(side.bearing) % 360:03d}°"
    whose = f"This cast{bearing}" if side.under_way else f"The usual cast over the bow{bearing}"
    reach = max(z for _, z in side.path)
    sentences = [f"{whose}: the lure gets to {frame.depth(reach)}."]
    if side.lure is not None:
        sentences.append(f"It is at {frame.depth(side.lure[1])}, {frame.distance(side.lure[0])} out.")
    sentences.append(_bottom_words(side.bottom, frame))
    if side.tops:
        highest = min(z for _, z in side.tops)
        count = f"{len(side.tops)} tree tops, the highest" if len(side.tops) > 1 else "A tree top"
        sentences.append(f"{count} at {frame.depth(highest)}.")
    return " ".join(sentences)


def _bottom_words(bottom: Sequence[BottomPoint], frame: _Frame) -> str:
    depths = [p.depth for p in bottom if p.depth is not None]
    if not depths:
        return "The bottom along it is not mapped."
    some = "" if len(depths) == len(bottom) else ", not mapped everywhere"
    sure = frame.depth(NINE_IN_TEN * max(p.sigma or 0.0 for p in bottom))
    least, most = frame.depth(min(depths)), frame.depth(max(depths))
    return f"The bottom along it: {least} to {most}, give or take up to {sure}{some}."
