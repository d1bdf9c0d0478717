"""The microphone's thread: utterances cut from its sound, recognised, and handed on with their samples."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np

from companion.clock import Clock
from companion.health.heart import BeatingStop, Heart
from companion.voice.heard import Hearing
from companion.voice.listening import Listened, Listener
from companion.voice.microphone import MicrophoneError, Segmenter, Spoken
from companion.voice.recogniser import LONGEST
from companion.voice.sound import FRAMES_A_SECOND, Samples

PART = "microphone"
RETRY = 2.0
"""Pause before a microphone that failed is tried again, s."""
DEAD_AFTER = 10.0
"""A microphone that gives nothing but exact zeros for this long is not connected, s."""
PATIENCE = 5.0
"""How long the words of an utterance are waited for, s; a small board needs a tenth of it."""
ROOM_RINGS = 0.3
"""How long the companion's own voice is heard after it has ended, s."""
HELD_AFTER = 0.3
"""Sound kept from after the button was let go, s."""


class Uttered(NamedTuple):
    """An utterance: when it ended, s of the clock, its sound, and what gives its words when made out."""

    t: float
    samples: Samples
    words: Callable[[], str | Hearing]


class Button:
    """A push-to-talk button: what is said while it is held, and nothing else, is an utterance.

    Args:
        held: tells whether it is being held.
    """

    def __init__(self, held: Callable[[], bool]) -> None:
        self._held = held
        self._frames: list[Samples] = []
        self._after = 0
        self._count = 0

    def take(self, frame: Samples) -> Spoken | None:
        """Take a frame; return the utterance that ends with it."""
        self._count += 1
        if self._held():
            self._after = round(HELD_AFTER * FRAMES_A_SECOND)
        elif not self._frames:
            return None
        self._frames.append(frame)
        self._after -= not self._held()
        if self._after > 0 and len(self._frames) < LONGEST * FRAMES_A_SECOND:
            return None
        frames, self._frames = self._frames, []
        ended = self._count / FRAMES_A_SECOND
        return Spoken(ended - len(frames) / FRAMES_A_SECOND, ended, np.concatenate(frames))


class Ears(threading.Thread):
    """Listens until stopped; a microphone that fails, or gives no sound, is opened again.

    Args:
        frames: opens the microphone and yields its frames; closing the iterator closes it.
        hear: makes out the words of an utterance.
        put: takes each utterance.
        own_voice: tells whether the companion itself spoke between two instants, s of the clock.
        lost: told once why the microphone is not there.
        back: told when it is there again.
        held: whether a push-to-talk button is held; None when there is none.
        listener: makes what listens and decides as the sound comes, instead of `hear` afterwards.
    """

    def __init__(
        self,
        frames: Callable[[], Iterator[Samples]],
        hear: Callable[[Samples], str | Hearing],
        put: Callable[[Uttered], None],
        clock: Clock,
        heart: Heart,
        *,
        own_voice: Callable[[float, float], bool] = lambda _began, _ended: False,
        lost: Callable[[str], None] = lambda _: None,
        back: Callable[[], None] = lambda: None,
        held: Callable[[], bool] | None = None,
        listener: Callable[[], Listener] | None = None,
        retry: float = RETRY,
    ) -> None:
        super().__init__(name=PART, daemon=True)
        self.opened = threading.Event()
        self._frames = frames
        self._hear = hear
        self._put = put
        self._clock = clock
        self._heart = heart
        self._own_voice = own_voice
        self._lost = lost
        self._back = back
        self._held = held
        self._listener = listener
        self._retry = retry
        self._stop_wanted = BeatingStop(heart, PART)
        self._is_lost = False
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="hearing")

    def run(self) -> None:
        """Listen until stopped."""
        while not self._stop_wanted.is_set():
            try:
                self._listen()
            except (MicrophoneError, OSError) as error:
                self._went_away(str(error))
            self._stop_wanted.wait(self._retry)
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._heart.forget(PART)

    def stop(self) -> None:
        """Ask the thread to stop; it does with the next frame."""
        self._stop_wanted.set()

    def _listen(self) -> None:
        cutter = self._cutter()
        nothing = 0
        frames = self._frames()
        try:
            for frame in frames:
                if self._stop_wanted.is_set():
                    return
                nothing = 0 if frame.any() else nothing + 1
                if nothing > DEAD_AFTER * FRAMES_A_SECOND:
                    raise MicrophoneError("no sound but exact silence; check its plug")
                if nothing == 0:
                    self._came_back()
                self._take(cutter.take(frame))
        finally:
            close = getattr(frames, "close", None)
            if close is not None:
                close()

    def _cutter(self) -> Segmenter | Button | Listener:
        if self._listener is not None:
            return self._listener()
        return Segmenter() if self._held is None else Button(self._held)

    def _take(self, spoken: Spoken | Listened | None) -> None:
        if spoken is None:
            return
        now = self._clock.now()
        if isinstance(spoken, Listened):
            hearing = spoken.hearing
            self._put(Uttered(now, spoken.samples, lambda: hearing))
            return
        if self._held is None and self._own_voice(now - (spoken.ended - spoken.began), now):
            return
        future = self._pool.submit(self._hear, spoken.samples)
        self._put(Uttered(now, spoken.samples, lambda: future.result(PATIENCE)))

    def _came_back(self) -> None:
        self.opened.set()
        if self._is_lost:
            self._is_lost = False
            self._back()

    def _went_away(self, why: str) -> None:
        if not self._is_lost:
            self._is_lost = True
            self._lost(why)
