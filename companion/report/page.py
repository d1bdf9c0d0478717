"""The report's page: one HTML file that needs nothing else, neither a network nor another file."""

from __future__ import annotations

from html import escape

import numpy as np

from companion.dive.calibration import Estimate
from companion.report.brought import brought, verdict
from companion.report.charts import GAP_S, map_of, reach_of, timeline_of
from companion.report.day import CATCHES, Day
from companion.report.document import CAUTIONS, UNKNOWN, chart, document, link, links, section, table
from companion.report.findings import Findings
from companion.report.rods import RodStory
from companion.report.summary import paragraph, tiles
from companion.report.told import heard, how_heard, logged, rest, sounds
from companion.report.words import Words, count


def page(found: Findings) -> str:
    """Return the report as HTML.

    Raises:
        PlotlyMissingError: plotly is not installed.
    """
    day, words = found.day, found.words
    where, depth = map_of(day, found.ground, found.casts, words), timeline_of(day, found.casts, words)
    reach = reach_of(found.stories, words)
    body = [
        _header(found),
        _NAV,
        "<main>",
        f'<p class="lead" id="summary">{paragraph(found)}</p>',
        tiles(found),
        section("map", "Where the lure was", _how_map(found), _map(found, chart("map-chart", where))),
        section("time", "Depth through the day", _HOW_TIME, chart("time-chart", depth)),
        section("reach", "How deep each rod gets", _HOW_REACH, chart("reach-chart", reach), _rods(found)),
        section(
            "brought",
            "What brought bites",
            _how_brought(found),
            brought(found.tables, lambda thing: link(day, thing)),
        ),
        section("log", "What was logged", _HOW_LOG, logged(found)),
        section("heard", "What was heard", how_heard(found), heard(found)),
        section("rest", "Everything else", "", rest(found)),
        _footer(found),
        "</main>",
        sounds(found),
    ]
    charts = {"map-chart": where, "time-chart": depth, "reach-chart": reach}
    return document(found.title, "\n".join(body), charts)


# -- the top ------------------------------------------------------------------------------------------

_NAV = (
    '<nav aria-label="In this report"><div class="inner">'
    '<a href="#summary">The day</a> <a href="#map">Map</a> <a href="#time">Depth</a> '
    '<a href="#reach">Rods</a> <a href="#brought">What brought bites</a> <a href="#log">Logged</a> '
    '<a href="#heard">Heard</a> <a href="#how">How to read it</a></div></nav>'
)


def _header(found: Findings) -> str:
    day = found.day
    when = f"{day.time_words(0.0)} to {day.time_words(day.entry.seconds)}"
    if day.date is not None:
        when = f"{day.date}, {when} {zone_name(day)}"
    badge = f'<p class="invented">An invented day: {escape(day.invented)}.</p>\n' if day.invented else ""
    return (
        f'<header><div class="inner">\n<h1>{escape(found.title)}</h1>\n<p class="date">{escape(when)}</p>\n'
        f"{badge}</div>\n{_profile(day)}</header>"
    )


def zone_name(day: Day) -> str:
    """Return what the day's times are called, such as "UTC" or "America/Chicago"."""
    return str(getattr(day.zone, "key", day.zone))


_HERO_WIDE, _HERO_HIGH, _HERO_TOP = 1200.0, 200.0, 34.0


def _profile(day: Day) -> str:
    """Return the bottom under the boat through the day as a drawing, with a dot at each catch.

    Where the depth was not known there is no bottom, and a catch whose depth is not known is a ring above
    the surface.
    """
    t, depth = day.track.t, day.track.believed
    known = np.flatnonzero(~np.isnan(depth))
    if len(known) < 2:
        return ""
    began, lasted = float(t[known[0]]), max(float(t[known[-1]] - t[known[0]]), 1.0)
    scale = (_HERO_HIGH - _HERO_TOP) / (1.35 * float(np.nanmax(depth)))

    def x(at: float) -> float:
        return (at - began) / lasted * _HERO_WIDE

    runs = (
        _profile_run([(x(float(t[i])), _HERO_TOP + float(depth[i]) * scale) for i in run])
        for run in np.split(known, np.flatnonzero(np.diff(t[known]) > GAP_S) + 1)
    )
    dots = "".join(_profile_dot(x(one.t), one.lure_depth, scale) for one in day.of(*CATCHES))
    said = (
        "The bottom under the boat through the day, left out where it was not known, with a dot for each "
        "bite and fish, a ring above the water where its depth is not known"
    )
    return (
        f'<svg class="hero" viewBox="0 0 {_HERO_WIDE:.0f} {_HERO_HIGH:.0f}" '
        f'preserveAspectRatio="xMidYMax slice" role="img" aria-label="{said}">'
        f'<path d="M0,{_HERO_TOP} H{_HERO_WIDE:.0f}" stroke="#5d8ea0"/>{"".join(runs)}{dots}</svg>\n'
    )


def _profile_run(points: list[tuple[float, float]]) -> str:
    """Return a stretch of bottom that was known, one point for each of the drawing's units."""
    kept = {round(x): (x, y) for x, y in points}.values()
    line = " ".join(f"{x:.0f},{y:.1f}" for x, y in kept)
    first, last = points[0][0], points[-1][0]
    return (
        f'<polygon points="{first:.0f},{_HERO_HIGH:.0f} {line} {last:.0f},{_HERO_HIGH:.0f}" fill="#e9dfca"/>'
        f'<polyline points="{line}" fill="none" stroke="#6b5a3a" stroke-width="1.6"/>'
    )


def _profile_dot(x: float, lure_depth: float | None, scale: float) -> str:
    if lure_depth is None:
        y, fill, stroke = _HERO_TOP - 12.0, "#fff", "#b93a20"
    else:
        y, fill, stroke = _HERO_TOP + lure_depth * scale, "#b93a20", "#fff"
    return f'<circle cx="{x:.0f}" cy="{y:.1f}" r="5" fill="{fill}" stroke="{stroke}" stroke-width="2"/>'


def _map(found: Findings, drawn: str) -> str:
    """Return the map with the day's catches beside it."""
    rows = "".join(
        _catch(found, [link(found.day, one) for one in hit], i) for i, hit in enumerate(found.strikes)
    )
    beside = f'<div class="catches"><h3>Bites and fish</h3>\n{rows}</div>' if rows else ""
    return f'<div class="beside">{drawn}{beside}</div>'


def _catch(found: Findings, numbers: list[str], place_in_list: int) -> str:
    hit, words = found.strikes[place_in_list], found.words
    first, fish = hit[0], next((one for one in hit if one.what == "fish"), None)
    name = {"fish": "fish", "lost fish": "fish lost"}.get(hit[-1].what, "bite")
    size = f", {words.size(fish)}" if fish and fish.size is not None else ""
    lure = UNKNOWN if first.lure_depth is None else f"<b>{words.depth(first.lure_depth)}</b>"
    bottom = UNKNOWN if first.bottom is None else words.depth(first.bottom)
    rod = escape(f"{first.rod}, {first.line}") if first.rod else UNKNOWN
    return (
        f"<p><b>{name}{size}</b> {', '.join(numbers)}<br>{found.day.time_words(first.t)} on {rod}<br>"
        f"lure at {lure}, {bottom} under the boat</p>\n"
    )


# -- rods ---------------------------------------------------------------------------------------------


def _rods(found: Findings) -> str:
    stories = found.stories
    columns = {
        "rod": [f"<b>{escape(one.rod)}</b><br>{escape(one.lure)}<br>{escape(one.line)}" for one in stories],
        "as described": [_band(one.described, found.words) for one in stories],
        "when the day began": [_band(one.morning, found.words) for one in stories],
        "when it ended": [_band(one.evening, found.words) for one in stories],
        "told on the water": [_reach_told(found, one) for one in stories],
        "evidence of all days": [_evidence(one) for one in stories],
        "today": [_today(found.day, one) for one in stories],
    }
    kept = {name: cells for name, cells in columns.items() if any(cells)}
    rows = [
        "".join(f"<td>{cell or UNKNOWN}</td>" for cell in row) for row in zip(*kept.values(), strict=True)
    ]
    note = ""
    if all(one.evening is None for one in stories):
        note = '<p class="how">Nothing that touches taught is stored for this trip, so there is no band.</p>'
    return table(kept, [f"<tr>{row}</tr>\n" for row in rows]) + note


def _band(band: Estimate | None, words: Words) -> str:
    if band is None:
        return ""
    between = f"{words.number(band.low):.1f} to {words.number(band.high):.1f}"
    return f'<b>{words.depth(band.best)}</b><br><span class="plain">{between}</span>'


def _reach_told(found: Findings, story: RodStory) -> str:
    if story.said is None or story.said.reach is None:
        return ""
    return f'<a href="#{found.day.anchor(story.said)}">{found.words.depth(story.said.reach)}</a>'


def _evidence(story: RodStory) -> str:
    if story.evening is None:
        return ""
    return f"{count(story.touches, 'touch', 'touches')}, {count(story.without_touch, 'cast')} without"


def _today(day: Day, story: RodStory) -> str:
    touched = f"touches {links(day, story.evidence)}" if story.evidence else "no touch"
    steps = ", ".join(f'<a href="#{day.anchor(one)}">{day.time_words(one.t)}</a>' for one in story.learned)
    return touched + (f"<br>learned at {steps}" if steps else "")


# -- how to read it -----------------------------------------------------------------------------------

_HOW_TIME = (
    "The bottom under the boat, and how deep the rod in hand reaches. Bites and touches hang where the lure "
    "was; it works some way off, where the bottom may be another. What hangs above the surface was at a "
    "depth that is not known."
)
_HOW_REACH = (
    "The deepest the rigged lure gets on a usual cast, with the band that holds the truth in nine cases of "
    "ten: as the owner describes the tackle, and after what touches, and casts without one, have taught."
)
_HOW_LOG = (
    "Everything that was logged, by its number. What was corrected or taken back stays, with what it was. "
    "The lure's depth and place are the model's; the bottom is the water under the boat."
)
_HOW_NUMBERS = (
    "<p><b>How to read the numbers.</b> Each number with # is an entry in the logbook; the link leads to its "
    "row, and the row tells what was heard. “Not known” is never a zero. A lure's place is computed from its "
    "cast, its line and its lure; its ring or “within” is one standard deviation. The bottom is interpolated "
    "between soundings. Shares of casts carry Wilson's 95 % interval, rates per hour the exact Poisson one. "
    "One is said to do better only when so uneven a split would come by chance in fewer than one of twenty "
    "such tables.</p>"
)


def _how_map(found: Findings) -> str:
    whence = (
        "Contours from all that is known of this water, of all days, at that day's level,"
        if found.ground is not None and found.ground.all_days
        else "Contours from the day's own soundings,"
    )
    day = found.day
    lost = [one for one in day.of(*CATCHES, "touch", "snag", "mark") if one.place is None]
    nowhere = f" Not on it, because the boat's place was not known: {links(day, lost)}." if lost else ""
    return (
        f"{whence} drawn only where the bottom is known to about a metre. Bites, fish and touches stand "
        "where the <em>lure</em> was by the model; the ring is how well that is known. "
        f'<span class="screen">Click on one to get to its entry.</span>{nowhere}'
    )


def _how_brought(found: Findings) -> str:
    if found.by == "cast":
        effort = (
            "Casts with a bite, out of the casts that were called. A cast counts where its lure worked: "
            "about half way out, as widely spread as its direction was vague."
        )
    else:
        effort = "Bites for each hour of boat time, as most bites fell on no cast that was called."
    off = ""
    if found.off:
        off = f" Not counted, because on no cast that was called: {links(found.day, found.off)}."
    bar = " The bar is the interval that the count leaves open, nineteen times in twenty. "
    return effort + off + bar + verdict(found.tables)


def _footer(found: Findings) -> str:
    day = found.day
    invented = (
        "<p><b>This day is invented.</b> No such lake, boat, lure, word or fish exists.</p>"
        if day.invented
        else ""
    )
    made = (
        f"<p>Made by the companion from trip {day.entry.id} of its logbook: {len(day.events):,} events, "
        f"{len(day.readings):,} kept readings. Times are {escape(zone_name(day))}.</p>"
    )
    return f'<footer id="how">\n{invented}{CAUTIONS}\n{_HOW_NUMBERS}\n{made}\n</footer>'
