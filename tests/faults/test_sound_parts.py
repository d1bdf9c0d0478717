"""A microphone that dies, hangs or is not connected, a player that hangs; when words were spoken."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from companion.clock import LiveClock
from companion.events import Heard, Logged
from companion.health.heart import Heart
from companion.live.ears import Ears, StreamAnchor, Uttered
from companion.voice import microphone, speaker
from companion.voice.heard import Hearing
from companion.voice.listening import Listener
from companion.voice.microphone import (
    SOUND_FRAME_SAMPLES,
    MicrophoneError,
    microphone_frames,
)
from companion.voice.sound import FRAMES_A_SECOND, frames_of, level
from companion.voice.speaker import Speaker

BURST = "import sys,time,random\nr=random.Random(1)\nwhile 1:\n    for n in range(60):\n        "
BURST += 'a=9000 if 15<=n<25 else 20\n        b=b"".join(int(r.gauss(0,a)).to_bytes(2,"little",signed=True) '
BURST += "for _ in range(320))\n        sys.stdout.buffer.write(b); "
BURST += "sys.stdout.buffer.flush(); time.sleep(0.004)\n"


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Put a program of our own before the system's; it notes its process number."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")

    def write(name: str, script: str) -> Path:
        path = folder / name
        path.write_text(f"#!/bin/sh\necho $$ >> {folder}/{name}.pids\n{script}\n")
        path.chmod(0o755)
        return folder / f"{name}.pids"

    return write


def python(code: str, folder: Path) -> str:
    import sys

    script = folder / "burst.py"
    script.write_text(code)
    return f"exec {sys.executable} {script}"


def test_a_microphone_that_is_killed_comes_back_and_is_heard_again(
    launch, wire, tools, program, tmp_path
):
    pids = program("arecord", python(BURST, tmp_path))
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)),
        frames=lambda: microphone_frames("default"),
        listener=lambda complain: Listener(Hears("log bite"), complain=complain),
    )
    took = []
    for n in range(1, 4):
        before = sum(isinstance(e, Logged) for e in boat.events)
        boat.wait_for(
            lambda me, b=before: sum(isinstance(e, Logged) for e in me.events) > b
        )
        # On a busy machine it has been given up already.
        with contextlib.suppress(ProcessLookupError):
            os.kill(int(pids.read_text().split()[-1]), signal.SIGKILL)
        boat.wait_for(
            lambda me, n=n: (
                me.texts().count("microphone lost") >= 2 * n
                or not me.live.ready.is_set()
            )
        )
        took.append(boat.wait_for(lambda _, n=n: len(pids.read_text().split()) > n))
        boat.wait_for(lambda me, n=n: me.texts().count("microphone back") >= 2 * n)
    live = boat.stop()
    assert sum(isinstance(e, Heard) for e in live) >= 3
    print(f"\nstarted again after {', '.join(f'{s:.1f}' for s in took)} s")


def test_a_microphone_that_hangs_is_given_up(program, monkeypatch):
    program("arecord", "head -c 3200 /dev/urandom; exec sleep 600")
    monkeypatch.setattr(microphone, "MICROPHONE_SILENT_S", 0.3)
    frames = microphone_frames("default")
    began = time.monotonic()
    with pytest.raises(MicrophoneError, match="arecord -L"):
        list(frames)
    assert time.monotonic() - began < 300


class Hears:
    """Stands for a recogniser: makes out the same words in whatever was loud."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.phrases = self.beginnings = frozenset({text})

    def begin(self, *, amid_talk: bool = False) -> Hears:  # noqa: ARG002
        self.partial, self.wordless, self.still, self.still_lately = "", False, 0.0, 0.0
        self.begins_like_none = False
        return self

    def has_been_still(self, _seconds: float) -> bool:
        return False

    def accept_frame(self, _frame: np.ndarray) -> None:
        return None

    def finish(self) -> Hearing:
        if self.text == "fails":
            raise RuntimeError("an error of its own")
        return Hearing(self.text)


def listening(frames, text: str = "words"):
    clock = LiveClock()
    told: list[str] = []
    got: list[Uttered] = []
    ears = Ears(
        frames,
        Listener(Hears(text)),
        got.append,
        clock,
        Heart(clock),
        lost=lambda why: told.append(f"lost: {why}"),
        back=lambda: told.append("back"),
        retry=0.05,
    )
    ears.start()
    return ears, told, got


def wait(what) -> None:
    began = time.monotonic()
    while not what():
        assert time.monotonic() - began < 120
        time.sleep(0.01)


def noise(loud: bool) -> np.ndarray:
    return (
        np.random.default_rng()
        .normal(0, 5000 if loud else 10, SOUND_FRAME_SAMPLES)
        .astype(np.int16)
    )


def talk(words: int = 1):
    for _ in range(words):
        for n in range(90):
            yield noise(20 <= n < 40)


def test_exact_silence_counts_as_not_connected_and_is_told_once():
    def frames():
        while True:
            yield np.zeros(SOUND_FRAME_SAMPLES, np.int16)

    ears, told, _ = listening(frames)
    wait(lambda: told)
    time.sleep(0.3)
    ears.stop()
    ears.join()
    assert told == ["lost: no sound but exact silence; check its plug"]


def test_an_error_in_the_listening_is_told_and_the_listening_goes_on():
    opened = []

    def frames():
        opened.append(True)
        yield from talk()
        yield from talk()

    ears, told, _ = listening(frames, "fails")
    wait(lambda: len(opened) > 1)
    ears.stop()
    ears.join()
    assert told[0] == "lost: listening failed (RuntimeError: an error of its own)"


class Sound:
    """The stream's samples in time: each frame comes when its last sample was taken, or later."""

    def __init__(self) -> None:
        self.t = 100.0

    def now(self) -> float:
        return self.t


def test_an_utterance_is_dated_by_its_samples_however_late_it_is_decided():
    """The thread is held up for 3 s amid the words; then the frames come all at once."""
    clock, got = Sound(), []

    def frames():
        for n, frame in enumerate(talk()):
            clock.t = max(clock.t, 100.0 + (n + 1) / FRAMES_A_SECOND) + (
                3.0 if n == 30 else 0.0
            )
            yield frame

    ears = Ears(
        frames, Listener(Hears("words")), got.append, clock, Heart(clock), retry=60.0
    )
    ears.start()
    wait(lambda: got)
    ears.stop()
    (one,) = got
    loud = [level(frame) > 1000 for frame in frames_of(one.samples)].index(True)
    assert one.t > 103.0
    assert one.began + loud / FRAMES_A_SECOND == pytest.approx(
        100.0 + 20 / FRAMES_A_SECOND, abs=0.001
    )


def test_samples_are_dated_by_the_promptest_frame_and_a_gap_is_followed():
    anchor = StreamAnchor()
    for n in range(1, 5000):
        gap = 3.0 if n > 500 else 0.0
        anchor.accept_frame(
            100.0 + gap + n / FRAMES_A_SECOND + (0.3 if n % 7 else 0.01)
        )
        if n in (400, 4999):
            taken = 100.01 + gap + n / FRAMES_A_SECOND
            assert anchor.time_of(n / FRAMES_A_SECOND) == pytest.approx(
                taken, abs=0.001
            )


def test_a_player_that_hangs_is_stopped_and_everything_else_goes_on(
    launch, wire, tools, program, monkeypatch
):
    program("espeak-ng", "cat")
    pids = program("aplay", "exec sleep 600")
    monkeypatch.setattr(speaker, "PLAYER_HANGING_S", 0.5)
    troubles: list[str] = []
    with Speaker(trouble=troubles.append) as one:
        boat = launch(
            tools.config_text(tools.serial_text("sonar", wire.name)),
            tell=one.speak_event,
        )
        talker = tools.Talker(wire)
        boat.wait_for_text("ready")
        for n in range(30):
            boat.live.announce(f"line {n}")
            time.sleep(0.05)
        boat.wait_for_text("line 29")
        wait(lambda: troubles)
        engine = boat.live.trip.engine
        assert engine._sensing.boat(engine.now).depth is not None
        talker.stop()
        boat.stop()
    assert troubles == ["aplay: took longer than 0 s and was stopped"]
    wait(
        lambda: (
            not any(Path(f"/proc/{pid}").exists() for pid in pids.read_text().split())
        )
    )
