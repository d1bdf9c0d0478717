"""Announcements as speech: espeak-ng makes the sound, aplay plays it, and nobody waits for either.

What matters more is spoken first, a newer line takes the place of an older one about
the same, and a line is dropped when it has become stale before its first word. A bite
is answered by a tone.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Callable
from math import gcd
from types import TracebackType
from typing import NamedTuple, Self

import numpy as np

from companion.clock import Clock, LiveClock
from companion.config import VoiceSettings
from companion.events import AnyEvent, Logged, Said
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, from_wav, to_wav
from companion.voice.tones import tone

STALE_AFTER_S = {
    "answer": 4.0,
    "unclear": 2.0,
    "outlook": 2.5,
    "match": 2.0,
    "depth": 3.0,
    "notice": 10.0,
}
"""How long a line may wait, s, by what it is about, the most urgent first: later it may be wrong."""
URGENCY_RANK = {about: place for place, about in enumerate(STALE_AFTER_S)}
MOST_WAITING_LINES = 4
"""How many lines may wait; the least urgent and oldest goes when another comes."""
PLAYER_HANGING_S = 8.0
"""How long the sound of one line may take before the player counts as hanging, s."""
DEVICE_LATENCY_S = 0.2
"""How long a sound device goes on after the player has ended, s."""
FREE_AFTER = 0.5
"""How long nobody must have spoken before it volunteers anything, s."""
FLOOR_LOOK_S = 0.05
"""How often a line that has to wait for somebody to end looks whether it may begin, s."""
ANSWERING_TONES = {"bite": "bite"}
"""What is logged that a tone answers instead of words."""


class SpeakerError(Exception):
    """There is nothing to speak with; the message says what to install."""


class Manner(NamedTuple):
    """The manner of speech: espeak-ng's voice, words a minute, and volume from 0 to 1.

    `tone_when_unclear` tells that a tone, in place of words, answers what was not
    understood.
    """

    voice: str = "en"
    rate: int = 205
    volume: float = 1.0
    tone_when_unclear: bool = True


def manner_of(voice: VoiceSettings) -> Manner:
    """Return how it speaks by the owner's settings."""
    return Manner(
        voice.language, voice.rate, voice.volume, voice.not_understood == "tone"
    )


class SpokenLine(NamedTuple):
    """A line that waits: when it was asked for (s of the clock), its text or tone, and what it is about."""

    asked: float
    text: str
    about: str = "answer"
    tone: str | None = None


class Speaker:
    """Speaks lines one after the other in a thread of its own.

    Args:
        device: the sound card's name, as `aplay -L` lists it.
        aloud: False makes no sound at all.
        manner: voice, rate and volume.
        clock: tells how long a line has waited.
        trouble: called from the speaking thread, once for each kind of failure, with a
            line that says it.

    Attributes:
        line: the sound of the line that is played, or was last, at `SAMPLE_RATE_HZ`;
            None before the first.

    Raises:
        SpeakerError: `aloud`, and espeak-ng or aplay is not installed.
    """

    def __init__(
        self,
        device: str = "default",
        *,
        aloud: bool = True,
        manner: Manner | None = None,
        clock: Clock | None = None,
        trouble: Callable[[str], None] = lambda _: None,
    ) -> None:
        missing = [
            name
            for name in ("espeak-ng", "aplay")
            if aloud and shutil.which(name) is None
        ]
        if missing:
            raise SpeakerError(
                f"{' and '.join(missing)}: not installed; run hardware/install.sh"
            )
        self._device = device
        self._manner = manner or Manner()
        self._clock = clock or LiveClock()
        self._trouble = trouble
        self._told: set[str] = set()
        self.line: Samples | None = None
        self._since: float | None = None
        self._last = (float("-inf"), float("-inf"))
        self._logged: str | None = None
        self._lines: list[SpokenLine] = []
        self._changed = threading.Condition()
        self._closed = False
        self._open = False
        self._free_since = float("-inf")
        self._player: subprocess.Popen[bytes] | None = None
        self._hushed = False
        self._thread = (
            threading.Thread(target=self._speak_all, name="speaker", daemon=True)
            if aloud
            else None
        )
        if self._thread is not None:
            self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: object,
        _trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def speaking(self) -> bool:
        """Return whether sound is being played, or still comes out of the device."""
        return (
            self._since is not None
            or self._clock.now() < self._last[1] + DEVICE_LATENCY_S
        )

    def speak_event(self, event: AnyEvent) -> None:
        """Say what an event says, as a tone where one means the same; other events say nothing."""
        if isinstance(event, Logged):
            self._logged = event.what
        elif isinstance(event, Said):
            named = (
                ANSWERING_TONES.get(self._logged or "")
                if event.about == "answer"
                else None
            )
            if event.about == "unclear" and self._manner.tone_when_unclear:
                named = "unclear"
            self._logged = None
            self.say(event.text, event.about, named)

    def say(self, text: str, about: str = "answer", named: str | None = None) -> None:
        """Speak a line as soon as the more urgent ones are done; returns at once.

        A line about the same that still waits gives way to it. `named` is a tone to be
        played instead.
        """
        if self._thread is None:
            return
        with self._changed:
            waiting = [
                line for line in self._lines if line.about != about or about == "answer"
            ]
            waiting.append(SpokenLine(self._clock.now(), text, about, named))
            waiting.sort(key=_urgency)
            self._lines = _crowded_out(waiting)
            self._changed.notify()

    def yield_floor(self, is_open: bool) -> None:
        """Take it that somebody begins to speak, or has ended: until then no line begins.

        What nobody asked for waits half a second longer. A line that has become stale
        meanwhile is dropped.
        """
        with self._changed:
            self._open = is_open
            self._free_since = self._clock.now()
            self._changed.notify()

    def hush(self) -> None:
        """Stop speaking at once, and drop what waits."""
        with self._changed:
            self._lines, self._hushed = [], True
            player = self._player  # which may end, and be forgotten, just now
            if player is not None:
                player.kill()

    def close(self) -> None:
        """Let what is being said, and what waits, come to its end, and be silent."""
        if self._thread is not None:
            with self._changed:
                self._closed = True
                self._changed.notify()
            self._thread.join(PLAYER_HANGING_S + 1.0)

    def _speak_all(self) -> None:
        while (line := self._next()) is not None:
            sound = self._sound(line)
            if sound is None or self._stale(line) or self._put_back(line):
                continue
            self.line = samples_of(sound)
            since = self._since = self._clock.now()
            self._play(sound)
            self._last = (since, self._clock.now())
            self._since = None

    def _next(self) -> SpokenLine | None:
        """Wait for a line that is not stale; None when the speaker is closed and nothing waits."""
        with self._changed:
            while True:
                self._lines = [line for line in self._lines if not self._stale(line)]
                may_begin = next(filter(self._may_begin, self._lines), None)
                if may_begin is not None:
                    self._lines.remove(may_begin)
                    self._hushed = False
                    return may_begin
                if self._closed and not self._lines:
                    return None
                self._changed.wait(FLOOR_LOOK_S if self._lines else None)

    def _may_begin(self, line: SpokenLine) -> bool:
        waits = 0.0 if line.about == "answer" else FREE_AFTER
        return not self._open and self._clock.now() - self._free_since >= waits

    def _put_back(self, line: SpokenLine) -> bool:
        """Let a line wait again while somebody has begun to speak; tell whether it has to."""
        with self._changed:
            if not self._may_begin(line):
                self._lines = sorted([line, *self._lines], key=_urgency)
                return True
        return False

    def _stale(self, line: SpokenLine) -> bool:
        return self._clock.now() - line.asked > STALE_AFTER_S.get(
            line.about, min(STALE_AFTER_S.values())
        )

    def _sound(self, line: SpokenLine) -> bytes | None:
        """Return the sound of a line; None when it cannot be made."""
        if line.tone is not None:
            return tone(line.tone, self._manner.volume)
        manner = self._manner
        command = [
            "espeak-ng",
            "--stdin",
            "--stdout",
            "-v",
            manner.voice,
            "-s",
            str(manner.rate),
        ]
        command += ["-a", str(round(100 * manner.volume))]
        made = self._run(command, line.text.encode())
        return None if made is None else trimmed(made)

    def _play(self, sound: bytes) -> None:
        self._run(["aplay", "--quiet", "--device", self._device], sound)

    def _run(self, command: list[str], given: bytes) -> bytes | None:
        """Run a program; one that fails or hangs is told of, and left. One that was hushed is not told of."""
        try:
            with subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            ) as program:
                self._player = program
                if self._hushed:  # while the program began
                    program.kill()
                try:
                    made, errors = program.communicate(given, timeout=PLAYER_HANGING_S)
                except subprocess.TimeoutExpired:
                    program.kill()
                    self._tell_once(
                        f"{command[0]}: took longer than {PLAYER_HANGING_S:.0f} s and was stopped"
                    )
                    return None
                finally:
                    self._player = None
        except OSError as error:
            self._tell_once(f"{error}; run hardware/install.sh")
            return None
        if program.returncode > 0:
            last = errors.decode(errors="replace").strip().splitlines()[-1:]
            self._tell_once(
                f"{command[0]}: {last[0] if last else 'failed'}; check the speaker in the config"
            )
        return made if program.returncode == 0 else None

    def _tell_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._trouble(text)


def _urgency(line: SpokenLine) -> int:
    return URGENCY_RANK.get(line.about, len(URGENCY_RANK))


def _crowded_out(lines: list[SpokenLine]) -> list[SpokenLine]:
    """Return at most `MOST_WAITING_LINES` of the lines: the oldest of the least urgent goes."""
    while len(lines) > MOST_WAITING_LINES:
        least = lines[-1].about
        lines.remove(next(line for line in lines if line.about == least))
    return lines


def trimmed(sound: bytes) -> bytes:
    """Return a WAV file without the silence at its ends; anything else as it is."""
    samples, rate = from_wav(sound)
    loud = np.flatnonzero(np.abs(samples.astype(np.int32)) > 100)
    return to_wav(samples[loud[0] : loud[-1] + 1], rate) if len(loud) else sound


def samples_of(sound: bytes) -> Samples:
    """Return a WAV file's sound at `SAMPLE_RATE_HZ`; none of what is no mono file of 16 bits.

    The rate is changed in the Fourier transform: a line is short, and nothing more than
    numpy has to be loaded for it.
    """
    samples, rate = from_wav(sound)
    common = gcd(rate, SAMPLE_RATE_HZ)
    whole = np.pad(samples, (0, -len(samples) % (rate // common)))
    size = len(whole) * SAMPLE_RATE_HZ // rate
    if not size:
        return samples
    tones = np.fft.rfft(whole)[: size // 2 + 1]
    changed = np.fft.irfft(tones, size) * (size / len(whole))
    return np.clip(np.rint(changed), -32768, 32767).astype(np.int16)
