"""Print the table of faults, tries and losses: `python tests/faults/table.py`; it runs all of tests/faults.

A loss is a test that fails; what a test counts itself (tries, events, seconds) it hands
over as properties.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent


class Row(NamedTuple):
    """One fault: what was done, how often, how it went, what was measured."""

    fault: str
    tries: int
    outcome: str
    seen: str


def rows(report: Path) -> list[Row]:
    """Return a row for each test in a report of pytest's."""
    found = []
    for case in ET.parse(report).getroot().iter("testcase"):
        told = {p.get("name"): p.get("value") or "" for p in case.iter("property")}
        bad = next(
            (
                kind
                for kind in ("failure", "error", "skipped")
                if case.find(kind) is not None
            ),
            None,
        )
        name = (case.get("name") or "").removeprefix("test_").replace("_", " ")
        seen = ", ".join(told[key] for key in ("lost", "seen") if key in told)
        outcome = {None: "nothing lost", "skipped": "NOT TRIED"}.get(bad, "LOST")
        found.append(Row(name, int(told.get("tries", 1)), outcome, seen))
    return sorted(found)


def main() -> int:
    """Run the tests and print the table; return how pytest ended."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:randomly",
            f"--junitxml={report}",
            str(HERE),
        ]
        run = subprocess.run(
            [*command, "-o", "junit_family=xunit1"],
            capture_output=True,
            text=True,
            check=False,
        )
        print("| fault | tries | outcome | measured |\n|---|---|---|---|")
        for row in rows(report):
            print(f"| {row.fault} | {row.tries} | {row.outcome} | {row.seen} |")
    print(f"\n{run.stdout.splitlines()[-1]}")
    return run.returncode


if __name__ == "__main__":
    sys.exit(main())
