"""The microphone: arecord as a subprocess, and what of its endless sound is loud."""

from __future__ import annotations

import os
import select
import shutil
import subprocess
from collections.abc import Generator, Iterator

import numpy as np

from companion.voice.sound import (
    SAMPLE_RATE_HZ,
    SOUND_FRAME_SAMPLES,
    Samples,
    level,
    speech_band_level,
)

PRE_ROLL = 0.8
"""Sound kept from before an utterance begins, s: without its first tenth a command is
not understood, and from half of this the noise is learned before the words come."""
LOUD_FRAMES = 3
"""Frames, of the last five, that have to be loud before an utterance begins."""
UTTERANCE_PAUSE_S = 0.7
"""Quiet that ends an utterance, s."""
LOUD_RATIO = 2.5
"""How many times the level of the noise counts as loud (8 dB)."""
QUIETEST_LEVEL, QUIETEST_BAND_LEVEL = 60.0, 25.0
"""Levels, of all of the sound and of speech's band, below which nothing counts as loud,
of 32768: the hiss of a good card."""
NOISE_RISE, NOISE_RISE_IN_SPEECH = 1.015, 1.002
"""How fast the estimate of the noise follows a rising level, a frame; it falls at once.
While it is loud it follows slowly, so that a word does not become noise, but an engine
that was started does."""

WAITING_SOUND_BYTES = 1 << 20
"""The sound that may wait while whoever hears it is busy: 32 s, the most that Linux
grants everybody. A small board that listens to talk for longer than it takes would lose
what does not fit, whatever it is, after 2 s with the usual pipe."""
MICROPHONE_SILENT_S = 3.0
"""How long a microphone may give no data at all before it counts as hanging, s."""


class MicrophoneError(Exception):
    """The microphone cannot be used; the message says which, and what to do."""


class NoiseFloor:
    """Follows the level of the noise, and tells what is well above it.

    Args:
        quietest: the level below which nothing is loud, of 32768.
    """

    def __init__(self, quietest: float) -> None:
        self._quietest = quietest
        self.noise = 0.0

    def is_loud(self, here: float) -> bool:
        """Take the level of the next frame; tell whether it is well above the noise."""
        noise = self.noise or here
        loud = here > max(LOUD_RATIO * noise, self._quietest)
        self.noise = min(here, noise * (NOISE_RISE_IN_SPEECH if loud else NOISE_RISE))
        return loud


class Loudness:
    """Tells loud frames from the noise, whose level it follows.

    A frame is loud by its whole sound or by the band of speech alone. Beneath a
    trolling motor's hum, which lies lower, speech 5 dB above the noise hardly raises
    the level: by the whole sound alone one such command in four began too late to be
    understood, and in speech's band none does.
    """

    def __init__(self) -> None:
        self._whole = NoiseFloor(QUIETEST_LEVEL)
        self._band = NoiseFloor(QUIETEST_BAND_LEVEL)

    @property
    def noise(self) -> float:
        """The level of the noise, of 32768."""
        return self._whole.noise

    def is_loud(self, frame: Samples) -> bool:
        """Take the next frame; tell whether it is well above the noise."""
        whole = self._whole.is_loud(max(level(frame), 1.0))
        band = self._band.is_loud(max(speech_band_level(frame), 1.0))
        return whole or band


def microphone_frames(device: str) -> Generator[Samples, None, None]:
    """Yield frames from a microphone, as `arecord -L` names it, until it fails or the iterator is closed.

    Raises:
        MicrophoneError: arecord is not installed, ended, or gives nothing.
    """
    if shutil.which("arecord") is None:
        raise MicrophoneError("arecord: not installed; run hardware/install.sh")
    command = [
        "arecord",
        "--quiet",
        "--device",
        device,
        "-t",
        "raw",
        "-f",
        "S16_LE",
        "-c",
        "1",
        "-r",
        str(SAMPLE_RATE_HZ),
    ]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
        pipesize=WAITING_SOUND_BYTES,
    ) as recorder:
        assert recorder.stdout is not None
        assert recorder.stderr is not None
        # It tells of every overrun: not read, that would fill the pipe and stop it.
        os.set_blocking(recorder.stderr.fileno(), False)
        told = b""
        try:
            for data in _pieces(recorder.stdout.fileno()):
                told = (told + (recorder.stderr.read(4096) or b""))[-4096:]
                yield np.frombuffer(data, dtype="<i2")
            recorder.kill()
            recorder.wait()
            told += recorder.stderr.read() or b""
        finally:
            recorder.kill()
    last = told.decode(errors="replace").strip().splitlines()[-1:]
    why = last[0] if last else "the sound ended"
    raise MicrophoneError(
        f"microphone {device}: {why}; `arecord -L` lists the names to choose from"
    )


def _pieces(pipe: int) -> Iterator[bytes]:
    """Yield the bytes of each frame until the sound ends or stays away for `MICROPHONE_SILENT_S`."""
    rest = b""
    while select.select([pipe], [], [], MICROPHONE_SILENT_S)[0] and (
        data := os.read(pipe, 16 * SOUND_FRAME_SAMPLES)
    ):
        rest += data
        while len(rest) >= 2 * SOUND_FRAME_SAMPLES:
            yield rest[: 2 * SOUND_FRAME_SAMPLES]
            rest = rest[2 * SOUND_FRAME_SAMPLES :]
