"""Processor time of a start: `python -m tests.bench.start [TRIES]`.

`companion run` as it is in a boat, with a pty that talks already, a microphone that
gives hiss, and a page; once with nothing kept from before (cold), then again and again
(warm). It tells the processor time, s, of the process and its threads when the first
depth is believed and when it is READY, and, to compare machines, that of ten million
additions in a loop of Python's.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from companion.voice.model import MODEL_FOLDER_NAME, data_folder
from tests.faults.kills import card, config_text, talk

INSIDE = """
import os, sys, threading, time
began = time.monotonic()
def told(what):
    os.write(2, f"{what} {time.process_time():.2f} {time.monotonic() - began:.2f}\\n".encode())
def watch():
    while "companion.live.live" not in sys.modules or not hasattr(sys.modules["companion.live.live"], "Live"):
        time.sleep(0.01)
    live = sys.modules["companion.live.live"].Live
    run, found = live.run, []
    live.run = lambda self: (found.append(self), told("run"), run(self))[2]
    while not found or found[0].trip is None:
        time.sleep(0.01)
    boat = found[0].trip.engine
    while boat._lookout.depth_seen is None:
        time.sleep(0.01)
    told("depth")
    while not found[0].ready:
        time.sleep(0.01)
    told("ready")
    found[0].stop()
threading.Thread(target=watch, daemon=True).start()
from companion.cli import main
main()
"""
LOOP = """
import time
began, n = time.process_time(), 0
for _ in range(10_000_000):
    n += 1
print(time.process_time() - began)
"""


def started(folder: Path, environment: dict[str, str]) -> str:
    """Start it and return what it told."""
    command = [
        sys.executable,
        "-c",
        INSIDE,
        "run",
        "--config",
        folder / "boat.toml",
        "--data",
        folder / "data",
    ]
    told = subprocess.run(
        command,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return " ".join(
        line
        for line in told.stderr.splitlines()
        if line.split()[0] in ("run", "depth", "ready")
    )


def main() -> None:
    """Start it so many times."""
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    loop = subprocess.run(
        [sys.executable, "-c", LOOP], check=True, capture_output=True, text=True
    ).stdout
    print(f"ten million additions: {float(loop):.2f} s")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        environment = card(folder) | {"XDG_DATA_HOME": str(folder / "home")}
        kept = folder / "home" / "companion"
        kept.mkdir(parents=True)
        (kept / MODEL_FOLDER_NAME).symlink_to(data_folder() / MODEL_FOLDER_NAME)
        (folder / "boat.toml").write_text(config_text(folder))
        talk(folder / "sonar")
        time.sleep(0.1)
        for number in range(tries):
            print(
                f"{'warm' if number else 'cold'}: {started(folder, environment)}",
                flush=True,
            )


if __name__ == "__main__":
    main()
