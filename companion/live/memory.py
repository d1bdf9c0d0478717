"""Freed memory, given back to the system.

The C library keeps what was freed between pieces that are in use, and the recogniser
frees as much with every utterance: over a day that would be a third of all memory.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache


def give_back() -> None:
    """Give freed memory back to the system; where the C library has no call for that, nothing is done."""
    _trim()(0)


@cache
def _trim() -> Callable[[int], object]:
    return getattr(ctypes.CDLL(None), "malloc_trim", lambda _: 0)
