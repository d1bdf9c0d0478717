"""Fuzz one of the doors: `python tests/fuzz/fuzz_doors.py gpx -max_total_time=600` (atheris, x86)."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

READERS = [
    "companion",
    "gpxpy",
    "tomllib",
    "json",
    "csv",
    "zipfile",
    "soundfile",
    "sqlite_utils",
]

with atheris.instrument_imports(include=READERS):
    import doors

if __name__ == "__main__":
    door, *options = sys.argv[1:]
    with tempfile.TemporaryDirectory(prefix="seeds-") as folder:
        for number, seed in enumerate(doors.SEEDS[door]()):
            Path(folder, f"{number}").write_bytes(seed)
        atheris.Setup(
            [sys.argv[0], "-max_len=20000", *options, folder],
            lambda data: doors.forged(door, data),
        )
        atheris.Fuzz()
