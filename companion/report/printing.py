"""A page as a PDF, by Debian's Chromium."""

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
    chromium = next((found for name in _NAMES if (found := shutil.which(name))), None)
    if chromium is None:
        raise PrintingError(
            "a PDF needs Chromium (Debian's package chromium); or print the page from a browser"
        )
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "page.pdf"
        command = [
            chromium,
            "--headless",
            "--disable-gpu",
            *(["--no-sandbox"] if os.geteuid() == 0 else []),
            f"--user-data-dir={folder}/profile",
            "--window-size=760,1080",
            "--virtual-time-budget=15000",
            "--no-pdf-header-footer",
            f"--print-to-pdf={made}",
            page.resolve().as_uri(),
        ]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=_PATIENCE, check=False)
        except subprocess.TimeoutExpired as error:
            raise PrintingError(f"Chromium did not finish within {_PATIENCE:.0f} s") from error
        if not made.is_file():
            last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
            raise PrintingError(f"Chromium made no PDF: {last}")
        shutil.move(made, pdf)
