"""Whether the tests notice when the code is wrong: `python -m tests.mutation FILE ... TESTS ...`.

Changes the named files in one small way after the other (by mutmut), in a copy, and
runs the named tests against each change. Prints the share that was noticed, and every
change that was not, as a difference to be read: it is a rule without a test, or a
change that means the same. A file may be a pattern, 'companion/casting/*.py'. The order
is random, so that what `--minutes` leaves untried is no choice. Needs
`pip install mutmut`. It stops what hangs by its number, which the system may have given
to another by then: run it after `unshare --pid --fork --mount-proc`, or on a machine
where nothing else runs.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import math
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
ORDER = ROOT / "tests" / "mutation_order.py"
NOTICED = ("killed", "timeout", "segfault", "suspicious")
ALIVE = ("survived", "no tests")
UNTRIED = ("not checked", "skipped")
BESIDE = ("tests", "replay_logs", "hardware", "README.md", "DEVELOPERS.md")


def config(files: list[str], tests: list[str]) -> str:
    """Return what the copy's pyproject.toml says beside the project's own."""
    return f"""
[tool.mutmut]
source_paths = ["companion"]
only_mutate = {files!r}
also_copy = {list(BESIDE)!r}
pytest_add_cli_args = ["-p", "no:randomly", "-p", "no:cacheprovider", "--timeout=60"]
timeout_constant = 5.0
timeout_multiplier = 5.0
pytest_add_cli_args_test_selection = {tests!r}
use_git_change_detection = false
"""


def copied(folder: Path, files: list[str], tests: list[str]) -> None:
    """Copy the package and all tests into a folder, to be changed there."""
    for name in ("companion", *BESIDE):
        if (ROOT / name).is_file():
            shutil.copy(ROOT / name, folder / name)
            continue
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
    command = [sys.executable, "-P", ORDER, *arguments]
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
    files = [name for name in asked.named if name.startswith("companion/")]
    tests = [name for name in asked.named if not name.startswith("companion/")]
    with tempfile.TemporaryDirectory(prefix="mutation-") as name:
        folder = Path(name)
        copied(folder, files, tests)
        jobs = ("--max-children", str(asked.jobs))
        told = mutmut(folder, "run", *jobs, *asked.only, seconds=seconds)
        results = tried(mutmut(folder, "results", "--all", "true"))
        if not results:
            raise SystemExit(told[-3000:])
        changes = differences(folder)
        for mutant, result in results.items():
            if result in ALIVE:
                print(f"-- {result}: {mutant}\n{changes[mutant]}")
        print(summary(", ".join(files), results))
        print(controls(folder))


def tried(listed: str) -> dict[str, str]:
    """Return what came of each change that was tried, controls left out."""
    found = re.findall(r"^\s*(\S+): ([a-z ]+)$", listed, re.M)
    return {name: came for name, came in found if came not in UNTRIED}


def summary(of: str, results: dict[str, str]) -> str:
    """Return the share that was noticed, with its doubt, nine in ten."""
    counts = Counter(results.values())
    share = sum(counts[result] for result in NOTICED) / len(results)
    doubt = 1.645 * math.sqrt(share * (1.0 - share) / len(results))
    return f"{of}: {share:.1%} ± {doubt:.1%} of {len(results)} noticed ({dict(counts)})"


def controls(folder: Path) -> str:
    """Return how many controls failed, and which."""
    told = folder / "controls.txt"
    lines = told.read_text(encoding="utf-8").splitlines() if told.exists() else []
    failed = [line for line in lines if not line.startswith("0 ")]
    return f"controls: {len(failed)} of {len(lines)} failed {failed}"


def differences(folder: Path) -> dict[str, str]:
    """Return the lines that each change changes, by its name."""
    made = folder / "mutants"
    return {
        f"{'.'.join(path.relative_to(made).with_suffix('').parts)}.{name}": lines
        for path in sorted((made / "companion").rglob("*.py"))
        for name, lines in differences_in(path.read_text(encoding="utf-8")).items()
    }


def differences_in(source: str) -> dict[str, str]:
    """Return the lines that differ from the function as it stands, by change."""
    lines = source.splitlines()
    functions = {
        node.name: lines[node.lineno - 1 : node.end_lineno]
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    found = {}
    for name, body in functions.items():
        original = functions.get(f"{name.rpartition('__mutmut_')[0]}__mutmut_orig")
        if original is not None and body is not original:
            compared = difflib.unified_diff(original[1:], body[1:], n=1)
            kept = [line for line in compared if re.match(r"[-+ @](?![-+])", line)]
            found[name] = "\n".join(kept)
    return found


if __name__ == "__main__":
    main()
