"""One companion at a time in a data folder: a lock that ends with the process, however it ends."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class HeldError(Exception):
    """Another companion is at work in the folder; the message says so."""


@contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Keep a data folder to oneself. On a disk that cannot be written there is nothing to keep.

    Raises:
        HeldError: another companion has it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = os.open(folder / ".in-use", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
        yield
        return
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise HeldError(
                f"{folder}: another companion is running; stop it first: sudo systemctl stop companion"
            ) from None
        yield
    finally:
        os.close(lock)
