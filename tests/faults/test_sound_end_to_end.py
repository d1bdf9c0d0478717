"""Sound from end to end: voices into the microphone path, announcements recorded and recognised again.

A PulseAudio server of our own, with two sinks that lead nowhere, stands for the sound
cards: what is played into one is what `arecord` hears, what `aplay` plays into the
other is recorded from it; and it is heard by the microphone too, as in a boat.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from companion.voice.grammar import number_words

ROOT = Path(__file__).parents[2]
DAY = ROOT / "replay_logs" / "invented_saturday"
COMPANION = Path(sys.executable).parent / "companion"
RATE = 16000
PAUSE = 2.5
"""Between one word and the next, s: the companion's own voice has to end before somebody speaks."""


@pytest.fixture
def cards(tmp_path: Path) -> Iterator[dict[str, str]]:
    """Return an environment in which "boatmic" and "boatear" are sound cards."""
    missing = [
        n
        for n in ("pulseaudio", "pacat", "parec", "arecord", "aplay", "espeak-ng")
        if not shutil.which(n)
    ]
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    home = tmp_path / "pulse"
    home.mkdir()
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
        "--disable-shm=yes",
    ]
    for module in (
        f"module-native-protocol-unix auth-anonymous=1 socket={address}",
        "module-null-sink sink_name=mic rate=16000 channels=1",
        "module-null-sink sink_name=ear rate=22050 channels=1",
        "module-loopback source=ear.monitor sink=mic latency_msec=30",
    ):
        command += ["-L", module]
    with (home / "log").open("wb") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    for _ in range(100):
        if address.exists() or server.poll() is not None:
            break
        time.sleep(0.05)
    if server.poll() is not None:
        pytest.skip(
            f"pulseaudio does not run here: {(home / 'log').read_text()[-300:]}"
        )
    yield environment
    server.terminate()
    server.wait(10)


class Angler:
    """Whoever sits before the microphone: hiss, and now and then a clip."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._clips: list[bytes] = []
        self._stop = threading.Event()
        self._player = subprocess.Popen(
            [
                "pacat",
                "--playback",
                "--device=mic",
                f"--rate={RATE}",
                "--channels=1",
                "--format=s16le",
            ],
            stdin=subprocess.PIPE,
            env=environment,
        )
        self._thread = threading.Thread(target=self._play)
        self._thread.start()

    def say(self, clip: Path) -> None:
        from companion.voice.clips import read_clip

        self._clips.append(read_clip(clip).tobytes())

    def _play(self) -> None:
        hiss = np.random.default_rng(1).normal(0, 30, RATE // 5).astype("<i2").tobytes()
        while not self._stop.is_set():
            self._player.stdin.write(self._clips.pop(0) if self._clips else hiss)

    def leave(self) -> None:
        self._stop.set()
        self._thread.join()
        self._player.stdin.close()
        self._player.wait(10)


class Aboard:
    """The companion as it is started, and its events as they come."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.events: list[dict] = []
        command = [
            COMPANION,
            "run",
            "--json",
            "--config",
            folder / "companion.toml",
            "--data",
            folder / "data",
        ]
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=environment
        )

    def until(self, event: str, about: str = "") -> None:
        for line in self._process.stdout:
            self.events.append(json.loads(line))
            if self.events[-1]["event"] == event and self.events[-1].get(
                "about", ""
            ).startswith(about):
                return
        raise AssertionError(f"it ended: {self.events}")

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        rest, _ = self._process.communicate(timeout=20)
        self.events += map(json.loads, rest.splitlines())


def config_with(port_text: str) -> str:
    head, _, rest = (DAY / "companion.toml").read_text().partition("[[sources]]")
    voice = '[voice]\nmicrophone = "boatmic"\nspeaker = "boatear"\n'
    return f"{head}{voice}[[sources]]\n{port_text}\n{rest[rest.index('# Four rods') :]}"


@pytest.mark.slow
def test_from_the_angler_to_the_speaker(cards, wire, tools, tmp_path):
    from companion.voice.model import data_folder, is_complete

    if not any(is_complete(folder) for folder in data_folder().glob("speech-model-*")):
        pytest.skip("no speech model was fetched")
    truth = json.loads((DAY / "truth.json").read_text())["utterances"]
    wanted = [
        u
        for u in truth
        if u["command"] and u["command"]["command"] in ("how deep", "rod")
    ][:2]
    (tmp_path / "companion.toml").write_text(
        config_with(tools.serial_text("sonar", wire.name))
    )
    talker = tools.Talker(wire)
    record = [
        "parec",
        "--device=ear.monitor",
        f"--rate={RATE}",
        "--channels=1",
        "--format=s16le",
    ]
    with (tmp_path / "spoken.raw").open("wb") as file:
        recorder = subprocess.Popen(record, stdout=file, env=cards)
    angler, boat = Angler(cards), Aboard(tmp_path, cards)
    try:
        while not boat.events or not str(boat.events[-1].get("text")).startswith(
            "ready"
        ):
            boat.until("said")
        time.sleep(PAUSE)
        for utterance in wanted:
            angler.say(DAY / "clips" / utterance["clip"])
            boat.until("heard")
            boat.until("said", "answer")
            time.sleep(PAUSE)
    finally:
        boat.stop()
        angler.leave()
        recorder.terminate()
        recorder.wait(10)
        talker.stop()
    heard = [e["text"] for e in boat.events if e["event"] == "heard"]
    answers = [
        e["text"]
        for e in boat.events
        if e["event"] == "said" and e["about"] == "answer"
    ]
    again = recognised(np.fromfile(tmp_path / "spoken.raw", "<i2"))
    print(f"\nheard: {heard}\nanswered: {answers}\nrecognised again: {again}")
    assert heard == [u["words"] for u in wanted]  # and nothing of what it said itself
    assert [in_words(answer) for answer in answers] == [
        text for text in again if text in ANSWERS
    ]
    assert answers


ANSWERS = [f"number {n} in hand" for n in ("one", "two", "three", "four")]
ANSWERS += [f"{number_words(n)} feet under us" for n in range(2, 60)]
"""Every answer that could have been given: the recogniser has to pick the right one of 62."""


def recognised(sound: np.ndarray) -> list[str]:
    """Return what the recogniser makes of the utterances in a recording of the speaker."""
    from companion.voice.listening import Listener, listened
    from companion.voice.model import speech_model
    from companion.voice.recogniser import Recogniser
    from companion.voice.sound import frames_of

    recogniser = Recogniser(
        speech_model(), [*ANSWERS, "starting", "ready", "touch", "clear", "short"]
    )
    return [
        spoken.hearing.text
        for spoken in listened(frames_of(sound), Listener(recogniser))
    ]


def in_words(said: str) -> str:
    return " ".join(
        number_words(int(word)) if word.isdigit() else word
        for word in said.lower().split()
    )
