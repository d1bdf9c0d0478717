"""Whether the tests notice when the code is wrong: `python -m tests.mutation FILE ... TESTS ...`.

Changes the named files in one small way after the other (by mutmut), in a copy, and
runs the named tests against each change. Prints the share that was noticed, and every
change that was not, as a difference to be read: it is a rule without a test, or a
change that means the same. Needs `pip install mutmut`.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
NOTICED = ("killed", "timeout", "segfault", "suspicious")
ALIVE = ("survived", "no tests")


def config(files: list[str], tests: list[str]) -> str:
    """Return what the copy's pyproject.toml says beside the project's own."""
    return f"""
[tool.mutmut]
source_paths = ["companion"]
only_mutate = {files!r}
pytest_add_cli_args = ["-p", "no:randomly", "-p", "no:cacheprovider", "-x", "-q"]
pytest_add_cli_args_test_selection = {tests!r}
use_git_change_detection = false
"""


def copied(folder: Path, files: list[str], tests: list[str]) -> None:
    """Copy the package and all tests into a folder, to be changed there."""
    for name in ("companion", "tests", "replay_logs"):
        shutil.copytree(
            ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__")
        )
    own = (
        (ROOT / "pyproject.toml")
        .read_text(encoding="utf-8")
        .partition("[[tool.importlinter")[0]
    )
    (folder / "pyproject.toml").write_text(own + config(files, tests), encoding="utf-8")


def mutmut(folder: Path, *arguments: str, seconds: float | None = None) -> str:
    """Run mutmut in the copy, for so many seconds at most; return what it printed."""
    command = [Path(sys.executable).parent / "mutmut", *arguments]
    with tempfile.TemporaryFile("w+") as told:
        process = subprocess.Popen(
            command, cwd=folder, stdout=told, stderr=told, start_new_session=True
        )
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        told.seek(0)
        return told.read()


def main() -> None:
    """Change, test, and tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "named", nargs="+", help="files of companion/ to change, and tests to run"
    )
    parser.add_argument(
        "--only",
        nargs="*",
        default=[],
        help="only changes whose names fit, such as '*_begins*'",
    )
    parser.add_argument(
        "--jobs", type=int, default=1, help="how many changes are tried at a time"
    )
    parser.add_argument(
        "--minutes", type=float, help="how long at most; what was tried by then is told"
    )
    asked = parser.parse_args()
    seconds = None if asked.minutes is None else 60.0 * asked.minutes
    named = asked.named
    files = [name for name in named if name.startswith("companion/")]
    tests = [name for name in named if not name.startswith("companion/")]
    with tempfile.TemporaryDirectory(prefix="mutation-") as name:
        folder = Path(name)
        copied(folder, files, tests)
        told = mutmut(
            folder,
            "run",
            "--max-children",
            str(asked.jobs),
            *asked.only,
            seconds=seconds,
        )
        results = re.findall(
            r"^\s*(\S+): ([a-z ]+)$", mutmut(folder, "results", "--all", "true"), re.M
        )
        results = [
            (mutant, result) for mutant, result in results if result != "not checked"
        ]
        if not results:
            raise SystemExit(told[-3000:])
        for mutant, result in results:
            if result in ALIVE:
                print(
                    f"-- {result}: {mutant}\n{difference(mutmut(folder, 'show', mutant))}"
                )
    counts = Counter(result for _, result in results)
    noticed = sum(counts[result] for result in NOTICED)
    print(
        f"{', '.join(files)}: {noticed} of {len(results)} noticed, "
        f"{noticed / len(results):.0%} ({dict(counts)})"
    )


def difference(shown: str) -> str:
    """Return the lines that differ, with where they are."""
    return "\n".join(
        line for line in shown.splitlines() if re.match(r"[-+@](?![-+])", line)
    )


if __name__ == "__main__":
    main()
