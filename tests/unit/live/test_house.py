"""Keeping house: when the recording goes to the disk, and when room is made."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from companion.live.house import MEMORY_EVERY_S, ROOM_EVERY_S, SYNC_EVERY_S, House
from companion.trip import wording
from tests.clocks import MovedClock

NOW = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)


class Shelf:
    """A shelf that notes what is asked of it, and is short of so many bytes."""

    def __init__(self) -> None:
        self.short = 0
        self.rooms: list[Path | None] = []
        self.forgotten: list[datetime] = []

    def make_room(self, present: Path | None = None) -> int:
        self.rooms.append(present)
        return self.short

    def forget_sound(self, before: datetime) -> None:
        self.forgotten.append(before)


class Kept:
    """A house, and a trip whose recording notes when it was put on the disk."""

    def __init__(self, sound_days: int = 30) -> None:
        self.clock = MovedClock(7.0)
        self.shelf = Shelf()
        self.told: list[str] = []
        self.synced: list[float] = []
        self.house = House(
            self.shelf, sound_days, self.clock, lambda: NOW, self.told.append
        )
        self.trip = SimpleNamespace(
            sync=lambda: self.synced.append(self.clock.now() - 7.0),
            refused=False,
            recording=SimpleNamespace(folder=Path("now")),
            recording_paused=False,
        )

    def pass_time(self, seconds: float) -> None:
        """Let the seconds pass, looked after four times in each."""
        until = self.clock.now() + seconds
        while self.clock.now() < until:
            self.clock.move_to(self.clock.now() + 0.25)
            self.house.look_after()


@pytest.fixture
def kept() -> Kept:
    return Kept()


def test_old_sound_is_forgotten_before_a_trip_and_room_made(kept):
    kept.house.tidy()
    assert kept.shelf.rooms == [None]
    assert kept.shelf.forgotten == [NOW - timedelta(days=30)]


def test_no_days_keep_the_sound_for_ever():
    kept = Kept(sound_days=0)
    kept.house.tidy()
    assert kept.shelf.rooms == [None]
    assert kept.shelf.forgotten == []


def test_freed_memory_is_given_back_now_and_then(kept, monkeypatch):
    given: list[float] = []
    monkeypatch.setattr(
        "companion.live.house.give_back", lambda: given.append(kept.clock.now() - 7.0)
    )
    kept.pass_time(3.5 * MEMORY_EVERY_S)
    assert given == [MEMORY_EVERY_S, 2.0 * MEMORY_EVERY_S, 3.0 * MEMORY_EVERY_S]


def test_before_a_trip_there_is_nothing_to_put_on_the_disk(kept):
    kept.house.sync()
    kept.pass_time(ROOM_EVERY_S)
    assert kept.synced == []
    assert kept.shelf.rooms == [None]


def test_the_recording_goes_to_the_disk_every_five_seconds(kept):
    kept.house.trip = kept.trip
    kept.pass_time(3 * SYNC_EVERY_S)
    assert kept.synced == [SYNC_EVERY_S, 2 * SYNC_EVERY_S, 3 * SYNC_EVERY_S]


def test_room_is_looked_for_every_minute_beside_the_present_recording(kept):
    kept.house.trip = kept.trip
    kept.pass_time(ROOM_EVERY_S - 1.0)
    assert kept.shelf.rooms == []
    kept.pass_time(1.0)
    assert kept.shelf.rooms == [Path("now")]
    kept.pass_time(ROOM_EVERY_S)
    assert kept.shelf.rooms == [Path("now")] * 2
    assert not kept.trip.recording_paused
    assert kept.told == []


def test_a_disk_that_refuses_is_given_room_at_once(kept):
    kept.house.trip = kept.trip
    kept.trip.refused = True
    kept.pass_time(SYNC_EVERY_S)
    assert kept.shelf.rooms == [Path("now")]


def test_without_room_the_recording_pauses_is_told_of_and_goes_on_when_there_is(kept):
    kept.house.trip = kept.trip
    kept.shelf.short = 1
    kept.pass_time(ROOM_EVERY_S)
    assert kept.trip.recording_paused
    assert kept.told == [wording.DISK_LOW]
    kept.shelf.short = 0
    kept.pass_time(ROOM_EVERY_S)
    assert not kept.trip.recording_paused


def test_a_trip_that_is_not_recorded_still_makes_room(kept):
    kept.house.trip = kept.trip
    kept.trip.recording = None
    kept.pass_time(ROOM_EVERY_S)
    assert kept.shelf.rooms == [None]
