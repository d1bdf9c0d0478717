"""The microphone's thread: a dead or failing microphone, what is told of it, and when words were spoken."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from companion.health.heart import Heart
from companion.live.ears import (
    ANCHOR_BLOCK_S,
    DEAD_AFTER_S,
    MICROPHONE_PART,
    RETRY_S,
    Ears,
    StreamAnchor,
    Uttered,
)
from companion.voice.heard import Hearing
from companion.voice.listening import Listened
from companion.voice.microphone import MicrophoneError
from companion.voice.sound import FRAMES_A_SECOND, SOUND_FRAME_SAMPLES, Samples
from tests.clocks import MovedClock

SOUND = np.full(SOUND_FRAME_SAMPLES, 7, np.int16)
SILENCE = np.zeros(SOUND_FRAME_SAMPLES, np.int16)
SECOND = FRAMES_A_SECOND


class Hears:
    """A listener that decides with the frame it is told to, and counts its restarts."""

    def __init__(self, decides_at: int = -1) -> None:
        self.frames = self.restarts = 0
        self._decides_at = decides_at

    def accept_frame(self, frame: Samples) -> Listened | None:
        self.frames += 1
        if self.frames != self._decides_at:
            return None
        return Listened(0.5, 1.0, frame, Hearing("log bite"), 7.0, 1.0)

    def restart(self) -> None:
        self.restarts += 1


class Boat:
    """Ears on microphones, each the frames it gives; a frame takes its time by the clock."""

    def __init__(self, *microphones: list[Samples] | Exception, listener=None) -> None:
        self.clock = MovedClock(50.0)
        self.heart = Heart(self.clock)
        self.told: list[str] = []
        self.uttered: list[Uttered] = []
        self.closed = 0
        self.pauses: list[float] = []
        self.listener = listener or Hears()
        self._microphones = list(microphones)
        self.ears = Ears(
            self._open,
            self.listener,
            self.uttered.append,
            self.clock,
            self.heart,
            lost=lambda why: self.told.append(f"lost: {why}"),
            back=lambda: self.told.append("back"),
        )
        self.ears._stop_wanted.wait = self._pause

    def _pause(self, timeout: float) -> bool:
        self.pauses.append(timeout)
        if not self._microphones:
            self.ears.stop()
        return False

    def _open(self) -> Iterator[Samples]:
        given = self._microphones.pop(0)
        if isinstance(given, Exception):
            raise given
        try:
            for n, frame in enumerate(given, 1):
                self.clock.move_to(50.0 + n / FRAMES_A_SECOND)
                yield frame
        finally:
            self.closed += 1

    def run(self) -> Boat:
        self.ears.run()
        return self


def test_a_microphone_of_exact_zeros_is_told_of_after_ten_seconds():
    patience = round(DEAD_AFTER_S * FRAMES_A_SECOND)
    alive = Boat([SILENCE] * patience).run()
    assert alive.told == []
    dead = Boat([SILENCE] * (patience + 1)).run()
    assert dead.told == ["lost: no sound but exact silence; check its plug"]
    assert not dead.ears.opened.is_set()


def test_one_sound_begins_the_ten_seconds_anew():
    nearly = [SILENCE] * round(DEAD_AFTER_S * FRAMES_A_SECOND)
    assert Boat([*nearly, SOUND, *nearly]).run().told == []


def test_what_fails_is_told_once_and_so_is_its_coming_back():
    boat = Boat(
        MicrophoneError("no device"),
        OSError("busy"),
        [SOUND] * 3,
        [SOUND],
        OSError("x"),
    ).run()
    assert boat.told == ["lost: no device", "back", "lost: x"]
    assert boat.ears.opened.is_set()
    assert boat.pauses == [RETRY_S] * 5


def test_an_error_of_the_recogniser_is_told_by_its_kind_and_the_listening_goes_on():
    boat = Boat(ValueError("no words"), [SOUND]).run()
    assert boat.told == ["lost: listening failed (ValueError: no words)", "back"]
    assert boat.listener.frames == 1


def test_each_stream_is_closed_and_what_was_heard_of_it_forgotten():
    boat = Boat([SOUND], [SOUND]).run()
    assert boat.closed == boat.listener.restarts == 2


def test_a_stop_ends_it_with_the_next_frame_and_nothing_is_expected_of_it_any_more():
    boat = Boat([SOUND] * 9)
    hear, frames = boat.listener.accept_frame, []

    def stopping(frame: Samples) -> None:
        frames.append(hear(frame))
        boat.ears.stop()

    boat.listener.accept_frame = stopping
    boat.run()
    assert len(frames) == 1
    boat.clock.move_to(9999.0)
    assert boat.heart.stuck() == []


def test_while_it_listens_it_beats():
    boat = Boat([SOUND])
    boat.listener.accept_frame = lambda _: boat.clock.move_to(9999.0)
    boat.heart.forget = lambda _: None
    boat.run()
    boat.clock.move_to(99999.0)
    assert boat.heart.stuck() == [MICROPHONE_PART]


def test_the_listener_is_told_how_long_sound_has_waited():
    anchor = StreamAnchor()
    for n in range(1, SECOND + 1):
        anchor.accept_frame(10.0 + n / FRAMES_A_SECOND)
    assert anchor.behind(11.0) == pytest.approx(0.0)
    assert anchor.behind(13.5) == pytest.approx(2.5)
    boat = Boat([SOUND] * SECOND)
    boat.run()
    assert boat.listener.behind == pytest.approx(0.0, abs=0.03)


def test_words_are_dated_by_their_samples_and_by_when_they_were_decided():
    boat = Boat([SOUND] * 2 * SECOND, listener=Hears(decides_at=SECOND)).run()
    (uttered,) = boat.uttered
    assert uttered.t == pytest.approx(51.0)
    assert uttered.began == pytest.approx(50.5)
    assert uttered.hearing.text == "log bite"
    assert uttered.samples is SOUND


@pytest.mark.parametrize("seconds", [3, 7, 12, 60])
def test_a_card_that_is_slower_than_the_clock_is_followed(seconds):
    anchor, late = StreamAnchor(), 1e-3
    for n in range(1, seconds * SECOND + 1):
        anchor.accept_frame(10.0 + n / FRAMES_A_SECOND * (1.0 + late))
    truth = 10.0 + seconds * (1.0 + late)
    assert anchor.time_of(seconds) == pytest.approx(
        truth, abs=2.02 * ANCHOR_BLOCK_S * late
    )
    assert anchor.time_of(seconds) <= truth + 1e-9


def test_talk_that_takes_longer_to_hear_than_it_lasts_does_not_date_it_later():
    """For 20 s of talk in each minute the listener falls behind, then it catches up."""
    anchor, behind = StreamAnchor(), 0.0
    for n in range(1, 180 * SECOND + 1):
        busier = 0.5 if n / SECOND % 60 < 20 else -1.5
        behind = max(behind + busier / FRAMES_A_SECOND, 0.0)
        anchor.accept_frame(10.0 + n / FRAMES_A_SECOND + behind)
        assert anchor.time_of(n / FRAMES_A_SECOND) == pytest.approx(
            10.0 + n / FRAMES_A_SECOND, abs=0.03
        )


def test_frames_that_came_late_do_not_date_it_later():
    anchor = StreamAnchor()
    for n in range(1, 4 * SECOND + 1):
        delay = 0.0 if n == 70 else 0.4
        anchor.accept_frame(10.0 + n / FRAMES_A_SECOND + delay)
    assert anchor.time_of(2.0) == pytest.approx(12.0)
