"""Kill the installer at each of its commands, and run it again: `python -m tests.faults.installer_kills`.

Every task is tried on a scratch system with stand-ins for what takes minutes
(`tests.faults.installer`). A trap kills the script and all that it started before its
K-th command; afterwards what was installed before must still run, the same task again
must end well, and its outcome must be that of a task never cut off. Prints a line for
each task. `tests/board/roots.py` kills the real thing, in clean Debian systems.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from tests.faults.installer import INSTALLED, Board

TRAP = """
if [[ $0 == hardware/install.sh ]]; then
    set -T
    commands=0
    trap 'if ((commands++ == KILL_AT)); then kill -KILL 0; fi; echo "$commands" >"$COUNTED"' DEBUG
fi
"""
"""Read by bash at its beginning (BASH_ENV)."""
NEVER = -1


class Task(NamedTuple):
    """What is killed: its options, what was done before it, and what must hold afterwards."""

    options: tuple[str, ...]
    before: Callable[[Board], None]
    runs: Callable[[Board], bool]
    outcome: Callable[[Board], None]
    destination: bool = True


def _environment_runs(board: Board) -> bool:
    program = board.system / "opt/companion/current/bin/companion"
    told = subprocess.run(
        [program, "settings", "--example"], capture_output=True, text=True, check=False
    )
    return told.stdout.startswith("units")


def _anything(_board: Board) -> bool:
    return True


def _nothing_yet(board: Board) -> None:
    model = board.home / ".local/share/companion/speech-model-en-1"
    model.mkdir(parents=True)
    (model / "complete.txt").write_text("0 nothing\n")


def _a_service(board: Board) -> None:
    _nothing_yet(board)
    assert board.run("--service").returncode == 0
    (board.system / "etc/companion/companion.toml").write_text("mine")
    (board.system / "var/lib/companion/logbook.db").write_text("a season")
    board.change("another version")


def _an_updated_service(board: Board) -> None:
    _a_service(board)
    assert board.run("--update").returncode == 0


def _is_installed(board: Board) -> None:
    assert board.files >= INSTALLED
    assert _environment_runs(board)
    assert (
        board.system / "etc/companion/companion.toml"
    ).read_text() == 'units = "feet"\n'
    assert (board.system / "var/lib/companion/speech-model-en-1/complete.txt").is_file()
    assert not (board.system / "var/lib/companion/unfinished").exists()
    assert len(list((board.system / "opt/companion/environments").iterdir())) <= 2


def _is_updated(board: Board) -> None:
    assert "nothing to update" in board.run("--update").stdout
    assert board.unit_and_rules() == {"# another version"}
    new = board.current
    _goes_back(board)
    assert board.current != new
    assert "--update changes to it" in board.run("--service").stdout
    assert (board.system / "etc/companion/companion.toml").read_text() == "mine"


def _goes_back(board: Board) -> None:
    """Going back reaches another environment, and once more the first."""
    first, beside = board.current, board.unit_and_rules()
    for other in (True, False):
        assert board.run("--back").returncode == 0
        assert (board.current != first) is other
        assert (board.unit_and_rules().isdisjoint(beside)) is other
        assert _environment_runs(board)
    assert board.run("--back").returncode == 0


def _is_removed(board: Board) -> None:
    kept = {"etc/companion/companion.toml", "var/lib/companion/logbook.db"}
    model = "var/lib/companion/speech-model-en-1/complete.txt"
    assert board.files == kept | {model}


def _is_purged(board: Board) -> None:
    assert board.files == set()


def _a_folder(board: Board) -> None:
    assert board.run(destination=False).returncode == 0
    (board.project / ".venv" / "first").touch()


def _an_updated_folder(board: Board) -> None:
    _a_folder(board)
    assert board.run("--update", destination=False).returncode == 0


def _folder_is_installed(board: Board) -> None:
    assert (board.project / ".venv/bin/companion").is_file()
    assert (board.project / ".venv/installed.txt").is_file()


def _folder_is_updated(board: Board) -> None:
    _folder_is_installed(board)
    assert not (board.project / ".venv/first").exists()
    assert board.run("--back", destination=False).returncode == 0
    _is_with_the_one_before(board)


def _is_with_the_one_before(board: Board) -> None:
    """Whole, with the other beside it; cut off after its last move, going back again returns."""
    _folder_is_installed(board)
    assert {path.name for path in board.project.glob(".venv*")} == {
        ".venv",
        ".venv.before",
    }


def _folder_is_removed(board: Board) -> None:
    assert list(board.project.glob(".venv*")) == []


TASKS = {
    "service": Task(("--service",), _nothing_yet, _anything, _is_installed),
    "update": Task(("--update",), _a_service, _environment_runs, _is_updated),
    "back": Task(("--back",), _an_updated_service, _environment_runs, _goes_back),
    "uninstall": Task(("--uninstall",), _a_service, _anything, _is_removed),
    "purge": Task(("--uninstall", "--purge"), _a_service, _anything, _is_purged),
    "folder": Task((), lambda _: None, _anything, _folder_is_installed, False),
    "folder update": Task(
        ("--update",), _a_folder, _anything, _folder_is_updated, False
    ),
    "folder back": Task(
        ("--back",), _an_updated_folder, _anything, _is_with_the_one_before, False
    ),
    "folder uninstall": Task(
        ("--uninstall",), _an_updated_folder, _anything, _folder_is_removed, False
    ),
}


class Killing:
    """One task on one board, begun again and again from the same state."""

    def __init__(self, folder: Path, task: Task) -> None:
        self.task = task
        self.board = Board(folder / "board")
        self.kept = folder / "kept"
        self.trap = folder / "trap.sh"
        self.trap.write_text(TRAP)
        self.counted = folder / "counted"
        task.before(self.board)
        shutil.copytree(folder / "board", self.kept, symlinks=True)
        assert self._run(NEVER).returncode == 0
        self.commands = int(self.counted.read_text())
        task.outcome(self.board)

    def _run(self, kill_at: int) -> subprocess.CompletedProcess[str]:
        return self.board.run(
            *self.task.options,
            destination=self.task.destination,
            BASH_ENV=str(self.trap), KILL_AT=str(kill_at), COUNTED=str(self.counted),
        )  # fmt: skip

    def kill_at(self, command: int) -> None:
        """Begin anew, kill the task before this command, and finish it.

        Raises:
            AssertionError: something is not as after a task that was not killed.
        """
        folder = self.kept.with_name("board")
        shutil.rmtree(folder)
        shutil.copytree(self.kept, folder, symlinks=True)
        killed = self._run(command)
        assert killed.returncode == -9, f"command {command} was not reached"
        assert self.task.runs(self.board), (
            f"killed at command {command}, what ran before does not run"
        )
        again = self._run(NEVER)
        assert again.returncode == 0, (
            f"killed at command {command}: {again.stdout}{again.stderr}"
        )
        self.task.outcome(self.board)


def kills(name: str, every: int, first: int = 0) -> Iterator[int]:
    """Kill a task at every so-manieth command, and yield each that was tried."""
    with tempfile.TemporaryDirectory() as folder:
        killing = Killing(Path(folder), TASKS[name])
        for command in range(first, killing.commands, every):
            killing.kill_at(command)
            yield command


if __name__ == "__main__":
    for one in sys.argv[1:] or TASKS:
        print(
            f"{one}: killed at {len(list(kills(one, 1)))} commands, each finished afterwards",
            flush=True,
        )
