"""What every page of the report is made of: style, script, the charts' data, and leave to fetch nothing."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from html import escape
from importlib.resources import files

from companion.events import Logged
from companion.pictures.drawing import hatches, signs, wrapped
from companion.pictures.palette import sheet, variables
from companion.report.chart import DayChart
from companion.report.day import Day

_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; media-src data:; base-uri 'none'; form-action 'none'"
)
UNKNOWN_HTML = '<span class="plain">not known</span>'
"""What stands where a number would, when there is none."""
CAUTIONS_HTML = (
    "<p><b>Not for navigation.</b> Depths and marks are for fishing and may be wrong. The boat's own safety "
    "comes first: keep a look-out, wear the life jacket, clip on the engine cut-off lanyard. Obey the local "
    "fishing rules.</p>"
)


def document(title: str, body: str, data: Mapping[str, object] | None = None) -> str:
    """Return a whole HTML file; `data` is what the script of its charts has to know."""
    here = files("companion.report")
    style, script = (
        here.joinpath(f"report.{kind}").read_text(encoding="utf-8")
        for kind in ("css", "js")
    )
    known = ""
    if data:
        known = f'<script type="application/json" id="data">{_json(data)}</script>\n'
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)}</title>\n<style>\n{variables()}{sheet()}{style}</style>\n</head>\n"
        f'<body>\n<svg class="shared" aria-hidden="true">{hatches()}{signs()}</svg>\n{body}\n{known}'
        f"<script>\n{script}</script>\n</body>\n</html>\n"
    )


def section(name: str, title: str, how: str, *parts: str) -> str:
    """Return a section with its heading, a sentence on how to read it, and what is in it."""
    explained = wrapped('<p class="how">', how, "</p>\n")
    return f'<section id="{name}">\n<h2>{title}</h2>\n{explained}{"".join(parts)}\n</section>'


def drawn(chart: DayChart | None) -> str:
    """Return a chart in its place, or a word that there is nothing to draw."""
    if chart is None:
        return '<p class="plain">There is nothing to draw: it was not measured.</p>'
    return f'<div class="drawn" tabindex="0" style="--wide:{chart.wide:.0f}px">{chart.svg}</div>\n'


def map_tools(chart: DayChart | None) -> str:
    """Return what moves a map, and where the depth under the pointer is told."""
    if chart is None:
        return ""
    return (
        '<div class="tools screen" hidden><button data-zoom="in" aria-label="Closer">+</button>'
        '<button data-zoom="out" aria-label="Further away">−</button>'
        '<button data-zoom="whole">Whole map</button>'
        '<p id="under-pointer" role="status">Point at the map for the depth.</p></div>'
    )


def table(heads: Iterable[str], rows: Iterable[str], *, sorts: bool = False) -> str:
    """Return a table; with `sorts` a click on a heading sorts it."""
    kind = ""
    if sorts:
        kind = ' class="sorts"'
        heads = [f"<button>{head}</button>" for head in heads]
    head = "".join(f"<th>{head}</th>" for head in heads)
    return (
        f'<div class="wide" tabindex="0"><table{kind}><thead><tr>{head}</tr></thead>'
        f"<tbody>\n{''.join(rows)}</tbody></table></div>\n"
    )


def cell(inside: str, key: object = None) -> str:
    """Return a cell of a table; it is sorted by `key`, without one by its text."""
    if key is None:
        return f"<td>{inside}</td>"
    return f'<td data-sort="{escape(str(key))}">{inside}</td>'


def link(day: Day, thing: Logged, text: str | None = None) -> str:
    """Return a link to the row of a logged thing."""
    return f'<a href="#{day.anchor(thing)}">{escape(text or f"#{thing.number}")}</a>'


def links(day: Day, things: Iterable[Logged]) -> str:
    """Return links to the rows of logged things."""
    return ", ".join(link(day, thing) for thing in things)


def _json(data: object) -> str:
    text = json.dumps(data, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    return text.replace("<", "\\u003c")
