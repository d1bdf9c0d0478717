"""The utterances' sound, put into the page, as far as there is room."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence
from pathlib import Path

MOST_SOUND_BYTES = 12_000_000
"""How much sound goes into a page, bytes of FLAC."""


def embedded(
    folder: Path | None, names: Sequence[str], first: Iterable[str] = ()
) -> dict[str, str]:
    """Return clips of a folder as data URIs by their name, those in `first` before the others.

    What would go over `MOST_SOUND_BYTES`, and what is not there, is left out.
    """
    found: dict[str, str] = {}
    if folder is None:
        return found
    wanted = set(first)
    left = MOST_SOUND_BYTES
    for name in sorted(names, key=lambda one: one not in wanted):
        path = folder / Path(name).name
        if name in found or path.suffix != ".flac" or not path.is_file():
            continue
        left -= path.stat().st_size
        if left < 0:
            break
        found[name] = f"data:audio/flac;base64,{b64encode(path.read_bytes()).decode()}"
    return {name: found[name] for name in names if name in found}
