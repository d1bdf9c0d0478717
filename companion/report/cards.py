"""A card for each fish and each bite: all that is known of it, on one piece of paper."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from html import escape

from companion.pictures.drawing import wrapped
from companion.report.casts import Catch
from companion.report.document import UNKNOWN_HTML, link
from companion.report.findings import Findings
from companion.report.words import size_words
from companion.units import if_known

_MOST_OPEN = 24
"""Cards that lie open; the others of a day of very many bites are a tap away."""
_NAMES = {"fish": "Fish", "lost fish": "Fish lost", "bite": "Bite"}


def cards(found: Findings) -> str:
    """Return the day's catches as cards, fish in the boat first, then in the order of their time."""
    order = sorted(found.catches, key=lambda one: (one.fish is None, one.first.t))
    each = [_card(found, one) for one in order]
    first, others = each[:_MOST_OPEN], each[_MOST_OPEN:]
    return _laid_out(first) + wrapped(
        f"<details><summary>{len(others)} more</summary>",
        _laid_out(others),
        "</details>",
    )


def _laid_out(each: Sequence[str]) -> str:
    return wrapped('<div class="cards">', "".join(each), "</div>")


def _card(found: Findings, catch: Catch) -> str:
    day, units, first, lure = found.day, found.units, catch.first, catch.at_lure
    weight = ""
    if catch.fish is not None:
        weight = wrapped(", ", size_words(catch.fish, units))
    rod = UNKNOWN_HTML
    if first.rod:
        rod = escape(f"{first.rod}, {first.lure} on {first.line}")
    deep = if_known(catch.lure_depth, units.depth, "")
    wind = partial(units.wind, comes_from=first.wind_from)
    facts = {
        "time": day.time_words(first.t),
        "rod": rod,
        "lure": wrapped("<b>", deep, "</b> down") or UNKNOWN_HTML,
        "bottom there": if_known(lure.lure_bottom, units.depth, UNKNOWN_HTML),
        "under the boat": if_known(first.bottom, units.depth, UNKNOWN_HTML),
        "cast": _cast(found, catch),
        "water": if_known(first.water_temperature, units.temperature, UNKNOWN_HTML),
        "wind": if_known(first.wind_speed, wind, UNKNOWN_HTML),
    }
    photo = found.photos.get(first.number)
    picture = wrapped('<img src="', photo, '" alt="Photo of this fish">')
    rows = "".join(
        f"<div><dt>{name}</dt><dd>{value}</dd></div>" for name, value in facts.items()
    )
    numbers = ", ".join(link(day, one) for one in catch.things)
    chosen = f'data-kind="{catch.what}" data-rod="{escape(first.rod or "")}"'
    return (
        f'<article class="card" {chosen}>{picture}<h3>{_NAMES[catch.what]}{weight} '
        f"<small>{numbers}</small></h3><dl>{rows}</dl></article>\n"
    )


def _cast(found: Findings, catch: Catch) -> str:
    """Return the cast that brought it: its hour off the bow and how far it went."""
    mine = (
        cast
        for cast in found.casts
        if any(one.number == catch.first.number for one in cast.catches)
    )
    cast = next(mine, None)
    if cast is None:
        return "not called"
    hour = escape(cast.event.detail or "hour not said")
    return f"{link(found.day, cast.event)}, {hour}"
