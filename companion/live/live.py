"""The companion in the boat: its parts, one bounded queue, one thread that folds it, and an end in order."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import NamedTuple

from companion.clock import Clock, LiveClock, wall_clock
from companion.config import Settings
from companion.events import AnyEvent
from companion.health.heart import BeatingStop, Heart, tell_manager, watchdog_interval
from companion.live.disk import Disk, Job
from companion.live.ears import Ears, Uttered
from companion.live.keeping import Keeper, LogbookWriter
from companion.live.trip import LiveTrip, RebuildError, Rebuilt, Stamps, may_go_on, tried, words_heard
from companion.live.wires import Inlet
from companion.record import beforehand
from companion.record.logbook import LogbookError, TripEntry
from companion.record.recording import Limits, Recording, Shelf
from companion.sensing import OLDEST_LIVE, Chunk
from companion.sensing.sources import Reader, Source, UdpSource
from companion.trip.assembly import RAISE, assemble_trip
from companion.trip.engine import Engine
from companion.trip.keep import Emit, Keep, KeepNothing, Known
from companion.voice.grammar import Grammar, aboard
from companion.voice.heard import Hearing
from companion.voice.listening import Listener
from companion.voice.sound import Samples

QUEUE = 256
"""Chunks and utterances that may wait; whoever brings more waits too."""
TAPS = 8
"""Taps that may wait; what is not taken is told to whoever tapped."""
BEAT = 0.25
"""How long the engine waits for something to come before it looks at the time, s."""
TIME_PASSES = 1.0
"""How often the engine is told that time has passed, s: how late a lost depth may be noticed."""
READY_WITHIN = 10.0
"""What has not come this long after the start is named as missing, s ..."""
FAILED_AFTER = 3.0
"""... or this long, when it has said that it cannot be had."""
SYNC_EVERY = 5.0
"""How often the recording is put on the disk when no event asks for it, s."""
ROOM_EVERY = 60.0
"""How often the room on the disk is looked at, s."""
_LOG = logging.getLogger(__name__)
CLOCK_WRONG = timedelta(minutes=10)
"""The computer's clock counts as wrong when the GPS tells a time this different."""


class Places(NamedTuple):
    """Where a live trip is kept: the logbook's file (None: nowhere) and the folder of all recordings."""

    logbook: Path | None
    recordings: Path


class Parts(NamedTuple):
    """The devices of a boat; what is None or empty is not aboard.

    Attributes:
        sources: the wires.
        frames: opens the microphone and yields its frames.
        listener: makes what listens and decides as the sound comes, told what to complain with.
        hear: makes out the words in the clips of a trip that was cut off.
        tell: is told every event, and speaks what is to be spoken, at once or soon.
        missing: what the configuration asks for and is not there, in a word or two each.
    """

    sources: Sequence[Source] = ()
    frames: Callable[[], Iterator[Samples]] | None = None
    listener: Callable[[Callable[[str], None]], Listener] | None = None
    hear: Callable[[Samples], str | Hearing] | None = None
    tell: Callable[[AnyEvent], None] = lambda _: None
    missing: Sequence[str] = ()


class _Rhythm:
    """When the engine's thread did what it does now and then, s of the clock."""

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
        outlet: called in the disk's thread with every event, once it is in the logbook or the disk refuses.
        look: called in the engine's thread with the engine after whatever came, at least four times a
            second, to show how things stand.
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
        limits: Limits | None = None,
        wall: Callable[[], datetime] = wall_clock,
    ) -> None:
        self.clock = clock or LiveClock()
        self.heart = Heart(self.clock)
        self.ready = threading.Event()
        self._settings = settings
        self._config = config
        self._parts = parts
        self._outlet = outlet
        self._look = look
        self._wall = wall
        self._shelf = Shelf(places.recordings, limits)
        self._queue: queue.Queue[Chunk | Uttered] = queue.Queue(QUEUE)
        self._remarks: deque[tuple[str, bool]] = deque()
        self._taps: deque[str] = deque()
        self._told: set[str] = set()
        self._failed: set[str] = set()
        self._stop = threading.Event()
        self._grammar = Grammar(aboard(settings))
        self._writer = self._keeper = None
        if places.logbook is not None:
            self._writer = LogbookWriter(places.logbook, self.clock, self.tell, self._sync, self._give_out)
            self._keeper = Keeper(places.logbook, self._writer, self._put, self.tell)
        self._synced = self._room_seen = self.clock.now()
        self._disk = Disk(self._commit, self._keep_house, self.clock, self.tell)
        self._waited_for = {source.name: source.opened for source in parts.sources}
        self._readers: list[Reader] = []
        self._ears: Ears | None = None
        self.trip: LiveTrip | None = None

    def tell(self, text: str, *, aloud: bool = True) -> None:
        """Have something noted, and said unless it is not for saying; from any thread."""
        self._remarks.append((text, aloud))

    def tapped(self, words: str) -> bool:
        """Take the words of a tapped button, from any thread; False when too many wait already."""
        if len(self._taps) >= TAPS:
            return False
        self._taps.append(words)
        return True

    def stop(self) -> None:
        """Ask the trip to end; from any thread or a signal handler."""
        self._stop.set()

    def run(self) -> None:
        """Run the trip from its beginning to its end."""
        self._disk.start()
        self.trip = trip = self._begun()
        # What the beginning has to say comes before what the first depth gives to say.
        self._take_remarks(trip, self.clock.now())
        self._start_parts()
        tell_manager("READY=1", "STATUS=running")
        try:
            self._fold_until_stopped(trip)
        finally:
            tell_manager("STOPPING=1")
            self._end(trip)

    def _begun(self) -> LiveTrip:
        """Return the trip: the one that was cut off, or a new one."""
        if self._wall().date() < OLDEST_LIVE:
            self.tell("clock not set")
        wall = max(self._wall(), _oldest(self._wall()))
        stamps = Stamps(self.clock, wall)
        self._shelf.make_room()
        self._forget_sound()
        trip = self._gone_on(stamps) or self._new(stamps)
        for missing in self._parts.missing:
            self.tell(f"no {missing}", aloud=False)
        return trip

    def _gone_on(self, stamps: Stamps) -> LiveTrip | None:
        """Go on with the last trip if it was cut off a short while ago; close the others that were."""
        keeper = self._keeper
        cut_off = keeper.interrupted() if keeper is not None else []
        if keeper is None or not cut_off:
            return None
        last = cut_off[-1]
        folder = self._shelf.folder_of(last.name)
        trip = None
        if may_go_on(folder, self._config, stamps.at(self.clock.now())):
            try:
                with tried(folder):
                    trip = self._rebuilt(keeper, last, folder, stamps)
            except Exception as error:  # whatever it is, it must not come again at the next start
                if not isinstance(error, RebuildError | LogbookError | OSError):
                    _LOG.exception("the trip that was cut off could not be rebuilt")
                self.tell(f"could not go on: {str(error) or type(error).__name__}", aloud=False)
        keeper.close_interrupted(cut_off[:-1] if trip else cut_off)
        self.tell("trip goes on" if trip else "last trip was cut off, new trip")
        return trip

    def _rebuilt(self, keeper: Keeper, last: TripEntry, folder: Path, stamps: Stamps) -> LiveTrip | None:
        """Return the trip brought to where it was; None when its recording and the logbook disagree."""
        told = keeper.events_of(last)
        rebuilt = Rebuilt(
            folder,
            self._settings,
            self._grammar,
            words_heard(told),
            self._parts.hear,
            keeper.known_before(folder),
        )
        if rebuilt.events[: len(told)] != told:
            return None
        keeper.resume(last)
        for event in rebuilt.events[len(told) :]:
            keeper.record(event, is_new=False)
        rebuilt.go_on(self._emit, keeper)
        return LiveTrip(rebuilt.engine, stamps, Recording(folder), self.tell, self._put, self._keeps_sound)

    def _new(self, stamps: Stamps) -> LiveTrip:
        folder = self._shelf.new_folder(stamps.at(self.clock.now()))
        keep: Keep = self._keeper or KeepNothing()
        known = Known() if self._keeper is None else self._keeper.known(folder)
        # The engine takes a second to make; a trip that is in the logbook should also have begun.
        engine = assemble_trip(folder.name, self._settings, self._grammar, self._emit, keep, known)
        recording = None
        try:
            recording = Recording(folder, self._config)
            beforehand.keep(folder, known.beliefs, known.areas)
        except OSError as error:
            self.tell(f"not recording: {error.strerror or error}")
        if self._keeper is not None:
            self._keeper.begin(folder.name)
        self.tell("starting")
        return LiveTrip(engine, stamps, recording, self.tell, self._put, self._keeps_sound)

    def _keeps_sound(self, hearing: Hearing) -> bool:
        """Return whether an utterance's sound is kept: when it was taken for a command, or all of it is."""
        if self._settings.recordings.keep_talk:
            return True
        return hearing.refused is None and self._grammar.parse(hearing.text) is not None

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
        self._disk.put(job)

    def _commit(self) -> None:
        if self._writer is not None:
            self._writer.commit()

    def _guarded(self, do: Callable[[], object]) -> None:
        """Do something that must not end the trip: an error in it is told once, and the rest goes on.

        Raises:
            Exception: the error, while `RAISE` is set.
        """
        try:
            do()
        except Exception as error:
            if RAISE in os.environ:
                raise
            what = f"error passed over: {type(error).__name__}"
            if what not in self._told:
                _LOG.exception("an error was passed over")
                self._told.add(what)
                self.tell(what, aloud=False)

    def _sync(self) -> None:
        if self.trip is not None:
            self.trip.sync()

    def _once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self.tell(text)

    def _start_parts(self) -> None:
        for source in self._parts.sources:
            if isinstance(source, UdpSource):
                source.tell = partial(self._told_of, source.name)
            inlet = Inlet(
                self._queue.put,
                self.clock,
                drops=isinstance(source, UdpSource),
                flooded=lambda name=source.name: self.tell(f"{name} sends too much"),  # type: ignore[misc]
            )
            reader = Reader(
                source,
                inlet.put,
                self._part_lost,
                lambda name: self.tell(f"{name} back"),
                stop=BeatingStop(self.heart, source.name),
            )
            self._readers.append(reader)
            reader.start()
        if self._parts.frames is not None and self._parts.listener is not None:
            self._ears = self._listening(self._parts.frames, self._parts.listener(self.tell))
            self._waited_for["microphone"] = self._ears.opened
            self._ears.start()

    def _listening(self, frames: Callable[[], Iterator[Samples]], listener: Listener) -> Ears:
        return Ears(
            frames,
            listener,
            self._queue.put,
            self.clock,
            self.heart,
            lost=lambda why: self._part_lost("microphone", why),
            back=lambda: self.tell("microphone back"),
        )

    def _told_of(self, name: str, what: str) -> None:
        """Have noted what a source has to tell of its senders."""
        self.tell(f"{name}: {what}", aloud=False)

    def _part_lost(self, name: str, why: str) -> None:
        """Say that a part was lost; before the start is over it is told with what else is missing."""
        self.tell(f"{name}: {why}", aloud=False)
        if self.ready.is_set():
            self.tell(f"{name} lost")
        else:
            self._failed.add(name)

    def _keep_house(self) -> None:
        """Put the recording on the disk now and then, and keep room on it; in the disk's thread."""
        if self._writer is not None:
            self._writer.look_after()
        now = self.clock.now()
        if now - self._synced >= SYNC_EVERY:
            self._synced = now
            self._sync()
            if now - self._room_seen >= ROOM_EVERY or (self.trip and self.trip.refused):
                self._room_seen = now
                self._keep_room()

    def _forget_sound(self) -> None:
        days = self._settings.recordings.sound_days
        if days:
            self._shelf.forget_sound(self._wall() - timedelta(days=days))

    def _keep_room(self) -> None:
        trip = self.trip
        recording = None if trip is None else trip.recording
        short = self._shelf.make_room(None if recording is None else recording.folder)
        if trip is not None:
            trip.recording_paused = short > 0
        if short > 0:
            self._once("low disk, not recording")

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
        self._guarded(partial(self._look, trip.engine))
        self.heart.beat("engine")
        if now - rhythm.passed >= TIME_PASSES:
            rhythm.passed = now
            trip.remark(t, None)
            self._check_clock(trip)
        self._disk.check()
        if not self.ready.is_set():
            self._see_whether_ready(now - rhythm.began)
        if rhythm.feed_every is not None and now - rhythm.fed >= rhythm.feed_every / 2:
            rhythm.fed = now
            self._feed_watchdog()

    def _take_next(self, trip: LiveTrip) -> float | None:
        """Take what has come next, and return when that was, s of the clock; None when nothing came."""
        try:
            item = self._queue.get(timeout=BEAT)
        except queue.Empty:
            return None
        if isinstance(item, Uttered):
            trip.utterance(item)
        else:
            trip.chunk(item)
        return item.t

    def _take_remarks(self, trip: LiveTrip, t: float) -> None:
        while self._remarks:
            text, aloud = self._remarks.popleft()
            trip.remark(t, text, aloud=aloud)

    def _see_whether_ready(self, waited: float) -> None:
        missing = [name for name, opened in self._waited_for.items() if not opened.is_set()]
        patience = FAILED_AFTER if self._failed.issuperset(missing) else READY_WITHIN
        if missing and waited < patience:
            return
        self.ready.set()
        missing += [name for name in self._parts.missing if name not in missing]
        self.tell("ready" if not missing else "ready, no " + ", no ".join(missing))

    def _check_clock(self, trip: LiveTrip) -> None:
        """Say once that the computer's clock is wrong, as soon as the GPS tells it."""
        utc = trip.engine.utc
        if utc is not None and abs(utc - self._wall()) > CLOCK_WRONG:
            self._once("clock is wrong, GPS time is used")

    def _feed_watchdog(self) -> None:
        stuck = self.heart.stuck()
        if stuck:
            self._once(f"{', '.join(stuck)} stuck")
        else:
            tell_manager("WATCHDOG=1")

    def _end(self, trip: LiveTrip) -> None:
        """End in order: the parts first, then what they had brought, then the trip."""
        for reader in self._readers:
            reader.stop()
        if self._ears is not None:
            self._ears.stop()
        self._stop.set()
        self._drain(trip)
        for thread in (*self._readers, self._ears):
            if thread is not None:
                thread.join(1.0)
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
                take = trip.utterance if isinstance(item, Uttered) else trip.chunk
                self._guarded(partial(take, item))  # type: ignore[arg-type]


def _oldest(like: datetime) -> datetime:
    """Return the beginning of the earliest day this program can run on: a clock before it is not set."""
    return datetime(OLDEST_LIVE.year, OLDEST_LIVE.month, OLDEST_LIVE.day, tzinfo=like.tzinfo)
