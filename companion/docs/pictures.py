"""The pictures of tutorial and how-to, drawn by the commands that they name, of the invented day."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from PIL import Image

from companion.cli import commands
from companion.report.printing import to_png

PICTURES: Mapping[str, tuple[str, ...]] = {
    "reach.svg": ("reach", "--svg"),
    "lake.svg": ("lakebed",),
    "plan.svg": ("plan", "--mark", "tree top", "--clear", "--svg"),
}
"""The words of the command that draws each picture; the file's name follows them."""

SHOTS: Mapping[str, tuple[str, int, int]] = {
    "report.png": ("report", 1000, 1700),
    "season.png": ("season", 1000, 1180),
}
"""The command that makes each page, and the size of the window in which its top is shown, pixels."""

_COLOURS = 64


def draw_pictures(folder: Path, day: Path, logbook: Path) -> None:
    """Draw every picture into a folder, of a recorded day that has been replayed into a logbook."""
    folder.mkdir(exist_ok=True)
    of_the_day = ("--config", str(day / "companion.toml"), "--logbook", str(logbook))
    for name, words in PICTURES.items():
        _run(*words, str(folder / name), *of_the_day)
    page = logbook.with_name("page.html")
    for name, (command, wide, high) in SHOTS.items():
        _run(command, str(logbook), "-o", str(page))
        to_png(page, folder / name, wide, high)
        # As few colours as the eye does not miss: a third of the bytes.
        Image.open(folder / name).quantize(_COLOURS).save(folder / name, optimize=True)


def _run(*words: str) -> None:
    commands.main(list(words), "companion", standalone_mode=False)
