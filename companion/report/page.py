"""The report's page: one HTML file that needs nothing else, neither a network nor another file."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from itertools import pairwise

import numpy as np

from companion.dive.evidence import Estimate
from companion.pictures.drawing import Box, outline, sign, wrapped
from companion.pictures.palette import rod_class
from companion.report.brought import brought, hit_rate_table, verdict
from companion.report.cards import cards
from companion.report.chart import CHART_KINDS, GAP_S, DayChart, rods_of, shown_of
from companion.report.day import CATCH_EVENTS, Day
from companion.report.daymap import depth_key, map_of
from companion.report.document import (
    CAUTIONS_HTML,
    UNKNOWN_HTML,
    document,
    drawn,
    link,
    links,
    map_tools,
    section,
    table,
)
from companion.report.findings import Findings
from companion.report.forecasts import Forecast
from companion.report.localtime import zone_name
from companion.report.reach_charts import reach_of
from companion.report.rods import RodStory
from companion.report.summary import paragraph, tiles
from companion.report.timeline import playback, timeline_of
from companion.report.told import (
    heard,
    how_heard,
    logged,
    outlook_words,
    rest,
    sounds,
    telling,
)
from companion.report.words import count
from companion.units import Units


def page(found: Findings) -> str:
    """Return the report as HTML; without places where the findings say so."""
    day, units = found.day, found.units
    where = None
    if found.places:
        where = map_of(day, found.ground, found.casts, found.catches, units)
    depth = timeline_of(day, found.casts, found.catches, units)
    reach = reach_of(found.stories, units)
    body = [
        _header(found),
        _nav(found),
        "<main>",
        f'<p class="lead" id="summary">{paragraph(found)}</p>',
        tiles(found),
        _where(found, where),
        section(
            "time", "Depth through the day", _HOW_TIME, drawn(depth), _player(depth)
        ),
        section(
            "foretold",
            "Foretold, and what came",
            _how_foretold(found),
            _foretold(found),
        ),
        section(
            "reach",
            "How deep each rod gets",
            _HOW_REACH,
            _reach_key(reach),
            drawn(reach),
            _rods(found),
        ),
        section(
            "brought",
            "What brought bites",
            _how_brought(found),
            brought(found.tables, lambda thing: link(day, thing)),
        ),
        section("log", "What was logged", _HOW_LOG, logged(found)),
        section(
            "heard", "What was heard", how_heard(found), telling(found), heard(found)
        ),
        section("rest", "Everything else", "", rest(found)),
        _footer(found),
        "</main>",
        sounds(found),
    ]
    return document(found.title, "\n".join(body), _data(found, where, depth))


def _data(
    found: Findings, where: DayChart | None, depth: DayChart | None
) -> dict[str, object]:
    """Return what the page's script has to know."""
    data: dict[str, object] = {
        "unit": found.units.depth_unit,
        "per": found.units.depth_m,
    }
    if where is not None:
        data["map"] = where.data
    if depth is not None:
        data |= {
            "time": depth.data,
            "day": playback(found.day, places=where is not None),
        }
    return data


# -- the top ------------------------------------------------------------------------------------------


def _nav(found: Findings) -> str:
    named = {
        "summary": "The day",
        "map": "Map",
        "time": "Depth",
        "foretold": "Foretold",
        "reach": "Rods",
        "brought": "What brought bites",
        "log": "Logged",
        "heard": "Heard",
        "how": "How to read it",
    }
    if not found.places:
        named["map"] = "Catches"
    inside = " ".join(f'<a href="#{name}">{words}</a>' for name, words in named.items())
    return f'<nav aria-label="In this report"><div class="inner">{inside}</div></nav>'


def _header(found: Findings) -> str:
    day = found.day
    when = f"{day.time_words(0.0)} to {day.time_words(day.entry.seconds)}"
    if day.date is not None:
        when = f"{day.date}, {when} {zone_name(day.zone)}"
    invented = escape(day.invented or "")
    badge = wrapped('<p class="invented">An invented day: ', invented, ".</p>\n")
    return (
        f'<header><div class="inner">\n<h1>{escape(found.title)}</h1>\n<p class="date">{escape(when)}</p>\n'
        f"{badge}</div>\n{_profile(day)}</header>"
    )


_HERO = Box(0.0, 34.0, 1200.0, 200.0)


def _profile(day: Day) -> str:
    """Return the bottom under the boat through the day as a drawing, with a dot at each catch.

    Where the depth was not known there is no bottom, and a catch whose depth is not
    known is a ring above the surface.
    """
    t, depth = day.track.t, day.track.believed
    known = np.flatnonzero(~np.isnan(depth))
    if len(known) < 2:
        return ""
    began, lasted = float(t[known[0]]), max(float(t[known[-1]] - t[known[0]]), 1.0)
    scale = _HERO.high / (1.35 * float(np.nanmax(depth)))

    def x(at: float) -> float:
        return (at - began) / lasted * _HERO.wide

    runs = np.split(known, np.flatnonzero(np.diff(t[known]) > GAP_S) + 1)
    bottom = "".join(
        _profile_run(
            [(x(float(t[i])), _HERO.top + float(depth[i]) * scale) for i in run]
        )
        for run in runs
    )
    gaps = "".join(
        Box(x(float(t[a[-1]])), _HERO.top, x(float(t[b[0]])), _HERO.bottom).rect(
            "", ' fill="url(#unknown)"'
        )
        for a, b in pairwise(runs)
    )
    dots = "".join(
        _profile_dot(x(one.t), one.lure_depth, scale) for one in day.of(*CATCH_EVENTS)
    )
    said = (
        "The bottom under the boat through the day, hatched where it was not known, with a dot for each "
        "bite and fish, a ring above the water where its depth is not known"
    )
    return (
        f'<svg class="hero" viewBox="0 0 {_HERO.right:.0f} {_HERO.bottom:.0f}" '
        f'preserveAspectRatio="xMidYMax slice" role="img" aria-label="{said}">'
        f'<path class="surface" d="M0,{_HERO.top} H{_HERO.right:.0f}"/>{gaps}{bottom}{dots}</svg>\n'
    )


def _profile_run(points: list[tuple[float, float]]) -> str:
    """Return a stretch of bottom that was known, one point for each of the drawing's units."""
    kept = list({round(x): (x, y) for x, y in points}.values())
    ground = [*kept, (kept[-1][0], _HERO.bottom), (kept[0][0], _HERO.bottom)]
    below = f'<path class="ground" d="{outline(ground, closed=True)}"/>'
    return below + f'<path class="bottom" d="{outline(kept)}"/>'


def _profile_dot(x: float, lure_depth: float | None, scale: float) -> str:
    kind, y = "sign-open", _HERO.top - 12.0
    if lure_depth is not None:
        kind, y = "sign-catch", _HERO.top + lure_depth * scale
    return f'<circle class="{kind}" cx="{x:.0f}" cy="{y:.1f}" r="6"/>'


# -- the map and the catches --------------------------------------------------------------------------


def _where(found: Findings, chart: DayChart | None) -> str:
    """Return the map with what it shows and the day's catches beside it; without places the catches alone."""
    filters = _filters(found)
    if not found.places:
        how = "This copy is to be shown around: it has no map and no place in it."
        return section("map", "Bites and fish", how, filters, cards(found))
    beside = f'<div class="aside">{filters}{depth_key(found.ground, found.units)}</div>'
    wide = ""
    if chart is not None:
        wide = f' style="--wide:{chart.wide:.0f}px"'
    shown = f'<div class="beside"{wide}><div>{drawn(chart)}{map_tools(chart)}</div>{beside}</div>'
    return section("map", "Where the lure was", _how_map(found), shown, cards(found))


def _filters(found: Findings) -> str:
    """Return the key of the signs and of the rods' lines, each with a box that shows or hides them."""
    shown = shown_of(found.day, found.catches)
    kinds = [kind for kind in CHART_KINDS if any(one.kind == kind for one in shown)]
    rows = [
        _filter("kind", kind, _sign(kind), f"{CHART_KINDS[kind]}", kind)
        for kind in kinds
    ]
    if found.casts:
        rows.append(_filter("kind", "cast", _line("cast"), "casts", "cast"))
    rods = [
        _filter("rod", rod, _line(f"way {rod_class(place)}"), rod, rod)
        for place, rod in enumerate(rods_of(found.day))
    ]
    return _filter_set("Shown", rows) + _filter_set("Rods", rods)


def _filter_set(title: str, boxes: Iterable[str]) -> str:
    head = f'<fieldset class="filter"><legend>{title}</legend>'
    return wrapped(head, "".join(boxes), "</fieldset>")


def _filter(by: str, value: str, picture: str, words: str, name: str) -> str:
    box = f'<input type="checkbox" checked data-filter="{by}" value="{escape(value)}" name="{escape(name)}">'
    return f"<label>{box}{picture}<span>{escape(words)}</span></label>"


def _sign(kind: str) -> str:
    inside = sign({"mark": "spot"}.get(kind, kind))
    return f'<svg class="drawing key-sign" viewBox="-13 -13 26 26" aria-hidden="true">{inside}</svg>'


def _line(kind: str) -> str:
    line = f'<path class="{kind}" d="M2 6H38"/>'
    return f'<svg class="drawing key-line" viewBox="0 0 40 12" aria-hidden="true">{line}</svg>'


def _player(chart: DayChart | None) -> str:
    """Return the time cursor: a bar to move it, and a button that lets it run."""
    if chart is None:
        return ""
    began, lasted = chart.data["began"], chart.data["lasted"]
    at = f'min="{began:.0f}" max="{began + lasted:.0f}" value="{began:.0f}" step="1"'
    return (
        '<div class="player screen" hidden><button id="run" aria-pressed="false">Play</button>'
        f'<input type="range" id="at" {at} aria-label="Time of day">'
        '<output id="now" for="at"></output></div>'
    )


# -- foretold -----------------------------------------------------------------------------------------


def _foretold(found: Findings) -> str:
    if not found.forecasts:
        return ""
    rates = hit_rate_table(found.hit_rates)
    each = table(
        ("cast", "time", "rod", "foretold", "what came"),
        [_forecast(found, one) for one in found.forecasts],
    )
    return f"{rates}<details><summary>Cast by cast</summary>{each}</details>"


def _forecast(found: Findings, one: Forecast) -> str:
    day, call = found.day, one.cast.event
    came = "no touch"
    if one.touched is None:
        came = "not told"
    if one.cast.touches:
        came = f"touched ({links(day, one.cast.touches)})"
    if one.cast.catches:
        came += f", {one.cast.catches[-1].what} ({links(day, one.cast.catches)})"
    cells = (
        link(day, call),
        day.time_words(call.t),
        escape(call.rod or ""),
        f'<a href="#{day.anchor(one.outlook)}">{outlook_words(one.outlook, found.units)}</a>',
        came,
    )
    return f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>\n"


# -- rods ---------------------------------------------------------------------------------------------


def _rods(found: Findings) -> str:
    stories = found.stories
    columns = {
        "rod": [
            f"<b>{escape(one.rod)}</b><br>{escape(one.lure)}<br>{escape(one.line)}"
            for one in stories
        ],
        "as described": [_band(one.described, found.units) for one in stories],
        "when the day began": [_band(one.morning, found.units) for one in stories],
        "when it ended": [_band(one.evening, found.units) for one in stories],
        "told on the water": [_reach_told(found, one) for one in stories],
        "evidence of all days": [_evidence(one) for one in stories],
        "today": [_today(found.day, one) for one in stories],
    }
    kept = {name: cells for name, cells in columns.items() if any(cells)}
    rows = [
        "".join(f"<td>{cell or UNKNOWN_HTML}</td>" for cell in row)
        for row in zip(*kept.values(), strict=True)
    ]
    note = ""
    if all(one.evening is None for one in stories):
        note = '<p class="how">Nothing that touches taught is stored for this trip, so there is no band.</p>'
    return table(kept, [f"<tr>{row}</tr>\n" for row in rows]) + note


def _band(band: Estimate | None, units: Units) -> str:
    if band is None:
        return ""
    between = (
        f"{units.depth_number(band.low):.1f} to {units.depth_number(band.high):.1f}"
    )
    return f'<b>{units.depth(band.best)}</b><br><span class="plain">{between}</span>'


def _reach_told(found: Findings, story: RodStory) -> str:
    if story.said is None or story.said.reach is None:
        return ""
    return f'<a href="#{found.day.anchor(story.said)}">{found.units.depth(story.said.reach)}</a>'


def _evidence(story: RodStory) -> str:
    if story.evening is None:
        return ""
    return f"{count(story.touches, 'touch', 'touches')}, {count(story.without_touch, 'cast')} without"


def _today(day: Day, story: RodStory) -> str:
    touched = wrapped("touches ", links(day, story.evidence)) or "no touch"
    steps = ", ".join(
        f'<a href="#{day.anchor(one)}">{day.time_words(one.t)}</a>'
        for one in story.learned
    )
    return touched + wrapped("<br>learned at ", steps)


_KEY_OF_REACH = (
    ("reach-described", "as described, before any touch"),
    ("reach-morning", "when the day began"),
    ("reach-evening", "when the day ended"),
)


def _reach_key(chart: DayChart | None) -> str:
    if chart is None:
        return ""
    rows = [
        f'<span><svg class="drawing key-line" viewBox="0 0 40 12" aria-hidden="true">'
        f'<path class="{kind}" d="M2 6H38"/><circle class="{kind}-point" cx="20" cy="6" r="5"/></svg> '
        f"{words}</span>"
        for kind, words in _KEY_OF_REACH
        if f"{kind}-point" in chart.svg
    ]
    if 'class="told"' in chart.svg:
        line = '<path class="told" d="M20 0V12"/>'
        rows.append(
            f'<span><svg class="drawing key-line" viewBox="0 0 40 12" aria-hidden="true">{line}</svg> '
            "as told on the water</span>"
        )
    return f'<p class="key-row">{"".join(rows)}</p>'


# -- how to read it -----------------------------------------------------------------------------------

_HOW_TIME = (
    "The bottom under the boat, and how deep the rod in hand reaches. Bites and touches hang where the lure "
    "was; it works some way off, where the bottom may be another. What hangs above the surface was at a "
    "depth that is not known. Hatched: no depth was known. The thick bars at the surface are casts."
)
_HOW_REACH = (
    "The deepest the rigged lure gets on a usual cast, with the band that holds the truth in nine cases of "
    "ten: as the owner describes the tackle, and after what touches, and casts without one, have taught."
)
_HOW_LOG = (
    "Everything that was logged, by its number. A bite and the fish it became are one row, and so are a "
    "cast and its reeling in. What was corrected or taken back stays, with what it was. The lure's depth and "
    "place are the model's; the bottom is the water under the boat. To put an entry right: "
    "<code>companion amend NUMBER --what fish</code>, "
    "<code>--rod 2</code>, <code>--size &quot;3 lb 2 oz&quot;</code>, <code>--note &quot;...&quot;</code>, "
    "<code>--take-back</code> or <code>--restore</code>."
)
_HOW_NUMBERS = (
    "<p><b>How to read the numbers.</b> Each number with # is an entry in the logbook; the link leads to its "
    "row, and the row tells what was heard. “Not known” is never a zero. A lure's place is computed from its "
    "cast, its line and its lure; its ring or “within” holds it nine times in ten. The bottom is worked out "
    "between soundings. Shares of casts carry Wilson's 95 % interval, rates per hour the exact Poisson one. "
    "One is said to do better only when so uneven a split would come by chance in fewer than one of twenty "
    "such tables.</p>"
)


def _how_map(found: Findings) -> str:
    whence = "Contours from the day's own soundings,"
    if found.ground is not None and found.ground.all_days:
        whence = "Contours from all that is known of this water, of all days, at that day's level,"
    day = found.day
    lost = [
        one
        for one in day.of(*CATCH_EVENTS, "touch", "snag", "broke off", "mark")
        if one.place is None
    ]
    why = " Not on it, because the boat's place was not known: "
    nowhere = wrapped(why, links(day, lost), ".")
    return (
        f"{whence} drawn only where the bottom is known to about a metre. Bites, fish and touches stand "
        "where the <em>lure</em> was by the model; the ring is how well that is known. "
        f'<span class="screen">Choose one to get to its entry; drag and zoom to look closer.</span>{nowhere}'
    )


def _how_foretold(found: Findings) -> str:
    if not found.forecasts:
        return "Nothing was foretold of a cast this day: no bottom was known along one."
    return (
        "What was said of each cast before it was fished, and whether the lure touched. Only casts whose end "
        "was told count: who says nothing may just as well have felt the bottom. The bar is the interval "
        "that the count leaves open, nineteen times in twenty."
    )


def _how_brought(found: Findings) -> str:
    if found.by == "cast":
        effort = (
            "Casts with a bite, out of the casts that were called. A cast counts where its lure worked: "
            "about half way out, as widely spread as its direction was vague."
        )
    else:
        effort = "Bites for each hour of boat time, as most bites fell on no cast that was called."
    why = " Not counted, because on no cast that was called: "
    off = wrapped(why, links(found.day, found.off), ".")
    bar = " The bar is the interval that the count leaves open, nineteen times in twenty. "
    return effort + off + bar + verdict(found.tables)


def _footer(found: Findings) -> str:
    day = found.day
    invented = ""
    if day.invented:
        invented = "<p><b>This day is invented.</b> No such lake, boat, lure, word or fish exists.</p>"
    made = (
        f"<p>Made by the companion from trip {day.entry.id} of its logbook: {len(day.events):,} entries, "
        f"{len(day.readings):,} readings of depth and place. Times are {escape(zone_name(day.zone))}.</p>"
    )
    return f'<footer id="how">\n{invented}{CAUTIONS_HTML}\n{_HOW_NUMBERS}\n{made}\n</footer>'
