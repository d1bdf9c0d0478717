"""Processor time of a live trip: `python tests/bench/live_cpu.py SECONDS`.

`companion run` as it is in a boat: GPS at 10 Hz (RMC and GGA) and depth at 5 Hz through
a serial port, a microphone that never stops (a stand-in for arecord: hiss, and a
command of the demo day every 20 s), the recogniser at work, logbook and recording on
the disk. Prints the part of one core used by the program itself, after it has settled;
and, to compare boards, how long a fixed piece of arithmetic takes here.
"""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
import tty
from datetime import UTC, datetime
from pathlib import Path

from companion.sensing.framing import sentence

ROOT = Path(__file__).parents[2]
DAY = ROOT / "replay_logs" / "invented_saturday"
SETTLE = 15.0
STAND_IN = """#!{python}
import sys, time
from pathlib import Path
import numpy as np
from companion.voice.clips import read_clip
chance = np.random.default_rng(1)
hiss = chance.normal(0, 30, 16000 * 20).astype("<i2").tobytes()
clips = [read_clip(p).tobytes() for p in sorted(Path("{clips}").iterdir())[:9:2]]
began, sent, n = time.monotonic(), 0, 0
while True:
    for sound in (hiss, clips[n % len(clips)]):
        for at in range(0, len(sound), 640):
            sys.stdout.buffer.write(sound[at : at + 640])
            sent += 0.02
            time.sleep(max(0.0, began + sent - time.monotonic()))
    n += 1
"""


def talk(ours: int) -> None:
    n = 0
    began = time.monotonic()
    while True:
        utc = datetime.now(UTC)
        clock = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
        place = f"45{n % 6000 / 100:07.4f},N,09300.0000,W"
        lines = [
            sentence(f"GPRMC,{clock},A,{place},1.5,090.0,{utc:%d%m%y},,,A"),
            sentence(f"GPGGA,{clock},{place},1,09,0.9,200.0,M,-30.0,M,,"),
        ]
        if n % 2 == 0:
            lines.append(sentence(f"SDDPT,{5 + n % 40 / 10:.2f},0.0"))
        os.write(ours, b"\r\n".join(lines) + b"\r\n")
        n += 1
        time.sleep(max(0.0, began + n / 10.0 - time.monotonic()))


def used(process: int) -> float:
    """Return the processor time a process has used, s."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def yardstick() -> float:
    """Return how long a fixed piece of interpreted arithmetic takes, s."""
    began = time.process_time()
    total = 0
    for n in range(5_000_000):
        total += n * n & 255
    return time.process_time() - began


def main(seconds: float) -> None:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    threading.Thread(target=talk, args=(ours,), daemon=True).start()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "arecord").write_text(
            STAND_IN.format(python=sys.executable, clips=DAY / "clips")
        )
        (folder / "arecord").chmod(0o755)
        config = (
            (DAY / "companion.toml")
            .read_text()
            .replace("/dev/ttyUSB0", os.ttyname(theirs))
        )
        (folder / "c.toml").write_text(config.replace('time = "tags"', 'time = "auto"'))
        companion = subprocess.Popen(
            [
                Path(sys.executable).parent / "companion", "run", "--json",
                "--config", folder / "c.toml", "--data", folder / "data",
            ],
            env=os.environ | {"PATH": f"{folder}:{os.environ['PATH']}"},
            stdout=(folder / "events").open("wb"),
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        start = used(companion.pid)
        time.sleep(SETTLE)
        settled, at = used(companion.pid), time.monotonic()
        time.sleep(seconds)
        busy = (used(companion.pid) - settled) / (time.monotonic() - at)
        memory = (
            Path(f"/proc/{companion.pid}/status")
            .read_text()
            .split("VmRSS:")[1]
            .split()[0]
        )
        companion.terminate()
        companion.wait(20)
        lines = sum(
            path.read_bytes().count(b"\n") for path in folder.rglob("sonar.nmea")
        )
        heard = (folder / "events").read_bytes().count(b'"event":"heard"')
    print(
        f"{100 * busy:.1f} % of one core over {seconds:.0f} s; {heard} utterances heard in all"
    )
    print(f"{lines} lines recorded in about {seconds + SETTLE:.0f} s")
    print(
        f"{settled - start:.1f} s of processor time to start, {int(memory) / 1024:.0f} MB resident"
    )
    print(f"yardstick: {yardstick():.2f} s")


if __name__ == "__main__":
    main(float(sys.argv[1]))
