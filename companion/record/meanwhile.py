"""The logbook that an earlier version writes when one went back to it: a second one, taken over later."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from companion.record.backup import BackupError, set_aside, snapshot
from companion.record.logbook import Logbook
from companion.record.salvage import salvage
from companion.record.tables import LogbookError


def usable_logbook(path: Path, tell: Callable[[str], None]) -> Path:
    """Return the logbook that this version can write.

    It is the one at `path`; while that has had steps of a newer version, it is a second
    one beside it. What stands in the second is taken over once this version can write
    the first, and the second is kept under another name.

    Args:
        path: the boat's logbook.
        tell: told, in a few words, of a second logbook and of its taking over.
    """
    second = path.with_name(f"{path.stem}-meanwhile{path.suffix}")
    try:
        with Logbook(path):
            pass
    except LogbookError as error:
        if not error.newer:
            return path  # whoever writes it finds out, and tells
        tell("logbook is of a newer version, a second one is used")
        return second
    if second.exists():
        _take_over(second, path, tell)
    return path


def _take_over(second: Path, path: Path, tell: Callable[[str], None]) -> None:
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".merge-") as scratch:
            copy = Path(scratch) / path.name
            snapshot(second, copy)
            salvage(copy, path)
        set_aside(second, "merged")
    except (BackupError, LogbookError, OSError) as error:
        tell(f"second logbook not taken over: {error}")
    else:
        tell("second logbook taken over")
