"""Everything the report says of a day, worked out once."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from companion.events import Logged
from companion.lakebed.waters import Area
from companion.record.own_clips import ClipTruth
from companion.report.casts import CastMade, Catch, casts_of, catches_of
from companion.report.counts import By, RateTable, Try, tables, tries_of
from companion.report.day import CATCH_EVENTS, Day
from companion.report.forecasts import Forecast, HitRate, forecasts_of, hit_rates
from companion.report.ground import GroundGrid, mapped
from companion.report.rods import RodStory
from companion.units import Units


@dataclass(frozen=True)
class Findings:
    """The findings of a day.

    Attributes:
        day: the trip.
        stories: its rods.
        units: how numbers are written.
        ground: the bottom of its water, as well as it is known.
        casts: those that were called.
        tries: the efforts that brought bites or not.
        by: what they are counted in.
        off: bites, fish and lost fish that belong to none of them.
        clips: the sound of what was said as data URIs by name.
        photos: pictures of the fish as data URIs, by the number of the catch's first
            entry.
        places: whether places may be told.
        truths: what was told of clips, by name.
        telling: the command that tells of them, with this trip; None where it is not
            offered.
    """

    day: Day
    stories: Sequence[RodStory]
    units: Units
    ground: GroundGrid | None
    casts: Sequence[CastMade]
    tries: Sequence[Try]
    by: By
    off: Sequence[Logged]
    clips: Mapping[str, str] = field(default_factory=dict)
    photos: Mapping[int, str] = field(default_factory=dict)
    places: bool = True
    truths: Mapping[str, ClipTruth] = field(default_factory=dict)
    telling: str | None = None

    @cached_property
    def tables(self) -> list[RateTable]:
        """Return what brought bites."""
        return tables(self.tries, self.by)

    @cached_property
    def catches(self) -> list[Catch]:
        """The catches, each with all that was told of it."""
        return catches_of(self.day.of(*CATCH_EVENTS))

    @cached_property
    def forecasts(self) -> list[Forecast]:
        """The casts of which something was foretold."""
        return forecasts_of(self.day, self.casts)

    @cached_property
    def hit_rates(self) -> list[HitRate]:
        """Return how often each word of a forecast was right."""
        return hit_rates(self.forecasts)

    @cached_property
    def best_fish(self) -> Logged | None:
        """The heaviest fish that was weighed."""
        weighed = [one for one in self.day.of("fish") if one.size is not None]
        return max(weighed, key=lambda one: one.size or 0.0, default=None)

    @property
    def title(self) -> str:
        """The trip's name as a title."""
        words = self.day.entry.name.replace("_", " ").split() or ["A", "day"]
        return " ".join(
            word.capitalize() if re.fullmatch("[a-z]+", word) else word
            for word in words
        )


def findings(
    day: Day,
    stories: Sequence[RodStory],
    units: Units,
    clips: Mapping[str, str] | None = None,
    areas: Sequence[Area] = (),
) -> Findings:
    """Work out a day: its bottom, with what `areas` know of it, its casts and what brought bites."""
    lengths = {
        story.rod: story.cast.best for story in stories if story.cast is not None
    }
    ground, casts = mapped(day, areas), casts_of(day, lengths)
    tries, by, off = tries_of(day, casts, ground, units)
    return Findings(day, stories, units, ground, casts, tries, by, off, clips or {})
