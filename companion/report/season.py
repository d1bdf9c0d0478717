"""Many trips together: reach by rod over time, bites by depth and structure, a table of the trips to sort."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from html import escape
from typing import Any, NamedTuple

import msgspec
import numpy as np

from companion.dive.evidence import Estimate
from companion.events import Logged
from companion.report.brought import brought, hit_rate_table, verdict
from companion.report.counts import SEASON_QUESTIONS, TRY_KINDS, By, RateTable, tables
from companion.report.daymap import best_known, depth_key, map_of_days
from companion.report.document import (
    CAUTIONS_HTML,
    cell,
    document,
    drawn,
    map_tools,
    section,
    table,
)
from companion.report.figures import rod_figures, table_figures
from companion.report.findings import Findings
from companion.report.forecasts import HitRate, hit_rates
from companion.report.reach_charts import reach_over_time
from companion.report.words import count, lasting
from companion.units import Units

_MOST_NUMBERS = 8
"""The table of trips names the bites of a trip that has no more."""


class Outing(NamedTuple):
    """A trip of a season: what was found of it, and the name of the logbook it is in."""

    found: Findings
    logbook: str

    @property
    def label(self) -> str:
        """Its date, or without one its name."""
        at = self.found.day.clock(0.0)
        if at is None:
            return self.found.title
        return f"{at:%Y-%m-%d}"


def season_page(outings: Sequence[Outing], units: Units) -> str:
    """Return the season as HTML, the trips in the order given."""
    labels = [f"{place}. {one.label}" for place, one in enumerate(outings, 1)]
    reach = reach_over_time(_reaches(outings), labels, units)
    days = [(o.found.day, o.found.ground, o.found.catches) for o in outings]
    where, known = map_of_days(days, units), best_known(days)
    links, key = _Links(outings), ""
    if known is not None:
        key = depth_key(known[1], units)
    body = [
        *_head(outings),
        section(
            "trips", "The trips", "Click on a heading to sort.", _trips(outings, units)
        ),
        section(
            "map",
            "All days on one map",
            _HOW_MAP,
            f'<div class="beside"><div>{drawn(where)}{map_tools(where)}</div>',
            f'<div class="aside">{key}</div></div>',
        ),
        section(
            "foretold",
            "Foretold, and what came",
            _HOW_FORETOLD,
            hit_rate_table(_pooled_rates(outings)),
        ),
        section("reach", "How deep each rod got", _HOW_REACH, drawn(reach)),
        *(
            section(
                f"brought-{by.replace(' ', '-')}",
                "What brought bites",
                f"{_HOW[by]} {_by_chance(asked)} {verdict(asked)}",
                brought(asked, links),
            )
            for by, asked in _pooled(outings)
        ),
        f'<footer id="how">{CAUTIONS_HTML}{_HOW_NUMBERS}</footer>',
        "</main>",
    ]
    data: dict[str, object] = {}
    if where is not None:
        data = {"unit": units.depth_unit, "per": units.depth_m, "map": where.data}
    return document("Many trips", "\n".join(body), data)


def _head(outings: Sequence[Outing]) -> Iterator[str]:
    yield (
        f'<header><div class="inner"><h1>{count(len(outings), "trip").capitalize()}</h1>'
        f'<p class="date">{escape(_span(outings))}</p>'
    )
    invented = ""
    if any(one.found.day.invented for one in outings):
        invented = '<p class="invented">Among them are invented days.</p>'
    yield invented
    yield "<p>&nbsp;</p></div></header>\n<main>"


def season_figures(outings: Sequence[Outing]) -> dict[str, Any]:
    """Return the season as data that JSON can hold; lengths in m, weights in kg."""
    return {
        "trips": [
            {
                "logbook": one.logbook,
                "trip": msgspec.to_builtins(one.found.day.entry),
                "invented": one.found.day.invented,
                "casts": len(one.found.casts),
                "bites": [hit.first.number for hit in one.found.catches],
                "rods": [rod_figures(story) for story in one.found.stories],
            }
            for one in outings
        ],
        "foretold": [one._asdict() for one in _pooled_rates(outings)],
        "brought": {
            by: [table_figures(table) for table in asked]
            for by, asked in _pooled(outings)
        },
    }


class _Links:
    """Makes links from a logged thing to its trip's row."""

    def __init__(self, outings: Sequence[Outing]) -> None:
        self._trip = {
            id(thing): place
            for place, one in enumerate(outings, 1)
            for thing in one.found.day.standing
        }

    def __call__(self, thing: Logged) -> str:
        place = self._trip[id(thing)]
        return f'<a href="#t{place}">{place}#{thing.number}</a>'


def _pooled(outings: Sequence[Outing]) -> Iterator[tuple[By, list[RateTable]]]:
    """Yield the tables over all trips: of casts by hours of lure in the water, without casts by boat time."""
    ways: tuple[By, ...] = ("lure hour", "hour")
    for by in ways:
        tries = [
            one
            for outing in outings
            if outing.found.by == TRY_KINDS[by]
            for one in outing.found.tries
        ]
        if tries:
            yield by, tables(tries, by, SEASON_QUESTIONS)


def _pooled_rates(outings: Sequence[Outing]) -> list[HitRate]:
    """Return how often each word of a forecast was right over all trips."""
    return hit_rates([one for outing in outings for one in outing.found.forecasts])


def _reaches(
    outings: Sequence[Outing],
) -> dict[str, list[tuple[int, str, float, Estimate | None]]]:
    points: dict[str, list[tuple[int, str, float, Estimate | None]]] = {}
    for place, one in enumerate(outings, 1):
        for story in one.found.stories:
            if story.reach is not None:
                point = (place, one.label, story.reach, story.evening or story.morning)
                points.setdefault(story.name, []).append(point)
    return dict(sorted(points.items()))


def _span(outings: Sequence[Outing]) -> str:
    dates = [one.label for one in outings if one.found.day.date]
    if not dates:
        return ""
    if dates[0] == dates[-1]:
        return dates[0]
    return f"{dates[0]} to {dates[-1]}"


def _trips(outings: Sequence[Outing], units: Units) -> str:
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
    return table(
        names,
        [_trip_row(i, one, units) for i, one in enumerate(outings, 1)],
        sorts=True,
    )


def _trip_row(place: int, one: Outing, units: Units) -> str:
    found, day = one.found, one.found.day
    fish = day.of("fish")
    best = max((thing.size or 0.0 for thing in fish), default=0.0)
    named = ""
    if len(found.catches) <= _MOST_NUMBERS:
        named = ", ".join(f"#{hit.first.number}" for hit in found.catches)
    cells: tuple[tuple[str, object], ...] = (
        (f"<b>{place}</b>", place),
        (day.date or '<span class="plain">not known</span>', day.entry.began or ""),
        (
            f"{escape(found.title)}<br><small>{escape(one.logbook)}, trip {day.entry.id}</small>",
            None,
        ),
        (lasting(day.entry.seconds), day.entry.seconds),
        (str(len(found.casts)), len(found.casts)),
        (
            f"{len(found.catches)}<br><small class='plain'>{named}</small>",
            len(found.catches),
        ),
        (str(len(fish)), len(fish)),
        _figure(best or None, units.weight),
        (str(len(day.of("touch"))), len(day.of("touch"))),
        _figure(_median(day.track.temperature), units.temperature),
        _figure(_median(day.track.depth), units.depth),
    )
    return f'<tr id="t{place}">{"".join(cell(*one) for one in cells)}</tr>'


def _figure(value: float | None, write: Callable[[float], str]) -> tuple[str, object]:
    """Return a figure as it is written, and what it is sorted by; both empty when it is not known."""
    if value is None:
        return "", ""
    return write(value), value


def _median(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    known = values[~np.isnan(values)]
    if not len(known):
        return None
    return round(float(np.median(known)), 3)


def _by_chance(asked: Sequence[RateTable]) -> str:
    """Return how many of the tables would point at something if nothing were going on."""
    told = [one for one in asked if len(one.rows) > 1]
    if not told:
        return ""
    return (
        f"Of twenty tables in which nothing is going on, one points at something by chance; here are "
        f"{count(len(told), 'table')} that compare."
    )


_HOW_MAP = (
    "Every catch where the lure was, over the water of which most is known. Choose one "
    "to get to its trip."
)
_HOW_FORETOLD = (
    "Over the casts of all trips whose end was told: how often the lure touched after each word. The bar is "
    "the interval that the count leaves open, nineteen times in twenty."
)
_HOW_REACH = (
    "Each rod with its line, trip by trip: what was believed when the trip ended, with the band that holds "
    "the truth in nine cases of ten, or what was told on the water where nothing is stored."
)
_HOW: Mapping[By, str] = {
    "lure hour": (
        "Bites for each hour that a lure was in the water, on the casts that were called, over all trips on "
        "which most bites fell on such casts. 2#8 is entry 8 of trip 2. The bar is the interval that the "
        "count leaves open, nineteen times in twenty. The trips are taken as one, though water and weather "
        "differ between them; wind counts where an instrument told it."
    ),
    "hour": (
        "Bites for each hour of boat time, over the trips on which most bites fell on no cast that was "
        "called. 2#8 is entry 8 of trip 2."
    ),
}
_HOW_NUMBERS = (
    "<p>Shares of casts carry Wilson's 95 % interval, rates an hour the exact Poisson one. The report of "
    "each trip (companion report) shows its entries with what was heard.</p>"
)
