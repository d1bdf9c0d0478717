"""Many trips together: reach by rod over time, bites by depth and structure, a table of the trips to sort."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any, NamedTuple

import msgspec
import numpy as np

from companion.dive.calibration import Estimate
from companion.events import Logged
from companion.report.casts import strikes
from companion.report.charts import reach_over_time
from companion.report.counts import By, Table, tables
from companion.report.day import CATCHES
from companion.report.figures import rod_figures, table_figures
from companion.report.page import Findings, brought, chart, document
from companion.report.words import Words, count, lasting


class Outing(NamedTuple):
    """A trip of a season: what was found of it, and the name of the logbook it is in."""

    found: Findings
    logbook: str

    @property
    def label(self) -> str:
        """Its date, or without one its name."""
        at = self.found.day.clock(0.0)
        return self.found.title if at is None else f"{at:%Y-%m-%d}"


def season_page(outings: Sequence[Outing], words: Words) -> str:
    """Return the season as HTML, the trips in the order given.

    Raises:
        PlotlyMissing: plotly is not installed.
    """
    figure = reach_over_time(_reaches(outings), words)
    links = _Links(outings)
    invented = any(one.found.day.invented for one in outings)
    body = [
        f'<header><div class="inner"><h1>{count(len(outings), "trip").capitalize()}</h1>'
        f'<p class="date">{escape(_span(outings))}</p>',
        '<p class="invented">Among them are invented days.</p>' if invented else "",
        "<p>&nbsp;</p></div></header>\n<main>",
        f'<section id="trips"><h2>The trips</h2>\n<p class="how">Click on a heading to sort.</p>\n'
        f"{_trips(outings, words)}</section>",
        '<section id="reach"><h2>How deep each rod got</h2>\n<p class="how">Each rod with its line, trip by trip: what '
        "was believed when the trip ended, with the band that holds the truth in nine cases of ten, or what was told "
        f"on the water where nothing is stored.</p>\n{chart('reach-chart', figure)}</section>",
        *(
            f'<section id="brought-{by}"><h2>What brought bites</h2>\n<p class="how">{_HOW[by]}</p>\n'
            f"{brought(asked, links)}</section>"
            for by, asked in _pooled(outings)
        ),
        _FOOTER,
        "</main>",
    ]
    return document("Many trips", "\n".join(body), {"reach-chart": figure} if figure else {})


def season_figures(outings: Sequence[Outing]) -> dict[str, Any]:
    """Return the season as data that JSON can hold; lengths in m, weights in kg."""
    return {
        "trips": [
            {
                "logbook": one.logbook,
                "trip": msgspec.to_builtins(one.found.day.entry),
                "invented": one.found.day.invented,
                "casts": len(one.found.casts),
                "bites": [hit[0].number for hit in _strikes(one)],
                "rods": [rod_figures(story) for story in one.found.stories],
            }
            for one in outings
        ],
        "brought": {by: [table_figures(table) for table in asked] for by, asked in _pooled(outings)},
    }


class _Links:
    """Makes links from a logged thing to its trip's row."""

    def __init__(self, outings: Sequence[Outing]) -> None:
        self._trip = {
            id(thing): place for place, one in enumerate(outings, 1) for thing in one.found.day.standing
        }

    def __call__(self, thing: Logged) -> str:
        place = self._trip[id(thing)]
        return f'<a href="#t{place}">{place}#{thing.number}</a>'


def _pooled(outings: Sequence[Outing]) -> Iterator[tuple[By, list[Table]]]:
    """Yield the tables over all trips, those counted by cast apart from those counted by time."""
    ways: tuple[By, ...] = ("cast", "hour")
    for by in ways:
        tries = [one for outing in outings if outing.found.by == by for one in outing.found.tries]
        if tries:
            yield by, tables(tries, by)


def _strikes(outing: Outing) -> list[list[Logged]]:
    return strikes(outing.found.day.of(*CATCHES))


def _reaches(outings: Sequence[Outing]) -> dict[str, list[tuple[str, str, float, Estimate | None]]]:
    points: dict[str, list[tuple[str, str, float, Estimate | None]]] = {}
    for place, one in enumerate(outings, 1):
        for story in one.found.stories:
            if story.reach is not None:
                point = (f"{place}. {one.label}", f"t{place}", story.reach, story.evening or story.morning)
                points.setdefault(story.name, []).append(point)
    return dict(sorted(points.items()))


def _span(outings: Sequence[Outing]) -> str:
    dates = [one.label for one in outings if one.found.day.date]
    return "" if not dates else dates[0] if dates[0] == dates[-1] else f"{dates[0]} to {dates[-1]}"


def _trips(outings: Sequence[Outing], words: Words) -> str:
    names = (
        "trip",
        "date",
        "name",
        "on the water",
        "casts",
        "bites",
        "fish",
        "best",
        "touches",
        "water",
        "depth",
    )
    head = "".join(f"<th><button>{name}</button></th>" for name in names)
    rows = "".join(_trip_row(place, one, words) for place, one in enumerate(outings, 1))
    return f'<div class="wide"><table class="sorts"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def _trip_row(place: int, one: Outing, words: Words) -> str:
    found, day = one.found, one.found.day
    fish = day.of("fish")
    best = max((thing.size or 0.0 for thing in fish), default=0.0)
    warm, depth = _median(day.track.temperature), _median(day.track.depth)
    hits = ", ".join(f"#{hit[0].number}" for hit in _strikes(one))
    cells: tuple[tuple[str, object], ...] = (
        (f"<b>{place}</b>", place),
        (day.date or '<span class="plain">not known</span>', day.entry.began or ""),
        (
            f"{escape(found.title)}<br><small class='plain'>{escape(one.logbook)}, trip {day.entry.id}</small>",
            "",
        ),
        (lasting(day.entry.seconds), day.entry.seconds),
        (str(len(found.casts)), len(found.casts)),
        (f"{len(_strikes(one))}<br><small class='plain'>{hits}</small>", len(_strikes(one))),
        (str(len(fish)), len(fish)),
        (words.weight(best) if best else "", best or ""),
        (str(len(day.of("touch"))), len(day.of("touch"))),
        ("" if warm is None else words.temperature(warm), "" if warm is None else warm),
        ("" if depth is None else words.depth(depth), "" if depth is None else depth),
    )
    inside = "".join(
        f"<td>{cell}</td>" if i == 2 else f'<td data-sort="{escape(str(key))}">{cell}</td>'
        for i, (cell, key) in enumerate(cells)
    )
    return f'<tr id="t{place}">{inside}</tr>'


def _median(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    known = values[~np.isnan(values)]
    return round(float(np.median(known)), 3) if len(known) else None


_HOW: dict[By, str] = {
    "cast": "Casts with a bite, out of the casts that were called, over all trips on which most bites fell on such "
    "casts. 2#8 is entry 8 of trip 2. The bar is the interval that the count leaves open, nineteen times in twenty. "
    "The trips are taken as one: water, weather and season differ between them, and a class may do better "
    "because of when it was fished.",
    "hour": "Bites for each hour of boat time, over the trips on which most bites fell on no cast that was called.",
}

_FOOTER = """<footer id="how"><p><b>Not for navigation.</b> Depths and marks are for fishing and may be wrong. The
boat's own safety comes first: keep a look-out, wear the life jacket, clip on the engine cut-off lanyard. Obey the
local fishing rules.</p>
<p>Shares of casts carry Wilson's 95 % interval, rates per hour the exact Poisson one. The report of a trip
(companion report) shows each entry with what was heard.</p></footer>"""
