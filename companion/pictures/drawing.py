"""What every drawing is made of: frames that turn metres into places on paper, axes, rulers, hatches, signs.

A drawing is SVG whose parts bear the classes of `companion.pictures.palette`. Places on
paper are in the drawing's own units, x to the right and y down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from typing import NamedTuple

from companion.pictures.palette import sheet
from companion.units import Units, round_steps

NEAREST_POINTS = 1.2
"""Points of a line nearer than this to each other are drawn as one, in the drawing's units."""
WIDE_LETTER = 0.62
"""Width of a letter as a share of its size, on the safe side for the fonts that are used."""

Point = tuple[float, float]


class Box(NamedTuple):
    """A rectangle on paper."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def wide(self) -> float:
        """Its width."""
        return self.right - self.left

    @property
    def high(self) -> float:
        """Its height."""
        return self.bottom - self.top

    def meets(self, other: Box) -> bool:
        """Tell whether two rectangles have anything in common."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def holds(self, other: Box) -> bool:
        """Tell whether another rectangle lies wholly inside."""
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )

    def rect(self, kind: str, more: str = "") -> str:
        """Return the rectangle as SVG."""
        place = f'x="{self.left:.1f}" y="{self.top:.1f}" width="{self.wide:.1f}" height="{self.high:.1f}"'
        return f'<rect class="{kind}" {place}{more}/>'


def document(
    wide: float, high: float, title: str, parts: Iterable[str], *, alone: bool = True
) -> str:
    """Return a drawing as an SVG document; `alone` puts the colours of the day into it."""
    own = ""
    if alone:
        own = f"<style>{sheet('day')}</style>"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="drawing" width="{wide:.0f}" height="{high:.0f}" '
        f'viewBox="0 0 {wide:.0f} {high:.0f}" role="img"><title>{escape(title)}</title>{own}'
        f'<rect class="paper" width="{wide:.0f}" height="{high:.0f}"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


def text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    """Return words whose baseline begins, has its middle or ends at a place."""
    how, where = wrapped(' class="', kind, '"'), ""
    if anchor != "start":
        where = f' text-anchor="{anchor}"'
    return f'<text x="{x:.1f}" y="{y:.1f}"{how}{where}>{escape(words)}</text>'


def wrapped(before: str, inside: str | None, after: str = "") -> str:
    """Return words with what goes before and after them; "" where there are none.

    >>> wrapped("<b>", "5 ft", "</b>"), wrapped(", ", None)
    ('<b>5 ft</b>', '')
    """
    if not inside:
        return ""
    return f"{before}{inside}{after}"


def rounded(value: float, digits: int | None = None) -> float | None:
    """Return a number rounded for JSON; None for NaN and infinity, which JSON does not have."""
    if not math.isfinite(value):
        return None
    return round(value, digits)


def polyline(points: str, kind: str, more: str = "") -> str:
    """Return a line through points that are already places on paper."""
    return f'<polyline class="{kind}" points="{points}"{more}/>'


def outline(points: Iterable[Point], *, closed: bool = False) -> str:
    """Return path data through places on paper, in tenths, without those too near the one before."""
    kept = thinned(points)
    if not kept:
        return ""
    (x0, y0), parts = (round(10 * kept[0][0]), round(10 * kept[0][1])), [_pair(kept[0])]
    for point in kept[1:]:
        x, y = round(10 * point[0]), round(10 * point[1])
        parts.append(f"{(x - x0) / 10:g} {(y - y0) / 10:g}")
        x0, y0 = x, y
    path = f"M{parts[0]}" + (wrapped("l", " ".join(parts[1:])) or "h0")
    if closed:
        path += "Z"
    return path


def _pair(point: Point) -> str:
    return f"{round(10 * point[0]) / 10:g} {round(10 * point[1]) / 10:g}"


def thinned(points: Iterable[Point]) -> list[Point]:
    """Return points without those too near the one before to be told from it; both ends stay."""
    kept: list[Point] = []
    last: Point | None = None
    for last in points:
        if (
            not kept
            or abs(last[0] - kept[-1][0]) + abs(last[1] - kept[-1][1]) >= NEAREST_POINTS
        ):
            kept.append(last)
    if last is not None and kept[-1] != last:
        kept.append(last)
    return kept


class Plane(NamedTuple):
    """A piece of the lake's plane on paper, north up, one scale for both ways.

    `west` and `north` (m) lie at the box's left and top; `scale` is units of paper a
    metre.
    """

    box: Box
    west: float
    north: float
    scale: float

    @classmethod
    def fitting(
        cls, box: Box, west: float, south: float, east: float, north: float
    ) -> Plane:
        """Return the plane that shows a rectangle of m as large as a box holds, in its middle."""
        scale = min(
            box.wide / max(east - west, 1e-6), box.high / max(north - south, 1e-6)
        )
        wide, high = box.wide / scale, box.high / scale
        return cls(box, (west + east - wide) / 2.0, (south + north + high) / 2.0, scale)

    def x(self, east: float) -> float:
        """Return where m east lie."""
        return self.box.left + (east - self.west) * self.scale

    def y(self, north: float) -> float:
        """Return where m north lie."""
        return self.box.top + (self.north - north) * self.scale

    def places(self, line: Iterable[Sequence[float]]) -> Iterator[Point]:
        """Yield the places on paper of (east, north), m."""
        for east, north in line:
            yield self.x(float(east)), self.y(float(north))

    def path(self, line: Iterable[Sequence[float]], *, closed: bool = False) -> str:
        """Return path data along (east, north), m."""
        return outline(self.places(line), closed=closed)


class SideSection(NamedTuple):
    """A distance across and a depth down on paper: `longest` and `deepest` (m) fill the box."""

    box: Box
    longest: float
    deepest: float

    def x(self, away: float) -> float:
        """Return where a distance, m, lies."""
        return self.box.left + away / self.longest * self.box.wide

    def y(self, depth: float) -> float:
        """Return where a depth, m, lies."""
        return self.box.top + depth / self.deepest * self.box.high

    def points(self, way: Iterable[Point]) -> str:
        """Return points for an SVG along (distance, depth), m."""
        return " ".join(
            f"{x:.1f},{y:.1f}"
            for x, y in thinned((self.x(a), self.y(z)) for a, z in way)
        )

    def axes(self, units: Units, *, named: str = "from the rod tip") -> Iterator[str]:
        """Yield the surface, both axes with their figures, and what these are."""
        left, top, right, floor = self.box
        yield f'<path class="surface" d="M{left:.1f} {top:.1f}H{right:.1f}"/>'
        yield f'<path class="axis" d="M{left:.1f} {top:.1f}V{floor:.1f}H{right:.1f}"/>'
        for z in round_steps(self.deepest / units.depth_m)[1:]:
            y = self.y(z * units.depth_m)
            yield f'<path class="grid" d="M{left:.1f} {y:.1f}H{right:.1f}"/>'
            if y < floor - 4.0 or y <= floor:
                yield text(left - 7.0, y + 4.5, f"{z:g}", "tick", "end")
        for x in round_steps(self.longest / units.distance_m)[1:]:
            at, anchor = self.x(x * units.distance_m), "middle"
            if at > right - 12.0:
                anchor = "end"
            yield f'<path class="axis" d="M{at:.1f} {floor:.1f}v4"/>'
            yield text(at, floor + 17.0, f"{x:g}", "tick", anchor)
        yield text(left - 30.0, top - 9.0, units.depth_unit, "tick")
        yield text(right, floor + 32.0, f"{units.distance_unit} {named}", "tick", "end")


def ruler(plane: Plane, units: Units) -> Iterator[str]:
    """Yield a bar of a round length, and which way north is, below a map."""
    length = units.round_distance(0.25 * plane.box.wide / plane.scale)
    x, y, wide = (
        plane.box.left,
        plane.box.bottom + 22.0,
        length * units.distance_m * plane.scale,
    )
    yield f'<path class="ruler" d="M{x:.1f} {y - 6:.1f}v6h{wide:.1f}v-6"/>'
    yield text(x + wide + 8.0, y, f"{length:g} {units.distance_unit}")
    end = plane.box.right
    yield f'<path class="ruler" d="M{end - 8:.1f} {y:.1f}v-18m-5 7l5 -8l5 8"/>'
    yield text(end - 22.0, y, "north", "", "end")


class Labels:
    """Finds room for words, so that no label lies on another or over the edge of its box."""

    def __init__(self, box: Box) -> None:
        self._box = box
        self._taken: list[Box] = []

    def block(self, box: Box) -> None:
        """Keep labels out of a rectangle."""
        self._taken.append(box)

    def beside(
        self, x: float, y: float, words: str, size: float = 13.0, gap: float = 13.0
    ) -> str:
        """Return a label right, left, above or below a place, whichever has room; "" when none has."""
        wide, half = len(words) * WIDE_LETTER * size, 0.36 * size
        for dx, dy, anchor in (
            (gap, half, "start"), (-gap, half, "end"), (0.0, -gap, "middle"), (0.0, gap + 2 * half, "middle"),
            (gap, -gap, "start"), (-gap, -gap, "end"), (gap, gap + 2 * half, "start"),
            (-gap, gap + 2 * half, "end"),
        ):  # fmt: skip
            if self._has_room(x + dx, y + dy, wide, size, anchor):
                return text(x + dx, y + dy, words, "label strong", anchor)
        return ""

    def amid(self, places: Iterable[Point], words: str, size: float = 13.0) -> str:
        """Return a label over the first of some places that has room; "" when none has."""
        wide = len(words) * WIDE_LETTER * size
        for x, y in places:
            if self._has_room(x, y + 0.36 * size, wide, size, "middle"):
                return text(x, y + 0.36 * size, words, "label", "middle")
        return ""

    def _has_room(
        self, x: float, y: float, wide: float, size: float, anchor: str
    ) -> bool:
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
        wanted = Box(left - 2.0, y - size, left + wide + 2.0, y + 0.3 * size)
        if not self._box.holds(wanted) or any(wanted.meets(one) for one in self._taken):
            return False
        self._taken.append(wanted)
        return True


def hatches() -> str:
    """Return the patterns: doubt on a map, the doubt of a bottom seen from the side, and what is unknown."""

    def pattern(name: str, every: float, lines: str, turn: int = 45) -> str:
        how = f'width="{every}" height="{every}" patternUnits="userSpaceOnUse"'
        return f'<pattern id="{name}" {how} patternTransform="rotate({turn})">{lines}</pattern>'

    less = (
        '<path class="doubt-paper" d="M0 0V9"/><path class="doubt-ink" d="M1.8 0V9"/>'
    )
    least = (
        '<path class="doubt-wide" d="M0 0V5"/><path class="doubt-ink" d="M1.8 0V5"/>'
    )
    nothing = '<rect class="unknown" width="10" height="10"/><path class="unknown-hatch" d="M0 0V10"/>'
    return (
        "<defs>"
        + pattern("less", 9, less)
        + pattern("least", 5, least)
        + pattern("hatch", 7, '<path class="hatch" d="M0 0V7"/>')
        + pattern("unknown", 10, nothing, 135)
        + "</defs>"
    )


# -- signs --------------------------------------------------------------------------------------------

_MARKS = {
    "tree top": "M0 7V-6M0 -2L-5 -6M0 -2L5 -6M0 3L-4 0M0 3L4 0",
    "rock pile": "M-6 4a3 3 0 1 1 6 0a3 3 0 1 1 6 0M-3 -1.5a3 3 0 1 1 6 0",
    "high spot": "M-6 4Q-3 4 0 -5Q3 4 6 4",
    "grass edge": "M-6 5H6M-4 5V-3M0 5V-6M4 5V-2",
    "brush pile": "M-7 5L0 -5L7 5M-3 5L4 -4M3 5L-4 -4",
    "ledge": "M-7 -3H0V4H7",
    "point": "M-6 -5L6 0L-6 5",
    "stump": "M-3 5V-4H3V5M-6 5H6",
    "rock": "M-6 4L-3 -4L3 -5L6 4Z",
    "hump": "M-7 4Q0 -8 7 4",
    "channel": "M-7 -4Q-4 5 0 5Q4 5 7 -4",
    "spot": "M-5 -5L5 5M5 -5L-5 5",
}
_HAPPENED = {
    "touch": '<path class="sign-ink" d="M-8 -5H8L0 8Z"/>',
    "snag": '<path class="sign-cross" d="M-5 -5L5 5M5 -5L-5 5"/>',
    "broke off": '<path class="sign-cross" d="M-7 3L-2 -2M2 2L7 -3M0 -7V7"/>',
    "bite": '<circle class="sign-catch" r="7"/>',
    "lost fish": '<circle class="sign-open" r="6.5"/>',
    "fish": '<path class="sign-catch" d="M0 -11l3 7l8 1l-6 5l2 8l-7 -4l-7 4l2 -8l-6 -5l8 -1Z"/>',
}


def sign(kind: str) -> str:
    """Return the sign of what happened or of a kind of mark, about the place 0,0."""
    if kind in _HAPPENED:
        return _HAPPENED[kind]
    return f'<circle class="sign-disc" r="11"/><path class="sign" d="{_MARKS.get(kind, _MARKS["spot"])}"/>'


def signs() -> str:
    """Return every sign, to be drawn by `shared_sign` as often as a page wants it."""
    drawn = (
        f'<g id="{_sign_name(kind)}">{sign(kind)}</g>' for kind in (*_HAPPENED, *_MARKS)
    )
    return f"<defs>{''.join(drawn)}</defs>"


def shared_sign(kind: str) -> str:
    """Return the sign of a kind where the page has `signs` once."""
    if kind not in _HAPPENED and kind not in _MARKS:
        kind = "spot"
    return f'<use href="#{_sign_name(kind)}"/>'


def _sign_name(kind: str) -> str:
    return "sign-" + kind.replace(" ", "-")


def at(x: float, y: float, inside: str) -> str:
    """Return a part moved to a place."""
    return f'<g transform="translate({x:.1f} {y:.1f})">{inside}</g>'


def badge(x: float, y: float, words: str, place: int) -> str:
    """Return a disc in a rod's colour with a letter or a number on it."""
    return at(
        x,
        y,
        f'<circle class="badge fill-rod-{place % 6}" r="11"/>'
        f'<text class="badge-words" y="4.5" text-anchor="middle">{escape(words)}</text>',
    )


def round_up(rough: float) -> float:
    """Return 1, 2 or 5 times a power of ten, the nearest above."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(
        factor * power
        for factor in (1.0, 2.0, 5.0, 10.0)
        if factor * power >= rough * 0.999
    )
