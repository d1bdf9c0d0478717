"""Tables of the rods, made in a process of its own while the boat's sensors are read.

`python -m companion.live.tables FOLDER` is that process. It reads one line of JSON, a
`Wanted`, makes the tables of the rods as they are fished, keeps them in the folder and
tells so by a line; then it makes those that may be wanted later, with the tip held
otherwise and for a boat that comes nearer fast, and ends. It also ends when whoever
started it does.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import IO, Protocol

import msgspec
import numpy as np

from companion.casting.solving import Solve
from companion.dive.evidence import Belief
from companion.dive.kept import NotKeptError, keep_on, kept, only_kept
from companion.record.shelf import TableShelf
from companion.tackle import Rod, TipHeld, calibrations, known_of, make_rod_tables

NICENESS = 10
"""How far the process stands back behind the trip (nice)."""
MADE = b"made\n"
"""Its line once the rods as they are fished have their tables."""
Tips = Mapping[int, Mapping[TipHeld, float]]
"""Height of a rod's tip, m above the water, by its number and how it is held."""
_LOG = logging.getLogger(__name__)


class Wanted(msgspec.Struct, frozen=True):
    """The rods that tables are wanted for.

    Attributes:
        rods: as they are fished.
        beliefs: what was learned of their lures before, by the lure's name.
        later: the rods, held otherwise as well, whose tables may be wanted later.
    """

    rods: tuple[Rod, ...]
    beliefs: dict[str, Belief]
    later: tuple[Rod, ...] = ()


class Worked(Protocol):
    """A maker of tables where they are not kept."""

    def make(self, solve: Solve) -> None:
        """Return once the tables are made that something needs."""


class TableMaker:
    """Has tables made in a process of its own, one after the other.

    Args:
        folder: where they are kept; None: nowhere, and whoever needs one makes it.
        tips: how each rod may be held.
    """

    def __init__(self, folder: Path | None, tips: Tips) -> None:
        self._folder, self._tips = folder, tips
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = threading.Event()
        self._later: dict[Rod, None] = {}
        self._beliefs: dict[str, Belief] = {}

    def make(self, solve: Solve) -> None:
        """Return once the tables are made that something needs, or cannot be made here."""
        if self._folder is None or not solve.rods:
            return
        self._later |= dict.fromkeys(held_otherwise(solve.rods, self._tips))
        self._beliefs |= solve.beliefs
        wanted = Wanted(solve.rods, self._beliefs, tuple(self._later))
        ready = _is_kept(solve)
        if ready and _are_kept(wanted):
            return
        try:
            made = self._begin(wanted)
            if not ready:
                made.readline()
        except OSError as error:  # then whoever needs them makes them
            _LOG.warning("tables are not made in a process of its own: %s", error)

    def _begin(self, wanted: Wanted) -> IO[bytes]:
        """Begin with what is wanted now, and return what the process prints."""
        self._end()
        command = [sys.executable, "-m", __name__, str(self._folder)]
        # In a group of its own: a terminal's Ctrl-C is for the trip, which ends it.
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, process_group=0
        )
        self._process = process
        if self._stopped.is_set():
            self._end()
            raise BrokenPipeError("the trip ends")
        assert process.stdin is not None, "it is a pipe"
        assert process.stdout is not None, "it is a pipe"
        process.stdin.write(msgspec.json.encode(wanted) + b"\n")
        process.stdin.flush()
        return process.stdout

    def stop(self) -> None:
        """End the process, from any thread."""
        self._stopped.set()
        self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


class Prepared:
    """Something to be solved, with the tables it needs made before."""

    def __init__(self, solve: Solve, maker: Worked) -> None:
        self._solve, self._maker = solve, maker

    @property
    def found(self) -> object:
        """Return what is found."""
        self._maker.make(self._solve)
        return self._solve.found


def _is_kept(solve: Solve) -> bool:
    """Return whether something can be solved with the tables that are kept, and have it solved then."""
    try:
        with only_kept():
            _ = solve.found
    except NotKeptError:
        return False
    return True


def _are_kept(wanted: Wanted) -> bool:
    """Return whether all tables that may be wanted later were made and kept once."""
    try:
        with only_kept():
            _note_all_made(wanted)
    except (NotKeptError, ValueError):
        return False
    return True


def _note_all_made(wanted: Wanted) -> None:
    known = [known_of([rod], wanted.beliefs.get(rod.lure.name)) for rod in wanted.later]
    kept("all", (wanted.later, known), lambda: {"rods": np.array(len(known))})


def held_otherwise(rods: tuple[Rod, ...], tips: Tips) -> Iterator[Rod]:
    """Yield the rods as they are, then held otherwise, as far as their casts are long enough for it."""
    yield from rods
    for rod in rods:
        for held, height in tips.get(rod.number, {}).items():
            if held == rod.held:
                continue
            try:
                yield rod.with_tip(held, height)
            except ValueError:
                continue


def make_tables(wanted: Wanted, folder: Path) -> Iterator[None]:
    """Make the tables wanted, and keep them in a folder.

    Yields once the rods as they are fished have theirs.
    """
    keep_on(TableShelf(folder))
    try:
        calibrations(wanted.rods, wanted.beliefs)
    except ValueError:
        _LOG.info("a rod cannot be as it is described: the trip says so")
    yield
    for rod in wanted.later:
        try:
            make_rod_tables(rod, wanted.beliefs.get(rod.lure.name))
        except ValueError:
            _LOG.info("rod %s has no table with its tip %s", rod.number, rod.held)
    with suppress(ValueError):
        _note_all_made(wanted)


def _end_with_input() -> None:
    """End the process once nobody holds the other end of its input any more."""
    # Not by sys.stdin: a thread that holds its lock would stop the end of the process.
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os._exit(0)


def main() -> None:
    """Make what the one line of input wants."""
    # A service may be kept from it, and its tables are made all the same.
    with suppress(PermissionError):
        os.nice(NICENESS)
    wanted = msgspec.json.decode(sys.stdin.buffer.readline(), type=Wanted)
    threading.Thread(target=_end_with_input, daemon=True).start()
    for _ in make_tables(wanted, Path(sys.argv[1])):
        sys.stdout.buffer.write(MADE)
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
