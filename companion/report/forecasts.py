"""What was foretold of each cast, beside what came of it, and how often each word was right."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from companion.events import Outlook
from companion.report.casts import CastMade
from companion.report.counts import wilson
from companion.report.day import Day

Sureness = Literal["will", "should", "may", "unlikely"]
SURENESS_WORDS: tuple[Sureness, ...] = ("will", "should", "may", "unlikely")
"""How sure a touch was said to be, the surest first."""


class Forecast(NamedTuple):
    """A cast with what was foretold of it; `touched` is None when nobody told how it ended."""

    cast: CastMade
    outlook: Outlook
    touched: bool | None


class HitRate(NamedTuple):
    """The record of one word: casts foretold with it, those that touched, and the share's 95 % interval."""

    word: Sureness
    casts: int
    touched: int
    low: float
    high: float


def forecasts_of(day: Day, casts: Iterable[CastMade]) -> list[Forecast]:
    """Return the casts of which something was foretold, in order."""
    known = ((cast, day.outlooks.get(cast.event.number)) for cast in casts)
    return [
        Forecast(cast, outlook, _touched(cast))
        for cast, outlook in known
        if outlook is not None and outlook.state != "unknown"
    ]


def _touched(cast: CastMade) -> bool | None:
    """Return whether a cast touched: a touch tells it at once, its reeling in that none came."""
    if cast.touches:
        return True
    if cast.reeled:
        return False
    return None


def hit_rates(forecasts: Sequence[Forecast]) -> list[HitRate]:
    """Return for each word how often the lure touched, over the casts whose end was told (Wilson)."""
    rates = []
    for word in SURENESS_WORDS:
        told = [
            one.touched
            for one in forecasts
            if one.outlook.sureness == word and one.touched is not None
        ]
        if told:
            rates.append(
                HitRate(word, len(told), sum(told), *wilson(sum(told), len(told)))
            )
    return rates
