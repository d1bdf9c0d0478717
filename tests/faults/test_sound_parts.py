"""A microphone that dies, hangs or is not connected, a player that hangs, and the companion's own voice."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from companion.clock import LiveClock
from companion.events import Heard, Logged
from companion.health.heart import Heart
from companion.live.ears import HELD_AFTER, Button, Ears
from companion.voice import microphone, speaker
from companion.voice.microphone import FRAME, MicrophoneError, microphone_frames
from companion.voice.speaker import Speaker

BURST = "import sys,time,random\nr=random.Random(1)\nwhile 1:\n    for n in range(60):\n        "
BURST += 'a=9000 if 15<=n<25 else 20\n        b=b"".join(int(r.gauss(0,a)).to_bytes(2,"little",signed=True) '
BURST += (
    "for _ in range(320))\n        sys.stdout.buffer.write(b); sys.stdout.buffer.flush(); time.sleep(0.004)\n"
)


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


def test_a_microphone_that_is_killed_comes_back_and_is_heard_again(launch, wire, tools, program, tmp_path):
    pids = program("arecord", python(BURST, tmp_path))
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)),
        frames=lambda: microphone_frames("default"),
        hear=lambda _: "log bite",
    )
    took = []
    for n in range(1, 4):
        before = sum(isinstance(e, Logged) for e in boat.events)
        boat.wait_for(lambda me, b=before: sum(isinstance(e, Logged) for e in me.events) > b)
        os.kill(int(pids.read_text().split()[-1]), signal.SIGKILL)
        boat.wait_for(
            lambda me, n=n: me.texts().count("microphone lost") >= 2 * n or not me.live.ready.is_set()
        )
        took.append(boat.wait_for(lambda _, n=n: len(pids.read_text().split()) > n, 6))
        boat.wait_for(lambda me, n=n: me.texts().count("microphone back") >= 2 * n)
    live = boat.stop()
    assert sum(isinstance(e, Heard) for e in live) >= 3
    print(f"\nstarted again after {', '.join(f'{s:.1f}' for s in took)} s")


def test_a_microphone_that_hangs_is_given_up(program, monkeypatch):
    program("arecord", "head -c 3200 /dev/urandom; exec sleep 60")
    monkeypatch.setattr(microphone, "SILENT", 0.3)
    frames = microphone_frames("default")
    began = time.monotonic()
    with pytest.raises(MicrophoneError, match="arecord -L"):
        list(frames)
    assert time.monotonic() - began < 5


def listening(frames, **more):
    clock = LiveClock()
    told: list[str] = []
    got: list[str] = []
    ears = Ears(
        frames,
        lambda _: "words",
        lambda uttered: got.append(uttered.words()),
        clock,
        Heart(clock),
        lost=lambda why: told.append(f"lost: {why}"),
        back=lambda: told.append("back"),
        retry=0.05,
        **more,
    )
    ears.start()
    return ears, told, got


def wait(what) -> None:
    began = time.monotonic()
    while not what():
        assert time.monotonic() - began < 10
        time.sleep(0.01)


def noise(loud: bool) -> np.ndarray:
    return np.random.default_rng().normal(0, 5000 if loud else 10, FRAME).astype(np.int16)


def talk(words: int = 1):
    for _ in range(words):
        for n in range(90):
            yield noise(20 <= n < 40)


def test_exact_silence_counts_as_not_connected_and_is_told_once():
    def frames():
        while True:
            yield np.zeros(FRAME, np.int16)

    ears, told, _ = listening(frames)
    wait(lambda: told)
    time.sleep(0.3)
    ears.stop()
    ears.join()
    assert told == ["lost: no sound but exact silence; check its plug"]


def test_its_own_voice_is_no_command_and_the_next_word_is():
    speaking = [True]
    ended = []

    def frames():
        yield from talk()
        speaking[0] = False
        yield from talk()
        ended.append(True)
        time.sleep(60)

    ears, _, got = listening(frames, own_voice=lambda _began, _ended: speaking[0])
    wait(lambda: ended)
    wait(lambda: got)
    ears.stop()
    assert got == ["words"]


def test_the_speaker_tells_when_it_spoke(program):
    program("espeak-ng", "cat")
    program("aplay", "sleep 0.4")
    clock = LiveClock()
    with Speaker(clock=clock) as one:
        before = clock.now()
        one.say("hello")
        wait(lambda: one.spoke(before, clock.now()))
    after = clock.now()
    assert one.spoke(before, after)
    assert not one.spoke(after + 0.01, after + 1.0)
    assert not one.spoke(before - 2.0, before - 1.0)


def test_a_player_that_hangs_is_stopped_and_everything_else_goes_on(
    launch, wire, tools, program, monkeypatch
):
    program("espeak-ng", "cat")
    pids = program("aplay", "exec sleep 600")
    monkeypatch.setattr(speaker, "HANGING", 0.5)
    troubles: list[str] = []
    with Speaker(trouble=troubles.append) as one:
        boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)), tell=one.tell)
        talker = tools.Talker(wire)
        boat.wait_for_text("ready")
        for n in range(30):
            boat.live.tell(f"line {n}")
            time.sleep(0.05)
        boat.wait_for_text("line 29", 3)
        wait(lambda: troubles)
        engine = boat.live.trip.engine
        assert engine._sensing.boat(engine.now).depth is not None
        talker.stop()
        boat.stop()
    assert troubles == ["aplay: took longer than 0 s and was stopped"]
    wait(lambda: not any(Path(f"/proc/{pid}").exists() for pid in pids.read_text().split()))


def test_a_button_makes_an_utterance_of_what_is_said_while_it_is_held():
    held = [False]
    button = Button(lambda: held[0])
    frames = [np.full(FRAME, n, np.int16) for n in range(200)]
    found = []
    for n, frame in enumerate(frames):
        held[0] = 50 <= n < 100
        found.append(button.take(frame))
    (spoken,) = [one for one in found if one is not None]
    assert spoken.samples[0] == 50
    assert spoken.samples[-1] == pytest.approx(99 + HELD_AFTER / 0.02, abs=1)
    assert spoken.began == pytest.approx(1.0)
