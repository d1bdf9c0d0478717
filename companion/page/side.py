"""The water along the cast as the page shows it: the drawing room's side view, and the same in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from companion.glance import SideView
from companion.pictures import sideview
from companion.pictures.drawing import Box, Labels, SideSection, text, wrapped
from companion.pictures.sideview import SideTerrain
from companion.units import NINE_IN_TEN_SIGMAS, LengthUnit, Units

SIDE_WIDTH, SIDE_HEIGHT = 420, 250
"""The picture's extent in its own units, for the viewBox."""
_BOX = Box(34.0, 30.0, 410.0, 212.0)
_CLIP = "along-cast"
DEEPEST_SHOWN = 2.5
"""A bottom deeper than so many times the lure's reach leaves the picture: what counts is near the lure."""


class Drawing(NamedTuple):
    """The inside of an SVG element, and what can be seen in it in words."""

    picture: str
    words: str


def draw(
    side: SideView | None,
    unit: LengthUnit,
    under_boat: float | None,
    bow: float | None = None,
) -> Drawing:
    """Draw the water along the cast.

    Args:
        side: what is there; None gives water of which nothing is known, and its reason.
        unit: what depths and distances are shown in.
        under_boat: the depth under the boat, m, None when it is not known.
        bow: heading, degrees, from which directions are counted in hours; None when it
            is not known.
    """
    units = Units(unit)
    if side is None or not side.path:
        words = "The water along the cast is not known yet."
        empty = _BOX.rect("", ' fill="url(#unknown)"') + text(
            SIDE_WIDTH / 2, 120.0, words, "label", "middle"
        )
        return Drawing(empty, words)
    bottom = _bottom_of(side)
    section, labels = _section(side, bottom, units, under_boat), Labels(_BOX)
    parts = [
        sideview.water(section, _CLIP),
        *sideview.ground(section, bottom, _CLIP),
        f'<g clip-path="url(#{_CLIP})">',
        _band(section, side, bottom),
        *sideview.way(section, side.path, bottom),
        _sonar(section, under_boat),
        *(
            sideview.tree_top(section, x, z, sideview.depth_at(bottom, x))
            for x, z in side.tops
        ),
        "</g>",
        sideview.rod(section),
        *section.axes(units),
        *_labels(side, bottom, section, units, labels),
    ]
    return Drawing("".join(parts), _words(side, bottom, bow, units))


def _bottom_of(side: SideView) -> list[SideTerrain]:
    """Return the bottom only where the lure comes, and none of it above the surface.

    As far as the cast goes beyond what the view tells of, the bottom is not known.
    """
    longest = max(x for x, _ in side.path)
    near = [
        SideTerrain(p.away, _below_surface(p.depth), p.sigma)
        for p in side.bottom
        if p.away <= longest
    ]
    if near and near[-1].away < longest - 1.0:
        near.append(SideTerrain(longest, None, None))
    return near


def _below_surface(depth: float | None) -> float | None:
    if depth is None:
        return None
    return max(depth, 0.0)


def _section(
    side: SideView,
    bottom: Sequence[SideTerrain],
    units: Units,
    under_boat: float | None,
) -> SideSection:
    """Return where distances and depths come to lie; the extents change in whole steps."""
    reach = max(z for _, z in (*side.path, *side.deep))
    lower = [
        p.depth + NINE_IN_TEN_SIGMAS * (p.sigma or 0.0)
        for p in bottom
        if p.depth is not None
    ]
    wanted = max([reach, *(z for _, z in side.tops), *lower, under_boat or 0.0])
    step = {"feet": 5.0, "metres": 2.0}[units.name] * units.depth_m
    deepest = step * math.ceil(
        max(min(wanted, DEEPEST_SHOWN * reach) * 1.08, step) / step
    )
    longest = max(x for x, _ in (*side.path, *side.deep))
    across = 5.0 * units.distance_m
    return SideSection(
        _BOX,
        across * math.ceil(max(longest * 1.02, units.distance_m) / across),
        deepest,
    )


def _band(section: SideSection, side: SideView, bottom: Sequence[SideTerrain]) -> str:
    """Return the band around the lure's way, where it is known."""
    if not side.shallow or not side.deep:
        return ""
    return sideview.band(section, side.shallow, side.deep, bottom)


def _sonar(section: SideSection, under_boat: float | None) -> str:
    """Return the depth under the boat, where the picture holds it."""
    if under_boat is None or under_boat > section.deepest:
        return ""
    return f'<path class="sonar" d="M{section.x(0.0):.1f} {section.y(under_boat):.1f}h26m-6 -5v10"/>'


def _labels(
    side: SideView,
    bottom: Sequence[SideTerrain],
    section: SideSection,
    units: Units,
    labels: Labels,
) -> list[str]:
    lure = ""
    if side.lure is not None:
        lure = sideview.lure(section, *_lying(side.lure, bottom), units, labels)
    tops = []
    for x, z in side.tops:
        px, py = section.x(x), section.y(z)
        labels.block(Box(px - 7.0, py, px + 7.0, py + 13.0))
        tops.append(labels.beside(px, py, units.short_depth(z)))
    return [*tops, lure, *sideview.bottom_words(section, bottom, labels)]


def _lying(
    lure: tuple[float, float], bottom: Sequence[SideTerrain]
) -> tuple[float, float]:
    """Return where the lure is, on the bottom where the model has it below."""
    ((away, depth, _),) = sideview.laid([lure], bottom)
    return away, depth


# -- in words -----------------------------------------------------------------------------------------


def clock_hour(bearing: float | None, bow: float | None) -> str:
    """Return a direction in hours off the bow; "" when either is not known.

    >>> clock_hour(150.0, 90.0), clock_hour(91.0, 90.0), clock_hour(10.0, None)
    ("2 o'clock", "12 o'clock", '')
    """
    if bearing is None or bow is None:
        return ""
    return f"{round(((bearing - bow) % 360.0) / 30.0) % 12 or 12} o'clock"


def _words(
    side: SideView, bottom: Sequence[SideTerrain], bow: float | None, units: Units
) -> str:
    whose = "The usual cast over the bow"
    if side.under_way:
        whose = f"This cast{wrapped(', ', clock_hour(side.bearing, bow))}"
    sentences = [
        f"{whose}: the lure gets to {units.short_depth(max(z for _, z in side.path))}."
    ]
    if side.lure is not None:
        away, depth = _lying(side.lure, bottom)
        sentences.append(
            f"It is at {units.short_depth(depth)}, {units.distance(away)} out."
        )
    sentences.append(_bottom_words(bottom, units))
    if side.tops:
        highest = units.short_depth(min(z for _, z in side.tops))
        count = "A tree top"
        if len(side.tops) > 1:
            count = f"{len(side.tops)} tree tops, the highest"
        sentences.append(f"{count} at {highest}.")
    return " ".join(sentences)


def _bottom_words(bottom: Sequence[SideTerrain], units: Units) -> str:
    depths = [p.depth for p in bottom if p.depth is not None]
    if not depths:
        return "The bottom along it is not known."
    some = ""
    if len(depths) < len(bottom):
        some = ", not known everywhere"
    sure = units.short_depth(NINE_IN_TEN_SIGMAS * max(p.sigma or 0.0 for p in bottom))
    least, most = units.short_depth(min(depths)), units.short_depth(max(depths))
    between = f"{least} to {most}"
    if least == most:
        between = least
    return f"The bottom along it: {between}, nine times in ten within {sure}{some}."
