"""The companion in the boat: its parts, one bounded queue, one thread that folds it, and an end in order."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading
from collections import deque
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import NamedTuple

from companion.clock import Clock, LiveClock, wall_clock
from companion.config import Settings
from companion.events import AnyEvent
from companion.health.heart import Heart, tell_manager, watchdog_interval
from companion.live.beginning import Beginning
from companion.live.devices import Devices, Parts
from companion.live.disk import Disk, Job
from companion.live.ears import Uttered
from companion.live.house import House
from companion.live.keeping import Keeper, LogbookWriter
from companion.live.seeking import SearchDone, SolveDone, Worker
from companion.live.tables import Prepared, TableMaker
from companion.live.trip import LiveTrip
from companion.record.recording import RecordingLimits, RecordingShelf
from companion.sensing import Chunk
from companion.trip import wording
from companion.trip.assembly import RAISE_VARIABLE, tips_of
from companion.trip.engine import Engine
from companion.trip.keep import Emit

QUEUE_LENGTH = 256
"""Chunks and utterances that may wait; whoever brings more waits too."""
TAP_QUEUE_LENGTH = 8
"""Taps that may wait; what is not taken is told to whoever tapped."""
IDLE_WAIT_S = 0.25
"""How long the engine waits for something to come before it looks at the time, s."""
TIME_PASSES = 1.0
"""How often the engine is told that time has passed, s: how late a lost depth may be noticed."""
_LOG = logging.getLogger(__name__)
CLOCK_WRONG_BY = timedelta(minutes=10)
"""The computer's clock counts as wrong when the GPS tells a time this different."""


class Places(NamedTuple):
    """The places of a live trip: the logbook's file, and the folders of all recordings and of tables.

    None: nowhere.
    """

    logbook: Path | None
    recordings: Path
    tables: Path | None = None


class _Beside:
    """The threads beside the engine: one finds, for the planner, and one solves."""

    def __init__(
        self,
        put: Callable[[SearchDone | SolveDone], None],
        clock: Clock,
        maker: TableMaker,
    ) -> None:
        self._maker = maker
        self._finder = Worker("planner", lambda t: put(SearchDone(t)), clock)
        self._solver = Worker("solver", lambda t: put(SolveDone(t)), clock)

    def start(self) -> None:
        """Start them."""
        self._finder.start()
        self._solver.start()

    def work_for(self, engine: Engine) -> None:
        """Have worked at what an engine has asked for."""
        for search in engine.take_searches():
            self._finder.work_at(search)
        for solve in engine.take_solves():
            self._solver.work_at(Prepared(solve, self._maker))

    def stop(self) -> None:
        """Have them end after what they work at; tables are made no more."""
        self._maker.stop()
        self._finder.stop()
        self._solver.stop()


Come = Chunk | Uttered | SearchDone | SolveDone
"""What comes to the engine's thread."""


class _Rhythm:
    """The times of the engine thread's regular chores, s of the clock."""

    def __init__(self, now: float) -> None:
        self.began = self.passed = self.fed = now
        self.feed_every = watchdog_interval()


class Live:
    """Runs a trip until it is stopped.

    Args:
        settings: the boat.
        config: the text those settings were read from; it is kept with the recording.
        parts: the devices.
        places: where the trip is kept.
        outlet: called in the disk's thread with every event, once it is in the logbook
            or the disk refuses.
        look: called in the engine's thread with the engine after whatever came, at
            least four times a second, to show how things stand.
        limits: what recordings may take of the disk.
        wall: tells the computer's idea of UTC.
    """

    def __init__(
        self,
        settings: Settings,
        config: str,
        parts: Parts,
        places: Places,
        outlet: Emit = lambda _: None,
        *,
        look: Callable[[Engine], None] = lambda _: None,
        clock: Clock | None = None,
        limits: RecordingLimits | None = None,
        wall: Callable[[], datetime] = wall_clock,
    ) -> None:
        self.clock = clock or LiveClock()
        self.heart = Heart(self.clock)
        self._parts = parts
        self._outlet = outlet
        self._look = look
        self._wall = wall
        self._queue: queue.Queue[Come] = queue.Queue(QUEUE_LENGTH)
        maker = TableMaker(places.tables, tips_of(settings))
        self._beside = _Beside(self._queue.put, self.clock, maker)
        self._remarks: deque[tuple[str, bool]] = deque()
        self._taps: deque[str] = deque()
        self._told: set[str] = set()
        self._stop = threading.Event()
        self._devices = Devices(
            parts, self._queue.put, self.clock, self.heart, self.announce
        )
        self.ready = self._devices.ready
        shelf = RecordingShelf(places.recordings, limits)
        self._house = House(
            shelf, settings.recordings.sound_days, self.clock, wall, self._once
        )
        self._writer = self._keeper = None
        if places.logbook is not None:
            book, sync = places.logbook, self._house.sync
            self._writer = LogbookWriter(
                book, self.clock, self.announce, sync, self._give_out
            )
            self._keeper = Keeper(book, self._writer, self._put, self.announce)
        self._disk = Disk(
            self._commit, self._look_after_disk, self.clock, self.announce
        )
        self._beginning = Beginning(
            settings,
            config,
            shelf,
            self._keeper,
            self._emit,
            self._put,
            self.announce,
            parts.hear,
        )
        self.trip: LiveTrip | None = None

    def announce(self, text: str, *, aloud: bool = True) -> None:
        """Have something noted, and said unless it is not for saying; from any thread."""
        self._remarks.append((text, aloud))

    def tapped(self, words: str) -> bool:
        """Take the words of a tapped button, from any thread; False when too many wait already."""
        if len(self._taps) >= TAP_QUEUE_LENGTH:
            return False
        self._taps.append(words)
        return True

    def stop(self) -> None:
        """Ask the trip to end; from any thread or a signal handler."""
        self._stop.set()

    def run(self) -> None:
        """Run the trip from its beginning to its end."""
        self._disk.start()
        self._beside.start()
        self._house.tidy()
        self.trip = self._house.trip = trip = self._beginning.begin(
            self.clock, self._wall()
        )
        for missing in self._parts.missing:
            self.announce(wording.not_there(missing), aloud=False)
        # What the beginning has to say comes before what the first depth gives to say.
        self._take_remarks(trip, self.clock.now())
        self._devices.start()
        tell_manager("READY=1", "STATUS=running")
        try:
            self._fold_until_stopped(trip)
        finally:
            tell_manager("STOPPING=1")
            self._end(trip)

    def _emit(self, event: AnyEvent) -> None:
        """Speak an event at once, and have it recorded before it is given out."""
        if self._keeper is not None:
            self._keeper.record(event)
        else:
            self._give_out(event)
        self._guarded(partial(self._parts.tell, event))

    def _give_out(self, event: AnyEvent) -> None:
        self._guarded(partial(self._outlet, event))

    def _put(self, job: Job) -> None:
        self._disk.enqueue(job)

    def _commit(self) -> None:
        if self._writer is not None:
            self._writer.commit()

    def _look_after_disk(self) -> None:
        if self._writer is not None:
            self._writer.look_after()
        self._house.look_after()

    def _guarded(self, do: Callable[[], object]) -> None:
        """Do something that must not end the trip: an error in it is told once, and the rest goes on.

        Raises:
            Exception: the error, while `RAISE_VARIABLE` is set.
        """
        try:
            do()
        except Exception as error:
            if RAISE_VARIABLE in os.environ:
                raise
            what = wording.error_passed_over(type(error).__name__)
            if what not in self._told:
                _LOG.exception("an error was passed over")
                self._told.add(what)
                self.announce(what, aloud=False)

    def _once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self.announce(text)

    def _fold_until_stopped(self, trip: LiveTrip) -> None:
        rhythm = _Rhythm(self.clock.now())
        while not self._stop.is_set():
            self._guarded(partial(self._turn, trip, rhythm))

    def _turn(self, trip: LiveTrip, rhythm: _Rhythm) -> None:
        """Fold what has come next, and do what is due."""
        taken = self._take_next(trip)
        now = self.clock.now()
        # What still waits in the queue came earlier: time must not run ahead of it.
        t = taken if taken is not None and not self._queue.empty() else now
        self._take_remarks(trip, t)
        while self._taps:
            trip.tap(t, self._taps.popleft())
        self._beside.work_for(trip.engine)
        self._guarded(partial(self._look, trip.engine))
        self.heart.beat("engine")
        if now - rhythm.passed >= TIME_PASSES:
            rhythm.passed = now
            trip.remark(t, None)
            self._check_clock(trip)
        self._disk.check()
        self._devices.begin_rest(now - rhythm.began)
        self._devices.look_whether_ready(now - rhythm.began)
        if rhythm.feed_every is not None and now - rhythm.fed >= rhythm.feed_every / 2:
            rhythm.fed = now
            self._feed_watchdog()

    def _take_next(self, trip: LiveTrip) -> float | None:
        """Take what has come next, and return when that was, s of the clock; None when nothing came."""
        try:
            item = self._queue.get(timeout=IDLE_WAIT_S)
        except queue.Empty:
            return None
        _fold(trip, item)
        return item.t

    def _take_remarks(self, trip: LiveTrip, t: float) -> None:
        while self._remarks:
            text, aloud = self._remarks.popleft()
            trip.remark(t, text, aloud=aloud)

    def _check_clock(self, trip: LiveTrip) -> None:
        """Say once that the computer's clock is wrong, as soon as the GPS tells it."""
        utc = trip.engine.utc
        if utc is not None and abs(utc - self._wall()) > CLOCK_WRONG_BY:
            self._once(wording.CLOCK_WRONG)

    def _feed_watchdog(self) -> None:
        stuck = self.heart.stuck()
        if stuck:
            self._once(wording.parts_stuck(stuck))
        else:
            tell_manager("WATCHDOG=1")

    def _end(self, trip: LiveTrip) -> None:
        """End in order: the parts first, then what they had brought, then the trip."""
        self._devices.stop()
        self._beside.stop()
        self._stop.set()
        self._drain(trip)
        self._devices.join()
        self._drain(trip)
        self._take_remarks(trip, self.clock.now())
        trip.finish()
        if self._keeper is not None and self._writer is not None:
            self._put(self._writer.close)
            self._disk.end()
            self._keeper.close()
        else:
            self._disk.end()

    def _drain(self, trip: LiveTrip) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                item = self._queue.get_nowait()
                self._guarded(partial(_fold, trip, item))


def _fold(trip: LiveTrip, item: Come) -> None:
    if isinstance(item, Uttered):
        trip.utterance(item)
    elif isinstance(item, SearchDone):
        trip.search_done(item)
    elif isinstance(item, SolveDone):
        trip.solve_done(item)
    else:
        trip.chunk(item)
