"""The shelf of computed tables among the user's data: a file each, and the oldest go when there are too many.

A file begins with the SHA-256 of the rest. One that is torn, wrong or of another
version of the code is not used; the next that is made takes its place. Nothing here
ends a program: a disk that is full or may not be written to only means that tables are
made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import tempfile
import zipfile
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from companion.dive.kept import Arrays

MOST_TABLE_BYTES = 64_000_000
"""What all tables together may take of the disk; one rig's are 0.3 MB."""
_DIGEST_BYTES = 32
_SUFFIX = ".table"


class TableShelf:
    """Tables in a folder, which is made when the first is kept."""

    def __init__(self, folder: Path, most_bytes: int = MOST_TABLE_BYTES) -> None:
        self._folder, self._most_bytes = folder, most_bytes

    def load(self, name: str) -> Arrays | None:
        """Return the arrays kept under a name; None: there are none, or none that are whole."""
        path = self._path(name)
        try:
            content = path.read_bytes()
            if (
                hashlib.sha256(content[_DIGEST_BYTES:]).digest()
                != content[:_DIGEST_BYTES]
            ):
                return None
            with np.load(
                io.BytesIO(content[_DIGEST_BYTES:]), allow_pickle=False
            ) as arrays:
                found = dict(arrays)
        except (OSError, ValueError, zipfile.BadZipFile):
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return found

    def save(self, name: str, arrays: Arrays) -> None:
        """Keep arrays under a name, whole or not at all."""
        buffer = io.BytesIO()
        np.savez(buffer, allow_pickle=False, **arrays)
        content = buffer.getvalue()
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            handle, made = tempfile.mkstemp(
                dir=self._folder, prefix=".", suffix=_SUFFIX
            )
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(hashlib.sha256(content).digest() + content)
                Path(made).replace(self._path(name))
            finally:
                Path(made).unlink(missing_ok=True)
            self._tidy()

    def _path(self, name: str) -> Path:
        return self._folder / f"{name}-{_code_version()}{_SUFFIX}"

    def _tidy(self) -> None:
        """Remove the tables used longest ago until the rest is small enough."""
        by_use = sorted(
            self._folder.glob(f"*{_SUFFIX}"),
            key=lambda path: path.stat().st_mtime,
            reverse=True,
        )
        total = 0
        for path in by_use:
            total += path.stat().st_size
            if total > self._most_bytes:
                path.unlink(missing_ok=True)


@cache
def _code_version() -> str:
    """Return a digest of the code that makes tables, and of the version of what computes for it."""
    digest = hashlib.sha256(np.__version__.encode())
    for module in sorted(
        files("companion.dive").iterdir(), key=lambda module: module.name
    ):
        if module.name.endswith(".py"):
            digest.update(module.read_bytes())
    return digest.hexdigest()[:16]
