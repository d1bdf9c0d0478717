"""The day's map: lakebed, the boat's way, casts, and what happened where the lure was."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from typing import Any

import numpy as np

from companion.events import Fix
from companion.lakebed.relief import Relief
from companion.pictures import watermap
from companion.pictures.drawing import Box, Labels, Plane, rounded, ruler, wrapped
from companion.report.casts import CastMade, Catch
from companion.report.chart import (
    MOST_CHART_POINTS,
    DayChart,
    ShownEntry,
    chart,
    chosen_by,
    label,
    pin,
    runs_of,
    shown_of,
    thing,
)
from companion.report.day import Day, Floats
from companion.report.ground import GroundGrid, step_between
from companion.report.words import size_words
from companion.units import NINE_IN_TEN_SIGMAS, Units, if_known

_WIDEST, _NARROWEST, _HIGHEST, _LOWEST = 1000.0, 460.0, 680.0, 380.0
_FOOT = 34.0
_POINTS_OF_A_DAY = 400
_LAST_RANK = 8


def map_of(
    day: Day,
    ground: GroundGrid | None,
    casts: Sequence[CastMade],
    catches: Sequence[Catch],
    units: Units,
) -> DayChart | None:
    """Return the map: lakebed, track, casts, and what was logged where the lure was; None without a place."""
    if day.plane is None:
        return None
    plane = _plane_over(*_bounds(day, casts))
    world = [
        *_track(plane, day),
        *_cast_lines(plane, day, casts, units),
        *_things(plane, day, shown_of(day, catches), units),
        '<g class="cursor" id="boat-now" hidden="">'
        + pin(0, 0, '<circle class="boat" r="8"/>')
        + "</g>",
    ]
    said = "Map of the day: bottom, the boat's way, casts, and what happened where the lure was"
    return _map(plane, said, ground, world, units)


def _plane_over(west: float, south: float, east: float, north: float) -> Plane:
    """Return the paper for what lies within, m."""
    wide = min(max(_HIGHEST * (east - west) / (north - south), _NARROWEST), _WIDEST)
    high = min(max(wide * (north - south) / (east - west), _LOWEST), _HIGHEST)
    return Plane.fitting(Box(0.0, 0.0, wide, high), west, south, east, north)


def _map(
    plane: Plane,
    said: str,
    ground: GroundGrid | None,
    world: Iterable[str],
    units: Units,
) -> DayChart:
    """Return a map: the bottom, what is drawn over it, a frame and a ruler."""
    box = plane.box
    svg = chart(
        "map-chart",
        said,
        box.wide,
        box.high + _FOOT,
        [box.rect("frame"), *ruler(plane, units)],
        [
            box.rect("", ' fill="url(#unknown)"'),
            *_lakebed(plane, ground, units),
            *world,
        ],
        box,
    )
    return DayChart(svg, box.wide, box.high + _FOOT, _map_data(plane, ground, units))


def _bounds(day: Day, casts: Sequence[CastMade]) -> tuple[float, float, float, float]:
    """Return west, south, east and north of all that is drawn, m."""
    x, y = list(day.track.x), list(day.track.y)
    for place in (one.place for one in day.standing):
        spot = day.xy(place)
        if place is not None and spot is not None:
            within = place.radius or 0.0
            x += [spot[0] - within, spot[0] + within]
            y += [spot[1] - within, spot[1] + within]
    for cast in casts:
        if cast.hour_said:
            x, y = [*x, *cast.x], [*y, *cast.y]
    west, east = float(np.nanmin(x)) - 12.0, float(np.nanmax(x)) + 12.0
    return west, float(np.nanmin(y)) - 12.0, east, float(np.nanmax(y)) + 12.0


def _grid(ground: GroundGrid) -> Relief:
    return Relief(ground.grid.east, ground.grid.north, ground.depth, ground.grid.sigma)


def _lakebed(plane: Plane, ground: GroundGrid | None, units: Units) -> Iterator[str]:
    if ground is None or np.isnan(ground.depth).all():
        return
    grid = _grid(ground)
    edges = watermap.band_edges(grid.depth, units)
    yield from watermap.bottom(plane, grid, edges)
    labels = Labels(plane.box)
    for line in watermap.contour_lines(plane, grid, edges, units, labels):
        if line.startswith("<text"):
            yield _as_pin(line)
        else:
            yield line


def _as_pin(words: str) -> str:
    """Return a label of the drawing room as a pin, so that it keeps its size."""
    x, y = (float(part.split('"')[1]) for part in words.split(" ", 3)[1:3])
    depth = words.partition(">")[2].removesuffix("</text>")
    return pin(x, y - 4.5, label(depth, _LAST_RANK, 0.0, 4.5, anchor="middle"))


def _track(plane: Plane, day: Day) -> Iterator[str]:
    """Yield the boat's way, left out where the boat's place was not known."""
    track = day.track
    for run in runs_of(track.t, ~np.isnan(track.x)):
        every = max(1, math.ceil(len(run) / MOST_CHART_POINTS))
        path = plane.path(
            zip(track.x[run][::every], track.y[run][::every], strict=True)
        )
        name = f"track-{run[0]}"
        yield f'<defs><path id="{name}" d="{path}"/></defs>'
        yield f'<use href="#{name}" class="track-halo"/><use href="#{name}" class="track"/>'


def _cast_lines(
    plane: Plane, day: Day, casts: Sequence[CastMade], units: Units
) -> Iterator[str]:
    for rod in dict.fromkeys(cast.event.rod for cast in casts):
        mine = (
            _cast_line(plane, day, cast, units)
            for cast in casts
            if cast.event.rod == rod
        )
        yield f"<g {chosen_by('cast', rod)}>{''.join(mine)}</g>"


def _cast_line(plane: Plane, day: Day, cast: CastMade, units: Units) -> str:
    boat = day.xy(cast.event.boat)
    if boat is None or cast.bearing is None:
        return ""
    angle = math.radians(cast.bearing)
    end = (
        boat[0] + cast.length * math.sin(angle),
        boat[1] + cast.length * math.cos(angle),
    )
    said = f"#{cast.event.number} cast, {cast.event.rod}, {units.distance(cast.length)} long"
    guess = ""
    if not cast.hour_said:
        guess = " wide-guess"
        said += ", hour not said"
    return (
        f'<a class="thing" href="#{day.anchor(cast.event)}" data-from="{cast.event.t:.0f}" '
        f'data-until="{cast.ended:.0f}"><title>{escape(said)}</title>'
        f'<path class="cast{guess}" d="{plane.path((boat, end))}"/>'
        f'<path class="cast-end" d="{plane.path([end])}"/></a>'
    )


def _things(
    plane: Plane, day: Day, shown: Sequence[ShownEntry], units: Units
) -> Iterator[str]:
    for one in shown:
        fix = _shown_at(one)
        spot = day.xy(fix)
        if fix is None or spot is None:
            continue
        x, y = plane.x(spot[0]), plane.y(spot[1])
        if one.kind != "mark" and fix.radius:
            radius = fix.radius * plane.scale
            yield (
                f'<circle class="within" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" '
                f"{chosen_by(one.kind, one.things[0].rod)}/>"
            )
        yield thing(day, one, x, y, _about(day, one, units))


def _shown_at(one: ShownEntry) -> Fix | None:
    """Return where a thing is drawn: a mark at its own place, all else where the lure was; else the boat."""
    if one.kind == "mark":
        return one.at.at or one.at.boat
    return one.at.lure_at or one.at.boat


def _about(day: Day, one: ShownEntry, units: Units) -> str:
    """Return what a thing was, in words."""
    first = one.things[0]
    size = size_words(one.things[-1], units)
    rod = ""
    if first.rod:
        rod = f"{first.rod}, {first.line}"
    lure = wrapped("lure at ", if_known(one.at.lure_depth, units.depth, ""))
    parts = (one.said, size, day.time_words(first.t, seconds=True), rod, lure)
    return "\n".join(part for part in parts if part)


def _map_data(plane: Plane, ground: GroundGrid | None, units: Units) -> dict[str, Any]:
    """Return what the script needs: metres to paper, and the bottom under the pointer in tenths."""
    data: dict[str, Any] = {
        "west": round(plane.west, 2),
        "north": round(plane.north, 2),
        "scale": round(plane.scale, 5),
    }
    if ground is not None and not np.isnan(ground.depth).all():
        grid = ground.grid
        data["grid"] = {
            "east": round(float(grid.east[0]), 2),
            "north": round(float(grid.north[0]), 2),
            "step": round(step_between(grid.east), 4),
            "rise": round(step_between(grid.north), 4),
            "columns": len(grid.east),
            "depth": _tenths(ground.depth / units.depth_m),
            "within": _tenths(
                NINE_IN_TEN_SIGMAS * grid.sigma / units.depth_m + 0.0 * ground.depth
            ),
        }
    return data


def _tenths(values: Floats) -> list[float | None]:
    return [rounded(10 * value) for value in values.ravel().tolist()]


# -- many days ----------------------------------------------------------------------------------------

SAME_WATER_M = 3000.0
"""Days that began further apart than this are not on one map."""


def depth_key(ground: GroundGrid | None, units: Units) -> str:
    """Return the key of a map's depths and of how well they are known, as HTML; "" where nothing is."""
    if ground is None or np.isnan(ground.depth).all():
        return ""
    edges = watermap.band_edges(ground.depth, units)
    high = watermap.key_high(edges) + 12.0
    inside = [
        *watermap.depth_key(0.0, 6.0, edges, units),
        *watermap.doubt_key(0.0, 6.0 + watermap.key_high(edges) - 114.0, units),
    ]
    return (
        f'<svg class="drawing depth-key" viewBox="0 0 190 {high:.0f}" role="img" '
        f'aria-label="Key of the depths and of the hatching">{"".join(inside)}</svg>'
    )


Outing = tuple[Day, GroundGrid | None, Sequence[Catch]]
"""A day with the bottom of its water and its catches."""


def best_known(outings: Sequence[Outing]) -> tuple[Day, GroundGrid | None] | None:
    """Return the day whose water most is known of, with its bottom; None when no day knew where it was."""
    placed = [(day, ground) for day, ground, _ in outings if day.plane is not None]
    return max(placed, key=lambda one: _points_known(one[1]), default=None)


def _points_known(ground: GroundGrid | None) -> int:
    if ground is None:
        return 0
    return int(np.isfinite(ground.depth).sum())


def map_of_days(outings: Sequence[Outing], units: Units) -> DayChart | None:
    """Return the map of the water that most is known of, with the ways and the catches of all days there.

    A catch leads to its trip in the table: "t1" is the first. None when no day knew
    where it was.
    """
    placed = [(i, *one) for i, one in enumerate(outings, 1) if one[0].plane is not None]
    known_best = best_known(outings)
    if known_best is None:
        return None
    best, ground = known_best
    assert best.plane is not None
    here = [(i, day, found) for i, day, _, found in placed if _is_near(best, day)]
    places = np.array(
        [best.plane.to_xy(lat, lon) for _, day, _ in here for lat, lon in _way(day)]
    )
    corners = (*(places.min(axis=0) - 40.0), *(places.max(axis=0) + 40.0))
    plane = _plane_over(*map(float, corners))
    world = [
        *(_way_over(plane, best, day) for _, day, _ in here),
        *(
            sign
            for i, day, found in here
            for sign in _catches_over(plane, best, day, found, i, units)
        ),
    ]
    said = (
        "Map of the season: bottom, the boat's ways, and the catches where the lure was"
    )
    return _map(plane, said, ground, world, units)


def _is_near(one: Day, other: Day) -> bool:
    assert one.plane is not None
    assert other.plane is not None
    return math.hypot(*one.plane.to_xy(other.plane.lat, other.plane.lon)) < SAME_WATER_M


def _way(day: Day) -> list[tuple[float, float]]:
    """Return latitudes and longitudes along a day's way, thinned."""
    fixes = [reading.fix for reading in day.readings if reading.fix is not None]
    every = max(1, len(fixes) // _POINTS_OF_A_DAY)
    return [(fix.lat, fix.lon) for fix in fixes[::every]]


def _way_over(plane: Plane, on: Day, day: Day) -> str:
    assert on.plane is not None
    return f'<path class="track" d="{plane.path(on.plane.to_xy(*place) for place in _way(day))}"/>'


def _catches_over(
    plane: Plane, on: Day, day: Day, catches: Sequence[Catch], trip: int, units: Units
) -> Iterator[str]:
    for catch in catches:
        spot = on.xy(catch.at_lure.lure_at or catch.at_lure.boat)
        if spot is not None:
            one = ShownEntry(catch.what, catch.things, catch.at_lure)
            said = f"trip {trip}, {day.date or ''}\n{_about(day, one, units)}"
            numbers = ", ".join(f"{trip}#{each.number}" for each in one.things)
            yield thing(
                day, one, plane.x(spot[0]), plane.y(spot[1]), said, f"t{trip}", numbers
            )
