"""The disk's thread: whatever is to be written, in order, while nobody waits for it.

The engine hands over values and goes on: a card that takes ten seconds for a write, or
a logbook that another program has locked, costs the angler no word. What cannot be
written yet waits in memory, bounded.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable

from companion.clock import Clock
from companion.trip import wording

Job = Callable[[], object]

MOST_JOBS = 20_000
"""What may wait for the disk, a quarter of an hour of it; then the newest is lost, and that is told."""
COMMIT_WITHIN_S = 0.1
"""How long what comes one after the other is gathered for one commit."""
LOOK_EVERY_S = 0.5
"""How often what is to be done now and then is looked at."""
SLOW_AFTER_S = 10.0
"""A disk that takes longer than this for one thing is told of."""
END_WITHIN_S = 20.0
"""How long the end of a trip waits for a disk that does not keep up."""

_LOG = logging.getLogger(__name__)


class Disk(threading.Thread):
    """Does jobs in the order in which they came, and commits after each lot.

    Args:
        commit: commits what the jobs of a lot have left to be committed.
        look_after: called now and then, also while nothing comes.
        tell: told, in a few words, when the disk does not keep up.
    """

    def __init__(
        self, commit: Job, look_after: Job, clock: Clock, tell: Callable[[str], None]
    ) -> None:
        super().__init__(name="disk", daemon=True)
        self._commit = commit
        self._look_after = look_after
        self._clock = clock
        self._tell = tell
        self._jobs: deque[Job] = deque()
        self._come = threading.Event()
        self._over = False
        self._busy_since: float | None = None
        self._told: set[str] = set()

    def enqueue(self, job: Job) -> None:
        """Have something done, from the engine's thread; it returns at once."""
        if len(self._jobs) >= MOST_JOBS:
            self._once(wording.DISK_BEHIND)
            return
        self._jobs.append(job)
        self._come.set()

    def check(self) -> None:
        """Tell once of a disk that has not come back from something for long; from any thread."""
        since = self._busy_since
        if since is not None and self._clock.now() - since > SLOW_AFTER_S:
            self._once(wording.DISK_STUCK)

    def run(self) -> None:
        """Do what comes until it is over."""
        while not (self._over and not self._jobs):
            self._come.wait(LOOK_EVERY_S)
            self._come.clear()
            self._busy_since = self._clock.now()
            self._do_lot()
            self._do(self._look_after)
            self._busy_since = None

    def end(self) -> bool:
        """Do what still waits, and stop; return whether all was done in time."""
        self._over = True
        self._come.set()
        self.join(END_WITHIN_S)
        return not self.is_alive()

    def _do_lot(self) -> None:
        while self._jobs:
            until = self._clock.now() + COMMIT_WITHIN_S
            while self._jobs and self._clock.now() < until:
                self._do(self._jobs.popleft())
            self._do(self._commit)

    def _do(self, job: Job) -> None:
        try:
            job()
        # One thing that cannot be written must not keep the others from the disk.
        except Exception:
            _LOG.exception("something could not be written")
            self._once(wording.WRITING_FAILED)

    def _once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._tell(text)
