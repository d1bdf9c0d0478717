"""The microphone's thread: what is said, with the clock's time of its sound, handed on as it is decided."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from typing import NamedTuple

from companion.clock import Clock
from companion.health.heart import BeatingStop, Heart
from companion.voice.heard import Hearing
from companion.voice.listening import Listener
from companion.voice.microphone import MicrophoneError
from companion.voice.sound import FRAMES_A_SECOND, Samples

MICROPHONE_PART = "microphone"
RETRY_S = 2.0
"""Pause before a microphone that failed is tried again, s."""
DEAD_AFTER_S = 10.0
"""A microphone that gives nothing but exact zeros for this long is not connected, s."""
ANCHOR_BLOCK_S = 30.0
"""The promptest frame of this block and the one before it tells when a stream's samples
were taken, s: as long as sound may wait (`voice.microphone.WAITING_SOUND_BYTES`), so
that one was most likely prompt; a card's clock drifts by some 6 ms in both (1e-4)."""


class Uttered(NamedTuple):
    """An utterance.

    Attributes:
        t: when it was decided, s of the clock.
        began: when the first of its samples was taken, s of the clock.
        samples: its sound.
        hearing: what was heard in it.
    """

    t: float
    began: float
    samples: Samples
    hearing: Hearing


class StreamAnchor:
    """A clock for the samples of a stream, by their count.

    A frame can be late, when whoever takes it was busy, but never early: so the
    promptest frame of the last half to whole minute tells when the stream began. It
    follows a sound card whose second is not the clock's, and samples that were lost.
    """

    def __init__(self) -> None:
        self._before = self._now = math.inf
        self._frames = 0

    def accept_frame(self, t: float) -> None:
        """Note that the next frame has arrived at `t`, s of the clock."""
        self._frames += 1
        self._now = min(self._now, t - self._frames / FRAMES_A_SECOND)
        if self._frames % round(ANCHOR_BLOCK_S * FRAMES_A_SECOND) == 0:
            self._before, self._now = self._now, math.inf

    def behind(self, t: float) -> float:
        """Return how long before `t`, s of the clock, the last frame's sound was taken, s."""
        return t - self.time_of(self._frames / FRAMES_A_SECOND)

    def time_of(self, seconds: float) -> float:
        """Return the clock's time, s, of what was taken so many seconds after the stream began."""
        return min(self._before, self._now) + seconds


class Ears(threading.Thread):
    """Listens until stopped; a microphone that fails, or gives no sound, is opened again.

    Args:
        frames: opens the microphone and yields its frames; closing the iterator closes
            it.
        listener: listens, and decides as the sound comes.
        put: takes each utterance.
        lost: told once why the microphone is not there.
        back: told when it is there again.
    """

    def __init__(
        self,
        frames: Callable[[], Iterator[Samples]],
        listener: Listener,
        put: Callable[[Uttered], None],
        clock: Clock,
        heart: Heart,
        *,
        lost: Callable[[str], None] = lambda _: None,
        back: Callable[[], None] = lambda: None,
        retry: float | None = None,
    ) -> None:
        super().__init__(name=MICROPHONE_PART, daemon=True)
        self.opened = threading.Event()
        self._frames = frames
        self._listener = listener
        self._put = put
        self._clock = clock
        self._lost = lost
        self._back = back
        self._retry = RETRY_S if retry is None else retry
        self._heart = heart
        self._stop_wanted = BeatingStop(heart, MICROPHONE_PART)
        self._is_lost = False

    def run(self) -> None:
        """Listen until stopped."""
        while not self._stop_wanted.is_set():
            try:
                self._listen()
            except (MicrophoneError, OSError) as error:
                self._went_away(str(error))
            except Exception as error:
                # An error of the recogniser's own must not end the listening.
                self._went_away(f"listening failed ({type(error).__name__}: {error})")
            self._stop_wanted.wait(self._retry)
        self._heart.forget(MICROPHONE_PART)

    def stop(self) -> None:
        """Ask the thread to stop; it does with the next frame."""
        self._stop_wanted.set()

    def count_as_lost(self) -> None:
        """Have it told when the microphone is there, for it was named as missing."""
        self._is_lost = True

    def _listen(self) -> None:
        frames, anchor, nothing = self._frames(), StreamAnchor(), 0
        try:
            for frame in frames:
                if self._stop_wanted.is_set():
                    return
                anchor.accept_frame(self._clock.now())
                nothing = 0 if frame.any() else nothing + 1
                if nothing > DEAD_AFTER_S * FRAMES_A_SECOND:
                    raise MicrophoneError("no sound but exact silence; check its plug")
                if nothing == 0:
                    self._came_back()
                self._hear(frame, anchor)
        finally:
            self._listener.restart()
            close = getattr(frames, "close", None)
            if close is not None:
                close()

    def _hear(self, frame: Samples, anchor: StreamAnchor) -> None:
        self._listener.behind = anchor.behind(self._clock.now())
        heard = self._listener.accept_frame(frame)
        if heard is not None:
            began = anchor.time_of(heard.began)
            self._put(Uttered(self._clock.now(), began, heard.samples, heard.hearing))

    def _came_back(self) -> None:
        self.opened.set()
        if self._is_lost:
            self._is_lost = False
            self._back()

    def _went_away(self, why: str) -> None:
        if not self._is_lost:
            self._is_lost = True
            self._lost(why)
