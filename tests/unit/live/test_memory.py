"""What lies freed between pieces in use goes back to the system."""

from pathlib import Path

import numpy as np

from companion.live.memory import give_back

PAGE = 4096


def held_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE / 1e6


def test_what_was_freed_between_pieces_in_use_goes_back():
    pieces = [np.ones(8000) for _ in range(1600)]  # 64 kB each: no mapping of their own
    kept = pieces[::16]
    del pieces
    before = held_mb()
    give_back()
    assert held_mb() < before - 50.0
    assert all(piece.all() for piece in kept)
