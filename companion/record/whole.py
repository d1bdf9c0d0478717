"""Files that are whole after a cut of power: as they are written, or as they were before."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, data: bytes, *, mode: int = 0o666) -> None:
    """Write a file and return once it is on the disk under its name.

    A name may reach a disk before what the file holds, so both are waited for, in that
    order.

    Args:
        path: where; what is there stays until the new file is whole.
        data: what it is to hold.
        mode: who may read and write it, less what the process withholds.

    Raises:
        OSError: the disk refuses; no half is left beside it.
    """
    part = path.with_name(path.name + ".part")
    try:
        with open(
            part, "wb", opener=lambda name, how: os.open(name, how, mode)
        ) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Return once the names in a folder are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
