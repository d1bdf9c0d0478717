"""A card for each fish and each bite: all that is known of it, on one piece of paper."""

from __future__ import annotations

from html import escape

from companion.report.casts import Catch
from companion.report.document import UNKNOWN_HTML, link
from companion.report.findings import Findings

_NAMES = {"fish": "Fish", "lost fish": "Fish lost", "bite": "Bite"}


def cards(found: Findings) -> str:
    """Return the day's catches as cards, fish in the boat first, then in the order of their time."""
    order = sorted(found.catches, key=lambda one: (one.fish is None, one.first.t))
    return (
        f'<div class="cards">{"".join(_card(found, one) for one in order)}</div>'
        if order
        else ""
    )


def _card(found: Findings, catch: Catch) -> str:
    day, units, first, lure = found.day, found.units, catch.first, catch.at_lure
    weight = (
        ""
        if catch.fish is None or catch.fish.size is None
        else f", {units.weight(catch.fish.size)}"
    )
    rod = (
        escape(f"{first.rod}, {first.lure} on {first.line}")
        if first.rod
        else UNKNOWN_HTML
    )
    warm = (
        UNKNOWN_HTML
        if first.water_temperature is None
        else units.temperature(first.water_temperature)
    )
    wind = (
        UNKNOWN_HTML
        if first.wind_speed is None
        else units.wind(first.wind_speed, first.wind_from)
    )
    facts = {
        "time": day.time_words(first.t),
        "rod": rod,
        "lure": UNKNOWN_HTML
        if catch.lure_depth is None
        else f"<b>{units.depth(catch.lure_depth)}</b> down",
        "bottom there": UNKNOWN_HTML
        if lure.lure_bottom is None
        else units.depth(lure.lure_bottom),
        "under the boat": UNKNOWN_HTML
        if first.bottom is None
        else units.depth(first.bottom),
        "cast": _cast(found, catch),
        "water": warm,
        "wind": wind,
    }
    photo = found.photos.get(first.number)
    picture = f'<img src="{photo}" alt="Photo of this fish">' if photo else ""
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
