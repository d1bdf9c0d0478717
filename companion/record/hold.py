"""One companion at a time in a data folder: a lock that ends with the process, however it ends."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


class HeldError(Exception):
    """Another companion is at work in the folder; the message says so."""


@contextmanager
def hold(folder: Path) -> Iterator[None]:
    """Keep a data folder to oneself. On a disk that cannot be written there is nothing to keep.

    Raises:
        HeldError: another companion has it.
    """
    lock = _opened(folder)
    if lock is None:
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


def _opened(folder: Path) -> int | None:
    """Open the lock file, to lock it; None on a disk that cannot be written.

    Raises:
        HeldError: it belongs to another account, which lets nobody see whether it is in
            use.
    """
    path = folder / ".in-use"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        with suppress(OSError):
            os.fchmod(
                lock, 0o644
            )  # it holds nothing, and other accounts have to find it locked
    except PermissionError:
        try:
            return os.open(
                path, os.O_RDONLY | os.O_CLOEXEC
            )  # another account's: it can still be locked
        except PermissionError:
            raise HeldError(
                f"{path}: it belongs to another account; delete it, or use that account"
            ) from None
        except OSError:
            return None
    except OSError:
        return None
    return lock
