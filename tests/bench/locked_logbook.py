"""How late advice is while another program locks the logbook: `python tests/bench/locked_logbook.py 30`.

A sonar of five depths a second, a tapped bite each second, through the queue and the
engine's thread as in the boat. From a depth's arrival to when all it gives has been
told, first with the logbook free, then locked for as many seconds as asked, then free
again; and how many events a second the writer takes.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from companion import config
from companion.clock import LiveClock
from companion.events import Said
from companion.live.devices import Parts
from companion.live.keeping import LogbookWriter
from companion.live.live import Live, Places
from companion.record.logbook import Logbook
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.trip.engine import Engine

HERTZ = 5.0


class Sonar:
    """Depths at their time, each other than the one before, and when each was sent."""

    name, where, ends = "sonar", "here", False

    def __init__(self) -> None:
        self.opened = threading.Event()
        self.sent: dict[float, float] = {}

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        self.opened.set()
        n = 0
        while not stop.wait(1.0 / HERTZ):
            n += 1
            depth = round(4.0 + (n * 7 % 400) / 100, 2)
            now = time.monotonic()
            self.sent[depth] = now
            yield Chunk(now, self.name, sentence(f"SDDPT,{depth:.2f},0.0") + b"\r\n")


def delays(seconds: float) -> dict[str, np.ndarray]:
    sonar, took = Sonar(), {}
    phase = took["starting"] = []

    def look(engine: Engine) -> None:
        depth = engine.glance(engine.now).depth
        if (
            depth is not None
            and (at := sonar.sent.pop(round(depth, 2), None)) is not None
        ):
            phase.append(time.monotonic() - at)

    text = config.example_text()
    settings = config.parse(text.replace("transducer_depth", "#"))
    with tempfile.TemporaryDirectory() as folder:
        places = Places(Path(folder) / "logbook.db", Path(folder) / "recordings")
        live = Live(settings, text, Parts((sonar,)), places, look=look)
        thread = threading.Thread(target=live.run)
        thread.start()
        live.ready.wait()
        for name in ("free", "locked", "free again"):
            phase = took[name] = []
            lock = sqlite3.connect(places.logbook, isolation_level=None, timeout=10)
            if name == "locked":
                lock.execute("BEGIN IMMEDIATE")
            for _ in range(round(seconds)):
                live.tapped("log bite")
                time.sleep(1.0)
            lock.close()
        live.stop()
        thread.join()
        with Logbook(places.logbook) as book:
            print(
                f"{book.trips()[-1].logged} bites logged of {3 * round(seconds)} tapped"
            )
    return {name: np.array(times) * 1e3 for name, times in took.items()}


def events_a_second(events: int = 5000) -> float:
    """Return how many events a second are on the disk, in lots of fifty, as they are committed live."""
    with tempfile.TemporaryDirectory() as folder:
        writer = LogbookWriter(Path(folder) / "logbook.db", LiveClock(), print)
        writer.begin("bench")
        began = time.perf_counter()
        for n in range(events):
            writer.record(Said(t=float(n), text="clears by four feet", about="match"))
            if n % 50 == 49:
                writer.commit()
        took = time.perf_counter() - began
        writer.close()
    return events / took


if __name__ == "__main__":
    for name, times in delays(float(sys.argv[1])).items():
        if name != "starting":
            middle, late, last = np.quantile(times, (0.5, 0.99, 1.0))
            print(
                f"{name}: {len(times)} depths, median {middle:.1f} ms, 99th {late:.1f} ms, last {last:.1f} ms"
            )
    print(f"{events_a_second():.0f} events a second through the writer")
