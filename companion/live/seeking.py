"""The threads beside the engine: what takes it too long is found or solved here, one after the other."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from typing import NamedTuple, Protocol

from companion.clock import Clock

_LOG = logging.getLogger(__name__)


class Work(Protocol):
    """Something that is worked out when it is first asked for."""

    @property
    def found(self) -> object:
        """Return what is found."""


class SearchDone(NamedTuple):
    """A search is over; `t` is when, s of the clock."""

    t: float


class SolveDone(NamedTuple):
    """Something is solved; `t` is when, s of the clock."""

    t: float


class Worker(threading.Thread):
    """Works at what comes in the order in which it comes; nobody waits for it, at the end neither.

    Args:
        name: of the thread.
        done: told, each time something is over, when that was, s of the clock; the
            engine then finds its answer there.
        clock: tells that.
    """

    def __init__(self, name: str, done: Callable[[float], None], clock: Clock) -> None:
        super().__init__(name=name, daemon=True)
        self._done = done
        self._clock = clock
        self._works: queue.SimpleQueue[Work | None] = queue.SimpleQueue()

    def work_at(self, work: Work) -> None:
        """Have something worked out; it returns at once."""
        self._works.put(work)

    def stop(self) -> None:
        """Have the thread end after what it works at."""
        self._works.put(None)

    def run(self) -> None:
        """Work at what comes until stopped."""
        while (work := self._works.get()) is not None:
            try:
                _ = work.found
            except Exception:  # the engine meets the same error, live and in a replay, and passes it over
                _LOG.exception("%s failed", self.name)
            self._done(self._clock.now())
