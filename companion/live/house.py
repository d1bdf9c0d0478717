"""Keeping house while a trip runs, in the disk's thread: recording, room on the disk, memory."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from companion.clock import Clock
from companion.live.memory import give_back
from companion.live.trip import LiveTrip
from companion.record.recording import RecordingShelf
from companion.trip import wording

SYNC_EVERY_S = 5.0
"""How often the recording is put on the disk when no event asks for it."""
ROOM_EVERY_S = 60.0
"""How often the room on the disk is looked at."""
MEMORY_EVERY_S = 10.0
"""How often freed memory is given back."""


class House:
    """Looks after the recording of a trip.

    Args:
        shelf: holds the recordings.
        sound_days: after how many days their sound is forgotten; 0 for never.
        wall: tells the computer's idea of UTC.
        tell_once: told, in a few words and once, when there is no room.

    Attributes:
        trip: whose recording it is; None before it has begun.
    """

    def __init__(
        self,
        shelf: RecordingShelf,
        sound_days: int,
        clock: Clock,
        wall: Callable[[], datetime],
        tell_once: Callable[[str], None],
    ) -> None:
        self.trip: LiveTrip | None = None
        self._shelf = shelf
        self._sound_days = sound_days
        self._clock = clock
        self._wall = wall
        self._tell_once = tell_once
        self._synced = self._room_seen = self._given_back = clock.now()

    def tidy(self) -> None:
        """Make room before a trip begins: old recordings and old sound go."""
        self._shelf.make_room()
        if self._sound_days:
            self._shelf.forget_sound(self._wall() - timedelta(days=self._sound_days))

    def sync(self) -> None:
        """Put the recording on the disk."""
        if self.trip is not None:
            self.trip.sync()

    def look_after(self) -> None:
        """Put the recording on the disk now and then, keep room on it, and give freed memory back."""
        now = self._clock.now()
        if now - self._given_back >= MEMORY_EVERY_S:
            self._given_back = now
            give_back()
        if now - self._synced >= SYNC_EVERY_S:
            self._synced = now
            self.sync()
            if now - self._room_seen >= ROOM_EVERY_S or (
                self.trip and self.trip.refused
            ):
                self._room_seen = now
                self._keep_room()

    def _keep_room(self) -> None:
        trip, present = self.trip, None
        if trip is not None and trip.recording is not None:
            present = trip.recording.folder
        short = self._shelf.make_room(present)
        if trip is not None:
            trip.recording_paused = short > 0
        if short > 0:
            self._tell_once(wording.DISK_LOW)
