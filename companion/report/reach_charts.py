"""How deep each rod gets: what a day taught, and trip by trip over a season."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from html import escape

from companion.dive.evidence import Estimate
from companion.pictures.drawing import Box, badge, text
from companion.pictures.palette import rod_class
from companion.report.chart import Along, DayChart, still
from companion.report.rods import RodStory
from companion.units import Units

_REACH_LEFT, _REACH_ROW = 190.0, 66.0


def reach_of(stories: Sequence[RodStory], units: Units) -> DayChart | None:
    """Return each rod's reach before and after its touches, with its band; None when no reach is known."""
    known = [story for story in stories if story.reach is not None]
    if not known:
        return None
    bands = [
        [
            ("described", one.described),
            ("morning", one.morning),
            ("evening", one.evening),
        ]
        for one in known
    ]
    ends = [
        e for row in bands for _, band in row if band for e in (band.low, band.high)
    ]
    ends += [one.told_reach for one in known if one.told_reach is not None]
    ends += [one.reach for one in known if one.reach is not None]
    low, high = 0.92 * min(ends), 1.04 * max(ends)
    bottom = 16.0 + _REACH_ROW * len(known)
    box = Box(_REACH_LEFT, 16.0, 980.0, bottom)

    def x(depth: float) -> float:
        return float(box.left + (depth - low) / max(high - low, 1e-6) * box.wide)

    parts = [
        part
        for i, row in enumerate(bands)
        for part in _reach_row(known[i], row, x, box.top + _REACH_ROW * i)
    ]
    parts += _reach_axis(x, low, high, box, units)
    said = "; ".join(f"{one.name}: {units.depth(one.reach)}" for one in known)
    wide, tall = 1000.0, bottom + 44.0
    return DayChart(still(wide, tall, said, parts), wide, tall, {})


def _reach_row(
    story: RodStory, bands: Sequence[tuple[str, Estimate | None]], x: Along, top: float
) -> Iterator[str]:
    yield text(_REACH_LEFT - 12.0, top + 24.0, story.rod, "strong", "end")
    yield text(_REACH_LEFT - 12.0, top + 42.0, story.line, "note", "end")
    yield f'<path class="axis" d="M0 {top + _REACH_ROW - 4:.1f}H980"/>'
    for place, (kind, band) in enumerate(bands):
        y = top + 14.0 + 16.0 * place
        if band is not None:
            yield f'<path class="reach-{kind}" d="M{x(band.low):.1f} {y:.1f}H{x(band.high):.1f}"/>'
            yield f'<circle class="reach-{kind}-point" cx="{x(band.best):.1f}" cy="{y:.1f}" r="6"/>'
    if story.told_reach is not None:
        yield f'<path class="told" d="M{x(story.told_reach):.1f} {top + 6:.1f}V{top + 54:.1f}"/>'


def _reach_axis(x: Along, low: float, high: float, box: Box, units: Units) -> list[str]:
    parts = []
    span = (high - low) / units.depth_m
    step = next(s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 50.0) if span / s <= 12)
    for n in range(
        math.ceil(low / units.depth_m / step),
        math.floor(high / units.depth_m / step) + 1,
    ):
        at = x(n * step * units.depth_m)
        parts.append(
            f'<path class="grid" d="M{at:.1f} {box.top:.1f}V{box.bottom:.1f}"/>'
        )
        parts.append(text(at, box.bottom + 18.0, f"{n * step:g}", "tick", "middle"))
    return [
        *parts,
        text(box.right, box.bottom + 38.0, f"reach, {units.depth_unit}", "tick", "end"),
    ]


Reaches = Mapping[str, Sequence[tuple[int, str, float, Estimate | None]]]
"""For each rod with its line: the trip's place from 1, its label, the reach in m and its band."""


def reach_over_time(
    points: Reaches, trips: Sequence[str], units: Units
) -> DayChart | None:
    """Return the season's chart: each rod's reach, trip by trip, with the bands side by side."""
    if not points:
        return None
    every = [(reach, band) for its in points.values() for *_, reach, band in its]
    ends = [reach for reach, _ in every]
    ends += [end for _, band in every if band for end in (band.low, band.high)]
    low, high = 0.94 * min(ends), 1.03 * max(ends)
    box = Box(52.0, 14.0, 984.0, 340.0)
    column = box.wide / len(trips)

    def y(depth: float) -> float:
        return float(box.top + (depth - low) / max(high - low, 1e-6) * box.high)

    parts = list(_season_axes(box, low, high, y, trips, units))
    for i, (name, its) in enumerate(points.items()):
        aside = (i - 0.5 * (len(points) - 1)) * min(column / (len(points) + 1.0), 26.0)
        line = [
            (box.left + (place - 0.5) * column + aside, y(reach))
            for place, _, reach, _ in its
        ]
        way = " ".join(f"{a:.1f},{b:.1f}" for a, b in line)
        parts.append(f'<polyline class="way {rod_class(i)}" points="{way}"/>')
        for (a, b), (place, label, reach, band) in zip(line, its, strict=True):
            if band is not None:
                parts.append(
                    f'<path class="way rod-{i % 6}" d="M{a:.1f} {y(band.low):.1f}V{y(band.high):.1f}"/>'
                )
            said = f"{label}, {name}: {units.depth(reach)}"
            parts.append(
                f'<a href="#t{place}" aria-label="{escape(said)}"><title>{escape(said)}</title>'
                f"{badge(a, b, name.split(',')[0].split()[-1][:2], i)}</a>"
            )
    return DayChart(
        still(1000.0, 400.0, "Reach of each rod, trip by trip", parts),
        1000.0,
        400.0,
        {},
    )


def _season_axes(
    box: Box, low: float, high: float, y: Along, trips: Sequence[str], units: Units
) -> Iterator[str]:
    span = (high - low) / units.depth_m
    step = next(s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 50.0) if span / s <= 8)
    for n in range(
        math.ceil(low / units.depth_m / step),
        math.floor(high / units.depth_m / step) + 1,
    ):
        at = y(n * step * units.depth_m)
        yield f'<path class="grid" d="M{box.left} {at:.1f}H{box.right}"/>'
        yield text(box.left - 8.0, at + 4.5, f"{n * step:g}", "tick", "end")
    yield text(4.0, box.top - 1.0, units.depth_unit, "tick")
    column, every = box.wide / len(trips), math.ceil(len(trips) / 9)
    for place, label in enumerate(trips):
        if place % every == 0:
            yield text(
                box.left + (place + 0.5) * column,
                box.bottom + 22.0,
                label,
                "tick",
                "middle",
            )
