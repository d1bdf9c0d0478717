"""The logbook of a live trip, whatever the disk does: nothing that fails here ends the trip."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path

from companion.clock import Clock
from companion.dive.calibration import Belief
from companion.events import AnyEvent, Logged, Undone
from companion.lakebed.bed import Bed
from companion.record.backup import set_aside
from companion.record.beforehand import Beforehand, areas_before, keep_area, read
from companion.record.lakes import Lakes, LearnedFile, of_trip
from companion.record.logbook import Logbook, LogbookError, TripEntry
from companion.record.logbook import Trip as KeptTrip
from companion.replay import offer
from companion.sensing import BoatState
from companion.trip.engine import Known

AGAIN = 20.0
"""Pause before a logbook that could not be opened is tried again, s."""
SURE = 3.0
"""How long writing must have gone well before it counts as working again, s: a full disk takes crumbs."""
WAITING = 20_000
"""Events held in memory while there is no logbook to write to; then the oldest go."""


class Keeper:
    """Writes a trip's events and readings; tells once when the disk refuses, and once when it takes them.

    Args:
        path: the logbook's file.
        tell: told, in a few words, what happened.
        before_commit: puts on the disk what the events rest on.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        tell: Callable[[str], None],
        before_commit: Callable[[], None] = lambda: None,
    ) -> None:
        self.path = path
        self._clock = clock
        self._tell = tell
        self._before_commit = before_commit
        self._book: Logbook | None = None
        self._trip: KeptTrip | None = None
        self._name = ""
        self._waiting: deque[AnyEvent] = deque(maxlen=WAITING)
        self._lakes: Lakes | None = None
        self._failing = False
        self._failed_at = 0.0
        self._try_again = 0.0

    def open(self) -> Logbook | None:
        """Open the logbook; a damaged one is moved aside and a new one begun. None: it cannot be had now."""
        try:
            self._book = _sound_logbook(self.path)
        except LogbookError as error:
            if error.damaged and self._move_aside():
                return self.open()
            self._failed(error)
        else:
            self._book.before_commit = self._before_commit
        return self._book

    def interrupted(self) -> list[TripEntry]:
        """Return the live trips that were cut off, oldest first."""
        book = self._book or self.open()
        try:
            return [] if book is None else [t for t in book.trips() if t.recording is None and not t.closed]
        except LogbookError as error:
            self._failed(error)
            return []

    def close_interrupted(self, trips: list[TripEntry]) -> None:
        """Mark trips that were cut off as closed."""
        try:
            for trip in trips:
                if self._book is not None:
                    self._book.close_trip(trip.id)
        except LogbookError as error:
            self._failed(error)

    def events_of(self, trip: TripEntry) -> list[AnyEvent]:
        """Return what the logbook has of a trip."""
        assert self._book is not None
        return self._book.events(trip.id)

    def resume(self, trip: TripEntry) -> None:
        """Go on with a trip that was cut off."""
        assert self._book is not None
        self._name = trip.name
        self._trip = self._book.resume_trip(trip.id)

    def begin(self, name: str) -> None:
        """Begin a trip; when the logbook cannot be written its events wait."""
        self._name = name
        self._begin()

    def record(self, event: AnyEvent) -> None:
        """Record an event: it is on the disk when this returns, or it waits for a disk that takes it."""
        if self._trip is None:
            self._waiting.append(event)
            self._once_more()
            return
        try:
            self._trip.record(event)
        except LogbookError as error:
            self._refused(event, error)
        else:
            self._works()

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Offer the state of the boat, about once a second."""
        if self._trip is None:
            self._once_more()
            return
        try:
            offer(self._trip, t, utc, boat)
        except LogbookError as error:
            self._failed(error)

    def belief(self, lure: str, belief: Belief) -> None:
        """Keep what is now believed of a lure."""
        if self._trip is None:
            return
        try:
            self._trip.believe(lure, belief)
        except LogbookError as error:
            self._failed(error)

    def lakebed(self, t: float, bed: Bed, *, now: bool = False, over: bool = False) -> None:
        """Keep what has changed of the lakebed, now and then, with how much of the trip that is."""
        if self._lakes is None:
            return
        taken = LearnedFile(of_trip(self._name), self._name, bed.kept, 0, over)
        try:
            if now or over:
                self._lakes.save(bed, taken)
            else:
                self._lakes.save_now_and_then(t, bed, taken)
        except LogbookError as error:
            self._failed(error)

    def known(self, folder: Path) -> Known:
        """Return what the boat knows; a lake goes into the trip's folder when the boat comes to it."""
        return self._known(lambda lakes, beliefs: Known(beliefs, lakes.areas(partial(keep_area, folder))))

    def known_before(self, folder: Path) -> Known:
        """Return what the trip in a folder began from."""
        before = read(folder) or Beforehand()
        return self._known(
            lambda lakes, _beliefs: Known(before.beliefs, areas_before(folder, before, lakes.areas()))
        )

    def _known(self, found: Callable[[Lakes, dict[str, Belief]], Known]) -> Known:
        book = self._book or self.open()
        try:
            if book is None:
                return Known()
            self._lakes = Lakes(book)
            return found(self._lakes, book.beliefs())
        except LogbookError as error:
            self._failed(error)
            return Known()

    def close(self) -> None:
        """End the trip in order, as far as the disk allows."""
        try:
            if self._trip is not None:
                self._trip.close()
            if self._book is not None:
                self._book.close()
        except LogbookError as error:
            self._failed(error)
        self._trip = self._book = None

    def _begin(self) -> None:
        book = self._book or self.open()
        if book is None:
            return
        try:
            self._trip = book.begin_trip(self._name)
        except LogbookError as error:
            self._failed(error)
            return
        waiting, self._waiting = list(self._waiting), deque(maxlen=WAITING)
        for event in waiting:
            self.record(event)

    def _once_more(self) -> None:
        now = self._clock.now()
        if self._name and now >= self._try_again:
            self._try_again = now + AGAIN
            self._begin()
            if self._trip is not None:
                self._works()

    def _refused(self, event: AnyEvent, error: LogbookError) -> None:
        if error.damaged and self._move_aside():
            self._book = self._trip = None
            self._waiting.append(event)
            self._begin()
        elif not (isinstance(event, Logged | Undone) and "number" in error.what):
            self._failed(error)  # the trip itself keeps what it could not write

    def _failed(self, error: LogbookError) -> None:
        self._failed_at = self._clock.now()
        self._try_again = self._failed_at + AGAIN
        if not self._failing:
            self._failing = True
            self._tell(f"logbook not written: {error.what}")

    def _works(self) -> None:
        if self._failing and self._clock.now() - self._failed_at > SURE:
            self._failing = False
            self._tell("logbook written again")

    def _move_aside(self) -> bool:
        try:
            to = set_aside(self.path, "damaged")
        except OSError:
            return False
        self._tell("logbook damaged, new one begun" + (f", old one is {to.name}" if to else ""))
        return True


def _sound_logbook(path: Path) -> Logbook:
    """Open a logbook, looked through from end to end when a trip in it was cut off."""
    book = Logbook(path)
    try:
        cut_off = any(not trip.closed for trip in book.trips())
        faults = book.faults() if cut_off else []
    except LogbookError:
        book.close()
        raise
    if faults:
        book.close()
        raise LogbookError(path, f"it is damaged ({faults[0]})", "a new one is begun", damaged=True)
    return book
