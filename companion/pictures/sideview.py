"""The water along a cast from the side: bottom with its doubt, timber, the lure's way lying where it touches.

The boat is at the left and the lure lands at the right. The bottom's shaded seam and
the lure's shaded band each hold the truth nine times in ten. Where the bottom is not
known the picture is hatched from surface to floor and no bottom stands in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

from companion.pictures.drawing import Box, Labels, Point, SideSection
from companion.units import NINE_IN_TEN_SIGMAS, Units


class SideTerrain(NamedTuple):
    """The bottom at a distance from the rod tip: its depth and standard deviation, m; None: not known."""

    away: float
    depth: float | None
    sigma: float | None


def water(section: SideSection, clip: str) -> str:
    """Return the water with the clip that keeps everything in it."""
    return f'<clipPath id="{clip}">{section.box.rect("")}</clipPath>{section.box.rect("water")}'


def runs(bottom: Sequence[SideTerrain]) -> list[tuple[bool, list[SideTerrain]]]:
    """Return the bottom in stretches, known or not; an unknown one begins and ends at known neighbours."""
    found = [
        (known, list(part))
        for known, part in groupby(bottom, lambda p: p.depth is not None)
    ]
    # With nothing at both ends, the stretch before place i is at i and the one after
    # it at i + 2.
    parts: list[list[SideTerrain]] = [[], *(part for _, part in found), []]
    for i, (known, part) in enumerate(found):
        if not known:
            found[i] = (False, [*parts[i][-1:], *part, *parts[i + 2][:1]])
    return found


def ground(
    section: SideSection, bottom: Sequence[SideTerrain], clip: str
) -> Iterator[str]:
    """Yield the ground where the bottom is known, with its seam, and what is unknown as unknown."""
    yield f'<g clip-path="url(#{clip})">'
    if not bottom:
        yield section.box.rect("", ' fill="url(#unknown)"')
    for known, stretch in runs(bottom):
        first, last = section.x(stretch[0].away), section.x(stretch[-1].away)
        if not known:
            box = Box(first, section.box.top, last, section.box.bottom)
            yield box.rect("", ' fill="url(#unknown)"')
            continue
        line = [(p.away, p.depth or 0.0) for p in stretch]
        half = [NINE_IN_TEN_SIGMAS * (p.sigma or 0.0) for p in stretch]
        upper = [(x, max(z - s, 0.0)) for (x, z), s in zip(line, half, strict=True)]
        lower = [(x, z + s) for (x, z), s in zip(line, half, strict=True)]
        floor = 2.0 * section.deepest
        solid = [*line, (line[-1][0], floor), (line[0][0], floor)]
        yield f'<polygon class="ground" points="{section.points(solid)}"/>'
        seam = section.points([*upper, *reversed(lower)])
        yield f'<polygon class="seam" fill="url(#hatch)" points="{seam}"/>'
        yield f'<polyline class="bottom" points="{section.points(line)}"/>'
    yield "</g>"


def bottom_words(
    section: SideSection, bottom: Sequence[SideTerrain], labels: Labels
) -> Iterator[str]:
    """Yield where the bottom is not known, or out of the picture, in words."""
    low = section.box.bottom - 16.0
    middle = 0.5 * (section.box.left + section.box.right)
    depths = [p.depth for p in bottom if p.depth is not None]
    if not depths:
        yield labels.amid(
            [(middle, low), (middle, section.box.top + 20.0)], "bottom not known here"
        )
    elif min(depths) > section.deepest:
        yield labels.amid([(middle, low)], "bottom deeper than this")
    for known, stretch in runs(bottom):
        if not known and depths:
            x = section.x(0.5 * (stretch[0].away + stretch[-1].away))
            wide = section.x(stretch[-1].away) - section.x(stretch[0].away)
            words = "?"
            if wide > 90.0:
                words = "not known"
            yield labels.amid([(x, low), (x, low - 20.0), (x, low - 40.0)], words)


def depth_at(bottom: Sequence[SideTerrain], away: float) -> float | None:
    """Return the depth of the bottom at a distance, m, between its points; None where it is not known."""
    for before, after in pairwise(bottom):
        if before.away <= away <= after.away:
            if before.depth is None or after.depth is None:
                return None
            share = (away - before.away) / max(after.away - before.away, 1e-9)
            return before.depth + share * (after.depth - before.depth)
    return None


def laid(
    path: Sequence[Point], bottom: Sequence[SideTerrain]
) -> list[tuple[float, float, bool]]:
    """Return a lure's way lying on the bottom where it would go through: distance, depth, touching."""
    found = []
    for away, depth in path:
        floor = depth_at(bottom, away)
        if floor is not None and depth >= floor > 0.0:
            found.append((away, floor, True))
        else:
            found.append((away, depth, False))
    return found


def way(
    section: SideSection, path: Sequence[Point], bottom: Sequence[SideTerrain]
) -> Iterator[str]:
    """Yield the lure's way, thick where it drags along the bottom."""
    lying = laid(path, bottom)
    yield f'<polyline class="path" points="{section.points((x, z) for x, z, _ in lying)}"/>'
    for touching, part in groupby(lying, lambda one: one[2]):
        if touching:
            stretch = [(x, z) for x, z, _ in part]
            if len(stretch) == 1:
                stretch *= 2
            yield f'<polyline class="touching" points="{section.points(stretch)}"/>'


def band(
    section: SideSection,
    shallow: Sequence[Point],
    deep: Sequence[Point],
    bottom: Sequence[SideTerrain],
) -> str:
    """Return the band around a lure's way, its lower edge no deeper than the bottom."""
    lower = [(x, z) for x, z, _ in laid(deep, bottom)]
    upper = [(x, z) for x, z, _ in laid(shallow, bottom)]
    return (
        f'<polygon class="band" points="{section.points([*upper, *reversed(lower)])}"/>'
    )


def tree_top(
    section: SideSection, away: float, depth: float, floor: float | None
) -> str:
    """Return a tree top on its stem down to the bottom."""
    x, y = section.x(away), section.y(depth)
    if floor is None:
        floor = section.deepest
    down = section.y(min(floor, section.deepest))
    return (
        f'<path class="stem" d="M{x:.1f} {y:.1f}V{max(down, y):.1f}"/>'
        f'<path class="top" d="M{x:.1f} {y:.1f}l7 13h-14z"/>'
    )


def lure(
    section: SideSection, away: float, depth: float, units: Units, labels: Labels
) -> str:
    """Return the lure where it is, with its depth."""
    x, y = section.x(away), section.y(depth)
    labels.block(Box(x - 9.0, y - 9.0, x + 9.0, y + 9.0))
    words = labels.beside(x, y, f"lure {units.short_depth(depth)}", 16.0).replace(
        '"label strong"', '"label now"'
    )
    return (
        f'<circle class="halo" cx="{x:.1f}" cy="{y:.1f}" r="9"/>'
        f'<path class="lure" d="M{x:.1f} {y - 8:.1f}l8 8l-8 8l-8 -8z"/>{words}'
    )


def rod(section: SideSection) -> str:
    """Return the rod at the left: where every distance is counted from."""
    left, surface = section.box.left, section.box.top
    return f'<path class="rod" d="M{left - 16:.1f} {surface - 4:.1f}L{left:.1f} {surface - 20:.1f}"/>'
