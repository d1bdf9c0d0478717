"""Announcements as speech: espeak-ng makes the sound, aplay plays it, and nobody waits for either."""

from __future__ import annotations

import queue
import shutil
import subprocess
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from companion.clock import Clock, LiveClock

WORDS_A_MINUTE = 175
WAITING = 4
"""How many lines may wait; the oldest goes when another comes."""
STALE = 4.0
"""A line that has waited this long is not spoken any more, s: by then it may be wrong."""
HANGING = 8.0
"""How long the sound of one line may take before the player counts as hanging, s."""


class SpeakerError(Exception):
    """There is nothing to speak with; the message says what to install."""


class Speaker:
    """Speaks lines one after the other in a thread of its own.

    Args:
        device: the sound card's name, as `aplay -L` lists it.
        aloud: False makes no sound at all.
        clock: tells how long a line has waited.
        trouble: called from the speaking thread, once for each kind of failure, with a line that says it.

    Raises:
        SpeakerError: `aloud`, and espeak-ng or aplay is not installed.
    """

    def __init__(
        self,
        device: str = "default",
        *,
        aloud: bool = True,
        clock: Clock | None = None,
        trouble: Callable[[str], None] = lambda _: None,
    ) -> None:
        missing = [name for name in ("espeak-ng", "aplay") if aloud and shutil.which(name) is None]
        if missing:
            raise SpeakerError(f"{' and '.join(missing)}: not installed; run hardware/install.sh")
        self._device = device
        self._clock = clock or LiveClock()
        self._trouble = trouble
        self._told: set[str] = set()
        self._since: float | None = None
        self._last = (0.0, 0.0)
        self._lines: queue.Queue[tuple[float, str] | None] = queue.Queue(WAITING)
        self._thread = (
            threading.Thread(target=self._speak_all, name="speaker", daemon=True) if aloud else None
        )
        if self._thread is not None:
            self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None
    ) -> None:
        self.close()

    def say(self, text: str) -> None:
        """Speak a line as soon as those before it are done; returns at once."""
        if self._thread is not None:
            self._put((self._clock.now(), text))

    def spoke(self, began: float, ended: float) -> bool:
        """Tell whether a line was being spoken at any time between two instants, s of the clock."""
        since, (last_began, last_ended) = self._since, self._last
        if since is not None and since < ended:
            return True
        return last_began < ended and last_ended > began

    def close(self) -> None:
        """Let what is being said come to its end, and be silent."""
        if self._thread is not None:
            self._put(None)
            self._thread.join(HANGING + 1.0)

    def _put(self, line: tuple[float, str] | None) -> None:
        while True:
            try:
                self._lines.put_nowait(line)
            except queue.Full:
                self._drop_oldest()
            else:
                return

    def _drop_oldest(self) -> None:
        try:
            self._lines.get_nowait()
        except queue.Empty:
            return

    def _speak_all(self) -> None:
        while (line := self._lines.get()) is not None:
            asked, text = line
            if self._clock.now() - asked <= STALE:
                since = self._since = self._clock.now()
                self._speak(text)
                self._last = (since, self._clock.now())
                self._since = None

    def _speak(self, text: str) -> None:
        """Make the sound of a line and play it; a player that fails or hangs is told of, and left."""
        try:
            sound = subprocess.run(
                ["espeak-ng", "--stdin", "--stdout", "-s", str(WORDS_A_MINUTE)],
                input=text.encode(),
                capture_output=True,
                check=True,
                timeout=HANGING,
            ).stdout
            subprocess.run(
                ["aplay", "--quiet", "--device", self._device],
                input=sound,
                capture_output=True,
                check=True,
                timeout=HANGING,
            )
        except OSError as error:
            self._tell_once(f"{error}; run hardware/install.sh")
        except subprocess.TimeoutExpired as error:
            self._tell_once(f"{error.cmd[0]}: took longer than {HANGING:.0f} s and was stopped")
        except subprocess.CalledProcessError as error:
            last = error.stderr.decode(errors="replace").strip().splitlines()[-1:]
            self._tell_once(
                f"{error.cmd[0]}: {last[0] if last else 'failed'}; check the speaker in the config"
            )

    def _tell_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._trouble(text)
