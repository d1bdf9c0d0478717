"""The sensors of a trial: the sonar on a serial port (a pty), the GPS as datagrams, and plugs to pull."""

from __future__ import annotations

import contextlib
import os
import pty
import socket
import threading
import time
import tty
from dataclasses import replace
from pathlib import Path

from companion.simulate.nmea import Recorder, sentence
from tests.trial.world import AT_REST_S, INSTRUMENTS, STEP_S, World

SONAR = ("SDDPT", "SDMTW")
"""What the sonar sends; the rest is the GPS's and the compass's."""


class Plug:
    """A serial port behind a name that stays, as udev gives a serial adapter a name by its number."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self._ours = self._theirs = -1
        self._hand = threading.Lock()
        self.put_in()

    def put_in(self) -> None:
        """Plug the adapter in: a new device under the name that stays."""
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        new = self.name.with_suffix(".new")
        new.symlink_to(os.ttyname(self._theirs))
        new.replace(self.name)

    def pull(self) -> None:
        """Unplug it."""
        with self._hand:
            os.close(self._theirs)
            os.close(self._ours)
            self.name.unlink()
            self._ours = -1

    def send(self, data: bytes) -> None:
        """Send, unless it is unplugged or nobody reads."""
        with self._hand, contextlib.suppress(BlockingIOError):
            if self._ours >= 0:
                os.write(self._ours, data)

    @property
    def is_in(self) -> bool:
        """Whether it is plugged in."""
        return self._ours >= 0


class Sensors(threading.Thread):
    """Sends what the instruments show. Until `go` the boat lies still.

    Args:
        world: the truth.
        plug: the sonar's.
        port: the UDP port of this computer that the GPS sends to.

    Attributes:
        started: set once the world has begun.
        gps_is_on: whether the GPS sends.
        began: when the world began, s of the monotonic clock.
        latest: how late a step was at most, s.
    """

    def __init__(self, world: World, plug: Plug, port: int) -> None:
        super().__init__(name="sensors")
        self._world = world
        self._plug = plug
        self._to = ("127.0.0.1", port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._recorder = Recorder(world.lake, 0, STEP_S, 17.0, INSTRUMENTS.transducer)
        self._stop_wanted = threading.Event()
        self._gone = threading.Event()
        self.started = threading.Event()
        self.gps_is_on = True
        self.began = time.monotonic()
        self.latest = 0.0

    def go(self) -> None:
        """Let the boat go: the world begins, with what is left of its time at rest."""
        self._gone.set()

    def run(self) -> None:
        """Send until it is stopped; when the world is over the boat stays where it is."""
        tick, next_at = 0, time.monotonic()
        still, last = round(AT_REST_S / STEP_S) - 100, len(self._world.track.t) - 1
        while not self._stop_wanted.is_set():
            if self._gone.is_set() and tick <= still:
                tick = still + 1
                self._gone.clear()
                self.began = next_at - tick * STEP_S
                self.started.set()
            elif tick == still:
                tick = 0
            self._send(tick)
            tick, next_at = (tick + 1 if tick < last else last - 50), next_at + STEP_S
            late = time.monotonic() - next_at
            self.latest = max(self.latest, late)
            if late < 0.0:
                time.sleep(-late)

    def _send(self, tick: int) -> None:
        now = replace(
            self._recorder, start_ms=round(1000.0 * (time.time() - tick * STEP_S))
        )
        for body in now.bodies(self._world.readings, tick):
            data = (sentence(body) + "\r\n").encode("ascii")
            if body.startswith(SONAR):
                self._plug.send(data)
            elif self.gps_is_on:
                self._socket.sendto(data, self._to)

    def stop(self) -> None:
        """Stop sending."""
        self._stop_wanted.set()
        self.join(10)
        self._socket.close()


def free_port() -> int:
    """Return a UDP port of this computer that is free now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
