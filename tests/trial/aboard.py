"""The companion aboard: the installed program as a process, its events, its page, its appetite."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

from tests.trial.visitor import Visitor

COMPANION = Path(sys.executable).parent / "companion"
CGROUP = Path("/sys/fs/cgroup/cpu")
PERIOD_US = 20_000
SHARES = 200_000
"""Weight of what is held back beside other processes (usual: 1024): the quota alone decides what it gets."""
SAMPLED_EVERY_S = 1.0
TICKS = os.sysconf("SC_CLK_TCK")
Event = dict[str, Any]


class Told(NamedTuple):
    """An event, and when it was printed, s of the monotonic clock."""

    t: float
    event: Event


class Throttle:
    """Gives a process so many times less than one processor: by a cgroup, or by stops and starts."""

    def __init__(self, times: float) -> None:
        self.times = times
        self._group: Path | None = None
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    def command(self, command: list[str]) -> list[str]:
        """Return a command that runs this one in the group, where there are groups."""
        if self.times <= 1.0:
            return command
        group = CGROUP / f"trial-{os.getpid()}"
        try:
            group.mkdir()
            (group / "cpu.shares").write_text(str(SHARES))
            (group / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (group / "cpu.cfs_quota_us").write_text(str(round(PERIOD_US / self.times)))
        except OSError:
            return command
        self._group = group
        return [
            "sh",
            "-c",
            f'echo $$ > {group}/cgroup.procs; exec "$@"',
            "sh",
            *command,
        ]

    def hold(self, process: int) -> None:
        """Begin to hold a process back where there are no groups."""
        if self.times > 1.0 and self._group is None:
            self._thread = threading.Thread(
                target=self._stop_and_go, args=(process,), name="throttle"
            )
            self._thread.start()

    def _stop_and_go(self, process: int) -> None:
        period = PERIOD_US / 1e6
        while not self._ended.is_set():
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGCONT)
                time.sleep(period / self.times)
                os.kill(process, signal.SIGSTOP)
            time.sleep(period * (1.0 - 1.0 / self.times))
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, signal.SIGCONT)

    def end(self) -> None:
        """Let go."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join()
        if self._group is not None:
            with contextlib.suppress(OSError):
                self._group.rmdir()

    @property
    def way(self) -> str:
        """How it is held back, in a word."""
        if self.times <= 1.0:
            return "free"
        return f"1/{self.times:g} by {'cgroup' if self._group else 'stop and go'}"


class Aboard:
    """`companion run` with a home of its own.

    Args:
        home: its home; the config is where it is looked for when nothing else is said.
        environment: where the sound cards are.
        throttle: how much of the processor it gets.
    """

    def __init__(
        self, home: Path, environment: dict[str, str], throttle: Throttle
    ) -> None:
        self.home = home
        self.told: list[Told] = []
        self.code = ""
        self.errors: list[str] = []
        self._visitor = Visitor()
        self._throttle = throttle
        self.environment = {
            k: v for k, v in environment.items() if k != "XDG_DATA_HOME"
        } | {
            "HOME": str(home),
            "XDG_CONFIG_HOME": str(home / ".config"),
        }
        command = throttle.command([str(COMPANION), "run", "--json"])
        self.began = time.monotonic()
        self._process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=self.environment,
            start_new_session=True,
        )
        throttle.hold(self._process.pid)
        self.appetite = Appetite(self._process.pid)
        self._readers = [
            threading.Thread(target=self._read_events, name="events"),
            threading.Thread(target=self._read_errors, name="errors"),
        ]
        for thread in (*self._readers, self.appetite):
            thread.start()

    def _read_events(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.told.append(Told(time.monotonic(), json.loads(line)))

    def _read_errors(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self.errors.append(line.rstrip())
            if found := re.search(r"page: (http://\S+)", line):
                self._visitor.page = found[1]
            elif found := re.search(r"code is (\d+)", line):
                self.code = found[1]

    @property
    def is_running(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def has_said(self, start: str) -> bool:
        """Tell whether a line that starts so has been said."""
        lines = [
            told.event.get("text")
            for told in list(self.told)
            if told.event["event"] == "said"
        ]
        return any(str(text).startswith(start) for text in lines)

    def pair(self) -> None:
        """Pair a device with the page, as a person would: ask for a code, hear it, type it in."""
        for _ in range(600):
            if self._visitor.page:
                break
            time.sleep(0.1)
        self._visitor.post("ask", {})
        for _ in range(600):
            if self.code:
                break
            time.sleep(0.1)
        self._visitor.post("pair", {"code": self.code})

    def tap(self, button: str) -> bool:
        """Tap a button of the page; tell whether it was taken."""
        return self._visitor.tap(button)

    def stop(self, within: float) -> int:
        """End the trip in order; return the exit status. A process that does not end is killed: -9."""
        self._process.send_signal(signal.SIGTERM)
        try:
            self._process.wait(within)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
        self.appetite.stop()
        for thread in self._readers:
            thread.join(10)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()
        self._throttle.end()
        return self._process.returncode

    def left_behind(self) -> list[str]:
        """Return the commands of the processes of its session that still run."""
        return [command for pid, command in _session(self._process.pid)]


class Appetite(threading.Thread):
    """Samples what a process and its children take: processor time, s, and memory, MB."""

    def __init__(self, process: int) -> None:
        super().__init__(name="appetite")
        self._process = process
        self._ended = threading.Event()
        self.samples: list[tuple[float, float, float]] = []

    def run(self) -> None:
        """Sample until stopped."""
        while not self._ended.wait(SAMPLED_EVERY_S):
            with contextlib.suppress(OSError, ValueError, IndexError):
                self.samples.append(
                    (time.monotonic(), self._processor(), self._memory())
                )

    def _processor(self) -> float:
        fields = (
            Path(f"/proc/{self._process}/stat").read_text().rpartition(")")[2].split()
        )
        return sum(map(int, fields[11:15])) / TICKS + sum(
            sum(
                map(
                    int,
                    Path(f"/proc/{pid}/stat")
                    .read_text()
                    .rpartition(")")[2]
                    .split()[11:13],
                )
            )
            / TICKS
            for pid, _ in _session(self._process)
            if pid != self._process
        )

    def _memory(self) -> float:
        lines = Path(f"/proc/{self._process}/smaps_rollup").read_text().splitlines()
        return (
            next(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
            / 1000.0
        )

    def stop(self) -> None:
        """Stop sampling."""
        self._ended.set()
        self.join()

    def share(self, since: float) -> float:
        """Return how much of one processor it took since a time, s of the monotonic clock."""
        some = [s for s in self.samples if s[0] >= since]
        return (
            (some[-1][1] - some[0][1]) / (some[-1][0] - some[0][0])
            if len(some) > 1
            else float("nan")
        )

    @property
    def most_memory(self) -> float:
        """The most memory, MB (its share of what is shared)."""
        return max((s[2] for s in self.samples), default=float("nan"))


def _session(leader: int) -> list[tuple[int, str]]:
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError, IndexError):
            name, _, rest = (folder / "stat").read_text().rpartition(")")
            fields = rest.split()
            if int(fields[3]) == leader and fields[0] != "Z":
                found.append((int(folder.name), name.partition("(")[2]))
    return found
