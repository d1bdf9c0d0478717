"""The interactive charts as plotly figures, written as plain data so that the same day gives the same bytes.

Every point of an event carries its anchor as customdata: a click goes to the row that tells it. Kinds differ
in shape as well as in colour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from companion.dive.calibration import Estimate
from companion.events import Fix, Learned, Logged, LoggedWhat, RodTaken
from companion.pictures.palette import DASHES, RODS
from companion.report.casts import CastMade
from companion.report.day import Day, Floats
from companion.report.ground import Ground
from companion.report.rods import RodStory
from companion.report.words import Words, place

Figure = dict[str, Any]
"""A plotly figure: its data, its layout, and the height it wants in the page."""

COLOURS = RODS["day"]
INK, PAPER, SAND, WATER = "#1d2b33", "#fbfaf7", "#e9dfca", "#cfe4e8"
CATCH, GOLD, PURPLE = "#b93a20", "#e6a700", "#5b3b8c"
_DEPTHS = [[0.0, "#f1f7f5"], [0.25, "#cde4e3"], [0.5, "#9cc7cb"], [0.75, "#639eac"], [1.0, "#33677e"]]
_FONT = {"family": "Avenir Next, Segoe UI, Noto Sans, DejaVu Sans, sans-serif", "size": 13, "color": INK}
_SYMBOLS: Mapping[LoggedWhat, tuple[str, str, int, str]] = {
    "mark": ("diamond", GOLD, 11, "marks"),
    "touch": ("triangle-down", INK, 12, "touches of the bottom"),
    "snag": ("x", INK, 11, "snags"),
    "bite": ("circle", CATCH, 11, "bites"),
    "lost fish": ("circle-open", CATCH, 12, "fish lost"),
    "fish": ("star", CATCH, 18, "fish"),
}
"""Shape, colour, size and name of each kind on the map and the timeline, drawn in this order."""
_ASIDE: Mapping[LoggedWhat, str] = {"fish": "top right", "touch": "bottom center", "lost fish": "top right"}
_BESIDE: Mapping[LoggedWhat, str] = {"fish": "top right", "touch": "bottom right", "mark": "middle left"}
"""Where numbers stand on the timeline and on the map, so that those of one fish do not cover each other."""
_MOST_POINTS = 3000
_MOST_STRETCHES = 120
_IN_AIR = 0.04
"""How far above the surface that stands whose depth is not known, as a share of the greatest depth."""
GAP_S = 5.0
"""Readings further apart than this, s, leave a gap."""


def map_of(day: Day, ground: Ground | None, casts: Sequence[CastMade], words: Words) -> Figure | None:
    """Return the map: lakebed, track, casts, and what was logged where the lure was; None without a place."""
    if day.plane is None:
        return None
    traces = [
        *_lakebed(ground, words),
        *_track(day),
        *_cast_lines(day, casts, words),
        *(trace for kind in _SYMBOLS for trace in _things(day, kind, words)),
    ]
    west, east, south, north = _bounds(day, casts)
    aspect = (north - south) / (east - west)
    return {
        "data": traces,
        "layout": _layout(
            xaxis=_bare_axis() | {"range": [west, east], "constrain": "domain"},
            yaxis=_bare_axis() | {"range": [south, north], "scaleanchor": "x", "constrain": "domain"},
            shapes=[_scale_bar(west, east, south, north, words)],
            annotations=_scale_words(west, east, south, north, words),
            legend={"orientation": "h", "x": 0.0, "y": -0.01, "yanchor": "top", "itemsizing": "trace"},
            margin={"l": 0, "r": 0, "t": 56, "b": 8},
            meta={"narrow": 60, "paper": 450},
            dragmode="pan",
        ),
        "height": int(min(max(560 * aspect, 380), 700)) + 130,
    }


def timeline_of(day: Day, casts: Sequence[CastMade], words: Words) -> Figure | None:
    """Return depth against time, the reach of the rod in hand and what happened; None without readings."""
    track = day.track
    if not len(track.t):
        return None
    deepest = float(np.nanmax([*track.believed, *_reaches(day), 1.0])) * 1.15
    traces: list[dict[str, Any]] = [
        *_bottom(day, words),
        *_reach_lines(day, words),
        _cast_spans(day, casts),
        *(trace for kind in _SYMBOLS for trace in _moments(day, kind, words, -_IN_AIR * deepest)),
    ]
    axis: dict[str, Any] = {"type": "date"} if day.clock(0.0) else {"title": {"text": "minutes"}}
    return {
        "data": traces,
        "layout": _layout(
            xaxis=axis
            | {
                "showgrid": False,
                "zeroline": False,
                "range": [_time(day, float(t)) for t in (track.t[0], track.t[-1])],
            },
            yaxis={
                "title": {"text": f"depth, {words.depth_unit}"},
                "range": [words.number(deepest), round(-2.4 * _IN_AIR * deepest * words.per_metre, 2)],
                "gridcolor": "rgba(29,43,51,0.12)",
                "zeroline": True,
                "zerolinecolor": "#5d8ea0",
                "zerolinewidth": 2,
            },
            shapes=[_air(), *_unknown_depth(day)],
            legend={"orientation": "h", "x": 0.0, "y": -0.14, "yanchor": "top"},
            meta={"narrow": 190, "paper": 345},
            margin={"l": 56, "r": 12, "t": 12, "b": 40},
            plot_bgcolor=SAND,
            hovermode="closest",
            dragmode="pan",
        ),
        "height": 460,
    }


def reach_of(stories: Sequence[RodStory], words: Words) -> Figure | None:
    """Return each rod's reach before and after its touches, with its band; None when no reach is known."""
    known = [story for story in stories if story.reach is not None]
    if not known:
        return None
    names = [story.name for story in known]
    traces = [
        _bands("as described, before any touch", names, [s.described for s in known], words, "#7b8790", -0.2),
        _bands("when the day began", names, [s.morning for s in known], words, GOLD, 0.0, "square"),
        _bands("when the day ended", names, [s.evening for s in known], words, COLOURS[0], 0.2, "circle"),
        {
            "type": "scatter",
            "mode": "markers",
            "name": "as told on the water",
            "x": [words.number(s.said.reach) for s in known if s.said and s.said.reach is not None],
            "y": [i for i, s in enumerate(known) if s.said and s.said.reach is not None],
            "marker": {"symbol": "line-ns-open", "size": 22, "color": INK, "line": {"width": 2}},
            "hovertemplate": f"%{{x}} {words.depth_unit}<extra>as told on the water</extra>",
        },
    ]
    return {
        "data": [trace for trace in traces if trace["x"]],
        "layout": _layout(
            xaxis={
                "title": {"text": f"reach, {words.depth_unit}"},
                "gridcolor": "#ddd8cb",
                "zeroline": False,
            },
            yaxis={
                "tickvals": list(range(len(names))),
                "ticktext": names,
                "range": [len(names) - 0.5, -0.5],
                "showgrid": False,
                "zeroline": False,
                "automargin": True,
                "fixedrange": True,
            },
            legend={"orientation": "h", "x": 0.0, "y": 1.02, "yanchor": "bottom"},
            margin={"l": 8, "r": 12, "t": 40, "b": 44},
            dragmode="pan",
        ),
        "height": 130 + 58 * len(names),
    }


def reach_over_time(
    points: Mapping[str, Sequence[tuple[str, str, float, Estimate | None]]], words: Words
) -> Figure | None:
    """Return the season's chart: each rod's reach, trip by trip.

    `points` has for each rod with its line the trip's date or name, its anchor, the reach in m and its band.
    """
    traces = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": name,
            "x": [when for when, *_ in its],
            "y": [words.number(reach) for *_, reach, _ in its],
            "customdata": [anchor for _, anchor, *_ in its],
            "error_y": _error([(reach, band) for *_, reach, band in its], words),
            "line": {"color": COLOURS[i % len(COLOURS)], "dash": _dash(i), "width": 2},
            "marker": {"size": 9, "symbol": _SHAPES[i % len(_SHAPES)]},
            "hovertemplate": f"%{{x}}: %{{y}} {words.depth_unit}<extra>{name}</extra>",
        }
        for i, (name, its) in enumerate(points.items())
    ]
    if not traces:
        return None
    return {
        "data": traces,
        "layout": _layout(
            xaxis={"type": "category", "showgrid": False},
            scattermode="group",  # a trip's rods side by side: on one line their bands cannot be told apart
            scattergap=0.7,
            yaxis={
                "title": {"text": f"reach, {words.depth_unit}"},
                "autorange": "reversed",
                "gridcolor": "#ddd8cb",
            },
            legend={"orientation": "h", "x": 0.0, "y": 1.02, "yanchor": "bottom"},
            margin={"l": 56, "r": 12, "t": 40, "b": 44},
            dragmode="pan",
        ),
        "height": 420,
    }


_SHAPES = ("circle", "square", "diamond", "triangle-up", "x", "star")


def _layout(**own: object) -> dict[str, Any]:
    common = {
        "font": _FONT,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": PAPER,
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": INK, "font": _FONT, "align": "left"},
        "showlegend": True,
    }
    return common | own


def _bare_axis() -> dict[str, Any]:
    return {"showgrid": False, "zeroline": False, "showticklabels": False, "ticks": ""}


def _dash(place_in_list: int) -> str:
    dash = DASHES[place_in_list % len(DASHES)]
    return "solid" if not dash else ",".join(f"{part}px" for part in dash.split())


# -- the map ------------------------------------------------------------------------------------------


def _lakebed(ground: Ground | None, words: Words) -> Iterable[dict[str, Any]]:
    if ground is None or np.isnan(ground.depth).all():
        return
    every = 2.0 if words.unit == "feet" else 0.5
    depth = ground.depth * words.per_metre
    low, high = math.floor(np.nanmin(depth) / every) * every, math.ceil(np.nanmax(depth) / every) * every
    every *= max(1, math.ceil((high - low) / every / 20.0))
    yield {
        "type": "contour",
        "name": "lakebed",
        "x": _rounded(ground.grid.east, 1),
        "y": _rounded(ground.grid.north, 1),
        "z": [_rounded(row, 1) for row in depth],
        "colorscale": _DEPTHS,
        "autocontour": False,
        "contours": {
            "start": low,
            "end": high,
            "size": every,
            "showlabels": True,
            "labelfont": {"size": 10, "color": INK},
        },
        "line": {"width": 0.7, "color": "rgba(29,43,51,0.45)", "smoothing": 0.6},
        "colorbar": {
            "title": {"text": f"bottom, {words.depth_unit}", "side": "top", "font": {"size": 12}},
            "orientation": "h",
            "thickness": 9,
            "len": 0.6,
            "x": 1.0,
            "xanchor": "right",
            "y": 1.0,
            "yanchor": "bottom",
            "tickfont": {"size": 11},
        },
        "connectgaps": False,
        "hoverongaps": False,  # where nothing is known it would tell a depth of nought
        "hovertemplate": f"%{{z:.1f}} {words.depth_unit}<extra>bottom</extra>",
    }


def _track(day: Day) -> Iterable[dict[str, Any]]:
    track = day.track
    every = max(1, math.ceil(len(track.t) / _MOST_POINTS))
    yield {
        "type": "scatter",
        "mode": "lines",
        "name": "the boat's way",
        "x": _rounded(track.x[::every], 1),
        "y": _rounded(track.y[::every], 1),
        "line": {"color": "#3d4a52", "width": 1.3, "dash": "dot"},
        "hoverinfo": "skip",
    }


def _cast_lines(day: Day, casts: Sequence[CastMade], words: Words) -> Iterable[dict[str, Any]]:
    for said, dash, name in ((True, "solid", "casts"), (False, "dash", "casts, hour not said")):
        x: list[float | None] = []
        y: list[float | None] = []
        text: list[str] = []
        anchors: list[str] = []
        for cast in casts:
            boat = day.xy(cast.event.boat)
            if boat is None or cast.bearing is None or cast.hour_said is not said:
                continue
            sine, cosine = math.sin(math.radians(cast.bearing)), math.cos(math.radians(cast.bearing))
            x += [round(boat[0], 1), round(boat[0] + cast.length * sine, 1), None]
            y += [round(boat[1], 1), round(boat[1] + cast.length * cosine, 1), None]
            about = f"{_title(day, cast.event, words)}<br>drawn {words.cast(cast.length)} long"
            text += [about, about, ""]
            anchors += [day.anchor(cast.event)] * 3
        if x:
            yield {
                "type": "scatter",
                "mode": "lines+markers",
                "name": name,
                "x": x,
                "y": y,
                "text": text,
                "customdata": anchors,
                "line": {"color": PURPLE, "width": 1.4, "dash": dash},
                "marker": {
                    "symbol": "arrow",
                    "size": [0.1 if i % 3 != 1 else 9 for i in range(len(x))],
                    "angleref": "previous",
                    "color": PURPLE,
                },
                "hovertemplate": "%{text}<extra></extra>",
            }


def _things(day: Day, kind: LoggedWhat, words: Words) -> Iterable[dict[str, Any]]:
    symbol, colour, size, name = _SYMBOLS[kind]
    at_boat = kind == "mark"
    placed = [
        (thing, fix, xy)
        for thing in day.of(kind)
        if (fix := thing.at or thing.boat if at_boat else thing.lure_at or thing.boat) and (xy := day.xy(fix))
    ]
    if not placed:
        return
    if not at_boat:
        rings_x: list[float | None] = []
        rings_y: list[float | None] = []
        for _, fix, (x, y) in placed:
            turn = np.linspace(0.0, 2.0 * math.pi, 33)
            rings_x += [*_rounded(x + (fix.radius or 0.0) * np.sin(turn), 1), None]
            rings_y += [*_rounded(y + (fix.radius or 0.0) * np.cos(turn), 1), None]
        yield {
            "type": "scatter",
            "mode": "lines",
            "x": rings_x,
            "y": rings_y,
            "line": {"color": colour, "width": 1, "dash": "2px,3px"},
            "hoverinfo": "skip",
            "showlegend": False,
            "legendgroup": kind,
        }
    yield {
        "type": "scatter",
        "mode": "markers+text",
        "name": name,
        "legendgroup": kind,
        "x": [round(xy[0], 1) for *_, xy in placed],
        "y": [round(xy[1], 1) for *_, xy in placed],
        "text": [f"#{thing.number}" for thing, *_ in placed],
        "cliponaxis": False,
        "textposition": _BESIDE.get(kind, "middle right"),
        "textfont": {"size": 11, "color": INK},
        "customdata": [day.anchor(thing) for thing, *_ in placed],
        "hovertext": [f"{_title(day, thing, words)}<br>{_where(fix, words)}" for thing, fix, _ in placed],
        "hovertemplate": "%{hovertext}<extra></extra>",
        "marker": _marker(symbol, colour, size),
    }


def _marker(symbol: str, colour: str, size: int) -> dict[str, Any]:
    edge = {"width": 2.2, "color": colour} if symbol.endswith("open") else {"width": 1.2, "color": "#ffffff"}
    if colour == GOLD:
        edge = {"width": 1.2, "color": INK}
    return {"symbol": symbol, "color": colour, "size": size, "line": edge}


def _bounds(day: Day, casts: Sequence[CastMade]) -> tuple[float, float, float, float]:
    x, y = list(day.track.x), list(day.track.y)
    for thing in day.standing:
        fix = thing.place
        if fix is not None and (spot := day.xy(fix)) is not None:
            x += [spot[0] - (fix.radius or 0.0), spot[0] + (fix.radius or 0.0)]
            y += [spot[1] - (fix.radius or 0.0), spot[1] + (fix.radius or 0.0)]
    for cast in casts:
        if cast.hour_said:
            x, y = [*x, *cast.x], [*y, *cast.y]
    west, east = float(np.nanmin(x)) - 12.0, float(np.nanmax(x)) + 12.0
    south, north = float(np.nanmin(y)) - 18.0, float(np.nanmax(y)) + 12.0
    return round(west, 1), round(east, 1), round(south, 1), round(north, 1)


def _scale(west: float, east: float, words: Words) -> tuple[float, str]:
    metre = 0.9144 if words.unit == "feet" else 1.0
    nice = [size * 10**power for power in range(5) for size in (1, 2, 5)]
    length = max(size for size in nice if size * metre <= max((east - west) / 4.0, metre))
    return length * metre, f"{length} {'yd' if words.unit == 'feet' else 'm'}"


def _scale_bar(west: float, east: float, south: float, north: float, words: Words) -> dict[str, Any]:
    length, _ = _scale(west, east, words)
    x, y = west + 6.0, south + 0.02 * (north - south)
    line = {"color": INK, "width": 3}
    return {"type": "line", "x0": x, "x1": round(x + length, 2), "y0": y, "y1": y, "line": line}


def _scale_words(west: float, east: float, south: float, north: float, words: Words) -> list[dict[str, Any]]:
    length, text = _scale(west, east, words)
    common = {"showarrow": False, "font": {"size": 12, "color": INK}, "yanchor": "bottom"}
    y = round(south + 0.025 * (north - south), 1)
    return [
        common | {"x": round(west + 6.0 + length / 2.0, 1), "y": y, "text": text},
        common
        | {"x": 0.0, "y": 1.01, "xref": "paper", "yref": "paper", "xanchor": "left", "text": "↑ north"},
    ]


# -- the timeline -------------------------------------------------------------------------------------


def _bottom(day: Day, words: Words) -> Iterable[dict[str, Any]]:
    """Yield the bottom in stretches over which it was known, with the water above it."""
    track = day.track
    known = np.flatnonzero(~np.isnan(track.believed))
    if not len(known):
        return
    stretches = np.split(known, np.flatnonzero(np.diff(track.t[known]) > GAP_S) + 1)
    every = max(1, math.ceil(len(stretches) / _MOST_STRETCHES))
    for i, stretch in enumerate(stretches[::every]):
        t, depth = track.t[stretch], track.believed[stretch]
        kept = _thinned(t, depth, _MOST_POINTS * len(t) // len(known))
        yield {
            "type": "scatter",
            "mode": "lines",
            "name": "bottom under the boat",
            "legendgroup": "bottom",
            "showlegend": i == 0,
            "x": _times(day, t[kept]),
            "y": _numbers(depth[kept], words),
            "line": {"color": "#6b5a3a", "width": 1.6},
            "fill": "tozeroy",
            "fillcolor": WATER,
            "hovertemplate": f"%{{y}} {words.depth_unit}<extra>bottom</extra>",
        }


def _thinned(t: Floats, depth: Floats, most: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return which readings to draw: of a long stretch the shallowest and deepest of each part."""
    if len(t) <= max(most, 4):
        return np.arange(len(t))
    kept = {0, len(t) - 1}
    for part in np.array_split(np.arange(len(t)), max(most // 2, 2)):
        kept |= {int(part[np.argmin(depth[part])]), int(part[np.argmax(depth[part])])}
    return np.array(sorted(kept))


def _air() -> dict[str, Any]:
    """Return what is above the water: paper."""
    line = {"width": 0}
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": 0,
        "y1": -1000,
        "fillcolor": PAPER,
        "line": line,
        "layer": "below",
    }


def _unknown_depth(day: Day) -> list[dict[str, Any]]:
    """Return a plain strip wherever the depth was not known, so that it does not look like a shoal."""
    track = day.track
    known = track.t[~np.isnan(track.believed)]
    ends = np.flatnonzero(np.diff(known) > GAP_S)
    label = {"text": "depth not known", "textangle": -90, "font": {"size": 10, "color": "#52616a"}}
    return [
        {
            "type": "rect",
            "yref": "paper",
            "x0": _time(day, float(known[i])),
            "x1": _time(day, float(known[i + 1])),
            "y0": 0,
            "y1": 1,
            "fillcolor": "#ffffff",
            "line": {"width": 0},
            "layer": "below",
            **({"label": label} if known[i + 1] - known[i] > 0.04 * (known[-1] - known[0]) else {}),
        }
        for i in ends[:_MOST_STRETCHES]
    ]


def _time(day: Day, t: float) -> str | float:
    at = day.clock(t)
    return (
        round(t / 60.0, 3)
        if at is None
        else at.strftime("%Y-%m-%d %H:%M:%S.") + f"{at.microsecond // 1000:03d}"
    )


def _times(day: Day, t: Iterable[float]) -> list[str | float]:
    return [_time(day, float(one)) for one in t]


def _steps(day: Day) -> list[tuple[RodTaken, float, float, str]]:
    """Return the rod in hand and its reach, m, each with the logic time from which it holds and its event."""
    steps: list[tuple[RodTaken, float, float, str]] = []
    for event in day.events:
        if isinstance(event, RodTaken) and event.reach is not None:
            steps.append((event, event.reach, event.t, day.anchor(event)))
        elif isinstance(event, Learned) and steps and steps[-1][0].rod == event.rod:
            steps.append((steps[-1][0], event.reach, event.t, day.anchor(event)))
    return steps


def _reaches(day: Day) -> list[float]:
    return [reach for _, reach, _, _ in _steps(day)]


def _reach_lines(day: Day, words: Words) -> Iterable[dict[str, Any]]:
    steps = _steps(day)
    until = [*(t for _, _, t, _ in steps[1:]), float(day.track.t[-1])][: len(steps)]
    for i, rod in enumerate(sorted({(event.rod, event.line) for event, *_ in steps})):
        x: list[str | float] = []
        y: list[float | None] = []
        anchors: list[str] = []
        for (event, reach, begins, anchor), ends in zip(steps, until, strict=True):
            if (event.rod, event.line) == rod:
                x += [_time(day, begins), _time(day, ends), _time(day, ends)]
                y += [words.number(reach)] * 2 + [None]
                anchors += [anchor] * 3
        yield {
            "type": "scatter",
            "mode": "lines",
            "name": f"reach of {rod[0]}, {rod[1]}",
            "x": x,
            "y": y,
            "customdata": anchors,
            "line": {"color": COLOURS[i % len(COLOURS)], "width": 2.6, "dash": _dash(i)},
            "hovertemplate": f"%{{y}} {words.depth_unit}<extra>reach of {rod[0]}</extra>",
        }


def _cast_spans(day: Day, casts: Sequence[CastMade]) -> dict[str, Any]:
    x: list[str | float] = []
    anchors: list[str] = []
    for cast in casts:
        x += [_time(day, cast.event.t), _time(day, cast.ended), _time(day, cast.ended)]
        anchors += [day.anchor(cast.event)] * 3
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "lure in the water",
        "x": x,
        "y": [None if i % 3 == 2 else 0.0 for i in range(len(x))],
        "customdata": anchors,
        "line": {"color": PURPLE, "width": 7},
        "hovertemplate": "a cast<extra></extra>",
    }


def _moments(day: Day, kind: LoggedWhat, words: Words, in_air: float) -> Iterable[dict[str, Any]]:
    symbol, colour, size, name = _SYMBOLS[kind]
    things = day.of(kind)
    if not things:
        return
    at_bottom = kind in ("mark", "touch")
    depths = [
        next((d for d in (thing.lure_depth, thing.bottom if at_bottom else None) if d is not None), in_air)
        for thing in things
    ]
    yield {
        "type": "scatter",
        "mode": "markers+text",
        "name": name,
        "x": _times(day, (thing.t for thing in things)),
        "y": [words.number(depth) for depth in depths],
        "text": [f"#{thing.number}" for thing in things],
        "textposition": _ASIDE.get(kind, "top center"),
        "textfont": {"size": 11, "color": INK},
        "customdata": [day.anchor(thing) for thing in things],
        "hovertext": [_title(day, thing, words) for thing in things],
        "hovertemplate": "%{hovertext}<extra></extra>",
        "marker": _marker(symbol, colour, size),
    }


# -- words in the charts ------------------------------------------------------------------------------


def _title(day: Day, thing: Logged, words: Words) -> str:
    parts = [f"<b>#{thing.number} {thing.what}</b>"]
    if thing.detail:
        parts.append(thing.detail)
    if size := words.size(thing):
        parts.append(size)
    lines = [", ".join(parts), f"{day.time_words(thing.t, seconds=True)}, {thing.rod}, {thing.line}"]
    if thing.lure_depth is not None:
        lines.append(f"lure at {words.depth(thing.lure_depth)}")
    lines.append(f"bottom under the boat {words.depth(thing.bottom)}")
    return "<br>".join(_plain(line) for line in lines)


def _plain(text: str) -> str:
    """Keep what was said from being taken for plotly's markup, except our own bold."""
    bold = text.startswith("<b>")
    inner = text.removeprefix("<b>").replace("</b>", "\0").replace("<", "‹").replace(">", "›")
    return ("<b>" if bold else "") + inner.replace("\0", "</b>")


def _where(fix: Fix, words: Words) -> str:
    radius = f"<br>within {words.whole(fix.radius)}" if fix.radius is not None else ""
    return place(fix) + radius


def _bands(
    name: str,
    names: Sequence[str],
    bands: Sequence[Estimate | None],
    words: Words,
    colour: str,
    aside: float,
    symbol: str = "circle-open",
) -> dict[str, Any]:
    known = [(i, band) for i, band in enumerate(bands) if band is not None]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": [words.number(band.best) for _, band in known],
        "y": [i + aside for i, _ in known],
        "text": [names[i] for i, _ in known],
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [round(words.number(b.high) - words.number(b.best), 1) for _, b in known],
            "arrayminus": [round(words.number(b.best) - words.number(b.low), 1) for _, b in known],
            "color": colour,
            "thickness": 3,
            "width": 6,
        },
        "marker": {"symbol": symbol, "size": 12, "color": colour, "line": {"width": 2, "color": colour}},
        "hovertemplate": f"%{{text}}: %{{x}} {words.depth_unit}<extra>{name}</extra>",
    }


def _error(points: Sequence[tuple[float, Estimate | None]], words: Words) -> dict[str, Any]:
    return {
        "type": "data",
        "symmetric": False,
        "array": [0 if b is None else round(words.number(b.high) - words.number(r), 1) for r, b in points],
        "arrayminus": [
            0 if b is None else round(words.number(r) - words.number(b.low), 1) for r, b in points
        ],
        "thickness": 1.5,
        "width": 4,
    }


def _numbers(depths: Floats, words: Words) -> list[float | None]:
    return [None if math.isnan(d) else round(float(d) * words.per_metre, 1) for d in depths]


def _rounded(values: Floats, digits: int) -> list[float | None]:
    return [None if math.isnan(v) else round(float(v), digits) for v in values]
