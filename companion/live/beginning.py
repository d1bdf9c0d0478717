"""How a live trip begins: the one that was cut off is gone on with, or a new one is begun."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path

from companion.clock import Clock
from companion.config import Settings
from companion.live.devices import Tell
from companion.live.disk import Job
from companion.live.keeping import Keeper
from companion.live.trip import (
    LiveTrip,
    RebuildError,
    Rebuilt,
    Stamps,
    may_go_on,
    tried,
    words_heard,
)
from companion.record import beforehand
from companion.record.logbook import TripEntry
from companion.record.recording import Recording, RecordingShelf
from companion.record.tables import LogbookError
from companion.sensing import OLDEST_LIVE
from companion.trip import wording
from companion.trip.assembly import assemble_trip
from companion.trip.keep import Emit, Keep, KeepNothing, Known
from companion.voice.grammar import Grammar, aboard
from companion.voice.heard import Hearing
from companion.voice.own_voice import shift_in_force

_LOG = logging.getLogger(__name__)


class Beginning:
    """Begins a trip.

    Args:
        settings: the boat.
        config: the text those settings were read from; it is kept with the recording.
        shelf: holds the recordings.
        keeper: the logbook; None when there is none.
        emit: takes the trip's events.
        put: has done, in order and soon, what waits for the disk.
        tell: told, in a few words, what happened.
        hear: makes out the words in the clips of a trip that was cut off.
    """

    def __init__(
        self,
        settings: Settings,
        config: str,
        shelf: RecordingShelf,
        keeper: Keeper | None,
        emit: Emit,
        put: Callable[[Job], None],
        tell: Tell,
        hear: Callable[[Path], str | Hearing] | None,
    ) -> None:
        self._settings = settings
        self._config = config
        self._shelf = shelf
        self._keeper = keeper
        self._emit = emit
        self._put = put
        self._tell = tell
        self._hear = hear
        self._grammar = Grammar(aboard(settings))
        self._voice = 0.0

    def begin(self, clock: Clock, wall: datetime) -> LiveTrip:
        """Return the trip: the one that was cut off, or a new one; `wall` is the computer's idea of UTC."""
        if wall.date() < OLDEST_LIVE:
            self._tell(wording.CLOCK_NOT_SET)
        self._voice = shift_in_force(
            self._settings.voice.microphone, partial(self._tell, aloud=False)
        )
        stamps = Stamps(clock, max(wall, _oldest(wall)))
        now = stamps.at(clock.now())
        trip = self._gone_on(stamps, now) or self._new(stamps, now)
        trip.begin(clock.now())
        return trip

    def _gone_on(self, stamps: Stamps, now: int) -> LiveTrip | None:
        """Go on with the last trip if it was cut off a short while ago; close the others that were."""
        keeper = self._keeper
        if keeper is None:
            return None
        cut_off = keeper.interrupted()
        if not cut_off:
            return None
        last = cut_off[-1]
        folder = self._shelf.folder_of(last.name)
        trip = None
        if may_go_on(folder, self._config, self._voice, now):
            try:
                with tried(folder):
                    trip = self._rebuilt(keeper, last, folder, stamps)
            except Exception as error:
                # Whatever it is, it must not come again at the next start.
                if not isinstance(error, RebuildError | LogbookError | OSError):
                    _LOG.exception("the trip that was cut off could not be rebuilt")
                self._tell(
                    wording.not_gone_on(str(error) or type(error).__name__), aloud=False
                )
        if trip is None:
            keeper.close_interrupted(cut_off)
            self._tell(wording.TRIP_WAS_CUT_OFF)
        else:
            keeper.close_interrupted(cut_off[:-1])
            self._tell(wording.TRIP_GOES_ON)
        return trip

    def _rebuilt(
        self, keeper: Keeper, last: TripEntry, folder: Path, stamps: Stamps
    ) -> LiveTrip | None:
        """Return the trip brought to where it was; None when its recording and the logbook disagree."""
        told = keeper.events_of(last)
        known = keeper.known_before(folder)
        rebuilt = Rebuilt(
            folder, self._settings, self._grammar, words_heard(told), self._hear, known
        )
        if rebuilt.events[: len(told)] != told:
            return None
        recording = Recording(folder)  # before anything is written: it may be refused
        keeper.resume(last)
        for event in rebuilt.events[len(told) :]:
            keeper.record(event, is_new=False)
        rebuilt.go_on(self._emit, keeper)
        return LiveTrip(
            rebuilt.engine,
            stamps,
            recording,
            self._tell,
            self._put,
            self.keeps_sound,
        )

    def _new(self, stamps: Stamps, now: int) -> LiveTrip:
        folder = self._shelf.new_folder(now)
        keep: Keep = self._keeper or KeepNothing()
        known = Known() if self._keeper is None else self._keeper.known(folder)
        known = known._replace(voice=self._voice)
        # The engine takes a second to make; a trip that is in the logbook should also
        # have begun.
        engine = assemble_trip(
            folder.name, self._settings, self._grammar, self._emit, keep, known
        )
        recording = None
        try:
            # First, so that every recording with a line in it can be replayed, whenever
            # the power goes.
            beforehand.keep(folder, known.beliefs, known.areas, known.voice)
            recording = Recording(folder, self._config)
        except OSError as error:
            self._tell(wording.not_recording(error.strerror or str(error)))
        if self._keeper is not None:
            self._keeper.begin(folder.name)
        self._tell(wording.STARTING)
        return LiveTrip(
            engine, stamps, recording, self._tell, self._put, self.keeps_sound
        )

    def keeps_sound(self, hearing: Hearing) -> bool:
        """Return whether an utterance's sound is kept: when it was taken for a command, or all of it is."""
        if self._settings.recordings.keep_talk:
            return True
        return hearing.refused is None and self._grammar.parse(hearing.text) is not None


def _oldest(like: datetime) -> datetime:
    """Return the beginning of the earliest day this program can run on: a clock before it is not set."""
    return datetime(
        OLDEST_LIVE.year, OLDEST_LIVE.month, OLDEST_LIVE.day, tzinfo=like.tzinfo
    )
