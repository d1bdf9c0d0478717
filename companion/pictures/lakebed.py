"""The lakebed as a picture: depth, how well it is known, where the boat has been, and the marks.

One drawing in SVG serves all; HTML adds what is under the pointer.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

import numpy as np

from companion.lakebed.cells import FloatArray
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief, depth_span, relief
from companion.lakebed.waters import Area
from companion.pictures import watermap
from companion.pictures.drawing import (
    Box,
    Labels,
    Plane,
    at,
    document,
    hatches,
    rounded,
    ruler,
    sign,
    text,
    wrapped,
)
from companion.pictures.palette import sheet, variables
from companion.sensing.localplane import LocalPlane
from companion.units import NINE_IN_TEN_SIGMAS, LengthUnit, Units

Bounds = tuple[float, float, float, float]
"""West, south, east, north, m on the lake's plane."""

_MAP_WIDE, _MAP_HIGH = 900.0, 820.0
_LEFT, _TOP, _KEY_WIDE, _FOOT = 20.0, 64.0, 230.0, 40.0
_SIGN_STEP = 28.0
_MOST_POINTS = 40_000
_MOST_DOTS = 12_000
_LENGTHS = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000]
"""Of the bar that tells how long a length is where the page is looked at from nearby."""
_ROOM = 15.0  # m of paper around what was sounded


@dataclass(frozen=True, slots=True)
class LakebedPicture:
    """The drawing of an area.

    `grid` is the bottom, `sounded` (k, 2) the places of soundings and `tracks` (n, 2)
    each the boat's ways, m on the `plane`; `span` is the shallowest and the deepest
    bottom sounded, m (NaN: none); `level` is how far today's water stands above the
    marks' zero, m.
    """

    title: str
    plane: LocalPlane
    grid: Relief
    sounded: FloatArray
    span: tuple[float, float]
    tracks: Sequence[FloatArray]
    marks: Sequence[Mark]
    level: float

    @property
    def box(self) -> Bounds:
        """Return what it spans, m on the plane."""
        grid = self.grid
        return (
            float(grid.east[0]),
            float(grid.north[0]),
            float(grid.east[-1]),
            float(grid.north[-1]),
        )


def chart(
    area: Area, title: str, tracks: Sequence[FloatArray] = (), box: Bounds | None = None
) -> LakebedPicture | None:
    """Return what is to be drawn of an area, or of a box on it; None when nothing is known there."""
    cells, marks = area.surface.sounded(), list(area.marks)
    places = np.concatenate(
        (cells[:, :2], np.array([(m.east, m.north) for m in marks]).reshape(-1, 2))
    )
    if not len(places):
        return None
    box = box or _around(places)
    grid = _relief(area, box)
    inside = [
        mark
        for mark in marks
        if box[0] <= mark.east <= box[2] and box[1] <= mark.north <= box[3]
    ]
    sounded = cells[_within(cells, box), :3]
    if not inside and np.isnan(grid.depth).all():
        return None
    every = max(1, math.ceil(len(sounded) / _MOST_DOTS))
    span = depth_span(area.surface, sounded)
    return LakebedPicture(
        title,
        area.plane,
        grid,
        sounded[::every, :2],
        span,
        tracks,
        inside,
        area.surface.level,
    )


def svg(drawn: LakebedPicture, unit: LengthUnit) -> str:
    """Return the chart as an SVG document."""
    sheet_of_paper = _Sheet(drawn, Units(unit))
    return document(
        sheet_of_paper.wide, sheet_of_paper.high, drawn.title, sheet_of_paper.parts()
    )


def html(drawn: LakebedPicture, unit: LengthUnit) -> str:
    """Return the chart as a page by itself: the drawing, the depth under the pointer, a table of marks."""
    paper = _Sheet(drawn, Units(unit))
    rows = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>"
        for row in paper.table()
    )
    head = "".join(
        f"<th>{cell}</th>"
        for cell in ("no.", "what", "top", "note", "latitude", "longitude")
    )
    whole = f'<div class="table"><table><tr>{head}</tr>'
    return _PAGE.format(
        title=escape(drawn.title),
        style=variables() + sheet() + _STYLE,
        drawing=document(
            paper.wide, paper.high, drawn.title, paper.parts(), alone=False
        ),
        bands=paper.bands(),
        table=wrapped(whole, rows, "</table></div>") or "<p>No marks here.</p>",
        data=json.dumps(paper.data(), separators=(",", ":")),
    )


class _Sheet:
    """The paper: where metres lie on it, and what is drawn there."""

    def __init__(self, drawn: LakebedPicture, units: Units) -> None:
        self._chart, self._units = drawn, units
        west, south, east, north = drawn.box
        scale = min(
            _MAP_WIDE / max(east - west, 1.0), _MAP_HIGH / max(north - south, 1.0)
        )
        box = Box(
            _LEFT, _TOP, _LEFT + (east - west) * scale, _TOP + (north - south) * scale
        )
        self._plane = Plane(box, west, north, scale)
        self._edges = watermap.band_edges(drawn.grid.depth, units)
        self._kinds = list(dict.fromkeys(mark.kind for mark in drawn.marks))
        key_high = (
            watermap.key_high(self._edges)
            + _SIGN_STEP * (len(self._kinds) + bool(drawn.tracks))
            + 40.0
        )
        words_wide = 30.0 + 7.6 * max(len(self._subtitle()), 1.6 * len(drawn.title))
        self.wide = max(box.right + _KEY_WIDE, _LEFT + words_wide)
        self.high = _TOP + max(box.high + _FOOT, key_high)

    def parts(self) -> Iterable[str]:
        yield hatches()
        yield text(_LEFT, 32.0, self._chart.title, "title")
        yield text(_LEFT, 53.0, self._subtitle())
        box = self._plane.box
        yield f'<clipPath id="map">{box.rect("")}</clipPath><g clip-path="url(#map)">'
        yield box.rect("", ' fill="url(#unknown)"')
        labels = Labels(box)
        signs = list(self._marks(labels))
        yield from watermap.bottom(self._plane, self._chart.grid, self._edges)
        yield from self._dots()
        yield from self._tracks()
        yield from watermap.contour_lines(
            self._plane, self._chart.grid, self._edges, self._units, labels
        )
        yield from signs
        yield "</g>" + box.rect("frame")
        yield from self._key()
        yield from ruler(self._plane, self._units)

    def table(self) -> Iterable[tuple[str, ...]]:
        for mark in self._chart.marks:
            lat, lon = self._chart.plane.to_latlon(mark.east, mark.north)
            yield (
                str(mark.number),
                mark.kind,
                self._top(mark),
                mark.note,
                f"{lat:.6f}",
                f"{lon:.6f}",
            )

    def data(self) -> dict[str, object]:
        """Return what the page needs to tell the depth under the pointer."""
        grid, per, box = self._chart.grid, self._units.depth_m, self._plane.box

        def figures(values: FloatArray) -> list[list[float | None]]:
            return [[rounded(v / per, 1) for v in row] for row in values.tolist()]

        return {
            "unit": self._units.depth_unit,
            "length": self._units.distance_m * self._plane.scale,
            "lengths": _LENGTHS,
            "lengthUnit": self._units.distance_unit,
            "map": [box.left, box.top, box.wide, box.high],
            "depth": figures(grid.depth),
            "within": figures(NINE_IN_TEN_SIGMAS * grid.sigma),
        }

    def bands(self) -> str:
        """Return the key of the depths as text that wraps, for screens on which the drawing is small."""
        unit, bands = self._units.depth_unit, list(pairwise(self._edges))
        shown = [
            f'<span><svg aria-hidden="true"><rect class="key {watermap.band_class(i, len(bands))}"'
            f' width="28" height="18"/></svg>{watermap.band_words(low, high, self._units)} {unit}</span>'
            for i, (low, high) in enumerate(bands)
        ]
        return wrapped('<div class="bands">', "".join(shown), "</div>")

    def _subtitle(self) -> str:
        if np.isnan(self._chart.grid.depth).all():
            return "marks only: nothing is sounded here"
        # A guess beside the soundings may be far off: it is drawn as one, and no figure
        # is made of it.
        span, unit = self._chart.span, self._units.depth_unit
        depths = "not sounded here, only around"
        if not math.isnan(span[0]):
            depths = f"sounded {self._number(span[0])} to {self._number(span[1])} {unit} deep"
        return f"{depths}{self._water()}. Not for navigation: depths and marks may be wrong."

    def _water(self) -> str:
        """Return how the water stands against the marks' zero; "" where it stands there."""
        level, way = self._chart.level, "up"
        if not level:
            return ""
        if level < 0:
            way = "down"
        return f", water {self._number(abs(level))} {self._units.depth_unit} {way}"

    def _number(self, metres: float) -> str:
        return self._units.short_depth(metres).split()[0]

    def _top(self, mark: Mark) -> str:
        if mark.top is None:
            return ""
        return self._units.short_depth(mark.top + self._chart.level)

    def _dots(self) -> Iterable[str]:
        wide = 2.0 * min(max(0.35 * self._plane.scale, 0.7), 1.6)
        places = self._plane.places(self._chart.sounded.tolist())
        if dots := "".join(f"M{x:.1f} {y:.1f}h0" for x, y in places):
            yield f'<path class="sounded-halo" stroke-width="{wide + 1.2:.1f}" d="{dots}"/>'
            yield f'<path class="sounded" stroke-width="{wide:.1f}" d="{dots}"/>'

    def _tracks(self) -> Iterable[str]:
        for track in self._chart.tracks:
            path = self._plane.path(track)
            yield f'<path class="track-halo" d="{path}"/><path class="track" d="{path}"/>'

    def _marks(self, labels: Labels) -> Iterable[str]:
        placed = [
            (mark, self._plane.x(mark.east), self._plane.y(mark.north))
            for mark in self._chart.marks
        ]
        for _, x, y in placed:
            labels.block(Box(x - 11.0, y - 11.0, x + 11.0, y + 11.0))
        for mark, x, y in placed:
            top = self._top(mark)
            if top:
                top = labels.beside(x, y, top)
            yield at(x, y, sign(mark.kind)) + top

    def _key(self) -> Iterable[str]:
        x, y = self._plane.box.right + 22.0, _TOP + 4.0
        yield from watermap.depth_key(x, y, self._edges, self._units)
        y += watermap.key_high(self._edges) - 114.0
        yield from watermap.doubt_key(x, y, self._units)
        y += 138.0
        if self._chart.tracks:
            yield f'<path class="track" d="M{x} {y}h40"/>' + text(
                x + 48.0, y + 5.0, "where the boat went"
            )
            y += _SIGN_STEP
        for kind in self._kinds:
            yield at(x + 20.0, y, sign(kind)) + text(x + 48.0, y + 5.0, kind)
            y += _SIGN_STEP


def _relief(area: Area, box: Bounds) -> Relief:
    grid = relief(area.surface, 1.0, box, _MOST_POINTS)
    assert grid is not None  # the box was given
    return watermap.worth_drawing(grid)


def _around(places: FloatArray) -> Bounds:
    (west, south), (east, north) = (
        places.min(axis=0) - _ROOM,
        places.max(axis=0) + _ROOM,
    )
    return float(west), float(south), float(east), float(north)


def _within(
    cells: FloatArray, box: Bounds
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    east, north = cells[:, 0], cells[:, 1]
    inside: np.ndarray[tuple[int], np.dtype[np.bool_]] = (
        (east >= box[0]) & (east <= box[2]) & (north >= box[1]) & (north <= box[3])
    )
    return inside


_STYLE = """
body{margin:0;background:var(--paper);color:var(--ink);font:16px sans-serif}
.drawing{display:block;max-width:100%;height:auto;touch-action:pan-y;cursor:crosshair}
.near .drawing{touch-action:none;cursor:grab}
.drawing .label{transform:scale(var(--label,1));transform-box:fill-box;transform-origin:center}
.contour,.track,.track-halo,.frame{vector-effect:non-scaling-stroke}
#scale{display:flex;align-items:center;gap:8px;margin:0 20px 8px;visibility:hidden}
.near #scale{visibility:visible}
#bar{height:8px;border:2px solid var(--ink);border-top:0}
.bands{display:flex;flex-wrap:wrap;gap:4px 14px;margin:12px 20px}
.bands svg{width:28px;height:18px;margin-right:6px;vertical-align:middle}
.ways{display:flex;gap:12px;padding:12px 20px}
.ways button{min-width:56px;min-height:56px;font:inherit;font-weight:bold;
color:var(--ink);background:var(--paper);border:2px solid var(--ink);border-radius:8px}
.ways button:focus-visible{outline:4px solid var(--ink);outline-offset:2px}
#told{position:sticky;top:0;padding:.5em 20px;background:var(--ink);color:var(--paper);font-size:1.3em;
font-weight:bold;min-height:1.3em}
@media (max-width:600px){#told{min-height:2.6em}}
.table{overflow-x:auto;margin:1em 20px 2em}
table{border-collapse:collapse}
td,th{padding:.25em .8em;border-bottom:1px solid var(--edge);text-align:left}
p{margin:1em 20px}
"""
_PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy"
content="default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'">
<title>{title}</title>
<style>
{style}</style>
<div id="told" role="status">Point at the map, or touch it, for the depth.</div>
<div class="ways"><button id="nearer" aria-label="nearer">+</button>
<button id="further" aria-label="further away">&minus;</button><button id="whole">whole map</button></div>
<div id="scale"><div id="bar"></div><span id="long"></span></div>
{drawing}
{bands}
{table}
<script>
const told = document.getElementById("told"), drawing = document.querySelector("svg"), bed = {data};
const whole = drawing.viewBox.baseVal, full = [whole.x, whole.y, whole.width, whole.height], most = 16;
const fingers = new Map();
let seen = full;
function onPaper(x, y) {{
  return new DOMPoint(x, y).matrixTransform(drawing.getScreenCTM().inverse());
}}
function tell(event) {{
  const at = onPaper(event.clientX, event.clientY);
  const [left, top, wide, high] = bed.map, rows = bed.depth.length, columns = bed.depth[0].length;
  const column = Math.round((at.x - left) / wide * (columns - 1));
  const row = Math.round((1 - (at.y - top) / high) * (rows - 1));
  const depth = bed.depth[row]?.[column];
  told.textContent = depth == null ? "Nothing known there."
    : `${{depth}} ${{bed.unit}}, nine times in ten within ${{bed.within[row][column]}} ${{bed.unit}}`;
}}
function look(x, y, wide) {{
  const share = Math.min(Math.max(wide / full[2], 1 / most), 1);
  const [w, h] = [full[2] * share, full[3] * share];
  seen = [Math.min(Math.max(x, 0), full[2] - w), Math.min(Math.max(y, 0), full[3] - h), w, h];
  drawing.setAttribute("viewBox", seen.join(" "));
  document.body.classList.toggle("near", share < 1);
  measure();
}}
function measure() {{
  const scale = drawing.getScreenCTM().a, one = bed.length * scale;
  drawing.style.setProperty("--label", Math.min(1, 1 / scale));
  const long = bed.lengths.findLast(long => long * one <= drawing.clientWidth / 3) ?? bed.lengths[0];
  document.getElementById("bar").style.width = `${{long * one}}px`;
  document.getElementById("long").textContent = `${{long}} ${{bed.lengthUnit}}`;
}}
function zoom(at, times) {{
  const wide = Math.min(Math.max(seen[2] / times, full[2] / most), full[2]), kept = wide / seen[2];
  look(at.x - (at.x - seen[0]) * kept, at.y - (at.y - seen[1]) * kept, wide);
}}
function middle() {{
  return {{x: seen[0] + seen[2] / 2, y: seen[1] + seen[3] / 2}};
}}
function between() {{
  const [one, other] = [...fingers.values()];
  return {{x: (one.x + other.x) / 2, y: (one.y + other.y) / 2,
    apart: Math.max(Math.hypot(one.x - other.x, one.y - other.y), 1)}};
}}
function drag(from, to) {{
  const [a, b] = [onPaper(from.x, from.y), onPaper(to.x, to.y)];
  look(seen[0] + a.x - b.x, seen[1] + a.y - b.y, seen[2]);
}}
drawing.addEventListener("pointerdown", event => {{
  fingers.set(event.pointerId, {{x: event.clientX, y: event.clientY}});
  drawing.setPointerCapture(event.pointerId);
  if (fingers.size === 1) tell(event);
}});
drawing.addEventListener("pointermove", event => {{
  const before = fingers.get(event.pointerId), now = {{x: event.clientX, y: event.clientY}};
  if (before && fingers.size === 2) {{
    const was = between();
    fingers.set(event.pointerId, now);
    const is = between();
    drag(was, is);
    zoom(onPaper(is.x, is.y), is.apart / was.apart);
  }} else if (before && seen[2] < full[2]) {{
    fingers.set(event.pointerId, now);
    drag(before, now);
  }} else {{
    tell(event);
  }}
}});
for (const over of ["pointerup", "pointercancel"])
  drawing.addEventListener(over, event => fingers.delete(event.pointerId));
drawing.addEventListener("wheel", event => {{
  event.preventDefault();
  zoom(onPaper(event.clientX, event.clientY), 2 ** (-event.deltaY / 300));
}}, {{passive: false}});
document.getElementById("nearer").addEventListener("click", () => zoom(middle(), 2));
document.getElementById("further").addEventListener("click", () => zoom(middle(), 0.5));
document.getElementById("whole").addEventListener("click", () => look(0, 0, full[2]));
addEventListener("resize", measure);
</script>
</html>
"""
