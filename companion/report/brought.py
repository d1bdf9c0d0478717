"""What brought bites, as tables: the count, the effort, and the interval that the count leaves open."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from html import escape

from companion.events import Logged
from companion.pictures.drawing import wrapped
from companion.report.counts import By, RateTable, Row, shown
from companion.report.document import table
from companion.report.forecasts import HitRate, Sureness

LinkTo = Callable[[Logged], str]
"""Makes a link to a logged thing."""

_TITLES = {
    "depth": "By depth of the bottom",
    "slope": "By steepness",
    "structure": "By structure",
    "rod": "By rod",
    "hour": "By hour",
    "light": "By light",
    "month": "By month",
    "water": "By temperature of the water",
    "level": "By level of the water",
    "wind": "By wind",
}
_MOST_LINKS = 8
_EFFORT_HEADS: Mapping[By, tuple[str, str]] = {
    "cast": ("casts", "share of casts"),
    "lure hour": ("casts", "bites an hour"),
    "hour": ("hours", "bites an hour"),
}
"""What stands over the columns of efforts and of rates."""
_SAME = {
    "too few to tell": "Too few to tell one from another.",
    "no clear difference": "No difference that these counts bear.",
    "": "There is only one.",
}


def brought(asked: Sequence[RateTable], link_to: LinkTo) -> str:
    """Return the tables as HTML."""
    return (
        '<div class="brought">\n'
        + "".join(_table(one, link_to) for one in asked)
        + "</div>\n"
    )


def verdict(asked: Sequence[RateTable]) -> str:
    """Return in a sentence whether anything stands out."""
    if any(one.bears for one in asked):
        return "Where one stands out it is said; look at how few counts it rests on."
    return "<b>Nothing stands out here: the counts are too few, or too even, to call one better.</b>"


def _table(asked: RateTable, link_to: LinkTo) -> str:
    by_cast, most = asked.by == "cast", _highest_rate(asked)
    title, alike = _TITLES[asked.question], _alike(asked)
    heads = [title.removeprefix("By "), "bites", *_EFFORT_HEADS[asked.by]]
    if not alike:
        heads.append("what it bears")
    head = "".join(f"<th{_HEAD_KINDS.get(text, '')}>{text}</th>" for text in heads)
    rows = [
        _row(row, link_to, asked.by, interval(row, most, by_cast), not alike)
        for row in asked.rows
    ]
    if asked.unknown is not None:
        rows.append(_row(asked.unknown, link_to, asked.by, "", not alike))
    return (
        f"<div><table><caption>{title} <small>{escape(asked.how)}"
        f"{wrapped(' <i>', alike, '</i>')}</small></caption>"
        f"<thead><tr>{head}</tr></thead><tbody>\n{''.join(rows)}</tbody></table></div>\n"
    )


def _highest_rate(asked: RateTable) -> float:
    """Return the rate at the right end of a table's bars: 1 for shares, else the highest of its rows."""
    if asked.by == "cast":
        return 1.0
    return max((row.high for row in asked.rows if row.effort > 0.1), default=1.0)


def _alike(asked: RateTable) -> str:
    """Return what is said once of all rows where all have one verdict; "" where they differ."""
    verdicts = {row.verdict for row in asked.rows}
    if len(verdicts) != 1:
        return ""
    return _SAME.get(verdicts.pop(), "")


_NUMBER = ' class="num"'
_HEAD_KINDS = dict.fromkeys(("bites", "casts", "hours"), _NUMBER)


def _row(row: Row, link_to: LinkTo, by: By, bar: str, told_apart: bool) -> str:
    whence = ", ".join(map(link_to, row.strikes))
    hits = f"<b>{len(row.strikes)}</b>" + wrapped("<small>", whence, "</small>")
    if len(row.strikes) > _MOST_LINKS:
        hits = f"<details><summary><b>{len(row.strikes)}</b></summary><small>{whence}</small></details>"
    effort = str(len(row.tries))
    if by == "hour":
        effort = f"{row.effort:.1f}"
    if row.tries:
        effort = f"<details><summary>{effort}</summary>{', '.join(map(link_to, row.tries))}</details>"
    if by == "lure hour":
        effort += f"<small>{_span(row.effort)} in the water</small>"
    cells = [f"<td>{escape(shown(row.label))}</td>", f"<td{_NUMBER}>{hits}</td>"]
    cells += [f"<td{_NUMBER}>{effort}</td>"]
    cells += [f"<td>{bar}</td>"]
    if told_apart:
        cells.append(f'<td class="verdict">{row.verdict}</td>')
    return f"<tr>{''.join(cells)}</tr>\n"


def _span(hours: float) -> str:
    """Return a time in the water: minutes, from two hours on hours."""
    if hours < 2.0:
        return f"{60.0 * hours:.0f} min"
    return f"{hours:.1f} h"


def rate_bar(
    rate: float,
    low: float,
    high: float,
    most: float = 1.0,
    said: str = "",
    figures: str = "",
) -> str:
    """Return a rate with its interval as a small drawing up to `most`, in figures and in words."""
    said = (
        said
        or f"{100.0 * rate:.0f} %, between {100.0 * low:.0f} % and {100.0 * high:.0f} %"
    )
    figures = (
        figures or f"{100.0 * rate:.0f} % ({100.0 * low:.0f} to {100.0 * high:.0f})"
    )

    def x(at: float) -> str:
        return f"{4.0 + min(at / most, 1.0) * 122.0:.1f}"

    return (
        f'<svg class="rate-bar" viewBox="0 0 130 20" role="img" aria-label="{said}"><title>{said}</title>'
        f'<path class="axis" d="M4,10 H126"/><path class="rate" d="M{x(low)},10 H{x(high)}"/>'
        f'<circle class="rate-point" cx="{x(rate)}" cy="10" r="4.5"/></svg>'
        f'<span class="rate-said">{figures}</span>'
    )


def interval(row: Row, most: float, share: bool) -> str:
    """Return a row's rate and interval as a small drawing; "" where there was no effort."""
    if row.effort <= 0.0 or math.isnan(row.rate):
        return ""

    ends = (row.rate, row.low, row.high)
    if share:
        rate, low, high = (f"{100.0 * end:.0f} %" for end in ends)
        return rate_bar(*ends, most, f"{rate} of casts, between {low} and {high}")
    rate, low, high = (_an_hour(end) for end in ends)
    said = f"{rate} an hour, between {low} and {high}"
    return rate_bar(*ends, most, said, f"{rate} ({low} to {high})")


def _an_hour(rate: float) -> str:
    """Return a rate in two digits, or to whole numbers from ten on."""
    if rate < 10.0:
        return f"{rate:.2g}"
    return f"{rate:.0f}"


_FORETOLD: Mapping[Sureness, str] = {
    "will": "a touch <b>will</b> come",
    "should": "a touch <b>should</b> come",
    "may": "a touch <b>may</b> come",
    "unlikely": "a touch is <b>unlikely</b>",
}


def hit_rate_table(rates: Sequence[HitRate]) -> str:
    """Return how often each word of a forecast was right; "" where nothing was foretold."""
    if not rates:
        return ""
    rows = [
        f'<tr><td>{_FORETOLD[one.word]}</td><td class="num">{one.casts}</td>'
        f'<td class="num">{one.touched}</td>'
        f"<td>{rate_bar(one.touched / one.casts, one.low, one.high)}</td></tr>\n"
        for one in rates
    ]
    return table(("said", "casts", "touched", "share that touched"), rows)
