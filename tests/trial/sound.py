"""The sound aboard: what reaches the microphone, and what comes out of the speaker, both timed.

A PulseAudio server of our own with two sinks that lead nowhere stands for the sound
cards. What the trial plays into "mic" is what the companion records: the noise of the
boat, the angler, others who talk, and the companion's own voice, as it comes out of
"ear", weaker and a little later.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np

from companion.voice.sound import SAMPLE_RATE_HZ

PROGRAMS = ("pulseaudio", "pacat", "parec", "pactl", "arecord", "aplay", "espeak-ng")
BLOCK = SAMPLE_RATE_HZ // 50
"""Samples that are mixed at a time: 20 ms."""
SOUNDING = 200.0
"""Level, of 32768, above which the speaker is heard."""
APART_S = 0.3
"""Quiet that ends a line, s: less is a pause between words."""
BUFFER_MS = 100
"""What the player holds ready, for a machine that stalls."""
SKIP_S = 0.12
"""How late the mixing may be before it skips what it is late by."""
OWN_VOICE = 0.16
"""How loud the speaker is at the microphone, of what it plays (-16 dB): it is a metre away."""


class NoSoundError(Exception):
    """There are no sound cards to be had here; the message says why."""


@contextmanager
def sound_cards(home: Path) -> Iterator[dict[str, str]]:
    """Run a sound server of our own; yield an environment in which "boatmic" and "boatear" are sound cards.

    Raises:
        NoSoundError: a program is missing, or the server does not run here.
    """
    missing = [name for name in PROGRAMS if not shutil.which(name)]
    if missing:
        raise NoSoundError(f"not installed: {', '.join(missing)}")
    home.mkdir(parents=True, exist_ok=True)
    address = home / "native"
    (home / "alsa.conf").write_text(
        "</usr/share/alsa/alsa.conf>\n"
        "pcm.boatmic { type pulse device mic.monitor }\npcm.boatear { type pulse device ear }\n"
    )
    environment = os.environ | {
        "XDG_RUNTIME_DIR": str(home),
        "PULSE_RUNTIME_PATH": str(home),
        "PULSE_STATE_PATH": str(home),
        "PULSE_SERVER": f"unix:{address}",
        "ALSA_CONFIG_PATH": str(home / "alsa.conf"),
    }
    command = [
        "pulseaudio",
        "-n",
        "--daemonize=no",
        "--use-pid-file=no",
        "--exit-idle-time=-1",
    ]
    command += ["--disable-shm=yes"]
    for module in (
        f"module-native-protocol-unix auth-anonymous=1 socket={address}",
        f"module-null-sink sink_name=mic rate={SAMPLE_RATE_HZ} channels=1",
        f"module-null-sink sink_name=ear rate={SAMPLE_RATE_HZ} channels=1",
    ):
        command += ["-L", module]
    with (home / "log").open("wb") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    try:
        while not address.exists() and server.poll() is None:
            time.sleep(0.05)
        if server.poll() is not None:
            raise NoSoundError(
                f"pulseaudio does not run here: {(home / 'log').read_text()[-300:]}"
            )
        yield environment
    finally:
        server.terminate()
        server.wait(10)


class Sounded(NamedTuple):
    """A stretch of sound from the speaker: when it began and ended, s of the monotonic clock."""

    began: float
    ended: float


class Ear(threading.Thread):
    """Hears the speaker: keeps when it sounded, and hands every block on."""

    def __init__(
        self, environment: dict[str, str], hand_on: Callable[[np.ndarray], None]
    ) -> None:
        super().__init__(name="ear")
        command = [
            "parec",
            "--device=ear.monitor",
            f"--rate={SAMPLE_RATE_HZ}",
            "--channels=1",
            "--format=s16le",
        ]
        self._recorder = subprocess.Popen(
            [*command, "--latency-msec=20"], stdout=subprocess.PIPE, env=environment
        )
        self._hand_on = hand_on
        self._began: float | None = None
        self._last = 0.0
        self.sounded: list[Sounded] = []

    def run(self) -> None:
        """Listen until the recorder ends."""
        assert self._recorder.stdout is not None
        while len(data := self._recorder.stdout.read(2 * BLOCK)) == 2 * BLOCK:
            block = np.frombuffer(data, "<i2")
            self._hand_on(block)
            now = time.monotonic()
            if np.sqrt(np.mean(block.astype(float) ** 2)) > SOUNDING:
                self._began = self._began or now - BLOCK / SAMPLE_RATE_HZ
                self._last = now
            elif self._began is not None and now - self._last > APART_S:
                self._end()
        self._end()

    def _end(self) -> None:
        if self._began is not None:
            self.sounded.append(Sounded(self._began, self._last))
        self._began = None

    def stop(self) -> None:
        """Stop listening."""
        self._recorder.terminate()
        self._recorder.wait(10)
        self.join(10)
        assert self._recorder.stdout is not None
        self._recorder.stdout.close()


def measured_delay(environment: dict[str, str], air: Air) -> float:
    """Return how long after its time a sound is at the microphone, s, as a recorder gets it.

    Raises:
        NoSoundError: none of ten came.
    """
    command = [
        "parec",
        "--device=mic.monitor",
        f"--rate={SAMPLE_RATE_HZ}",
        "--channels=1",
        "--format=s16le",
    ]
    with subprocess.Popen(
        [*command, "--latency-msec=20"], stdout=subprocess.PIPE, env=environment
    ) as recorder:
        assert recorder.stdout is not None
        try:
            recorder.stdout.read(SAMPLE_RATE_HZ)
            for _ in range(10):  # a stalled machine skips one now and then
                at = time.monotonic() + 0.3
                air.say(at, 20_000.0 * np.sin(np.arange(SAMPLE_RATE_HZ // 5) * 0.4))
                for _ in range(4 * SAMPLE_RATE_HZ // BLOCK):
                    if (
                        np.abs(
                            np.frombuffer(recorder.stdout.read(BLOCK), "<i2").astype(
                                int
                            )
                        ).max()
                        > 10_000
                    ):
                        return time.monotonic() - at
        finally:
            recorder.terminate()
    raise NoSoundError("nothing that is played reaches the microphone")


class Air(threading.Thread):
    """Mixes what reaches the microphone, in real time.

    Args:
        environment: where the sound cards are.
        noise: returns the next block of the noise, at a time, s of the monotonic clock.

    Attributes:
        skipped: how much was not played because the machine stalled, s.
    """

    def __init__(
        self, environment: dict[str, str], noise: Callable[[float], np.ndarray]
    ) -> None:
        super().__init__(name="air")
        command = [
            "pacat",
            "--playback",
            "--device=mic",
            f"--rate={SAMPLE_RATE_HZ}",
            "--channels=1",
            "--format=s16le",
        ]
        self._player = subprocess.Popen(
            [*command, f"--latency-msec={BUFFER_MS}"],
            stdin=subprocess.PIPE,
            env=environment,
        )
        # What waits in the pipe is heard late for ever after: there must be no room in
        # it.
        fcntl.fcntl(self._player.stdin, fcntl.F_SETPIPE_SZ, 4096)  # type: ignore[arg-type]
        self._noise = noise
        self._stop_wanted = threading.Event()
        self._lock = threading.Lock()
        self._waiting: list[tuple[int, np.ndarray]] = []
        self._own: deque[np.ndarray] = deque(maxlen=4)
        self._sample = 0
        self.playing = threading.Event()
        self.began = time.monotonic()
        self.skipped = 0.0

    def say(self, t: float, sound: np.ndarray) -> None:
        """Have a sound begin at a time, s of the monotonic clock."""
        self.playing.wait()
        with self._lock:
            self._waiting.append(
                (max(round((t - self.began) * SAMPLE_RATE_HZ), self._sample), sound)
            )

    def own_voice(self, block: np.ndarray) -> None:
        """Have what the speaker plays be heard."""
        self._own.append(block)

    def run(self) -> None:
        """Mix until stopped."""
        assert self._player.stdin is not None
        for _ in range(50):  # taken once the player plays
            self._player.stdin.write(bytes(2 * BLOCK))
            self._player.stdin.flush()
        time.sleep(0.3)
        self.began = time.monotonic()
        self.playing.set()
        while not self._stop_wanted.is_set():
            due = self.began + self._sample / SAMPLE_RATE_HZ
            late = time.monotonic() - due
            if late < 0.0:
                time.sleep(-late)
            # A stalled machine must not make the angler speak late for ever after.
            elif late > SKIP_S:
                self._sample += BLOCK * int(late * SAMPLE_RATE_HZ / BLOCK)
                self.skipped += late
                continue
            try:
                self._player.stdin.write(self._mixed(due).tobytes())
                self._player.stdin.flush()
            except BrokenPipeError:
                return
            self._sample += BLOCK

    def _mixed(self, t: float) -> np.ndarray:
        block = self._noise(t)
        if self._own:
            block = block + OWN_VOICE * self._own.popleft()
        with self._lock:
            for at, sound in self._waiting:
                first = max(at, self._sample)
                last = min(at + len(sound), self._sample + BLOCK)
                if first < last:
                    block[first - self._sample : last - self._sample] += sound[
                        first - at : last - at
                    ]
            self._waiting = [
                it for it in self._waiting if it[0] + len(it[1]) > self._sample + BLOCK
            ]
        return np.clip(np.rint(block), -32768, 32767).astype("<i2")

    def stop(self) -> None:
        """Fall silent."""
        self._stop_wanted.set()
        self.join(10)
        self._player.terminate()
        self._player.wait(10)
        assert self._player.stdin is not None
        self._player.stdin.close()
