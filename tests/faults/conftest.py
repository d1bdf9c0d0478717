"""A boat for the fault tests: real ptys for wires, the real loop, recording, logbook; sound from arrays."""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.clock import Clock, LiveClock, wall_clock
from companion.events import AnyEvent
from companion.live.devices import Parts
from companion.live.live import Live, Places
from companion.live.wires import sources_of
from companion.record.recording import RecordingLimits
from companion.sensing.framing import sentence
from companion.sensing.sources import Source

RATE = 16000


class Wire:
    """A pty behind a name that stays, as udev gives a serial adapter a name by its number."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.ours = -1
        self.plug()

    def plug(self) -> None:
        """Plug the adapter in: a new device, whose number may be another, under the name that stays."""
        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        new = self.name.with_suffix(".new")
        new.symlink_to(os.ttyname(theirs))
        new.replace(self.name)
        self._theirs = theirs

    def unplug(self) -> None:
        os.close(self._theirs)
        os.close(self.ours)
        self.name.unlink()
        self.ours = -1

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.ours, data) :]


class Talker:
    """Sends depth and position through a wire, in real time, until stopped."""

    def __init__(
        self,
        wire: Wire,
        hertz: float = 5.0,
        depth: Callable[[float], float] = lambda _: 5.0,
    ):
        self.wire = wire
        self.sent = 0
        self._every = 1.0 / hertz
        self._depth = depth
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        began = time.monotonic()
        while not self._stop.wait(self._every):
            try:
                self.wire.send(
                    depth_line(self._depth(time.monotonic() - began)) + place_line()
                )
                self.sent += 1
            except OSError:
                continue

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()


def depth_line(metres: float) -> bytes:
    return sentence(f"SDDPT,{metres:.2f},0.0") + b"\r\n"


def place_line(lat: str = "4500.000", utc: datetime | None = None) -> bytes:
    utc = utc or datetime.now(UTC)
    time = f"{utc:%H%M%S}.{utc.microsecond // 10000:02d}"
    body = f"GPRMC,{time},A,{lat},N,09300.000,W,0.5,090.0,{utc:%d%m%y},,,A"
    return sentence(body) + b"\r\n"


class Afloat:
    """A companion running in a thread, and everything it told."""

    def __init__(self, live: Live, events: list[AnyEvent]) -> None:
        self.live = live
        self.events = events
        self.failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            self.live.run()
        except BaseException as error:
            self.failed = error
            raise

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> list[AnyEvent]:
        self.live.stop()
        self._thread.join(600)
        assert not self._thread.is_alive()
        if self.failed is not None:
            raise self.failed
        return self.events

    def texts(self) -> list[str]:
        return [text for e in list(self.events) if (text := getattr(e, "text", None))]

    def wait_for(
        self, what: Callable[[Afloat], object], within: float = 600.0
    ) -> float:
        """Wait until something is so; return how long it took, s."""
        began = time.monotonic()
        while not what(self):
            assert time.monotonic() - began < within, (
                f"not within {within} s; told: {self.texts()}"
            )
            assert self._thread.is_alive(), "it has ended"
            time.sleep(0.02)
        return time.monotonic() - began

    def wait_for_text(self, text: str, within: float = 600.0) -> float:
        return self.wait_for(
            lambda me: any(t.startswith(text) for t in me.texts()), within
        )


RODS = "[[rods]]" + config.example_text().partition("[[rods]]")[2]
LURES = (
    "[[lures]]"
    + config.example_text().partition("[[lures]]")[2].partition("# The same lure")[0]
)


def config_text(*sources: str) -> str:
    return "\n".join([*(f"[[sources]]\n{s}" for s in sources), LURES, RODS])


def serial_text(name: str, device: Path) -> str:
    return f'name = "{name}"\nkind = "serial"\ndevice = "{device}"\nbaud = 38400'


@pytest.fixture
def launch(tmp_path: Path) -> Iterator[Callable[..., Afloat]]:
    """Start a companion on `text`, keeping its things in `folder`; it is stopped at the end."""
    running: list[Afloat] = []

    def go(
        text: str,
        *,
        folder: Path = tmp_path,
        limits: RecordingLimits | None = None,
        clock: Clock | None = None,
        wall: Callable[[], datetime] = wall_clock,
        sources: tuple[Source, ...] = (),
        **parts: object,
    ) -> Afloat:
        settings = config.parse(text)
        clock = clock or LiveClock()
        sources = sources or tuple(sources_of(settings, clock))
        places = Places(folder / "logbook.db", folder / "recordings")
        events: list[AnyEvent] = []
        live = Live(
            settings,
            text,
            Parts(sources=sources, **parts),
            places,
            events.append,
            clock=clock,
            limits=limits or RecordingLimits(keep_free=0),
            wall=wall,
        )
        afloat = Afloat(live, events)
        running.append(afloat)
        afloat.start()
        return afloat

    yield go
    for one in running:
        one.live.stop()
        one._thread.join(600)


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    made = Wire(tmp_path / "by-id-sonar")
    yield made
    if made.ours >= 0:
        made.unplug()


@pytest.fixture
def talker(wire: Wire) -> Iterator[Talker]:
    made = Talker(wire)
    yield made
    made.stop()


def tone(seconds: float, level: float) -> np.ndarray:
    return (np.sin(np.arange(round(seconds * RATE)) * 0.2) * level).astype(np.int16)


@pytest.fixture
def tools() -> object:
    """The helpers above, for tests: modules here cannot import each other."""
    import types

    return types.SimpleNamespace(
        **{k: v for k, v in globals().items() if not k.startswith("_")}
    )
