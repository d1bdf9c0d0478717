"""A piece of water from above: depth in bands, how well it is known, contours with their depths, a key.

Depth runs from sand to ink, each band darker than the one above it, so that the order
of depths needs no hue: it survives colour-blind eyes, grey print and glare. What is
less well known is hatched, and where nothing is known the paper is hatched otherwise
and no depth stands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import contourpy
import numpy as np

from companion.lakebed.cells import FloatArray
from companion.lakebed.relief import Relief, contours
from companion.pictures.drawing import Labels, Plane, outline, round_up, text
from companion.pictures.palette import DEPTH_RAMP
from companion.units import NINE_IN_TEN_SIGMAS, Units

HATCHED_M, CLOSELY_HATCHED_M = 0.3, 0.6
"""Standard deviations from which the bottom is hatched, and hatched closely."""
UNKNOWN_M = 1.2
"""Standard deviation from which a depth is not worth drawing."""
MOST_BANDS = len(DEPTH_RAMP["day"])
_FEWEST_POINTS = 12
"""A contour of fewer points bears no depth."""


def worth_drawing(grid: Relief) -> Relief:
    """Return a relief with NaN where it is not known well enough, and where it runs on above the water."""
    hidden = ~(grid.sigma < UNKNOWN_M) | ~(grid.depth > 0.0)
    depth, sigma = (
        np.where(hidden, np.nan, values) for values in (grid.depth, grid.sigma)
    )
    return Relief(grid.east, grid.north, depth, sigma)


def band_edges(depth: FloatArray, units: Units) -> list[float]:
    """Return the edges of at most `MOST_BANDS` bands of a round width in the unit shown, m."""
    known = depth[np.isfinite(depth)]
    per = units.depth_m
    if not len(known):
        return [0.0, per]
    low, high = float(known.min()) / per, float(known.max()) / per
    step = round_up(max(high - low, 1.0) / MOST_BANDS)
    while math.ceil(high / step) - math.floor(low / step) > MOST_BANDS:
        step = round_up(1.01 * step)
    first, last = (
        math.floor(low / step),
        max(math.ceil(high / step), math.floor(low / step) + 1),
    )
    return [edge * step * per for edge in range(first, last + 1)]


def band_class(place: int, bands: int) -> str:
    """Return the class of a band: the whole ramp, however many bands there are."""
    return f"depth-{round(place * (MOST_BANDS - 1) / max(bands - 1, 1))}"


def bottom(plane: Plane, grid: Relief, edges: Sequence[float]) -> Iterator[str]:
    """Yield the bands of depth, and over them the hatching of what is less well known."""
    if min(grid.depth.shape) < 2:
        return
    bands = len(edges) - 1
    for place, (low, high) in enumerate(pairwise(edges)):
        if path := _area(plane, grid, grid.depth, low, high):
            yield f'<path class="depth {band_class(place, bands)}" fill-rule="evenodd" d="{path}"/>'
    doubt = np.where(np.isfinite(grid.depth), grid.sigma, np.nan)
    for low, high, hatch in (
        (HATCHED_M, CLOSELY_HATCHED_M, "less"),
        (CLOSELY_HATCHED_M, math.inf, "least"),
    ):
        if path := _area(plane, grid, doubt, low, min(high, 1e6)):
            yield f'<path fill="url(#{hatch})" fill-rule="evenodd" d="{path}"/>'


def _area(
    plane: Plane, grid: Relief, values: FloatArray, low: float, high: float
) -> str:
    """Return the path around where values lie between two figures."""
    drawn = contourpy.contour_generator(
        grid.east,
        grid.north,
        np.ma.masked_invalid(values),
        fill_type=contourpy.FillType.OuterOffset,
        corner_mask=True,
    )
    polygons, offsets = drawn.filled(low, high)[:2]
    return "".join(
        outline(plane.places(np.asarray(points)[first:last]), closed=True)
        for points, starts in zip(polygons, offsets, strict=True)
        for first, last in pairwise(np.asarray(starts).tolist())
    )


def contour_lines(
    plane: Plane, grid: Relief, edges: Sequence[float], units: Units, labels: Labels
) -> Iterator[str]:
    """Yield a line at every edge of a band where the bottom is more than a guess, and its depth once."""
    words = []
    for contour in contours(grid, edges[1] - edges[0], surer_than=CLOSELY_HATCHED_M):
        path = "".join(plane.path(line) for line in contour.lines)
        yield f'<path class="contour" d="{path}"/>'
        longest = max(contour.lines, key=len)
        if len(longest) >= _FEWEST_POINTS:
            # From a third of the way on round the line, so that neighbours' depths do
            # not stand in a row.
            places = list(plane.places(longest[:: max(1, len(longest) // 24)]))
            begin = len(places) // 3
            shown = f"{contour.depth / units.depth_m:g}"
            words.append(labels.amid([*places[begin:], *places[:begin]], shown))
    yield from words


def depth_key(
    x: float, y: float, edges: Sequence[float], units: Units
) -> Iterator[str]:
    """Yield the key of the bands from a place downwards, shallow first; `key_high` tells how high it is."""
    yield text(x, y + 8.0, f"depth, {units.depth_unit}", "strong")
    for place, (low, high) in enumerate(pairwise(edges)):
        top = y + 20.0 + _KEY_STEP * place
        band = f"key {band_class(place, len(edges) - 1)}"
        yield f'<rect class="{band}" x="{x}" y="{top}" width="40" height="{_KEY_STEP}"/>'
        yield text(x + 48.0, top + 17.0, band_words(low, high, units))


def band_words(low: float, high: float, units: Units) -> str:
    """Return the depths of a band, m, in the unit shown."""
    shallow, deep = (f"{round(edge / units.depth_m, 2):g}" for edge in (low, high))
    return f"{shallow} to {deep}"


def doubt_key(x: float, y: float, units: Units) -> Iterator[str]:
    """Yield the key of the hatching from a place downwards."""
    yield text(x, y, "nine times in ten", "strong")
    sure, less = (
        units.depth(NINE_IN_TEN_SIGMAS * sigma)
        for sigma in (HATCHED_M, CLOSELY_HATCHED_M)
    )
    middle = f"depth-{(MOST_BANDS - 1) // 3}"
    rows = (
        (f"within {sure}", middle, ""),
        (f"within {less}", middle, "less"),
        ("a guess", middle, "least"),
        ("not known", "paper", "unknown"),
    )
    for place, (words, kind, hatch) in enumerate(rows):
        top = y + 10.0 + 26.0 * place
        where = f'x="{x}" y="{top}" width="40" height="20"'
        yield f'<rect class="key {kind}" {where}/>'
        if hatch:
            yield f'<rect class="key" fill="url(#{hatch})" {where}/>'
        yield text(x + 48.0, top + 15.0, words)


_KEY_STEP = 25.0


def key_high(edges: Sequence[float]) -> float:
    """Return how high both keys are together, one below the other with 30 between."""
    return 20.0 + _KEY_STEP * (len(edges) - 1) + 30.0 + 10.0 + 26.0 * 4
