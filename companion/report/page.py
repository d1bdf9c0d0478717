"""The report's page: one HTML file that needs nothing else, neither a network nor another file."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from importlib.resources import files

import numpy as np

from companion import events
from companion.dive.calibration import Estimate
from companion.events import Heard, Logged, Match, RodTaken, TripEnded
from companion.record.amendments import Amendment, Corrected
from companion.report.casts import CastMade, casts_of, strikes
from companion.report.charts import Figure, map_of, reach_of, timeline_of
from companion.report.counts import By, Row, Table, Try, shown, tables, tries_of
from companion.report.day import CATCHES, Day
from companion.report.ground import Ground, mapped
from companion.report.rods import RodStory
from companion.report.words import Words, count, lasting, place

_MOST_MATCHES = 2000


class PlotlyMissing(Exception):
    """The report's extra is not installed; the message says how to get it."""


@dataclass(frozen=True)
class Findings:
    """Everything the report says of a day, worked out once.

    `clips` has sounds as data URIs by name.
    """

    day: Day
    stories: Sequence[RodStory]
    words: Words
    ground: Ground | None
    casts: Sequence[CastMade]
    tries: Sequence[Try]
    by: By
    off: Sequence[Logged]
    clips: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def tables(self) -> list[Table]:
        """What brought bites."""
        return tables(self.tries, self.by)

    @property
    def title(self) -> str:
        """The trip's name as a title."""
        name = self.day.entry.name.replace("_", " ").strip() or "A day"
        return name[:1].upper() + name[1:]


def findings(
    day: Day, stories: Sequence[RodStory], words: Words, clips: Mapping[str, str] | None = None
) -> Findings:
    """Work out a day: its bottom, its casts and what brought bites."""
    lengths = {story.rod: story.cast.best for story in stories if story.cast is not None}
    ground, casts = mapped(day), casts_of(day, lengths)
    tries, by, off = tries_of(day, ground, words, lengths)
    return Findings(day, stories, words, ground, casts, tries, by, off, clips or {})


def page(found: Findings) -> str:
    """Return the report as HTML.

    Raises:
        PlotlyMissing: plotly is not installed.
    """
    day = found.day
    charts = {
        "map-chart": map_of(day, found.ground, found.casts, found.words),
        "time-chart": timeline_of(day, found.casts, found.words),
        "reach-chart": reach_of(found.stories, found.words),
    }
    body = [
        _header(found),
        _NAV,
        "<main>",
        f'<p class="lead" id="summary">{_paragraph(found)}</p>',
        _tiles(found),
        _section("map", "Where the lure was", _HOW_MAP, chart("map-chart", charts["map-chart"])),
        _section("time", "Depth through the day", _HOW_TIME, chart("time-chart", charts["time-chart"])),
        _section(
            "reach",
            "How deep each rod gets",
            _HOW_REACH,
            chart("reach-chart", charts["reach-chart"]),
            _rods(found),
        ),
        _section("brought", "What brought bites", _how_brought(found), _brought(found)),
        _section("log", "What was logged", _HOW_LOG, _log(found), _strays(found)),
        _section("heard", "What was heard", _how_heard(found), _heard(found)),
        _section("rest", "Everything else", "", _rest(found)),
        _footer(found),
        "</main>",
        _sounds(found),
    ]
    return document(found.title, "\n".join(body), {name: fig for name, fig in charts.items() if fig})


# -- what every page of ours is made of ---------------------------------------------------------------


def document(title: str, body: str, charts: Mapping[str, Figure]) -> str:
    """Return a whole HTML file with our style, our script and plotly in it; it may fetch nothing.

    Raises:
        PlotlyMissing: plotly is not installed.
    """
    here = files("companion.report")
    style, script = (here.joinpath(f"report.{kind}").read_text(encoding="utf-8") for kind in ("css", "js"))
    plots = "\n".join(
        f'<script type="application/json" data-chart="{name}">{_json(figure)}</script>'
        for name, figure in charts.items()
    )
    drawn = f"<script>{_plotly()}</script>\n" if charts else ""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n{body}\n{plots}\n{drawn}"
        f"<script>\n{script}</script>\n</body>\n</html>\n"
    )


_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; media-src data:; base-uri 'none'; form-action 'none'"
)


def chart(name: str, figure: Figure | None) -> str:
    """Return the place of a chart in a page, or a word that there is nothing to draw."""
    if figure is None:
        return '<p class="plain">There is nothing to draw: it was not measured.</p>'
    return f'<div class="chart" id="{name}" style="height:{figure["height"]}px"></div>'


def _json(figure: Figure) -> str:
    kept = {"data": figure["data"], "layout": figure["layout"] | {"height": figure["height"]}}
    return json.dumps(kept, allow_nan=False, separators=(",", ":"), ensure_ascii=False).replace(
        "<", "\\u003c"
    )


def _plotly() -> str:
    try:
        source = files("plotly").joinpath("package_data", "plotly.min.js")
    except ModuleNotFoundError as error:
        raise PlotlyMissing(
            "the report's charts need plotly; install it with: .venv/bin/pip install 'companion[report]'"
        ) from error
    return source.read_text(encoding="utf-8")


def _section(name: str, title: str, how: str, *parts: str) -> str:
    inside = "\n".join(part for part in parts if part)
    explained = f'<p class="how">{how}</p>\n' if how else ""
    return f'<section id="{name}">\n<h2>{title}</h2>\n{explained}{inside}\n</section>'


def link(day: Day, thing: Logged, text: str | None = None) -> str:
    """Return a link to the row of a logged thing."""
    return f'<a href="#{day.anchor(thing)}">{escape(text or f"#{thing.number}")}</a>'


def _links(day: Day, things: Iterable[Logged]) -> str:
    return ", ".join(link(day, thing) for thing in things)


# -- the top ------------------------------------------------------------------------------------------

_NAV = (
    '<nav aria-label="In this report"><div class="inner">'
    '<a href="#summary">The day</a> <a href="#map">Map</a> <a href="#time">Depth</a> '
    '<a href="#reach">Rods</a> <a href="#brought">What brought bites</a> <a href="#log">Logged</a> '
    '<a href="#heard">Heard</a> <a href="#how">How to read it</a></div></nav>'
)


def _header(found: Findings) -> str:
    day = found.day
    lasted = day.entry.seconds
    when = f"{day.time_words(0.0)} to {day.time_words(lasted)}"
    if day.clock(0.0) is not None:
        when = f"{day.date}, {when} ({zone_name(day)})"
    badge = f'<p class="invented">An invented day: {escape(day.invented)}.</p>' if day.invented else ""
    return (
        f'<header><div class="inner">\n<h1>{escape(found.title)}</h1>\n<p class="date">{escape(when)}</p>\n'
        f"{badge}\n</div>\n{_hero(found)}</header>"
    )


def zone_name(day: Day) -> str:
    """Return what the day's times are called, such as "UTC" or "America/Chicago"."""
    return str(getattr(day.zone, "key", day.zone))


def _hero(found: Findings) -> str:
    """Return the bottom under the boat through the day as a drawing, with a star at each catch."""
    track, day = found.day.track, found.day
    known = ~np.isnan(track.depth)
    if known.sum() < 2:
        return ""
    width, height, top = 1200.0, 200.0, 34.0
    t, depth = track.t[known], track.depth[known]
    begin, span = float(t[0]), max(float(t[-1] - t[0]), 1.0)
    at = np.linspace(begin, begin + span, 300)
    deepest = float(depth.max()) * 1.12

    def y(z: float) -> float:
        return top + z / deepest * (height - top)

    line = " ".join(
        f"{(one - begin) / span * width:.0f},{y(z):.1f}"
        for one, z in zip(at, np.interp(at, t, depth), strict=True)
    )
    dots = "".join(
        f'<circle cx="{min(max((thing.t - begin) / span, 0.004), 0.996) * width:.0f}" '
        f'cy="{y(thing.lure_depth or 0.0):.1f}" r="6" fill="#b93a20" stroke="#fff" stroke-width="2"/>'
        for thing in day.of(*CATCHES)
    )
    return (
        f'<svg class="hero" viewBox="0 0 {width:.0f} {height:.0f}" preserveAspectRatio="none" role="img" '
        'aria-label="The bottom under the boat through the day, with a dot for each bite and fish">'
        f'<path d="M0,{top} H{width:.0f}" stroke="#5d8ea0" stroke-width="1.5"/>'
        f'<polygon points="0,{height:.0f} {line} {width:.0f},{height:.0f}" fill="#e9dfca"/>'
        f'<polyline points="{line}" fill="none" stroke="#6b5a3a" stroke-width="1.6"/>{dots}</svg>\n'
    )


def _paragraph(found: Findings) -> str:
    return " ".join(part for part in (_outing(found), _fishing(found), _bottom(found), _talk(found)) if part)


def summary(found: Findings) -> str:
    """Return the day in one paragraph, as plain text."""
    out, inside = [], False
    for character in _paragraph(found):
        inside = character == "<" or (inside and character != ">")
        if not inside and character != ">":
            out.append(character)
    return "".join(out).replace("&#x27;", "'").replace("&amp;", "&")


def _outing(found: Findings) -> str:
    day, words = found.day, found.words
    track = day.track
    began = f"{day.date}: " if day.date else ""
    text = f"{began}{lasting(day.entry.seconds)} on the water"
    step = np.hypot(np.diff(track.x), np.diff(track.y))
    way = float(np.nansum(step[step < 50.0])) if len(step) else 0.0
    if way > 10.0:
        text += f", {words.way(way)} along"
    depth = track.depth[~np.isnan(track.depth)]
    if len(depth):
        text += f", over {words.number(float(depth.min())):.0f} to {words.whole(float(depth.max()))} of water"
    if not np.isnan(track.temperature).all():
        text += f" at {words.temperature(float(np.nanmedian(track.temperature)))}"
    return text + "."


def _fishing(found: Findings) -> str:
    day, words = found.day, found.words
    hits = strikes(day.of(*CATCHES))
    casts = f"{count(len(found.casts), 'cast')} called" if found.casts else ""
    rods = {cast.event.rod for cast in found.casts}
    if casts:
        casts = f"{casts[:1].upper()}{casts[1:]} with {count(len(rods), 'rod')}"
    if not hits:
        return f"{casts or 'No cast was called'}, and no bite was logged."
    brought = f"{count(len(hits), 'bite')} ({', '.join(link(day, hit[0]) for hit in hits)})"
    text = f"{casts} brought {brought}" if casts else f"{brought[:1].upper()}{brought[1:]}"
    fish = day.of("fish")
    if fish:
        text += f" and {count(len(fish), 'fish', 'fish')} in the boat"
    weighed = [one for one in fish if one.size is not None]
    if weighed:
        best = max(weighed, key=lambda one: one.size or 0.0)
        text += f"; the best, {link(day, best)}, weighed {words.weight(best.size or 0.0)}, on {_on(best)}"
        strike = next(hit[0] for hit in hits if best in hit)
        if strike.lure_depth is not None:
            text += f", with the lure about {words.whole(strike.lure_depth)} down"
    return text + "."


def _bottom(found: Findings) -> str:
    day = found.day
    touches, snags, marks = day.of("touch"), day.of("snag"), day.of("mark")
    parts = []
    if touches:
        parts.append(f"the lure was felt to touch bottom {_times(len(touches))} ({_links(day, touches)})")
    if snags:
        parts.append(f"it snagged {_times(len(snags))} ({_links(day, snags)})")
    if marks:
        parts.append(
            f"{count(len(marks), 'place')} {'was' if len(marks) == 1 else 'were'} marked ({_links(day, marks)})"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _talk(found: Findings) -> str:
    heard = [event for event in found.day.events if isinstance(event, Heard)]
    if not heard:
        return ""
    taken = sum(event.command is not None for event in heard)
    changed = [thing for thing in found.day.things if not thing.stands or thing.amendments]
    text = f'Of <a href="#heard">{len(heard)} utterances</a>, {taken} were taken for commands'
    if changed:
        gone = [thing.event for thing in changed if not thing.stands]
        other = [thing.event for thing in changed if thing.stands]
        said = []
        if gone:
            said.append(f"{count(len(gone), 'entry', 'entries')} taken back ({_links(found.day, gone)})")
        if other:
            said.append(
                f"{count(len(other), 'entry', 'entries')} corrected afterwards ({_links(found.day, other)})"
            )
        text += "; " + ", ".join(said)
    return text + "."


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, count(number, "time"))


def _on(thing: Logged) -> str:
    return escape(f"{thing.rod} ({thing.line})") if thing.rod else "a rod that is not known"


def _tiles(found: Findings) -> str:
    day, words = found.day, found.words
    fish, hits = day.of("fish"), strikes(day.of(*CATCHES))
    weighed = [one for one in fish if one.size is not None]
    tiles = [
        ("Casts called", str(len(found.casts)), _links(day, [cast.event for cast in found.casts][:12])),
        ("Bites", str(len(hits)), _links(day, [hit[0] for hit in hits][:12])),
        ("Fish in the boat", str(len(fish)), _links(day, fish[:12])),
    ]
    if weighed:
        best = max(weighed, key=lambda one: one.size or 0.0)
        tiles.append(("Best fish", words.weight(best.size or 0.0), link(day, best)))
    tiles.append(("Touches of the bottom", str(len(day.of("touch"))), _links(day, day.of("touch")[:12])))
    tiles.append(("Kept readings", f"{len(day.readings):,}", '<a href="#time">the depth through the day</a>'))
    inside = "".join(
        f"<div><dt>{name}</dt><dd>{value}<small>{links or '&nbsp;'}</small></dd></div>"
        for name, value, links in tiles
    )
    return f'<dl class="tiles">{inside}</dl>'


# -- rods ---------------------------------------------------------------------------------------------


def _rods(found: Findings) -> str:
    rows = "".join(_rod_row(found, story) for story in found.stories)
    head = "".join(
        f"<th>{name}</th>"
        for name in (
            "rod",
            "as described",
            "when the day began",
            "when it ended",
            "evidence, all days",
            "touches today",
        )
    )
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _rod_row(found: Findings, story: RodStory) -> str:
    words, day = found.words, found.day
    if story.evening is None:
        evidence = "none stored"
    else:
        evidence = f"{count(story.touches, 'touch', 'touches')}, {count(story.without_touch, 'cast')} without"
    told = ""
    if story.said is not None and story.said.reach is not None:
        told = (
            f'<br><a href="#{day.anchor(story.said)}">told on the water: {words.depth(story.said.reach)}</a>'
        )
    cells = (
        f"<b>{escape(story.rod)}</b><br>{escape(story.lure)}<br>{escape(story.line)}",
        _band(story.described, words) + told,
        _band(story.morning, words),
        _band(story.evening, words),
        evidence,
        _links(day, story.evidence) or "none",
    )
    return f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>"


def _band(band: Estimate | None, words: Words) -> str:
    if band is None:
        return '<span class="plain">not stored</span>'
    return (
        f"<b>{words.depth(band.best)}</b><br>"
        f'<span class="plain">{words.number(band.low):.1f} to {words.number(band.high):.1f}</span>'
    )


# -- what brought bites -------------------------------------------------------------------------------


def _how_brought(found: Findings) -> str:
    by = found.tables[0].by
    effort = (
        "Casts with a bite, out of the casts that were called. A cast counts where its lure worked: a little over half "
        "way out, spread by how well the direction was said."
        if by == "cast"
        else "Bites for each hour of boat time, because most bites fell on no cast that was called."
    )
    off = ""
    if by == "cast" and found.off:
        off = f" Not in these counts, because on no cast that was called: {_links(found.day, found.off)}."
    bears = any(table.bears for table in found.tables)
    plain = (
        "Where something stands out it is said; look at how few counts it rests on."
        if bears
        else "<b>Nothing here stands out: the counts are too few, or too even, to say that one did better.</b>"
    )
    return (
        f"{effort}{off} The bar is the interval that the count leaves open, nineteen times in twenty. {plain}"
    )


def _brought(found: Findings) -> str:
    return brought(found.tables, lambda thing: link(found.day, thing))


def brought(asked: Sequence[Table], link_to: Callable[[Logged], str]) -> str:
    """Return the tables of what brought bites; `link_to` makes a link to a logged thing."""
    return '<div class="brought">' + "".join(_table(table, link_to) for table in asked) + "</div>"


_TITLES = {
    "depth": "By depth of the bottom",
    "slope": "By steepness",
    "structure": "By structure",
    "rod": "By rod",
    "hour": "By hour",
}


def _table(table: Table, link_to: Callable[[Logged], str]) -> str:
    by_cast = table.by == "cast"
    most = 1.0 if by_cast else max([row.high for row in table.rows if row.effort > 0.1] or [1.0])
    rows = "".join(_row(row, link_to, by_cast, interval(row, most, by_cast)) for row in table.rows)
    if table.unknown is not None:
        rows += _row(table.unknown, link_to, by_cast, "")
    return (
        f"<table><caption>{_TITLES[table.question]} <small>{escape(table.how)}</small></caption>"
        f'<thead><tr><th></th><th class="num">bites</th><th class="num">{"casts" if by_cast else "hours"}</th>'
        f"<th>{'share of casts' if by_cast else 'bites an hour'}</th><th></th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def _row(row: Row, link_to: Callable[[Logged], str], by_cast: bool, bar: str) -> str:
    whence = ", ".join(map(link_to, row.strikes))
    tried = ", ".join(map(link_to, row.tries))
    folded = f'<details class="fix"><summary>casts</summary>{tried}</details>' if tried else ""
    hits = f"<b>{len(row.strikes)}</b>" + (f"<br><small>{whence}</small>" if whence else "")
    effort = f"{row.effort:.0f}" if by_cast else f"{row.effort:.1f}"
    return (
        f"<tr><td>{escape(shown(row.label))}{folded}</td><td class='num'>{hits}</td>"
        f"<td class='num'>{effort}</td><td>{bar}</td><td class='verdict'>{row.verdict}</td></tr>"
    )


def interval(row: Row, most: float, share: bool) -> str:
    """Return a row's rate and interval as a small drawing, with its numbers in words."""

    def written(rate: float) -> str:
        return f"{100.0 * rate:.0f} %" if share else f"{rate:.2g}"

    def x(rate: float) -> float:
        return 4.0 + min(rate / most, 1.0) * 122.0

    if row.effort <= 0.0 or math.isnan(row.rate):
        return ""
    said = f"{written(row.rate)} {'of casts' if share else 'an hour'}, between {written(row.low)} and {written(row.high)}"
    return (
        f'<svg viewBox="0 0 130 20" role="img" aria-label="{said}"><title>{said}</title>'
        '<path d="M4,10 H126" stroke="#d9d3c4" stroke-width="1"/>'
        f'<path d="M{x(row.low):.1f},10 H{x(row.high):.1f}" stroke="#1b6ca8" stroke-width="5" stroke-opacity="0.35"/>'
        f'<circle cx="{x(row.rate):.1f}" cy="10" r="4.5" fill="#1b6ca8"/></svg>'
    )


# -- what was logged and heard ------------------------------------------------------------------------


def _log(found: Findings) -> str:
    heard = {event.clip: event for event in found.day.events if isinstance(event, Heard) and event.clip}
    names = ("number", "time", "what", "on", "lure", "bottom", "where", "heard")
    head = "".join(f"<th><button>{name}</button></th>" for name in names)
    rows = "".join(_log_row(found, thing, heard.get(thing.original.clip)) for thing in found.day.things)
    if not rows:
        return '<p class="plain">Nothing was logged.</p>'
    return f'<div class="wide"><table class="sorts"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _log_row(found: Findings, thing: Corrected, heard: Heard | None) -> str:
    day, words = found.day, found.words
    now, then = thing.event, thing.original
    kind = "back" if not thing.stands else "catch" if now.what in CATCHES else ""
    at = now.lure_at or now.boat
    whose = "" if at is None else "the lure, " if now.lure_at is not None else "the boat, "
    within = f"<br>{whose}within {words.whole(at.radius)}" if at is not None and at.radius is not None else ""
    sort = (now.number, f"{now.t:.3f}", now.what, now.rod or "", now.lure_depth, now.bottom, None, None)
    cells = (
        f"<b>#{now.number}</b>",
        day.time_words(now.t, seconds=True),
        _what(thing, words) + _fix(day, thing),
        _changed(_carried(now), _carried(then)),
        _depth(now.lure_depth, words),
        _depth(now.bottom, words),
        f"{place(at)}{within}" if at is not None else '<span class="plain">not known</span>',
        _words_heard(found, heard),
    )
    inside = "".join(
        f"<td{_TIGHT.get(i, '')}{_sorted_by(key)}>{cell}</td>"
        for i, (cell, key) in enumerate(zip(cells, sort, strict=True))
    )
    return f'<tr id="{day.anchor(then)}" class="{kind}">{inside}</tr>'


_TIGHT = {0: ' class="tight"', 1: ' class="tight"', 4: ' class="tight"', 5: ' class="tight"'}


def _sorted_by(key: object) -> str:
    return "" if key is None else f' data-sort="{escape(str(key))}"'


def _what(thing: Corrected, words: Words) -> str:
    now, then = thing.event, thing.original
    text = _changed(f"<b>{escape(_named(now, words))}</b>", f"<b>{escape(_named(then, words))}</b>")
    if not thing.stands:
        later = any(one.taken_back for one in thing.amendments)
        text += f' <span class="tag">taken back{" afterwards" if later else ""}</span>'
    text += "".join(f'<br><span class="note">{escape(note)}</span>' for note in thing.notes)
    dates = [one.utc[:10] for one in thing.amendments if one.utc]
    if thing.amendments:
        text += f'<br><span class="tag">corrected{f" {dates[-1]}" if dates else ""}</span>'
    return text


def _named(thing: Logged, words: Words) -> str:
    return ", ".join(part for part in (thing.what, thing.detail or "", words.size(thing)) if part)


def _carried(thing: Logged) -> str:
    return escape(f"{thing.rod}, {thing.line}") if thing.rod else '<span class="plain">not known</span>'


def _changed(now: str, then: str) -> str:
    return now if now == then else f"{now}<br>as logged: <s>{then.replace('<b>', '').replace('</b>', '')}</s>"


def _fix(day: Day, thing: Corrected) -> str:
    """Return how this very thing is corrected afterwards."""
    other = "--take-back" if thing.stands else "--restore"
    return (
        '<details class="fix"><summary>correct it</summary>'
        f"<code>companion amend {thing.original.number} --trip {day.entry.id} {other}</code><br>or "
        "<code>--what fish</code>, <code>--rod 2</code>, <code>--size &quot;3 lb 2 oz&quot;</code>, "
        "<code>--note &quot;...&quot;</code></details>"
    )


def _depth(metres: float | None, words: Words) -> str:
    return '<span class="plain">not known</span>' if metres is None else words.depth(metres)


def _strays(found: Findings) -> str:
    if not found.day.strays:
        return ""
    inside = "".join(f"<li>#{one.number}: {escape(_correction(one))}</li>" for one in found.day.strays)
    return f"<p>Corrections of things that this replay no longer logs:</p><ul>{inside}</ul>"


def _correction(one: Amendment) -> str:
    parts = [
        f"{name} {value}"
        for name in ("what", "rod", "size", "note")
        if (value := getattr(one, name)) is not None
    ]
    if one.taken_back is not None:
        parts.append("taken back" if one.taken_back else "stands again")
    return ", ".join(parts)


def _how_heard(found: Findings) -> str:
    heard = [event for event in found.day.events if isinstance(event, Heard)]
    clips = [event.clip for event in heard if event.clip]
    if not heard:
        return "Nothing was heard."
    if not found.clips:
        return "What the recogniser made of each utterance. The sound is not in this file."
    left = len(set(clips)) - len(found.clips)
    rest = (
        f" {count(left, 'clip').capitalize()} did not fit or {'was' if left == 1 else 'were'} not there."
        if left
        else ""
    )
    return f"What the recogniser made of each utterance, with its sound.{rest}"


def _heard(found: Findings) -> str:
    day = found.day
    logged = {thing.original.clip: thing.event for thing in day.things if thing.original.clip}
    rows = []
    for event in day.events:
        if isinstance(event, Heard):
            led = logged.get(event.clip) if event.clip else None
            made = (
                f"<b>{escape(event.command)}</b>" + (f", {link(day, led)}" if led else "")
                if event.command
                else f'<span class="plain">not taken: {escape(event.reason or "no reason kept")}</span>'
            )
            rows.append(
                f'<tr id="{day.anchor(event)}"><td class="tight">{day.time_words(event.t, seconds=True)}</td>'
                f"<td>{_words_heard(found, event)}</td><td>{made}</td></tr>"
            )
    if not rows:
        return ""
    head = "<th>time</th><th>words</th><th>understood as</th>"
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _words_heard(found: Findings, heard: Heard | None) -> str:
    if heard is None:
        return '<span class="plain">not spoken</span>'
    words = escape(heard.text or "(no words)").replace("[unk]", "…")
    if heard.clip in found.clips:
        name = f"c{list(found.clips).index(heard.clip) + 1}"
        return (
            f'<button class="play" data-clip="{name}" aria-pressed="false" aria-label="play: {words}">▶</button> '
            f"“{words}”"
        )
    return f"“{words}”"


def _sounds(found: Findings) -> str:
    return "\n".join(
        f'<audio id="c{i}" preload="none" src="{sound}"></audio>'
        for i, sound in enumerate(found.clips.values(), 1)
    )


def _rest(found: Findings) -> str:
    day = found.day
    other = [event for event in day.events if not isinstance(event, Logged | Heard)]
    matches = sum(isinstance(event, Match) for event in other)
    listed = [event for event in other if matches <= _MOST_MATCHES or not isinstance(event, Match)]
    rows = "".join(
        f'<tr id="{day.anchor(event)}"><td class="tight">{day.time_words(event.t, seconds=True)}</td>'
        f"<td>{escape(event.__struct_config__.tag or '')}</td><td>{_told(event, found.words)}</td></tr>"
        for event in listed
    )
    left = "" if len(listed) == len(other) else f" ({matches} matches are in the logbook only)"
    return (
        f"<details><summary>{len(other)} other events: what was said, how the rod matched the bottom, notices{left}"
        f"</summary><table><tbody>{rows}</tbody></table></details>"
    )


def _told(event: events.AnyEvent, words: Words) -> str:
    match event:
        case events.Said():
            return f"“{escape(event.text)}”"
        case Match():
            by = f" by {words.depth(event.by)}" if event.by is not None else ""
            return escape(f"{event.rod}: {event.state}{by}, bottom {words.depth(event.depth)}")
        case RodTaken():
            return escape(f"{event.rod}: {event.lure} on {event.line}, reaches {words.depth(event.reach)}")
        case events.DepthNews():
            return event.state
        case events.Undone():
            return f"#{event.number} {event.what}"
        case TripEnded():
            dropped = ", ".join(f"{n} {why}" for why, n in sorted(event.dropped.items()))
            return escape(f"{event.sentences:,} sentences read; dropped: {dropped or 'nothing'}")
        case events.TripBegan():
            return escape("; ".join(f"{rod}: {carries}" for rod, carries in event.rods.items()))
        case events.Notice():
            return escape(event.text)
        case _:
            return ""


# -- how to read it -----------------------------------------------------------------------------------

_HOW_MAP = (
    "Contours from the day's own soundings, drawn only where the bottom is known to about a metre. Bites, fish and touches "
    "stand where the <em>lure</em> was by the model; the ring is how well that is known. Click on one to see what it is."
)
_HOW_TIME = (
    "The bottom under the boat, and how deep the rod in hand reaches. Bites and touches hang where the lure was; the lure "
    "works some way off, so the bottom there may be another than under the boat."
)
_HOW_REACH = (
    "The deepest the rigged lure gets on a usual cast, with the band that holds the truth in nine cases of ten: as the "
    "owner describes the tackle, and after what touches, and casts without one, have taught."
)
_HOW_LOG = (
    "Everything that was logged, by its number. What was corrected or taken back stays, with what it was. The lure's "
    "depth and place are the model's; the bottom is the water under the boat."
)


def _footer(found: Findings) -> str:
    invented = (
        "<p><b>This day is invented.</b> No such lake, boat, lure, word or fish exists; coordinates lie in open "
        "ocean.</p>"
        if found.day.invented
        else ""
    )
    return f"""<footer id="how">
{invented}<p><b>Not for navigation.</b> Depths and marks are for fishing and may be wrong. The boat's own safety comes
first: keep a look-out, wear the life jacket, clip on the engine cut-off lanyard. Obey the local fishing rules.</p>
<p><b>How to read the numbers.</b> Each number with # is an entry in the logbook; the link leads to its row, and the row
to what was heard. “Not known” is never a zero. A lure's place is computed from its cast, its line and its lure; its
ring or “within” is one standard deviation. The bottom is interpolated between soundings. Shares of casts carry
Wilson's 95 % interval, rates per hour the exact Poisson one. A class is said to do better only when so uneven a
split would come by chance in fewer than one of twenty such tables.</p>
<p>Made by the companion from trip {found.day.entry.id} of its logbook: {len(found.day.events):,} events,
{len(found.day.readings):,} kept readings. Times are {escape(zone_name(found.day))}.</p>
</footer>"""
