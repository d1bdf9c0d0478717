"""`companion run` as the service manager starts it: ready, fed, ended in order; and without its parts."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from companion.health.heart import QUIET_FOR, Heart
from companion.record.logbook import Logbook
from companion.voice.model import MODEL_FOLDER_NAME

COMPANION = Path(sys.executable).parent / "companion"


@pytest.fixture
def started(tmp_path: Path):
    """Start `companion run` with a home of its own; it is killed at the end if it still runs."""
    processes = []

    def start(text: str, *arguments: str, **environment: str) -> subprocess.Popen[str]:
        (tmp_path / "companion.toml").write_text(text)
        process = subprocess.Popen(
            [
                COMPANION,
                "run",
                "--json",
                "--config",
                str(tmp_path / "companion.toml"),
                *arguments,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ
            | {"XDG_DATA_HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
            | environment,
        )
        processes.append(process)
        return process

    yield start
    for process in processes:
        process.kill()
        process.communicate()


def until(process: subprocess.Popen[str], text: str) -> list[dict]:
    """Read events until one says so."""
    events = []
    assert process.stdout is not None
    for line in process.stdout:
        events.append(json.loads(line))
        if events[-1].get("text", "").startswith(text):
            return events
    raise AssertionError(
        f"it ended before it said {text!r}: {process.stderr.read() if process.stderr else ''}"
    )


@pytest.mark.usefixtures("talker")
def test_under_a_service_manager(started, wire, tools, tmp_path):
    """READY once, the watchdog fed, STOPPING on SIGTERM; the trip is ended in order (sd_notify(3))."""
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(600)
    text = '[voice]\nmicrophone = "none"\nspeaker = "none"\n' + tools.config_text(
        tools.serial_text("sonar", wire.name)
    )
    process = started(
        text, NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="1000000"
    )
    states = [manager.recv(4096).decode() for _ in range(4)]
    assert states[0].splitlines()[0] == "READY=1"
    assert states[1:] == ["WATCHDOG=1"] * 3
    until(process, "ready")
    process.send_signal(signal.SIGTERM)
    rest, errors = process.communicate()
    assert process.returncode == 0, errors
    assert json.loads(rest.splitlines()[-1])["event"] == "trip ended"
    said = []
    manager.settimeout(0.2)
    while not said or said[-1] != "STOPPING=1":
        said.append(manager.recv(4096).decode())
    manager.close()
    with Logbook(tmp_path / "companion" / "logbook.db") as book:
        (trip,) = book.trips()
        assert trip.closed
    assert (tmp_path / "companion" / "recordings").is_dir()


def test_without_model_microphone_speaker_or_sonar_it_runs_and_says_so(
    started, tools, tmp_path
):
    """A model folder that was half written counts as none."""
    model = tmp_path / "companion" / MODEL_FOLDER_NAME
    (model / "am").mkdir(parents=True)
    (model / "am" / "final.mdl").write_bytes(b"half")
    (model / "complete.txt").write_text("9999 am/final.mdl\n")
    text = tools.config_text(tools.serial_text("sonar", tmp_path / "no-such-port"))
    process = started(text)
    events = until(process, "ready")
    assert events[-1]["text"] == "ready, no sonar, no speech model"
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate()
    assert process.returncode == 0
    assert "speech model is not there" in errors


@pytest.mark.usefixtures("talker")
def test_a_dry_run_keeps_no_logbook(started, wire, tools, tmp_path):
    text = '[voice]\nmicrophone = "none"\n' + tools.config_text(
        tools.serial_text("sonar", wire.name)
    )
    process = started(text, "--dry-run")
    until(process, "ready")
    process.send_signal(signal.SIGTERM)
    process.communicate()
    assert process.returncode == 0
    assert not (tmp_path / "companion" / "logbook.db").exists()
    (lines,) = (tmp_path / "companion" / "recordings").glob("*/*/sonar.nmea")
    assert b"SDDPT" in lines.read_bytes()


def test_a_second_one_is_refused(started, tools, tmp_path):
    text = '[voice]\nmicrophone = "none"\nspeaker = "none"\n' + tools.config_text(
        tools.serial_text("sonar", tmp_path / "no-such-port")
    )
    first = started(text)
    until(first, "starting")
    second = started(text)
    _, errors = second.communicate()
    assert second.returncode == 4
    assert "another companion is running" in errors
    assert first.poll() is None


class Hand:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.t = 100.0

    def now(self) -> float:
        return self.t


def test_a_part_that_stops_beating_is_stuck_and_one_that_has_ended_is_not():
    clock = Hand()
    heart = Heart(clock)
    for part in ("engine", "sonar", "microphone"):
        heart.beat(part)
    clock.t += QUIET_FOR
    heart.beat("engine")
    heart.forget("microphone")
    clock.t += 1.0
    assert heart.stuck() == ["sonar"]


def test_the_watchdog_is_not_fed_while_a_part_is_stuck(
    launch, tools, tmp_path, monkeypatch
):
    """A reader that hangs in its driver stops beating, and then nobody feeds the watchdog."""
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "400000")
    monkeypatch.setattr("companion.health.heart.QUIET_FOR", 1.0)
    import threading

    class Hanging:
        name, where, ends = "sonar", "a driver", False
        opened = threading.Event()

        def chunks(self, _stop):
            time.sleep(4)
            yield from ()

    boat = launch(tools.config_text(), sources=(Hanging(),))
    boat.wait_for_text("sonar stuck")
    manager.setblocking(False)
    while True:
        try:
            manager.recv(4096)
        except BlockingIOError:
            break
    time.sleep(1.0)
    with pytest.raises(BlockingIOError):
        manager.recv(4096)
    boat.stop()
    manager.close()
