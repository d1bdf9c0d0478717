"""Sources listened to for some seconds, all at once, and what came of each."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import NamedTuple

from companion.clock import Clock
from companion.config import ConfiguredSource
from companion.record.recording import LineCutter, stamped
from companion.sensing import Chunk, Sensing
from companion.sensing import sources as wires

MOST_BYTES = 4_000_000
"""Bytes kept of one source: more than any wire carries in a minute; who floods us is heard no further."""


class HeardSource(NamedTuple):
    """The yield of one source: its bytes as they came, what they are, and why it could not be read."""

    source: ConfiguredSource
    chunks: list[Chunk]
    trouble: str | None
    sensing: Sensing

    @classmethod
    def nothing_yet(cls, source: ConfiguredSource) -> HeardSource:
        """Return a source of which nothing has been heard."""
        return cls(source, [], None, Sensing({source.name: source.settings()}))

    def read(self) -> None:
        """Take the bytes for sentences and messages; those of a network are stamped as in a recording."""
        cutter = LineCutter(self.source.network)
        for n, chunk in enumerate(self.chunks):
            if chunk.network is not None:
                ms = round(chunk.t * 1000.0)
                lines = (
                    stamped(line, chunk.source, ms, chunk.network)
                    for line in cutter.feed(chunk.data)
                )
                self.chunks[n] = chunk._replace(data=b"".join(lines))
            for _ in self.sensing.feed(self.chunks[n]):
                pass


def listen_to(
    sources: Sequence[ConfiguredSource], clock: Clock, seconds: float
) -> list[HeardSource]:
    """Listen to sources at the same time, and return what each gave, in their order."""
    heard = [HeardSource.nothing_yet(source) for source in sources]
    stop = threading.Event()

    def listen(n: int) -> None:
        try:
            room = MOST_BYTES
            for chunk in wires.source_for(heard[n].source, clock).chunks(stop):
                heard[n].chunks.append(chunk)
                room -= len(chunk.data)
                if room <= 0:
                    break
        except Exception as error:  # a driver's own, as in the reader
            heard[n] = heard[n]._replace(trouble=wires.why_not(error))

    threads = [
        threading.Thread(target=listen, args=(n,), daemon=True)
        for n in range(len(heard))
    ]
    for thread in threads:
        thread.start()
    if threads:
        stop.wait(seconds)
    stop.set()
    for thread in threads:
        thread.join(6.0)
    for one in heard:
        one.read()
    return heard
