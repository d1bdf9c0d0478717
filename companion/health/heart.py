"""Whether every part of the running companion is alive, and telling the service manager so."""

from __future__ import annotations

import os
import socket
import threading

from companion.clock import Clock

QUIET_FOR = 20.0
"""A part that has not beaten for this long counts as stuck, s: longer than anything it waits for."""


class Heart:
    """The heartbeats of the parts. A part beats from its own thread as long as it gets somewhere."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._beats: dict[str, float] = {}

    def beat(self, part: str) -> None:
        """Note that a part is alive; the first beat makes it one of those that have to go on beating."""
        self._beats[part] = self._clock.now()

    def forget(self, part: str) -> None:
        """Expect nothing of a part any more: it has ended in order."""
        self._beats.pop(part, None)

    def stuck(self) -> list[str]:
        """Return the parts that have been quiet for too long."""
        now = self._clock.now()
        return sorted(
            part for part, last in list(self._beats.items()) if now - last > QUIET_FOR
        )


class BeatingStop(threading.Event):
    """A wish to stop whose every look-up is a heartbeat: sources look at theirs several times a second."""

    def __init__(self, heart: Heart, part: str) -> None:
        super().__init__()
        self._heart = heart
        self._part = part

    def is_set(self) -> bool:
        """Return whether to stop."""
        self._heart.beat(self._part)
        return super().is_set()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for the wish to stop, or for `timeout` seconds."""
        self._heart.beat(self._part)
        return super().wait(timeout)


def tell_manager(*states: str) -> bool:
    """Tell systemd how the service is (sd_notify(3): one datagram of VARIABLE=VALUE lines).

    Returns whether there was a manager that took it; without one nothing is done.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):  # a name that is in no folder: Linux marks it by a zero
        address = "\0" + address[1:]
    try:
        with socket.socket(
            socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC
        ) as manager:
            manager.sendto("\n".join(states).encode(), address)
    except OSError:
        return False
    return True


def watchdog_interval() -> float | None:
    """Return how often the watchdog wants to be fed, s: half its time-out; None when there is none."""
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    mine = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    if not microseconds.isdecimal() or not mine:
        return None
    return int(microseconds) / 2e6
