"""The boat's wires: the sources in the configuration, and how much of each is let in."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

from companion.clock import Clock
from companion.config import Settings
from companion.sensing import Chunk
from companion.sensing.sources import Source, source_for

SOURCE_BYTES_PER_S = 60_000.0
"""Bytes a second taken from one source: five times what a wire of 115,200 baud carries."""
SOURCE_BURST_BYTES = 120_000.0
"""Bytes taken at once: what a computer keeps of a wire while the program is busy."""
_STARTS = (b"$", b"!", b"\\")


def sources_of(settings: Settings, clock: Clock) -> Iterator[Source]:
    """Yield the sources a boat has; files are for replay and are passed over."""
    return (
        source_for(source, clock)
        for source in settings.sources
        if source.kind != "file"
    )


class Allowance:
    """A token bucket: `SOURCE_BYTES_PER_S` bytes more each second, at most `SOURCE_BURST_BYTES` at once."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._room = SOURCE_BURST_BYTES
        self._at = clock.now()

    def wait_for(self, size: int) -> float:
        """Take so many bytes; return how long to wait before they may pass, s (0: at once)."""
        now = self._clock.now()
        self._room = min(
            SOURCE_BURST_BYTES, self._room + (now - self._at) * SOURCE_BYTES_PER_S
        )
        self._at = now
        return max(0.0, (size - self._room) / SOURCE_BYTES_PER_S)

    def count_bytes(self, size: int) -> None:
        """Count bytes that pass."""
        self._room -= size


class Inlet:
    """One source's way into the queue, so that none can crowd out the others.

    A wire or a connection that sends more than `SOURCE_BYTES_PER_S` is made to wait;
    datagrams cannot wait and are dropped, those that do not begin like a sentence
    before those that do.
    """

    def __init__(
        self,
        put: Callable[[Chunk], None],
        clock: Clock,
        *,
        drops: bool,
        flooded: Callable[[], None],
    ) -> None:
        self.dropped = 0
        self._put = put
        self._drops = drops
        self._flooded = flooded
        self._likely, self._noise = Allowance(clock), Allowance(clock)
        self._pause = threading.Event()

    def pass_on(self, chunk: Chunk) -> None:
        """Hand a chunk on, later, or not at all."""
        likely = (
            not self._drops
            or chunk.network is not None
            or chunk.data.startswith(_STARTS)
        )
        allowance = self._likely if likely else self._noise
        wait = allowance.wait_for(len(chunk.data))
        if wait > 0.0 and self._drops:
            if not self.dropped:
                self._flooded()
            self.dropped += len(chunk.data)
            return
        if wait > 0.0:
            self._pause.wait(wait)
        allowance.count_bytes(len(chunk.data))
        self._put(chunk)
