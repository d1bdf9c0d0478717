"""Time: live or replay. Nothing else in the package asks what time it is.

Two times are kept apart. *Logic time* is a monotonic count of seconds, for ages,
intervals and timeouts. *UTC* is for the record and comes from the GPS. In a replay both
come from the recording.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


def written(instant: datetime) -> str:
    """Return an instant as the events and the logbook write it, 2026-10-03T14:15:00.250Z."""
    return (
        instant.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")
        + "Z"
    )


class Clock(Protocol):
    """The engine's source of time."""

    def now(self) -> float:
        """Return logic time, s, never decreasing."""
        ...


class LiveClock:
    """The computer's monotonic clock."""

    def now(self) -> float:
        """Return logic time, s, from an arbitrary origin."""
        return time.monotonic()


def wall_clock() -> datetime:
    """Return what the computer takes for UTC; without a clock battery it may be years off."""
    return datetime.now(UTC)


def stopwatch() -> float:
    """Return seconds from an arbitrary origin, for measuring how long work takes."""
    return time.perf_counter()


class ReplayPace:
    """Holds a replay back to a multiple of real time."""

    def __init__(self, times: float) -> None:
        """Start the watch: one second of the recording takes 1 / `times` seconds."""
        self._times = times
        self._began = time.monotonic()

    def wait_for(self, t: float) -> None:
        """Wait until logic time t, s since the recording began, has come."""
        ahead = t / self._times - (time.monotonic() - self._began)
        if ahead > 0.0:
            time.sleep(ahead)
