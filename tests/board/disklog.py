"""The log of a disk's writes that QEMU's `blklogwrites` keeps, and the disk after a cut of power in it.

The format is that of the Linux device-mapper target log-writes (kernel documentation,
"dm-log-writes"): a header, then each write as four little-endian 64-bit numbers (first
sector, sectors, flags, length of a mark's text) in a sector of its own, with its data
behind it.
"""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

MAGIC = 0x6A736677736872
HEADER = struct.Struct("<QQQI")
ENTRY = struct.Struct("<QQQQ")
FLUSH, FUA, DISCARD, MARK = 1, 2, 4, 8
UNIT = 512
"""Bytes of a sector as the log counts them, and the least that a disk writes whole."""
TORN = 0.25
"""How many writes of a cut are torn, at the mean."""


class Write(NamedTuple):
    """One entry of the log.

    Attributes:
        end: bytes of the log up to its end.
        at: where on the disk, bytes.
        flags: FLUSH, FUA, DISCARD, MARK.
        place: where its data lies in the log, bytes.
        size: length of its data, bytes.
    """

    end: int
    at: int
    flags: int
    place: int
    size: int


def read_log(path: Path) -> Iterator[Write]:
    """Yield the writes of a log, as far as they are whole.

    Raises:
        ValueError: it is no such log.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        magic, version, _entries, sector = HEADER.unpack(file.read(HEADER.size))
        if magic != MAGIC or version != 1:
            raise ValueError(f"{path}: no log of writes")
        end = sector
        while end + sector <= size:
            file.seek(end)
            first, sectors, flags, length = ENTRY.unpack(file.read(ENTRY.size))
            place = end + sector
            end = place
            if flags & MARK:
                end += -(-length // sector) * sector
            elif not flags & DISCARD:
                end += sectors * sector
            if end > size:
                return
            yield Write(end, first * sector, flags, place, sectors * sector)


class Disk:
    """A disk that is written as the log tells, up to a cut.

    What was written before the last flush is on it; of what came after, a disk's own
    cache may have put any part there, in any order.

    Args:
        log: the log.
        disk: a file with the disk as it was before; it is written to.
        begins: where the part of the disk that the file holds begins, bytes.
    """

    def __init__(self, log: Path, disk: Path, begins: int) -> None:
        self.begins = begins
        self._log = log.open("rb")
        self._disk = disk.open("r+b")
        self._size = disk.stat().st_size
        self._writes = read_log(log)
        self._waiting: list[Write] = []
        self._next: Write | None = next(self._writes, None)

    def go_to(self, end: int) -> list[Write]:
        """Take the writes up to a place in the log; return those that no flush has yet put on the disk."""
        while self._next is not None and self._next.end <= end:
            write, self._next = self._next, next(self._writes, None)
            if write.flags & FLUSH:
                for waiting in self._waiting:
                    self.put(self._disk.fileno(), waiting)
                self._waiting.clear()
            if write.size and not write.flags & MARK:
                self._waiting.append(write)
        self._disk.flush()
        return list(self._waiting)

    def put(self, disk: int, write: Write, size: int | None = None) -> None:
        """Put a write, or only its first bytes, on a disk."""
        at = write.at - self.begins
        if not 0 <= at <= self._size - write.size:
            raise ValueError(
                f"a write at {write.at} outside the part of the disk that is looked at"
            )
        if write.flags & DISCARD:
            return  # what is there afterwards is anything: what was there
        self._log.seek(write.place)
        data = self._log.read(write.size if size is None else size)
        os.pwrite(disk, data, at)

    def close(self) -> None:
        """Close the files."""
        self._log.close()
        self._disk.close()


def survivors(waiting: list[Write], chance: random.Random) -> list[tuple[Write, int]]:
    """Return which unflushed writes a cut leaves on the disk, in their order, and how much of each.

    One time in three it is the first few, as if the disk kept their order; one time in
    three any; else all.
    """
    how = chance.randrange(3)
    first = chance.randint(0, len(waiting))
    kept = []
    for number, write in enumerate(waiting):
        sure = bool(write.flags & FUA)
        size = write.size
        if not sure and chance.random() < TORN / len(waiting):
            size = chance.randrange(0, size, UNIT)
        if (
            sure
            or how == 2
            or (how == 0 and number < first)
            or (how == 1 and chance.random() < 0.5)
        ):
            kept.append((write, size))
    return kept
