"""The page of results: each bench keeps its own section of it, with date, commit and machine."""

from __future__ import annotations

import os
import platform
import re
import subprocess
from datetime import UTC, datetime
from pathlib import Path

PAGE = Path(__file__).parents[2] / "companion" / "docs" / "results.md"


def where_and_when() -> str:
    """Return the date, the commit and the machine."""
    git = ["git", "-C", str(PAGE.parent), "rev-parse", "--short", "HEAD"]
    commit = subprocess.run(
        git, capture_output=True, text=True, check=True
    ).stdout.strip()
    changed = subprocess.run(
        [*git[:3], "status", "--porcelain", "-uno"],
        capture_output=True,
        text=True,
        check=True,
    )
    load = os.getloadavg()[1]
    return (
        f"{datetime.now(UTC):%Y-%m-%d}, commit {commit}{' and changes' if changed.stdout else ''}, "
        f"{platform.machine()}, {os.cpu_count()} processors, {load:.1f} other processes at work"
    )


def keep_section(name: str, text: str) -> None:
    """Put a section on the page in the place of what it had."""
    page = PAGE.read_text(encoding="utf-8")
    section = f"## {name[0].upper()}{name[1:]}\n{text}\n"
    pattern = re.compile(
        rf"^## {re.escape(section.splitlines()[0][3:])}\n.*?(?=^## |\Z)", re.M | re.S
    )
    page = (
        pattern.sub(lambda _: section + "\n", page)
        if pattern.search(page)
        else f"{page.rstrip()}\n\n{section}"
    )
    PAGE.write_text(page.rstrip() + "\n", encoding="utf-8")
