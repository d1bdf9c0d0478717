"""The lakebed as a picture: depth, how well it is known, where the boat has been, and the marks.

Depth is drawn in bands from sand to ink, each darker than the one above it, so that the order of depths
needs no hue: it survives colour-blind eyes, grey print and glare. What is less well known is hatched, and
where nothing is known there is paper. One drawing in SVG serves all; HTML adds what is under the pointer.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

import contourpy
import numpy as np

from companion.lakebed.bed import Area
from companion.lakebed.cells import FloatArray
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief, contours, relief
from companion.sensing.localplane import LocalPlane
from companion.units import FOOT, YARD, LengthUnit

Box = tuple[float, float, float, float]
"""West, south, east, north, m on the lake's plane."""

RAMP = ("#f7ecd0", "#dfdcae", "#b3cba2", "#7db39f", "#4f979e", "#33789a", "#2a578a", "#243a6c", "#1b2148")
"""Shallow to deep: each step is darker than the one before, to any eye."""
INK, PAPER, TRACK = "#14171f", "#fffdf8", "#8a2f1d"
NINE_IN_TEN = 1.645
"""Standard deviations that hold nine cases of ten, if errors are normal."""
SURE, LESS_SURE = 0.3, 0.6
"""Standard deviations, m, from which the bottom is hatched, and hatched closely."""
LEAST_SURE = 1.2
"""Standard deviation, m, from which a depth is not worth drawing."""

_MAP_WIDE, _MAP_HIGH = 900.0, 820.0
_LEFT, _TOP, _KEY, _FOOT = 20.0, 64.0, 230.0, 40.0
_KEY_HIGH = 470.0  # without the marks
_MOST_POINTS = 40_000
_MOST_DOTS = 12_000
_ROOM = 15.0  # m of paper around what was sounded


@dataclass(frozen=True, slots=True)
class Chart:
    """What is drawn of an area.

    `grid` is the bottom, `sounded` (k, 2) the places of soundings and `tracks` (n, 2) each the boat's
    ways, m on the `plane`; `span` is the shallowest and the deepest sounding, m; `level` is how far today's
    water stands above the marks' zero, m.
    """

    title: str
    plane: LocalPlane
    grid: Relief
    sounded: FloatArray
    span: tuple[float, float] | None
    tracks: Sequence[FloatArray]
    marks: Sequence[Mark]
    level: float

    @property
    def box(self) -> Box:
        """What it spans, m on the plane."""
        grid = self.grid
        return float(grid.east[0]), float(grid.north[0]), float(grid.east[-1]), float(grid.north[-1])


def chart(area: Area, title: str, tracks: Sequence[FloatArray] = (), box: Box | None = None) -> Chart | None:
    """Return what is to be drawn of an area, or of a box on it; None when nothing is known there."""
    cells, marks = area.surface.sounded(), list(area.marks)
    places = np.concatenate((cells[:, :2], np.array([(m.east, m.north) for m in marks]).reshape(-1, 2)))
    if not len(places):
        return None
    box = box or _around(places)
    grid = _worth_drawing(relief(area.surface, 1.0, box, _MOST_POINTS))
    inside = [mark for mark in marks if box[0] <= mark.east <= box[2] and box[1] <= mark.north <= box[3]]
    sounded = cells[_within(cells, box), :3]
    if not inside and np.isnan(grid.depth).all():
        return None
    every = max(1, math.ceil(len(sounded) / _MOST_DOTS))
    span = (float(sounded[:, 2].min()), float(sounded[:, 2].max())) if len(sounded) else None
    return Chart(title, area.plane, grid, sounded[::every, :2], span, tracks, inside, area.surface.level)


def svg(drawn: Chart, unit: LengthUnit) -> str:
    """Return the chart as an SVG document."""
    return "\n".join(_Sheet(drawn, unit).lines())


def html(drawn: Chart, unit: LengthUnit) -> str:
    """Return the chart as a page by itself: the drawing, the depth under the pointer, a table of marks."""
    sheet = _Sheet(drawn, unit)
    rows = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in sheet.table())
    head = "".join(f"<th>{cell}</th>" for cell in ("no.", "what", "top", "note", "latitude", "longitude"))
    return _PAGE.format(
        title=escape(drawn.title),
        drawing="\n".join(sheet.lines()),
        table=f"<table><tr>{head}</tr>{rows}</table>" if rows else "<p>No marks here.</p>",
        data=json.dumps(sheet.data(), separators=(",", ":")),
    )


class _Sheet:
    """The paper: where metres lie on it, and what is drawn there."""

    def __init__(self, drawn: Chart, unit: LengthUnit) -> None:
        self._chart, self._unit = drawn, unit
        self._short, self._length = ("ft", FOOT) if unit == "feet" else ("m", 1.0)
        west, south, east, north = drawn.box
        self._scale = min(_MAP_WIDE / max(east - west, 1.0), _MAP_HIGH / max(north - south, 1.0))
        self._west, self._north = west, north
        self.map_wide, self.map_high = (east - west) * self._scale, (north - south) * self._scale
        self.wide = _LEFT + self.map_wide + _KEY
        self.high = _TOP + max(self.map_high + _FOOT, _KEY_HIGH + 28.0 * len({m.kind for m in drawn.marks}))
        self._edges = _bands(drawn.grid, self._length)

    def lines(self) -> Iterable[str]:
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.wide:.0f}" height="{self.high:.0f}" '
            f'viewBox="0 0 {self.wide:.0f} {self.high:.0f}" font-family="sans-serif" font-size="14" '
            'role="img">'
        )
        yield f"<title>{escape(self._chart.title)}</title>"
        yield _HATCHES
        yield f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        yield f'<text x="{_LEFT}" y="32" font-size="22" font-weight="bold" fill="{INK}">'
        yield f"{escape(self._chart.title)}</text>"
        yield f'<text x="{_LEFT}" y="53" fill="{INK}">{escape(self._subtitle())}</text>'
        yield f'<g clip-path="url(#map)"><clipPath id="map">{self._frame("")}</clipPath>'
        for part in (self._fills, self._doubts, self._dots, self._tracks, self._contours, self._marks):
            yield from part()
        yield "</g>"
        yield self._frame(f'fill="none" stroke="{INK}" stroke-width="1.5"')
        yield from self._key()
        yield from self._ruler()
        yield "</svg>"

    def table(self) -> Iterable[tuple[str, ...]]:
        for mark in self._chart.marks:
            lat, lon = self._chart.plane.to_latlon(mark.east, mark.north)
            top = "" if mark.top is None else f"{self._shown(mark.top + self._chart.level)} {self._short}"
            yield str(mark.number), mark.kind, top, mark.note, f"{lat:.6f}", f"{lon:.6f}"

    def data(self) -> dict[str, object]:
        """Return what the page needs to tell the depth under the pointer."""
        grid, per = self._chart.grid, self._length

        def rounded(values: FloatArray) -> list[list[float | None]]:
            return [[None if math.isnan(v) else round(v / per, 1) for v in row] for row in values.tolist()]

        return {
            "unit": self._short,
            "map": [_LEFT, _TOP, self.map_wide, self.map_high],
            "depth": rounded(grid.depth),
            "within": rounded(NINE_IN_TEN * grid.sigma),
        }

    def _subtitle(self) -> str:
        if np.isnan(self._chart.grid.depth).all():
            return "marks only: nothing is sounded here"
        # A guess beside the soundings may be far off: it is drawn as one, and no figure is made of it.
        span = self._chart.span
        depths = "not sounded here, only around"
        if span is not None:
            depths = f"sounded {self._shown(span[0])} to {self._shown(span[1])} {self._short} deep"
        level = self._chart.level
        water = (
            ""
            if not level
            else f", water {self._shown(abs(level))} {self._short} {'down' if level < 0 else 'up'}"
        )
        return f"{depths}{water}. Not for navigation: depths and marks may be wrong."

    def _shown(self, metres: float) -> str:
        return f"{metres / self._length:.{0 if self._unit == 'feet' else 1}f}"

    def _xy(self, east: float, north: float) -> tuple[float, float]:
        return _LEFT + (east - self._west) * self._scale, _TOP + (self._north - north) * self._scale

    def _path(self, points: FloatArray) -> str:
        x, y = self._xy(points[:, 0], points[:, 1])  # type: ignore[arg-type]
        return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(np.asarray(x), np.asarray(y), strict=True))

    def _frame(self, style: str) -> str:
        return (
            f'<rect x="{_LEFT}" y="{_TOP}" width="{self.map_wide:.1f}" height="{self.map_high:.1f}" {style}/>'
        )

    def _area(self, values: FloatArray, low: float, high: float) -> str:
        """Return the path around where values lie between two figures."""
        grid = self._chart.grid
        generator = contourpy.contour_generator(
            grid.east,
            grid.north,
            np.ma.masked_invalid(values),
            fill_type=contourpy.FillType.OuterOffset,
            corner_mask=True,
        )
        polygons, offsets = generator.filled(low, high)[:2]
        return "".join(
            self._path(np.asarray(points)[first:last]) + "Z"
            for points, starts in zip(polygons, offsets, strict=True)
            for first, last in pairwise(np.asarray(starts).tolist())
        )

    def _fills(self) -> Iterable[str]:
        if min(self._chart.grid.depth.shape) < 2:
            return
        for place, (low, high) in enumerate(zip(self._edges[:-1], self._edges[1:], strict=True)):
            path = self._area(self._chart.grid.depth, low, high)
            if path:
                colour = _colour(place, len(self._edges) - 1)
                # A stroke of the same colour closes the hair between bands that rasterisers leave.
                style = f'fill="{colour}" stroke="{colour}" stroke-width="0.6" fill-rule="evenodd"'
                yield f'<path d="{path}" {style}/>'

    def _doubts(self) -> Iterable[str]:
        if min(self._chart.grid.depth.shape) < 2:
            return
        for low, high, hatch in ((SURE, LESS_SURE, "less"), (LESS_SURE, LEAST_SURE, "least")):
            if path := self._area(self._chart.grid.sigma, low, high):
                yield f'<path d="{path}" fill="url(#{hatch})" fill-rule="evenodd"/>'

    def _dots(self) -> Iterable[str]:
        radius = min(max(0.35 * self._scale, 0.7), 1.6)
        places = (self._xy(*place) for place in self._chart.sounded.tolist())
        dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in places)
        if dots:
            for colour, wide in ((PAPER, 2.0 * radius + 1.2), (INK, 2.0 * radius)):
                style = f'stroke="{colour}" stroke-width="{wide:.1f}" stroke-opacity="0.6"'
                yield f'<path d="{dots}" {style} stroke-linecap="round"/>'

    def _tracks(self) -> Iterable[str]:
        for way in map(self._path, self._chart.tracks):
            yield from (
                f'<path d="{way}" fill="none" stroke="{colour}" stroke-width="{wide}" '
                'stroke-linejoin="round" stroke-opacity="0.85"/>'
                for colour, wide in ((PAPER, 3.6), (TRACK, 1.8))
            )

    def _contours(self) -> Iterable[str]:
        # Every edge of a band is a contour; it is left out where the bottom is only guessed.
        for contour in contours(self._chart.grid, self._edges[1] - self._edges[0], surer_than=LESS_SURE):
            shown, longest = f"{contour.depth / self._length:g}", max(contour.lines, key=len)
            for line in contour.lines:
                yield f'<path d="{self._path(line)}" fill="none" stroke="{INK}" stroke-width="1.1"/>'
            x, y = self._xy(*longest[len(longest) // 3].tolist())
            if len(longest) >= 12:
                yield _haloed(x, y + 4.5, shown, "middle", 13)

    def _marks(self) -> Iterable[str]:
        for mark in self._chart.marks:
            x, y = self._xy(mark.east, mark.north)
            yield f'<g transform="translate({x:.1f} {y:.1f})">{_symbol(mark)}</g>'
            if mark.top is not None:
                words = f"{self._shown(mark.top + self._chart.level)} {self._short}"
                near_edge = x + 14 + 8 * len(words) > _LEFT + self.map_wide
                yield _haloed(
                    x + (-14 if near_edge else 14), y + 5, words, "end" if near_edge else "start", 14
                )

    def _key(self) -> Iterable[str]:
        x, y = _LEFT + self.map_wide + 22.0, _TOP + 4.0
        yield f'<text x="{x}" y="{y + 8}" font-weight="bold" fill="{INK}">depth, {self._short}</text>'
        y += 20.0
        bands = len(self._edges) - 1
        high = min(26.0, 234.0 / bands)
        for place in range(bands):
            low, deep = (f"{edge / self._length:g}" for edge in self._edges[place : place + 2])
            yield (
                f'<rect x="{x}" y="{y:.1f}" width="40" height="{high:.1f}" fill="{_colour(place, bands)}" '
                f'stroke="{INK}" stroke-width="0.6"/>'
            )
            if high >= 14.0 or place % 2 == 0:
                yield f'<text x="{x + 48}" y="{y + high / 2 + 5:.1f}" fill="{INK}">{low} to {deep}</text>'
            y += high
        yield from self._key_of_doubt(x, y + 30.0)

    def _key_of_doubt(self, x: float, y: float) -> Iterable[str]:
        yield f'<text x="{x}" y="{y}" font-weight="bold" fill="{INK}">nine times in ten</text>'
        sure, less = (f"{NINE_IN_TEN * sigma / self._length:.1f}" for sigma in (SURE, LESS_SURE))
        words = (f"within {sure} {self._short}", f"within {less} {self._short}", "a guess", "not known")
        for place, (text, fill) in enumerate(
            zip(words, (RAMP[3], "url(#less)", "url(#least)", PAPER), strict=True)
        ):
            top = y + 10.0 + 26.0 * place
            back = RAMP[3] if place < 3 else PAPER
            for colour in (back, fill):
                yield (
                    f'<rect x="{x}" y="{top:.1f}" width="40" height="20" fill="{colour}" '
                    f'stroke="{INK}" stroke-width="0.6"/>'
                )
            yield f'<text x="{x + 48}" y="{top + 15:.1f}" fill="{INK}">{text}</text>'
        yield from self._key_of_places(x, y + 138.0)

    def _key_of_places(self, x: float, y: float) -> Iterable[str]:
        if self._chart.tracks:
            yield f'<path d="M{x} {y}h40" stroke="{TRACK}" stroke-width="2.2"/>'
            yield f'<text x="{x + 48}" y="{y + 5}" fill="{INK}">where the boat went</text>'
            y += 26.0
        kinds = {mark.kind: mark for mark in self._chart.marks}
        for kind, mark in kinds.items():
            yield f'<g transform="translate({x + 20} {y})">{_symbol(mark)}</g>'
            yield f'<text x="{x + 48}" y="{y + 5}" fill="{INK}">{kind}</text>'
            y += 28.0

    def _ruler(self) -> Iterable[str]:
        far, name = (YARD, "yd") if self._unit == "feet" else (1.0, "m")
        length = _round_length(160.0 / self._scale / far)
        x, y, wide = _LEFT, _TOP + self.map_high + 26.0, length * far * self._scale
        yield f'<path d="M{x} {y - 6}v6h{wide:.1f}v-6" fill="none" stroke="{INK}" stroke-width="2"/>'
        yield f'<text x="{x + wide + 8:.1f}" y="{y}" fill="{INK}">{length:g} {name}</text>'
        end = _LEFT + self.map_wide
        yield f'<path d="M{end - 8:.1f} {y}v-20m-5 7l5 -8l5 8" fill="none" stroke="{INK}" stroke-width="2"/>'
        yield f'<text x="{end - 22:.1f}" y="{y}" text-anchor="end" fill="{INK}">north</text>'


def _worth_drawing(grid: Relief | None) -> Relief:
    assert grid is not None  # the box was given
    # Towards a shore the surface runs on above the water: that is land, or not known.
    hidden = ~(grid.sigma < LEAST_SURE) | ~(grid.depth > 0.0)
    depth, sigma = (np.where(hidden, np.nan, values) for values in (grid.depth, grid.sigma))
    return Relief(grid.east, grid.north, depth, sigma)


def _around(places: FloatArray) -> Box:
    (west, south), (east, north) = places.min(axis=0) - _ROOM, places.max(axis=0) + _ROOM
    return float(west), float(south), float(east), float(north)


def _within(cells: FloatArray, box: Box) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    east, north = cells[:, 0], cells[:, 1]
    inside: np.ndarray[tuple[int], np.dtype[np.bool_]] = (
        (east >= box[0]) & (east <= box[2]) & (north >= box[1]) & (north <= box[3])
    )
    return inside


def _bands(grid: Relief, per: float) -> list[float]:
    """Return the edges of some five to twelve bands of a round width in the unit shown, m."""
    known = grid.depth[~np.isnan(grid.depth)]
    if not len(known):
        return [0.0, per]
    low, high = float(known.min()) / per, float(known.max()) / per
    step = _round_length(max(high - low, 1.0) / 11.0)
    first = math.floor(low / step)
    return [edge * step * per for edge in range(first, max(math.ceil(high / step), first + 1) + 1)]


def _round_length(rough: float) -> float:
    """Return 1, 2 or 5 times a power of ten, the nearest above."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * 0.999)


def _colour(place: int, bands: int) -> str:
    """Return the colour of a band, the ramp spread over all of them."""
    at = place / max(bands - 1, 1) * (len(RAMP) - 1)
    low = min(int(at), len(RAMP) - 2)
    share = at - low
    mixed = (
        round(int(a, 16) * (1.0 - share) + int(b, 16) * share)
        for a, b in ((RAMP[low][i : i + 2], RAMP[low + 1][i : i + 2]) for i in (1, 3, 5))
    )
    return "#" + "".join(f"{part:02x}" for part in mixed)


def _haloed(x: float, y: float, words: str, anchor: str, size: int) -> str:
    """Return words with paper around them, to be read on any band."""
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" font-weight="bold"'
    halo = f'stroke="{PAPER}" stroke-width="4" stroke-linejoin="round"'
    words = escape(words)
    return f'<text {place} fill="{PAPER}" {halo}>{words}</text><text {place} fill="{INK}">{words}</text>'


def _symbol(mark: Mark) -> str:
    """Return a mark's sign about 0,0: ink on a disc of paper."""
    return (
        f'<circle r="11" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>'
        f'<path d="{_SIGNS[mark.kind]}" fill="none" stroke="{INK}" stroke-width="2" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


_SIGNS = {
    "tree top": "M0 7V-6M0 -2L-5 -6M0 -2L5 -6M0 3L-4 0M0 3L4 0",
    "rock pile": "M-6 4a3 3 0 1 1 6 0a3 3 0 1 1 6 0M-3 -1.5a3 3 0 1 1 6 0",
    "high spot": "M-6 4Q-3 4 0 -5Q3 4 6 4",
    "grass edge": "M-6 5H6M-4 5V-3M0 5V-6M4 5V-2",
    "ledge": "M-7 -3H0V4H7",
    "point": "M-6 -5L6 0L-6 5",
    "spot": "M-5 -5L5 5M5 -5L-5 5",
}

_HATCHES = (
    '<defs><pattern id="less" width="9" height="9" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(45)"><path d="M0 0V9" stroke="{PAPER}" stroke-width="1.8"/>'
    f'<path d="M1.8 0V9" stroke="{INK}" stroke-width="0.7"/></pattern>'
    '<pattern id="least" width="5" height="5" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(45)"><path d="M0 0V5" stroke="{PAPER}" stroke-width="5.4"/>'
    f'<path d="M1.8 0V5" stroke="{INK}" stroke-width="0.8"/></pattern></defs>'
)

_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title>
<style>
body {{ margin: 0; background: #fffdf8; color: #14171f; font: 16px sans-serif }}
svg {{ display: block; max-width: 100%; height: auto }}
#told {{ position: sticky; top: 0; padding: .5em 20px; background: #14171f; color: #fffdf8;
  font-size: 1.3em; font-weight: bold; min-height: 1.3em }}
table {{ margin: 1em 20px 2em; border-collapse: collapse }}
td, th {{ padding: .25em .8em; border-bottom: 1px solid #14171f; text-align: left }}
p {{ margin: 1em 20px }}
</style>
<div id="told" aria-live="polite">Point at the map for the depth.</div>
{drawing}
{table}
<script>
const told = document.getElementById("told"), drawing = document.querySelector("svg"), bed = {data};
drawing.addEventListener("pointermove", event => {{
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(drawing.getScreenCTM().inverse());
  const [left, top, wide, high] = bed.map, rows = bed.depth.length, columns = bed.depth[0].length;
  const column = Math.round((at.x - left) / wide * (columns - 1));
  const row = Math.round((1 - (at.y - top) / high) * (rows - 1));
  const depth = bed.depth[row]?.[column];
  told.textContent = depth == null ? "Nothing known there."
    : `${{depth}} ${{bed.unit}}, nine times in ten within ${{bed.within[row][column]}} ${{bed.unit}}`;
}});
</script>
</html>
"""
