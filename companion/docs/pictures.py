"""The pictures of the tutorial, drawn by the commands that the tutorial names, of the invented day."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from companion.cli import commands

PICTURES: Mapping[str, tuple[str, ...]] = {
    "reach.svg": ("reach", "--svg"),
    "lake.svg": ("lakebed",),
    "plan.svg": ("plan", "--mark", "tree top", "--clear", "--svg"),
}
"""The words of the command that draws each picture; the file's name follows them."""


def draw_pictures(folder: Path, day: Path, logbook: Path) -> None:
    """Draw every picture into a folder, of a recorded day that has been replayed into a logbook."""
    folder.mkdir(exist_ok=True)
    of_the_day = ("--config", str(day / "companion.toml"), "--logbook", str(logbook))
    for name, words in PICTURES.items():
        commands.main([*words, str(folder / name), *of_the_day], "companion", standalone_mode=False)
