"""The best ways to fish a target: a table, and a drawing with the map and a section along each cast.

On the map north is up; A, B and C are the boats and their lines the casts. In a section
the boat is at the left, the lure lands at the right and comes back along its line,
thick where its metres count. All sections have one scale, so that they can be laid
beside each other by eye.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

import numpy as np

from companion.casting.plan import Plan, PlanningGround, Step, Target
from companion.lakebed.cells import FloatArray
from companion.lakebed.relief import Relief
from companion.pictures import sideview, watermap
from companion.pictures.drawing import (
    Box,
    Labels,
    Plane,
    SideSection,
    at,
    badge,
    document,
    hatches,
    polyline,
    ruler,
    text,
    wrapped,
)
from companion.pictures.palette import rod_class
from companion.pictures.sideview import SideTerrain
from companion.units import LengthUnit, Units, fine_compass, if_known

PLAN_LETTERS = "ABCDEFGHI"
"""What the plans are called on the drawing and in the table, best first."""

_WIDE, _HIGH = 1430.0, 940.0
_MAP = Box(30.0, 64.0, 650.0, 684.0)
_SECTION_LEFT, _SECTION_RIGHT, _SECTION_TOP, _SECTION_STEP = 850.0, 1400.0, 64.0, 284.0
_HEAD, _FOOT = 58.0, 44.0
_CLEAR_OF_CASTS = 8.0  # how wide a strip along a cast is kept free of labels
_TELLING_DEPTH = 1.9
"""A bottom deeper than so many times the greatest reach leaves the sections."""


def table(found: Sequence[Plan], unit: LengthUnit, *, clear: bool = False) -> str:
    """Return the plans as lines of text in columns, best first.

    With `clear` the chance of meeting nothing comes first, else the metres where the
    lure is wanted.
    """
    units = Units(unit)
    far, short, long = units.distance_m, units.depth_unit, units.distance_unit
    wanted = f"{long} where wanted"
    chances = (wanted, "any at all")
    if clear:
        chances = ("stays clear", wanted)
    head = (
        "",
        "rod",
        "off",
        "cast",
        *chances,
        "one in ten below",
        f"over {short}",
        "",
    )
    rows = [
        (
            PLAN_LETTERS[place],
            one.name,
            f"{one.stand_off / far:.0f} {long}",
            fine_compass(one.bearing),
            *_chances(one, far, clear=clear),
            f"{one.low / far:.0f}",
            if_known(one.depth, units.depth, "?").removesuffix(f" {short}"),
            one.manner,
        )
        for place, one in enumerate(found)
    ]
    widths = [
        max(len(row[column]) for row in (head, *rows)) for column in range(len(head))
    ]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
        for row in (head, *rows)
    ]
    return "\n".join(lines) + "\n"


def _chances(one: Plan, far: float, *, clear: bool) -> tuple[str, str]:
    """Return the two figures a plan is chosen by, the first one first; `far` is m in the unit shown."""
    metres = f"{one.metres / far:.0f}"
    if clear:
        return f"{one.clear:.0%}", metres
    return metres, f"{one.sureness:.0%}"


def svg(
    found: Sequence[Plan],
    on: PlanningGround,
    target: Target,
    unit: LengthUnit,
    *,
    clear: bool = False,
) -> str:
    """Return the plans as an SVG drawing, readable without colour: the map, a section of each of three."""
    chosen, units = found[:3], Units(unit)
    parts = [
        hatches(),
        text(_MAP.left, 36.0, f"Where to lie: {target.name}", "title"),
        *_map(chosen, on, target, units),
        *_sections(chosen, units, clear=clear),
        text(
            _MAP.left,
            _HIGH - 34.0,
            "Thick line: the lure is where it is wanted. Hatched edge: the bottom, nine times in ten.",
            "note",
        ),
        text(
            _MAP.left,
            _HIGH - 16.0,
            "Estimates for fishing; not for navigation.",
            "note",
        ),
    ]
    title = (
        "; ".join(" ".join(_words(one, units, clear=clear)) for one in chosen)
        or f"Where to lie: {target.name}"
    )
    return document(_WIDE, _HIGH, title, parts)


# -- the map ------------------------------------------------------------------------------------------


def _map(
    found: Sequence[Plan], on: PlanningGround, target: Target, units: Units
) -> Iterator[str]:
    plane, labels = _plane(found, on, target), Labels(_MAP)
    grid = _near(on, plane)
    edges = watermap.band_edges(grid.depth, units)
    yield f'<clipPath id="map">{_MAP.rect("")}</clipPath><g clip-path="url(#map)">'
    yield _MAP.rect("", ' fill="url(#unknown)"')
    yield from watermap.bottom(plane, grid, edges)
    for one in found:
        _keep_clear(labels, plane, one)
    yield from watermap.contour_lines(plane, grid, edges, units, labels)
    yield from _tree_tops(plane, on)
    yield from _target(plane, target)
    for place, one in enumerate(found):
        yield from _on_map(plane, one, place)
    yield "</g>" + _MAP.rect("frame")
    yield from (
        badge(plane.x(one.east), plane.y(one.north), PLAN_LETTERS[i], i)
        for i, one in enumerate(found)
    )
    yield from ruler(plane, units)
    x, y = _MAP.right + 18.0, _MAP.top + 4.0
    yield from watermap.depth_key(x, y, edges, units)
    yield from watermap.doubt_key(x, y + watermap.key_high(edges) - 114.0, units)


def _keep_clear(labels: Labels, plane: Plane, one: Plan) -> None:
    """Keep labels off a boat and the line of its cast."""
    x, y = plane.x(one.east), plane.y(one.north)
    labels.block(Box(x - 12.0, y - 12.0, x + 12.0, y + 12.0))
    steps = math.ceil(one.cast * plane.scale / _CLEAR_OF_CASTS)
    for east, north in map(one.at, np.linspace(0.0, one.cast, steps + 1).tolist()):
        x, y, half = plane.x(east), plane.y(north), 0.5 * _CLEAR_OF_CASTS
        labels.block(Box(x - half, y - half, x + half, y + half))


def _plane(found: Sequence[Plan], on: PlanningGround, target: Target) -> Plane:
    """Return the square of the lake that holds all the casts and the target."""
    ends = [
        place for one in found for place in ((one.east, one.north), one.at(one.cast))
    ]
    if target.place is not None:
        ends.append(target.place)
    if not ends:
        east, north = on.places()
        ends = [
            (float(east.min()), float(north.min())),
            (float(east.max()), float(north.max())),
        ]
    low, high = np.min(ends, axis=0), np.max(ends, axis=0)
    half = max(float((high - low).max()) + 24.0, 70.0) / 2.0
    (east0, north0) = (float(v) for v in (low + high) / 2.0)
    return Plane.fitting(_MAP, east0 - half, north0 - half, east0 + half, north0 + half)


def _near(on: PlanningGround, plane: Plane) -> Relief:
    """Return what is known of the bottom in the map's square, and two points of the grid beyond."""
    rows, columns = on.depth.shape
    room = 2.0 * on.step
    side = _MAP.wide / plane.scale
    east: FloatArray = np.linspace(on.west, on.west + on.step * (columns - 1), columns)
    north: FloatArray = np.linspace(on.south, on.south + on.step * (rows - 1), rows)
    e = np.flatnonzero((east >= plane.west - room) & (east <= plane.west + side + room))
    n = np.flatnonzero(
        (north >= plane.north - side - room) & (north <= plane.north + room)
    )
    inside = np.ix_(n, e)
    return watermap.worth_drawing(
        Relief(east[e], north[n], on.depth[inside], on.sigma[inside])
    )


def _tree_tops(plane: Plane, on: PlanningGround) -> Iterator[str]:
    east, north = on.places()
    standing = on.top < on.depth - 0.01
    half = max(0.5 * on.step * plane.scale, 3.0)
    for e, n in zip(east[standing], north[standing], strict=True):
        crown = f"M{plane.x(e):.1f} {plane.y(n) - half:.1f}l{half:.1f} {2 * half:.1f}h{-2 * half:.1f}z"
        yield f'<path class="top" d="{crown}"/>'


def _target(plane: Plane, target: Target) -> Iterator[str]:
    if target.lines is None:
        return
    if target.place is not None:
        x, y = plane.x(target.place[0]), plane.y(target.place[1])
        yield f'<circle class="target" cx="{x:.1f}" cy="{y:.1f}" r="{target.within * plane.scale:.1f}"/>'
        yield at(x, y, '<path class="sign" d="M-6 0H6M0 -6V6"/>')
        return
    for line in target.lines:
        yield f'<path class="target" d="{plane.path(line)}"/>'


def _on_map(plane: Plane, one: Plan, place: int) -> Iterator[str]:
    """Yield a cast and the stretch of it that counts."""
    cast = plane.path(((one.east, one.north), one.at(one.cast)))
    counts = plane.path((one.at(one.begins), one.at(one.ends)))
    yield f'<path class="track-halo" d="{cast}"/><path class="way {rod_class(place)}" d="{cast}"/>'
    yield f'<path class="counted rod-{place}" d="{counts}"/>'
    x, y = plane.x(one.at(one.cast)[0]), plane.y(one.at(one.cast)[1])
    yield f'<circle class="paper way rod-{place}" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'


# -- the sections -------------------------------------------------------------------------------------


def _sections(found: Sequence[Plan], units: Units, *, clear: bool) -> Iterator[str]:
    if not found:
        return
    steps = [step for one in found for step in one.way]
    depths = [s.bottom for s in steps if s.bottom is not None] + [
        s.depth for s in steps
    ]
    deepest = min(
        1.15 * max(depths), _TELLING_DEPTH * max(max(one.reach, 1.0) for one in found)
    )
    longest = max(one.cast for one in found)
    for place, one in enumerate(found):
        top = _SECTION_TOP + place * _SECTION_STEP
        box = Box(
            _SECTION_LEFT, top + _HEAD, _SECTION_RIGHT, top + _SECTION_STEP - _FOOT
        )
        yield from _section(
            one,
            place,
            SideSection(box, longest, deepest),
            units,
            _words(one, units, clear=clear),
        )


def _section(
    one: Plan, place: int, section: SideSection, units: Units, heading: tuple[str, str]
) -> Iterator[str]:
    box, clip, labels = section.box, f"section-{place}", Labels(section.box)
    yield badge(box.left + 2.0, box.top - 42.0, PLAN_LETTERS[place], place)
    first, second = heading
    yield text(box.left + 22.0, box.top - 46.0, first, "strong")
    yield text(box.left + 22.0, box.top - 28.0, second)
    bottom = sorted(
        (SideTerrain(s.away, s.bottom, s.sigma) for s in one.way),
        key=lambda under: under.away,
    )
    yield sideview.water(section, clip)
    yield from sideview.ground(section, bottom, clip)
    yield f'<g clip-path="url(#{clip})">'
    yield from _timber(section, one.way)
    begins: list[Step] = []
    for counts, part in groupby(one.way, lambda step: step.counts):
        steps = [*begins, *part]
        stretch = section.points((s.away, s.depth) for s in steps)
        kind = f"way {rod_class(place)}"
        if counts:
            kind = f"counted rod-{place}"
        yield polyline(stretch, kind)
        begins = steps[-1:]
    yield "</g>"
    yield from sideview.bottom_words(section, bottom, labels)
    yield from section.axes(units, named="from the boat")


def _timber(section: SideSection, way: Sequence[Step]) -> Iterable[str]:
    wide = section.x(1.0) - section.x(0.0)
    for step in way:
        if (
            step.top is not None
            and step.bottom is not None
            and step.top < step.bottom - 0.01
        ):
            x, y = section.x(step.away) - 0.5 * wide, section.y(step.top)
            yield Box(x, y, x + wide, section.y(step.bottom)).rect("top")


def _words(one: Plan, units: Units, *, clear: bool) -> tuple[str, str]:
    """Return a plan in two lines' worth of words, the chance first."""
    over = wrapped(", over ", if_known(one.depth, units.whole_depth, ""))
    wanted = f"{units.distance(one.metres)} where wanted"
    chance = f"{wanted}, any at all {one.sureness:.0%}"
    if clear:
        chance = f"stays clear {one.clear:.0%}, {wanted}"
    side, towards = fine_compass(one.bearing + 180.0), fine_compass(one.bearing)
    return (
        f"{one.name}: {chance}",
        f"lie {units.distance(one.stand_off)} {side}, cast {towards}{over}, {one.manner}",
    )
