"""A long trip at high speed: `python tests/faults/soak.py FOLDER HOURS`, or by test_soak.py.

The real loop, queue, recording, logbook and listener with a clock that the source
moves: sentences ten and five times a second, a word every two minutes, a lost cable
every hour. Prints memory, open files and threads at each simulated hour since the first
match of lure and bottom, which needs the rods' tables, and fails when the last is more
than the first by what a leak would add.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from companion import config
from companion.events import AnyEvent, Logged, Match
from companion.live import ears
from companion.live.devices import Parts
from companion.live.live import Live, Places
from companion.record.logbook import Logbook
from companion.record.recording import RecordingLimits
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.voice.heard import Hearing
from companion.voice.listening import Listener

HOUR = 3600.0
START = datetime(2026, 10, 3, 6, 0, tzinfo=UTC)

DEPTHS_AN_HOUR, BYTES_A_SOUNDING = 6 * 3600, 24
"""What the day gives, and what the bed keeps of each until the trip is over."""


UNSETTLED_PAUSE_S = 0.02
"""Pause after each half second of the day while the rods' tables are still being made: that
takes real time, of a process that stands back, and fills memory when they come."""


class Moved:
    """A clock that the source moves."""

    def __init__(self) -> None:
        self.t = 0.0

    def now(self) -> float:
        return self.t


class Day:
    """A source of GPS at 10 Hz and depth at 6 Hz, as fast as they are taken; lost once every hour."""

    name, where, ends = "sonar", "a simulated day", False

    def __init__(
        self,
        clock: Moved,
        hours: float,
        done: threading.Event,
        settled: threading.Event,
    ) -> None:
        self.opened = threading.Event()
        self._clock = clock
        self._end = hours * HOUR
        self._done = done
        self._settled = settled
        self._lost = 1

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        self.opened.set()
        while not stop.is_set() and self._clock.t < self._end:
            if self._clock.t > self._lost * HOUR - 100.0:
                self._lost += 1
                self._clock.t += 10.0
                raise OSError("pulled out")
            yield Chunk(self._clock.t, self.name, self._half_a_second(self._clock.t))
            self._clock.t += 0.5
            if not self._settled.is_set():
                stop.wait(UNSETTLED_PAUSE_S)
        self._done.set()
        stop.wait(1.0)

    @staticmethod
    def _half_a_second(t: float) -> bytes:
        lines = []
        for n in range(5):
            now = t + n / 10.0
            utc = START + timedelta(seconds=now)
            time_of_day = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
            lat = f"45{abs((now / 7200.0) % 2.0 - 1.0) * 10:07.4f}"
            lines.append(
                sentence(
                    f"GPRMC,{time_of_day},A,{lat},N,09300.000,W,2.5,000.0,{utc:%d%m%y},,,A"
                )
            )
            if n % 2 == 0:
                lines.append(
                    sentence(f"SDDPT,{5.0 + 2.0 * np.sin(now / 60.0):.2f},0.0")
                )
        return b"\r\n".join(lines) + b"\r\n"


def frames(clock: Moved, end: float) -> Iterator[np.ndarray]:
    """Quiet, with a word every two minutes of the simulated day."""
    chance = np.random.default_rng(1)
    quiet = [chance.normal(0, 10, 320).astype(np.int16) for _ in range(50)]
    due = 60.0
    while clock.t < end:
        if clock.t >= due:
            due = clock.t + 120.0
            for n in range(70):
                yield (
                    chance.normal(0, 5000, 320).astype(np.int16)
                    if n < 25
                    else quiet[n % 50]
                )
        time.sleep(0.002)
        yield quiet[0]


class Words:
    """Stands for a recogniser, whose cost would be all there is: what is loud is the next words."""

    partial, wordless, still, still_lately = "", False, 0.0, 0.0
    begins_like_none = False
    phrases = beginnings = frozenset({""})

    def __init__(self, words: Callable[[], str]) -> None:
        self._words = words

    def begin(self, *, amid_talk: bool = False) -> Words:  # noqa: ARG002
        return self

    def has_been_still(self, _seconds: float) -> bool:
        return False

    def accept_frame(self, _frame: np.ndarray) -> None:
        return None

    def finish(self) -> Hearing:
        return Hearing(self._words())


def resources() -> tuple[float, int, int]:
    """Return memory in MB (resident, from /proc), open files and threads."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return (
        pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
        len(os.listdir("/proc/self/fd")),
        threading.active_count(),
    )


def soak(
    folder: Path, hours: float, report_every: float = HOUR
) -> list[tuple[float, int, int]]:
    """Run the simulated hours; return memory, files and threads at each report."""
    ears.RETRY_S = 0.05
    text = config.example_text()
    text = "[[lures]]" + text.partition("[[lures]]")[2]
    clock, done, settled = Moved(), threading.Event(), threading.Event()
    counts: dict[str, int] = {}
    seen: list[tuple[float, int, int]] = []
    due = [report_every]

    def outlet(event: AnyEvent) -> None:
        if isinstance(event, Match) and not settled.is_set():
            due[0] = clock.t + report_every
            settled.set()
        kind = event.what if isinstance(event, Logged) else type(event).__name__
        counts[kind] = counts.get(kind, 0) + 1

    def look(_engine: object) -> None:
        if settled.is_set() and clock.t >= due[0]:
            due[0] += report_every
            seen.append(resources())
            memory, files, threads = seen[-1]
            print(
                f"{clock.t / HOUR:5.1f} h  {memory:6.1f} MB  {files} files  {threads} threads",
                flush=True,
            )

    words = Words(lambda: ("log bite", "rod two", "how deep", "rod one")[len(seen) % 4])
    parts = Parts(
        sources=(Day(clock, hours, done, settled),),
        frames=lambda: frames(clock, hours * HOUR),
        listener=lambda complain: Listener(words, complain=complain),  # type: ignore[arg-type]
    )
    boat = Live(
        config.parse(text),
        text,
        parts,
        Places(folder / "logbook.db", folder / "recordings"),
        outlet,
        look=look,
        clock=clock,
        limits=RecordingLimits(keep_free=0),
        wall=lambda: START + timedelta(seconds=clock.t),
    )
    began = time.monotonic()
    runner = threading.Thread(target=boat.run)
    runner.start()
    done.wait()
    boat.stop()
    runner.join()
    took = time.monotonic() - began
    with Logbook(folder / "logbook.db") as book:
        assert book.tables.faults() == []
        (trip,) = book.trips()
        assert trip.closed
        assert sum(counts.values()) == len(book.events(trip.id))
    assert counts["Heard"], counts
    assert counts["bite"], counts
    size = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())
    print(
        f"{hours:g} h in {took:.0f} s; {dict(sorted(counts.items()))}; {size / 1e6:.0f} MB on the disk"
    )
    return seen


def main(folder: Path, hours: float) -> None:
    seen = soak(folder, hours)
    settled = seen[len(seen) // 3 :]
    memory, files, threads = zip(*settled, strict=True)
    print(
        f"last two thirds: {min(memory):.1f} to {max(memory):.1f} MB, {min(files)} to {max(files)} files"
    )
    # The soundings of the trip are kept, so that a level said late mends them all.
    kept = (len(settled) - 1) * DEPTHS_AN_HOUR * BYTES_A_SOUNDING / 1e6
    assert memory[-1] - memory[0] < 10.0 + kept
    assert files[-1] <= files[0] + 2
    assert threads[-1] <= threads[0]


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]))
