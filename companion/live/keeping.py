"""The logbook of a live trip, whatever the disk does: nothing that fails here ends the trip, or holds it up.

`Keeper` is what the engine's thread sees: it reads what was known before, and hands
over what is to be kept. `LogbookWriter` writes it in the disk's thread, with a
connection of its own.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import NamedTuple

from companion.clock import Clock
from companion.dive.evidence import Belief
from companion.events import AnyEvent
from companion.lakebed.bed import Bed
from companion.lakebed.share import NO_SHARE, ShareChanges
from companion.live.disk import Job
from companion.record.backup import set_aside
from companion.record.beforehand import Beforehand, areas_before, keep_area, read
from companion.record.lakes import Changes, Lakes, LearnedFile, of_trip
from companion.record.logbook import Logbook, TripEntry
from companion.record.logbook import Trip as KeptTrip
from companion.record.tables import LogbookError
from companion.replay import offer
from companion.sensing import BoatState
from companion.trip import wording
from companion.trip.keep import Emit, Known

LOGBOOK_RETRY_S = 20.0
"""Pause before a logbook that could not be opened is tried again, s."""
WRITING_SURE_S = 3.0
"""How long writing must have gone well before it counts as working again, s: a full disk takes crumbs."""
MOST_WAITING_EVENTS = 20_000
"""Events held in memory while there is no logbook to write to; then the oldest go."""
BUSY_S = 0.1
"""How long another program that is writing to the logbook is waited for at a time, s."""
BUSY_FOR_S = 5.0
"""How long that may go on before the logbook counts as not written."""
LOOK_AT_FILE_S = 2.0
"""How often it is looked whether the logbook is still the file that was opened."""


class _File(NamedTuple):
    """The identity of a file: device and inode of it and of its write-ahead log; None: there is none."""

    main: tuple[int, int] | None = None
    log: tuple[int, int] | None = None

    @classmethod
    def under(cls, path: Path) -> _File:
        """Return what stands under the name of a logbook now."""
        return cls(_identity(path), _identity(path.with_name(f"{path.name}-wal")))


class LogbookWriter:
    """Writes a trip in the disk's thread; tells once when the disk refuses, and once when it takes it.

    Args:
        path: the logbook's file.
        tell: told, in a few words, what happened.
        before_commit: puts on the disk what the events rest on.
        written: told each event, in order, once it is on the disk or the disk has
            refused.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        tell: Callable[[str], None],
        before_commit: Callable[[], None] = lambda: None,
        written: Emit = lambda _: None,
    ) -> None:
        self.path = path
        self._clock = clock
        self._tell = tell
        self._before_commit = before_commit
        self._written = written
        self._book: Logbook | None = None
        self._trip: KeptTrip | None = None
        self._name = ""
        self._waiting: deque[AnyEvent] = deque(maxlen=MOST_WAITING_EVENTS)
        self._unwritten: deque[AnyEvent] = deque(maxlen=MOST_WAITING_EVENTS)
        self._beliefs: dict[str, Belief] = {}
        self._lakes: dict[int, Changes] = {}
        self._learned: LearnedFile | None = None
        self._share = NO_SHARE
        self._keeps_lakes = self._knows_share = True
        self._file = _File()
        self._looked_at = clock.now()
        self._failing = False
        self._failed_at = 0.0
        self._busy_since: float | None = None
        self._try_again = 0.0

    def close_interrupted(self, trips: list[TripEntry]) -> None:
        """Mark trips that were cut off as closed."""
        try:
            book = self._opened()
            for trip in trips:
                if book is not None:
                    book.close_trip(trip.id)
        except LogbookError as error:
            self._failed(error)

    def resume(self, trip: TripEntry) -> None:
        """Go on with a trip that was cut off."""
        self._name = trip.name
        try:
            book = self._opened()
            self._trip = None if book is None else book.resume_trip(trip.id)
        except LogbookError as error:
            self._failed(error)

    def begin(self, name: str) -> None:
        """Begin a trip; when the logbook cannot be written its events wait."""
        self._name = name
        self._begin()

    def record(self, event: AnyEvent, *, is_new: bool = True) -> None:
        """Take an event, for the next commit; one that is not new is not given out again."""
        if is_new:
            self._unwritten.append(event)
        if self._trip is None:
            self._waiting.append(event)
            return
        # A number that is taken: then it stands there already.
        with suppress(LogbookError):
            self._trip.add(event)

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Take the state of the boat."""
        if self._trip is not None:
            try:
                offer(self._trip, t, utc, boat)
            except LogbookError as error:
                self._refused(error)

    def belief(self, lure: str, belief: Belief) -> None:
        """Take what is now believed of a lure."""
        self._beliefs[lure] = belief

    def lakebed(
        self, changes: list[Changes], learned: LearnedFile, came: ShareChanges
    ) -> None:
        """Take what has changed of the lakes; not when the logbook was replaced by one of other waters.

        `came` is what of it came from this trip.
        """
        if not self._keeps_lakes:
            return
        for one in changes:
            before = self._lakes.get(one.number)
            if before is not None:
                marks = before.marks if one.marks is None else one.marks
                one = one._replace(tiles=before.tiles | one.tiles, marks=marks)  # noqa: PLW2901
            self._lakes[one.number] = one
        self._learned = learned._replace(apart=self._knows_share)
        self._share = self._share.and_later(came)

    def commit(self) -> None:
        """Put on the disk what belongs there, and hand on what is written."""
        if self._trip is None:
            self._begin_again()
        else:
            try:
                self._write(self._trip)
            except LogbookError as error:
                self._refused(error)
            else:
                self._works()
        if self._busy_since is None or self._failing:
            while self._unwritten:
                self._written(self._unwritten.popleft())

    def look_after(self) -> None:
        """Try again what could not be written, and see whether the file is still there."""
        self.commit()
        now = self._clock.now()
        if self._book is not None and now - self._looked_at >= LOOK_AT_FILE_S:
            self._looked_at = now
            file = _File.under(self.path)
            if file.main != self._file.main:
                self._lost(self._book, file)
            self._file = _File.under(self.path)

    def close(self) -> None:
        """End the trip in order, as far as the disk allows, and hand on what is left."""
        # Another program that is writing is waited for: after the end there is no later.
        tries_left = round(BUSY_FOR_S / BUSY_S)
        while tries_left:
            tries_left -= 1
            try:
                if self._trip is not None:
                    self._write(self._trip)
                    self._trip.close()
                if self._book is not None:
                    self._book.close()
                break
            except LogbookError as error:
                if not (error.busy and tries_left):
                    self._failed(error)
                    break
        self._trip, self._book, self._name = None, None, ""
        while self._unwritten:
            self._written(self._unwritten.popleft())

    def _write(self, trip: KeptTrip) -> None:
        if trip.is_due:
            trip.flush()
        while self._beliefs:
            lure, belief = next(iter(self._beliefs.items()))
            trip.believe(lure, belief)
            self._beliefs.pop(lure)
        if self._learned is not None and self._book is not None:
            lakes = Lakes(self._book)
            lakes.write(self._lakes.values(), self._learned, self._share)
            self._lakes, self._learned, self._share = {}, None, NO_SHARE

    def _opened(self) -> Logbook | None:
        if self._book is None:
            self._book = _opened(
                self.path, self._tell, self._refused, partial(Logbook, patience=BUSY_S)
            )
            if self._book is not None:
                self._book.before_commit = self._before_commit
                self._file = _File.under(self.path)
        return self._book

    def _begin(self) -> None:
        book = self._opened()
        if book is None:
            return
        try:
            self._trip = book.begin_trip(self._name)
        except LogbookError as error:
            self._refused(error)
            return
        while self._waiting:
            with suppress(LogbookError):
                self._trip.add(self._waiting.popleft())

    def _begin_again(self) -> None:
        now = self._clock.now()
        if self._name and now >= self._try_again:
            self._try_again = now + LOGBOOK_RETRY_S
            self._begin()
            if self._trip is not None:
                self.commit()

    def _refused(self, error: LogbookError) -> None:
        """Keep in memory what the disk does not take: the trip does, unless the file is damaged."""
        if (
            error.damaged
            and self._book is not None
            and _moved_aside(self.path, self._tell)
        ):
            self._waiting.extend(_waiting_in(self._trip))
            with suppress(LogbookError):
                self._book.close()
            self._book = self._trip = None
            self._begin()
            return
        now = self._clock.now()
        if error.busy and not self._failing:
            self._busy_since = self._busy_since or now
            if now - self._busy_since < BUSY_FOR_S:
                self._try_again = now
                return
        self._failed(error)

    def _failed(self, error: LogbookError) -> None:
        self._failed_at = self._clock.now()
        self._try_again = self._failed_at + LOGBOOK_RETRY_S
        if not self._failing:
            self._failing = True
            self._tell(wording.logbook_not_written(error.what))

    def _works(self) -> None:
        self._busy_since = None
        if self._failing and self._clock.now() - self._failed_at > WRITING_SURE_S:
            self._failing = False
            self._tell(wording.LOGBOOK_WRITTEN_AGAIN)

    def _lost(self, book: Logbook, file: _File) -> None:
        """Write the trip again when the logbook was removed or replaced: the old file is still open."""
        trip, rescued = (
            self._trip,
            self.path.with_name(f"{self.path.stem}-rescued{self.path.suffix}"),
        )
        self._book = self._trip = None
        try:
            with suppress(LogbookError):
                book.leave_trip()
            book.tables.copy_to(rescued)
            book.close()
            if file.log is not None and file.log == self._file.log:
                # The old write-ahead log: read into another file it would destroy that.
                for end in ("-wal", "-shm"):
                    self.path.with_name(self.path.name + end).unlink(missing_ok=True)
            self._write_again(
                rescued,
                None if trip is None else trip.id,
                replaced=file.main is not None,
            )
            for event in _waiting_in(trip):
                self.record(event, is_new=False)
        except (LogbookError, OSError) as error:
            self._tell(wording.logbook_lost(str(getattr(error, "what", error))))
            self._waiting.extend(_waiting_in(trip))
            self._begin()

    def _write_again(self, rescued: Path, trip: int | None, *, replaced: bool) -> None:
        if not replaced:
            rescued.rename(self.path)
            book = self._opened()
            if book is not None and trip is not None:
                self._trip = book.resume_trip(trip)
            self._tell(wording.LOGBOOK_WAS_GONE)
            return
        book = self._opened()
        if book is not None and trip is not None:
            with Logbook(rescued) as old:
                self._trip = old.copy_trip(trip, book)
                self._keeps_lakes = Lakes(book).take_over(old)
                self._knows_share = False
            rescued.unlink()
        self._tell(wording.LOGBOOK_WAS_REPLACED)


class Keeper:
    """The logbook as the engine's thread sees it: read at the start, written by handing over.

    Args:
        path: the logbook's file.
        writer: writes it, in the disk's thread.
        put: has a job done in that thread.
        tell: told, in a few words, what happened.
    """

    def __init__(
        self,
        path: Path,
        writer: LogbookWriter,
        put: Callable[[Job], None],
        tell: Callable[[str], None],
    ) -> None:
        self.path = path
        self._writer = writer
        self._put = put
        self._tell = tell
        self._name = ""
        self._book: Logbook | None = None
        self._lakes: Lakes | None = None
        self._refusal = ""

    def interrupted(self) -> list[TripEntry]:
        """Return the live trips that were cut off, oldest first."""
        book = self._opened()
        if book is None:
            return []
        try:
            return [t for t in book.trips() if t.recording is None and not t.closed]
        except LogbookError as error:
            self._not_read(error)
            return []

    def close_interrupted(self, trips: list[TripEntry]) -> None:
        """Mark trips that were cut off as closed."""
        self._put(partial(self._writer.close_interrupted, trips))

    def events_of(self, trip: TripEntry) -> list[AnyEvent]:
        """Return what the logbook has of a trip."""
        assert self._book is not None
        return self._book.events(trip.id)

    def resume(self, trip: TripEntry) -> None:
        """Go on with a trip that was cut off."""
        self._name = trip.name
        self._put(partial(self._writer.resume, trip))

    def begin(self, name: str) -> None:
        """Begin a trip."""
        self._name = name
        self._put(partial(self._writer.begin, name))

    def record(self, event: AnyEvent, *, is_new: bool = True) -> None:
        """Have an event recorded; one that is not new is not given out again."""
        self._put(partial(self._writer.record, event, is_new=is_new))

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Offer the state of the boat, about once a second."""
        self._put(partial(self._writer.reading, t, utc, boat))

    def belief(self, lure: str, belief: Belief) -> None:
        """Keep what is now believed of a lure."""
        self._put(partial(self._writer.belief, lure, belief))

    def lakebed(
        self, t: float, bed: Bed, *, now: bool = False, over: bool = False
    ) -> None:
        """Keep what has changed of the lakebed, now and then, with how much of the trip that is."""
        if self._lakes is None or not (self._lakes.is_due(t) or now or over):
            return
        taken = LearnedFile(of_trip(self._name), self._name, bed.kept, 0, over)
        came = NO_SHARE if bed.share is None else bed.share.take_changed()
        changes = self._lakes.take_changes(bed)
        self._put(partial(self._writer.lakebed, changes, taken, came))

    def known(self, folder: Path) -> Known:
        """Return what the boat knows; a lake goes into the trip's folder when the boat comes to it."""
        return self._known(
            lambda lakes, beliefs: Known(
                beliefs, lakes.areas(partial(keep_area, folder))
            )
        )

    def known_before(self, folder: Path) -> Known:
        """Return what the trip in a folder began from."""
        before = read(folder) or Beforehand()
        return self._known(
            lambda lakes, _beliefs: Known(
                before.beliefs,
                areas_before(folder, before, lakes.areas()),
                before.voice,
            )
        )

    def close(self) -> None:
        """Read no more."""
        if self._book is not None:
            with suppress(LogbookError):
                self._book.close()
        self._book = None

    def _opened(self) -> Logbook | None:
        if self._book is None:
            self._book = _opened(self.path, self._tell, self._not_read, _sound_logbook)
        return self._book

    def _known(self, found: Callable[[Lakes, dict[str, Belief]], Known]) -> Known:
        book = self._opened()
        try:
            if book is None:
                return Known()
            self._lakes = Lakes(book)
            return found(self._lakes, book.beliefs())
        except LogbookError as error:
            self._not_read(error)
            return Known()

    def _not_read(self, error: LogbookError) -> None:
        if error.what != self._refusal:  # it is asked for more than once at a start
            self._tell(wording.logbook_not_read(error.what))
        self._refusal = error.what


def _opened(
    path: Path,
    tell: Callable[[str], None],
    failed: Callable[[LogbookError], None],
    opening: Callable[[Path], Logbook],
) -> Logbook | None:
    """Open a logbook; a damaged one is moved aside and a new one begun. None: it cannot be had now."""
    try:
        return opening(path)
    except LogbookError as error:
        if error.damaged and _moved_aside(path, tell):
            return _opened(path, tell, failed, opening)
        failed(error)
        return None


def _sound_logbook(path: Path) -> Logbook:
    """Open a logbook, looked through from end to end when a trip in it was cut off."""
    book = Logbook(path)
    try:
        cut_off = any(not trip.closed for trip in book.trips())
        faults = book.tables.faults() if cut_off else []
    except LogbookError:
        book.close()
        raise
    if faults:
        book.close()
        raise LogbookError(
            path, f"it is damaged ({faults[0]})", "a new one is begun", damaged=True
        )
    return book


def _waiting_in(trip: KeptTrip | None) -> list[AnyEvent]:
    """Return the events of a trip that are not on the disk yet."""
    if trip is None:
        return []
    return trip.waiting


def _moved_aside(path: Path, tell: Callable[[str], None]) -> bool:
    try:
        to = set_aside(path, "damaged")
    except OSError:
        return False
    tell(wording.logbook_damaged(to.name if to else None))
    return True


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_dev, stat.st_ino
