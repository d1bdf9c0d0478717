"""What the report's charts are made of: worlds that can be zoomed, pins that keep their size, links to rows.

Charts are SVG and need no script. What is in a chart's world is zoomed by the page's
script; signs and words are pins, which keep their size then. Everything that happened
is a link to the row that tells it, and says itself what it is. Kinds differ in shape as
well as in colour, and what is not known is drawn as not known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any, NamedTuple

import numpy as np

from companion.events import Logged, LoggedWhat, RodTaken
from companion.pictures.drawing import Box, shared_sign, text, wrapped
from companion.report.casts import Catch
from companion.report.day import CATCH_EVENTS, Day, Floats

GAP_S = 5.0
"""Readings further apart than this leave a gap."""
CHART_KINDS: Mapping[LoggedWhat, str] = {
    "fish": "fish",
    "bite": "bites",
    "lost fish": "fish lost",
    "touch": "touches of the bottom",
    "snag": "snags",
    "broke off": "lures lost",
    "mark": "marks",
}
"""What is shown on the charts, by what it is called there."""
MOST_CHART_POINTS = 2400
"""How many points a line of a chart may have."""


Along = Callable[[float], float]
"""Where a depth, m, comes to lie along an axis."""


class DayChart(NamedTuple):
    """A chart: its drawing, its size on the page, and what the page's script has to know of it."""

    svg: str
    wide: float
    high: float
    data: dict[str, Any]


class ShownEntry(NamedTuple):
    """One thing of the day as the charts show it: a catch is one, however often it was told of."""

    kind: LoggedWhat
    things: tuple[Logged, ...]
    at: Logged

    @property
    def numbers(self) -> str:
        """Its numbers in the logbook."""
        return ", ".join(f"#{one.number}" for one in self.things)

    @property
    def said(self) -> str:
        """Return what it was, in a few words."""
        return f"{self.numbers} {self.kind}{wrapped(', ', self.things[0].detail)}"


def shown_of(day: Day, catches: Sequence[Catch]) -> list[ShownEntry]:
    """Return what the charts show, in the order of its time."""
    caught = [ShownEntry(one.what, one.things, one.at_lure) for one in catches]
    kinds = tuple(kind for kind in CHART_KINDS if kind not in CATCH_EVENTS)
    others = [ShownEntry(one.what, (one,), one) for one in day.of(*kinds)]
    return sorted([*caught, *others], key=lambda one: one.things[0].t)


def chart(
    name: str,
    said: str,
    wide: float,
    high: float,
    still: Iterable[str],
    world: Iterable[str],
    clip: Box,
) -> str:
    """Return a chart: its moving world clipped to a box, and over it what stands still."""
    return (
        f'<svg class="chart drawing" id="{name}" viewBox="0 0 {wide:.0f} {high:.0f}" role="group" '
        f'aria-label="{escape(said)}" data-box="{clip.left:g} {clip.top:g} {clip.wide:g} {clip.high:g}">'
        f'<clipPath id="{name}-clip">{clip.rect("")}</clipPath>'
        f'<g clip-path="url(#{name}-clip)"><g class="world">{"".join(world)}</g></g>{"".join(still)}</svg>'
    )


def still(wide: float, high: float, said: str, parts: Iterable[str]) -> str:
    """Return a chart that does not zoom."""
    return (
        f'<svg class="drawing still" viewBox="0 0 {wide:.0f} {high:.0f}" role="group" '
        f'aria-label="{escape(said)}">{"".join(parts)}</svg>'
    )


def pin(x: float, y: float, inside: str) -> str:
    """Return a part that keeps its size when the world around it is zoomed."""
    return f'<g transform="translate({x:.1f} {y:.1f})"><g class="pin">{inside}</g></g>'


def label(
    words: str,
    rank: int,
    dx: float,
    dy: float,
    kind: str = "label",
    anchor: str = "start",
) -> str:
    """Return words for a pin; of labels that lie on each other that of the lower rank stays."""
    return text(dx, dy, words, kind, anchor).replace(
        "<text ", f'<text data-label="{rank}" ', 1
    )


def thing(
    day: Day,
    one: ShownEntry,
    x: float,
    y: float,
    said: str,
    anchor: str = "",
    numbers: str = "",
) -> str:
    """Return a thing's sign with its number, which says what it is and leads to its row or another anchor.

    `numbers` stands for it where those of its logbook could be of several trips.
    """
    first = one.things[0]
    kind: str = one.kind
    if kind == "mark":
        kind = first.detail or "spot"
    words = label(numbers or one.numbers, _RANKS[one.kind], 13.0, 4.5)
    return (
        f'<a class="thing" href="#{anchor or day.anchor(first)}" {chosen_by(one.kind, first.rod)}>'
        f"<title>{escape(said)}</title>{pin(x, y, shared_sign(kind) + words)}</a>"
    )


def chosen_by(kind: str, rod: str | None) -> str:
    """Return the attributes by which the page's filter shows or hides a part."""
    return f'data-kind="{kind}" data-rod="{escape(rod or "")}"'


_RANKS: Mapping[LoggedWhat, int] = {
    "fish": 0,
    "lost fish": 1,
    "bite": 1,
    "mark": 2,
    "snag": 3,
    "broke off": 3,
    "touch": 4,
}


def rods_of(day: Day) -> list[str]:
    """Return the rods of a day in the order in which they have their colours."""
    return sorted({event.rod for event in day.events if isinstance(event, RodTaken)})


def runs_of(
    t: Floats, known: np.ndarray[Any, np.dtype[np.bool_]]
) -> list[np.ndarray[Any, np.dtype[np.intp]]]:
    """Return the stretches over which something was known, as indices."""
    places = np.flatnonzero(known)
    if not len(places):
        return []
    return np.split(places, np.flatnonzero(np.diff(t[places]) > GAP_S) + 1)
