"""A trip as the report sees it: what happened in order, each event with its anchor, corrections applied."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from companion.events import (
    AnyEvent,
    Event,
    Fix,
    Heard,
    Logged,
    LoggedWhat,
    Outlook,
    level_told,
)
from companion.record.amendments import Amendment, Corrected
from companion.record.logbook import KeptReading, Logbook, TripEntry
from companion.report.localtime import zone_at
from companion.sensing.localplane import LocalPlane

Floats = NDArray[np.float64]

CATCH_EVENTS: tuple[LoggedWhat, ...] = ("bite", "fish", "lost fish")
"""What says that a fish was at the lure."""


@dataclass(frozen=True)
class DayTrack:
    """The kept readings as arrays, NaN where not known: logic s, m on the day's plane, m, C, m/s."""

    t: Floats
    x: Floats
    y: Floats
    depth: Floats
    temperature: Floats
    speed: Floats

    @cached_property
    def believed(self) -> Floats:
        """The depth without lone deep echoes, which are the sounder's second look: NaN there too."""
        if not len(self.depth):
            return self.depth
        beyond = np.pad(self.depth, 2, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(beyond, 5)
        known = ~np.isnan(windows).all(axis=1)
        usual = np.full(len(self.depth), np.nan)
        usual[known] = np.nanmedian(windows[known], axis=1)
        return np.where(self.depth > 1.25 * usual + 0.5, np.nan, self.depth)

    @property
    def way(self) -> float:
        """Return how far the boat went, m, jumps left out."""
        steps = np.hypot(np.diff(self.x), np.diff(self.y))
        return float(np.nansum(steps[steps < 50.0]))


@dataclass(frozen=True)
class Day:
    """A trip read from a logbook.

    Attributes:
        entry: the trip as the logbook lists it.
        events: every event in order; the first is number 1 in `anchor`.
        things: the logged things, as logged and as they stand.
        strays: corrections of things that are no longer logged.
        readings: the kept readings.
        zone: what times of day are shown in.
        invented: why nothing in it is real, or None for a real day.
    """

    entry: TripEntry
    events: Sequence[AnyEvent]
    things: Sequence[Corrected]
    strays: Sequence[Amendment]
    readings: Sequence[KeptReading]
    zone: tzinfo = UTC
    invented: str | None = None
    _places: dict[int, int] = field(default_factory=dict)

    @cached_property
    def standing(self) -> list[Logged]:
        """The logged things that stand, corrected."""
        return [thing.event for thing in self.things if thing.stands]

    def of(self, *kinds: LoggedWhat) -> list[Logged]:
        """Return the standing things of some kinds, in order."""
        return [thing for thing in self.standing if thing.what in kinds]

    @cached_property
    def outlooks(self) -> dict[int, Outlook]:
        """Return what was foretold of each cast, by the cast's number."""
        return {
            event.cast: event for event in self.events if isinstance(event, Outlook)
        }

    @cached_property
    def _levels(self) -> list[tuple[float, float]]:
        return [
            (event.t, rise)
            for event in self.events
            if (rise := level_told(event)) is not None
        ]

    def level(self, t: float) -> float | None:
        """Return how far the water stood above the map's level at logic time t, m; None when untold."""
        return next(
            (rise for since, rise in reversed(self._levels) if since <= t), None
        )

    def heard_number(self, event: Heard) -> int:
        """Return the number of an utterance among those of the trip, from 1: it is told of by that."""
        return self._place_of_heard[id(event)]

    @cached_property
    def _place_of_heard(self) -> dict[int, int]:
        utterances = (event for event in self.events if isinstance(event, Heard))
        return {id(event): number for number, event in enumerate(utterances, 1)}

    def anchor(self, event: Event) -> str:
        """Return the name an event has in the page: "e" and its place among the trip's events from 1."""
        if isinstance(event, Logged):
            return f"e{self._place_of_number[event.number]}"
        return f"e{self._place_of[id(event)]}"

    @cached_property
    def _place_of(self) -> dict[int, int]:
        return {id(event): place for place, event in enumerate(self.events, 1)}

    @cached_property
    def _place_of_number(self) -> dict[int, int]:
        return {
            e.number: place
            for place, e in enumerate(self.events, 1)
            if isinstance(e, Logged)
        }

    @cached_property
    def plane(self) -> LocalPlane | None:
        """The plane that maps are drawn on: it touches at the first known place."""
        fixes = (reading.fix for reading in self.readings if reading.fix is not None)
        first = next(fixes, None)
        if first is None:
            return None
        return LocalPlane(first.lat, first.lon)

    def xy(self, fix: Fix | None) -> tuple[float, float] | None:
        """Return a place as m east and north on the plane."""
        if fix is None or self.plane is None:
            return None
        return self.plane.to_xy(fix.lat, fix.lon)

    @cached_property
    def track(self) -> DayTrack:
        """The kept readings as arrays."""
        places = [self.xy(reading.fix) or (np.nan, np.nan) for reading in self.readings]
        x, y = np.array(places, float).reshape(-1, 2).T

        def column(values: Iterable[float | None]) -> Floats:
            return np.array(list(values), float)  # NaN for None

        return DayTrack(
            t=column(r.t for r in self.readings),
            x=x,
            y=y,
            depth=column(r.depth for r in self.readings),
            temperature=column(r.water_temperature for r in self.readings),
            speed=column(r.speed for r in self.readings),
        )

    @cached_property
    def _began(self) -> datetime | None:
        """The instant of logic time 0, from the first thing whose UTC is known."""
        stamped = (
            (e.t, e.utc)
            for source in (self.events, self.readings)
            for e in source
            if e.utc
        )
        first = min(stamped, default=None)
        if first is None:
            return None
        return datetime.fromisoformat(first[1]) - timedelta(seconds=first[0])

    def clock(self, t: float) -> datetime | None:
        """Return the time of day at logic time t, s; None when the trip never knew it."""
        if self._began is None:
            return None
        return (self._began + timedelta(seconds=t)).astimezone(self.zone)

    def time_words(self, t: float, *, seconds: bool = False) -> str:
        """Return the time of day, such as "14:15", else the time since the trip began, such as "+0:04"."""
        at = self.clock(t)
        minutes, rest = divmod(int(t), 60)
        words = f"+{minutes // 60}:{minutes % 60:02d}:{rest:02d}"
        if at is not None:
            words = at.strftime("%H:%M:%S")
        if seconds:
            return words
        return words.rpartition(":")[0]

    @cached_property
    def date(self) -> str | None:
        """The day's date, such as "Saturday 3 October 2026"."""
        at = self.clock(0.0)
        if at is None:
            return None
        return f"{_WEEKDAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]} {at.year}"


def read_day(
    book: Logbook, trip: int, *, zone: tzinfo | None = None, invented: str | None = None
) -> Day:
    """Return a trip of a logbook; its times are those of a zone, without one those where the boat was.

    Raises:
        LogbookError: the logbook cannot be read.
        StopIteration: it has no such trip.
    """
    readings = list(book.readings(trip))
    return Day(
        entry=next(entry for entry in book.trips() if entry.id == trip),
        events=book.events(trip),
        things=book.corrections.corrected(trip),
        strays=book.corrections.stray(trip),
        readings=readings,
        zone=zone or _zone_of(readings),
        invented=invented,
    )


def _zone_of(readings: Sequence[KeptReading]) -> tzinfo:
    """Return the time zone of the first known place; UTC without one."""
    fix = next((reading.fix for reading in readings if reading.fix is not None), None)
    if fix is None:
        return UTC
    return zone_at(fix.lat, fix.lon)


_WEEKDAYS = (
    "Monday",
    "Tuesday",
    "Wednesday",
    "Thursday",
    "Friday",
    "Saturday",
    "Sunday",
)
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July",
    "August", "September", "October", "November", "December",
)  # fmt: skip
"""The names of the months, as a report has them."""
