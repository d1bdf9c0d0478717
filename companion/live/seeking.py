"""The planner's thread: what takes the engine too long is found here, one search after the other."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from typing import NamedTuple

from companion.casting.planning import Search
from companion.clock import Clock

_LOG = logging.getLogger(__name__)


class SearchDone(NamedTuple):
    """A search is over; `t` is when, s of the clock."""

    t: float


class Seeker(threading.Thread):
    """Works at searches in the order in which they come; nobody waits for it, at the end neither.

    Args:
        done: told of each search that is over; the engine then finds its answer there.
    """

    def __init__(self, done: Callable[[SearchDone], None], clock: Clock) -> None:
        super().__init__(name="planner", daemon=True)
        self._done = done
        self._clock = clock
        self._searches: queue.SimpleQueue[Search | None] = queue.SimpleQueue()

    def seek(self, search: Search) -> None:
        """Have something searched for; it returns at once."""
        self._searches.put(search)

    def stop(self) -> None:
        """Have the thread end after what it works at."""
        self._searches.put(None)

    def run(self) -> None:
        """Work at what comes until stopped."""
        while (search := self._searches.get()) is not None:
            try:
                _ = search.found
            except Exception:  # the engine meets the same error, live and in a replay, and passes it over
                _LOG.exception("a search failed")
            self._done(SearchDone(self._clock.now()))
