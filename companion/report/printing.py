"""A page as a PDF or as pixels, by Debian's Chromium."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_PATIENCE = 120.0


class PrintingError(Exception):
    """No PDF was made; the message says why."""


def to_pdf(page: Path, pdf: Path) -> None:
    """Print a page of ours into a PDF.

    Raises:
        PrintingError: there is no Chromium, or it failed.
    """
    _by_chromium(page, pdf, (760, 1080), "--no-pdf-header-footer", "--print-to-pdf")


def to_png(page: Path, png: Path, wide: int, high: int) -> None:
    """Draw the top of a page of ours as pixels, as a window of that size shows it.

    Raises:
        PrintingError: there is no Chromium, or it failed.
    """
    _by_chromium(page, png, (wide, high), "--hide-scrollbars", "--screenshot")


def _by_chromium(page: Path, to: Path, size: tuple[int, int], *options: str) -> None:
    """Let Chromium write a file, the last option being the one that names it.

    Raises:
        PrintingError: there is no Chromium, or it failed.
    """
    kind = to.suffix.removeprefix(".").upper()
    chromium = next((found for name in _NAMES if (found := shutil.which(name))), None)
    if chromium is None:
        raise PrintingError(
            f"a {kind} needs Chromium (Debian's package chromium); or print the page from a browser"
        )
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / f"page.{kind.lower()}"
        command = [
            chromium,
            "--headless",
            "--disable-gpu",
            *(["--no-sandbox"] if os.geteuid() == 0 else []),
            f"--user-data-dir={folder}/profile",
            f"--window-size={size[0]},{size[1]}",
            "--virtual-time-budget=15000",
            *options[:-1],
            f"{options[-1]}={made}",
            page.resolve().as_uri(),
        ]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=_PATIENCE, check=False
            )
        except subprocess.TimeoutExpired as error:
            raise PrintingError(
                f"Chromium did not finish within {_PATIENCE:.0f} s"
            ) from error
        if not made.is_file():
            last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
            raise PrintingError(f"Chromium made no {kind}: {last}")
        shutil.move(made, to)
