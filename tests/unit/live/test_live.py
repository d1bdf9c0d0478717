"""The chores of the engine's thread: the watchdog, a wrong clock, and errors that are passed over."""

from __future__ import annotations

import errno
import logging
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from msgspec.structs import replace

from companion import config
from companion.health.heart import QUIET_FOR
from companion.live import beginning
from companion.live import live as of_live
from companion.live.beginning import Beginning
from companion.live.devices import Parts
from companion.live.keeping import LogbookWriter
from companion.live.live import (
    CLOCK_WRONG_BY,
    TAP_QUEUE_LENGTH,
    TIME_PASSES,
    Live,
    Places,
    _Rhythm,
)
from companion.sensing import Chunk
from companion.trip import wording
from companion.trip.assembly import RAISE_VARIABLE
from companion.voice.heard import Hearing
from tests.clocks import MovedClock

NOW = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)


class Aboard:
    """A companion that is not begun, its clock, and a trip that keeps what it is told."""

    def __init__(self, tmp_path) -> None:
        self.clock = MovedClock(100.0)
        text = config.example_text()
        self.shown: list[object] = []
        self.live = Live(
            config.parse(text),
            text,
            Parts(),
            Places(None, tmp_path),
            look=self.shown.append,
            clock=self.clock,
            wall=lambda: NOW,
        )
        self.remarks: list[tuple[float, str | None, bool]] = []
        self.taps: list[tuple[float, str]] = []
        self.trip = SimpleNamespace(
            engine=SimpleNamespace(utc=None, take_searches=list, take_solves=list),
            remark=lambda t, text, *, aloud=False: self.remarks.append(
                (t, text, aloud)
            ),
            tap=lambda t, words: self.taps.append((t, words)),
        )

    def turn(self, rhythm: _Rhythm) -> None:
        self.live._turn(self.trip, rhythm)

    def announced(self) -> list[str]:
        return [text for text, _ in self.live._remarks]


@pytest.fixture
def aboard(tmp_path, monkeypatch) -> Aboard:
    monkeypatch.setattr(of_live, "IDLE_WAIT_S", 0.0)
    return Aboard(tmp_path)


def told_manager(monkeypatch) -> list[tuple[str, ...]]:
    told: list[tuple[str, ...]] = []
    monkeypatch.setattr(of_live, "tell_manager", lambda *states: told.append(states))
    return told


def test_the_watchdog_is_fed_twice_as_often_as_it_wants(aboard, monkeypatch):
    told = told_manager(monkeypatch)
    monkeypatch.setattr(of_live, "watchdog_interval", lambda: 10.0)
    rhythm = _Rhythm(100.0)
    for t in (104.9, 105.0, 109.9, 110.0):
        aboard.clock.move_to(t)
        aboard.turn(rhythm)
    assert told == [("WATCHDOG=1",)] * 2


def test_without_a_watchdog_none_is_fed(aboard, monkeypatch):
    told = told_manager(monkeypatch)
    monkeypatch.setattr(of_live, "watchdog_interval", lambda: None)
    rhythm = _Rhythm(100.0)
    aboard.clock.move_to(999.0)
    aboard.turn(rhythm)
    assert told == []


def test_while_a_part_is_stuck_the_watchdog_starves_and_that_is_said_once(
    aboard, monkeypatch
):
    told = told_manager(monkeypatch)
    monkeypatch.setattr(of_live, "watchdog_interval", lambda: 10.0)
    rhythm = _Rhythm(100.0)
    aboard.live.heart.beat("sonar")
    for t in (100.1 + QUIET_FOR, 110.1 + QUIET_FOR):
        aboard.clock.move_to(t)
        aboard.turn(rhythm)
    assert told == []
    said = aboard.announced() + [text for _, text, _ in aboard.remarks if text]
    assert said.count(wording.parts_stuck(["sonar"])) == 1


def test_every_second_the_engine_is_told_that_time_has_passed(aboard):
    rhythm = _Rhythm(100.0)
    for t in (100.0 + TIME_PASSES - 0.01, 100.0 + TIME_PASSES, 101.5, 102.0):
        aboard.clock.move_to(t)
        aboard.turn(rhythm)
    passed = [t for t, text, _ in aboard.remarks if text is None]
    assert passed == [100.0 + TIME_PASSES, 102.0]
    assert len(aboard.shown) == 4


@pytest.mark.parametrize("off", [CLOCK_WRONG_BY, -CLOCK_WRONG_BY])
def test_a_wrong_clock_is_said_once_it_is_off_by_more_than_ten_minutes(aboard, off):
    aboard.live._check_clock(aboard.trip)
    aboard.trip.engine.utc = NOW + off
    aboard.live._check_clock(aboard.trip)
    assert aboard.announced() == []
    aboard.trip.engine.utc += off / 1000
    aboard.live._check_clock(aboard.trip)
    aboard.live._check_clock(aboard.trip)
    assert aboard.announced() == [wording.CLOCK_WRONG]
    assert timedelta(minutes=10) == CLOCK_WRONG_BY


def test_an_error_is_passed_over_logged_and_noted_once(aboard, monkeypatch, caplog):
    def fails() -> None:
        raise ValueError("x")

    with pytest.raises(ValueError, match="x"):
        aboard.live._guarded(fails)
    monkeypatch.delenv(RAISE_VARIABLE)
    with caplog.at_level(logging.ERROR):
        aboard.live._guarded(fails)
        aboard.live._guarded(fails)
    assert list(aboard.live._remarks) == [
        (wording.error_passed_over("ValueError"), False)
    ]
    assert len(caplog.records) == 1


def test_eight_taps_may_wait_and_all_are_taken(aboard):
    taken = [aboard.live.tapped(f"tap {n}") for n in range(TAP_QUEUE_LENGTH + 1)]
    assert taken == [True] * TAP_QUEUE_LENGTH + [False]
    aboard.turn(_Rhythm(100.0))
    assert [words for _, words in aboard.taps] == [
        f"tap {n}" for n in range(TAP_QUEUE_LENGTH)
    ]


def test_remarks_are_taken_in_their_order_aloud_or_not(aboard):
    aboard.live.announce("first")
    aboard.live.announce("second", aloud=False)
    aboard.turn(_Rhythm(100.0))
    assert aboard.remarks == [(100.0, "first", True), (100.0, "second", False)]


@pytest.mark.parametrize("keeps_all", [False, True])
def test_of_talk_the_sound_is_not_kept_unless_all_is(keeps_all):
    text = config.example_text()
    settings = replace(
        config.parse(text), recordings=config.Recordings(keep_talk=keeps_all)
    )
    trips = Beginning(settings, text, None, None, None, None, None, None)
    assert trips.keeps_sound(Hearing("log bite"))
    assert trips.keeps_sound(Hearing("nice weather")) is keeps_all
    assert trips.keeps_sound(Hearing("log bite", refused="why")) is keeps_all


def test_a_trip_whose_recording_is_refused_is_not_gone_on_with_in_the_logbook(
    tmp_path, monkeypatch
):
    def refuse(_folder):
        raise OSError(errno.EIO, "Input/output error")

    rebuilt = SimpleNamespace(events=[])
    monkeypatch.setattr(beginning, "Rebuilt", lambda *_: rebuilt)
    monkeypatch.setattr(beginning, "Recording", refuse)
    keeper = SimpleNamespace(events_of=lambda _: [], known_before=lambda _: None)
    text = config.example_text()
    trips = Beginning(config.parse(text), text, None, keeper, None, None, None, None)
    with pytest.raises(OSError, match="Input/output error"):
        trips._rebuilt(keeper, SimpleNamespace(name="cut off"), tmp_path, None)


def test_time_does_not_run_ahead_of_what_still_waits(aboard):
    taken: list[float] = []
    aboard.trip.chunk = lambda chunk: taken.append(chunk.t)
    for t in (50.0, 60.0):
        aboard.live._queue.put(Chunk(t, "sonar", b"x"))
    rhythm = _Rhythm(100.0)
    aboard.live.announce("while another waits")
    aboard.turn(rhythm)
    aboard.live.announce("when none does")
    aboard.turn(rhythm)
    assert taken == [50.0, 60.0]
    assert (50.0, "while another waits", True) in aboard.remarks
    assert (100.0, "when none does", True) in aboard.remarks


def test_sound_is_forgotten_after_the_days_that_were_set_and_little_room_told_once(
    tmp_path,
):
    text = config.example_text()
    settings = replace(config.parse(text), recordings=config.Recordings(sound_days=30))
    live = Live(
        settings, text, Parts(), Places(None, tmp_path / "trips"), wall=lambda: NOW
    )
    forgotten: list[datetime] = []
    live._house._shelf.forget_sound = forgotten.append
    live._house.tidy()
    assert forgotten == [NOW - timedelta(days=30)]
    live._house._tell_once("said once")
    live._house._tell_once("said once")
    assert list(live._remarks) == [("said once", True)]


def test_beliefs_and_lakes_are_written_once(tmp_path):
    writer = LogbookWriter(tmp_path / "logbook.db", MovedClock(0.0), lambda _: None)
    believed: list[tuple[str, object]] = []
    trip = SimpleNamespace(
        is_due=False, believe=lambda lure, belief: believed.append((lure, belief))
    )
    writer.belief("one", 1)
    writer.belief("two", 2)
    writer.belief("one", 3)
    writer._write(trip)
    writer._write(trip)
    assert believed == [("one", 3), ("two", 2)]
