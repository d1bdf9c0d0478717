"""Tables made in a process of their own: kept where the trip finds them, and nothing left running."""

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from companion.casting.deck import Deck, solve_rig
from companion.casting.solving import Solve
from companion.config import example_text, parse
from companion.dive import likelihood
from companion.dive.kept import NotKeptError, keep_on, only_kept
from companion.live import tables as of_tables
from companion.live.tables import Prepared, TableMaker, Wanted, make_tables
from companion.record.shelf import TableShelf
from companion.tackle import calibrations, make_rod_tables

ROD = parse(example_text(), "the example").rods[0]
TIPS = {1: {"usual": ROD.tip_height, "up": 1.8}}


@pytest.fixture
def folder(tmp_path: Path):
    likelihood.grid_of.cache_clear()
    likelihood._lift_logs.cache_clear()
    keep_on(TableShelf(tmp_path))
    yield tmp_path
    keep_on(None)


def test_where_only_what_is_kept_is_asked_for_nothing_is_made(folder: Path) -> None:
    with only_kept(), pytest.raises(NotKeptError):
        calibrations([ROD])
    assert not list(folder.iterdir())


def test_what_the_process_is_told_is_the_rod_as_it_was() -> None:
    wanted = Wanted((ROD,), {"a lure": Deck([ROD]).learned(ROD).belief()}, (ROD,))
    assert msgspec.json.decode(msgspec.json.encode(wanted), type=Wanted) == wanted


def test_a_process_makes_what_is_missing_and_the_trip_finds_it(folder: Path) -> None:
    maker = TableMaker(folder, {})
    try:
        maker.make(Deck([ROD]).solve_beliefs())
        with only_kept():
            calibrations([ROD])
        assert maker._process is not None
        assert maker._process.wait() == 0
        with only_kept():
            make_rod_tables(ROD)
    finally:
        maker.stop()
    assert maker._process is None


INTERRUPTED = """
import os, signal, sys, time
from pathlib import Path
from companion.config import example_text, parse
from companion.live.tables import TableMaker, Wanted
rod = parse(example_text(), "the example").rods[0]
maker = TableMaker(Path(sys.argv[1]), {})
made = maker._begin(Wanted((rod,), {}))
try:
    os.killpg(0, signal.SIGINT)
    time.sleep(60)
except KeyboardInterrupt:
    print(made.readline())
finally:
    maker.stop()
"""
"""A trip in a terminal, at its Ctrl-C."""


def test_ctrl_c_in_a_terminal_is_for_the_trip_alone(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED, str(folder)],
        capture_output=True,
        start_new_session=True,
        check=True,
        text=True,
    )
    assert (done.stdout, done.stderr) == ("b'made\\n'\n", "")


NO_NICENESS = """
import os, runpy, sys
def refuse(_):
    raise PermissionError(1, "Operation not permitted")
os.nice = refuse
sys.argv = ["tables", sys.argv[1]]
runpy.run_module("companion.live.tables", run_name="__main__", alter_sys=True)
"""
"""As in a service that may not set its priority."""


def test_a_process_that_may_not_step_back_makes_its_tables_all_the_same(
    tmp_path: Path,
) -> None:
    command = [sys.executable, "-c", NO_NICENESS, str(tmp_path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(msgspec.json.encode(Wanted((), {}, ())) + b"\n")
        process.stdin.flush()  # it ends with its input
        assert process.stdout.readline() == of_tables.MADE
    assert process.returncode == 0


def test_a_rod_that_cannot_be_ends_in_no_error_of_the_process(folder: Path) -> None:
    rated = msgspec.structs.replace(ROD.lure.rated, depth=0.39 * ROD.lure.rated.cast)
    lure = msgspec.structs.replace(ROD.lure, rated=rated)
    rod = msgspec.structs.replace(ROD, lure=lure)
    assert list(make_tables(Wanted((rod,), {}, (rod,)), folder)) == [None]


def test_one_that_is_stopped_ends_at_once_and_begins_nothing(folder: Path) -> None:
    maker = TableMaker(folder, TIPS)
    process = None

    class Ends(Solve):
        pass

    maker.stop()
    maker.make(Ends(Deck([ROD]).solve_beliefs().work, (ROD,)))
    assert maker._process is process
    assert not list(folder.iterdir())


def test_without_a_folder_or_a_program_whoever_needs_a_table_makes_it(
    folder: Path, monkeypatch, caplog
) -> None:
    began = []
    solve = Solve(lambda: began.append(1) or "solved", (ROD,))
    assert Prepared(solve, TableMaker(None, TIPS)).found == "solved"
    monkeypatch.setattr(of_tables.sys, "executable", str(folder / "no python"))
    maker = TableMaker(folder, TIPS)
    assert Prepared(solve_rig(Deck([ROD]), ROD), maker).found is None
    assert "not made in a process of its own" in caplog.text
    assert began == [1]


def test_when_all_is_kept_no_process_is_begun(folder: Path) -> None:
    maker = TableMaker(folder, {})
    solve = Deck([ROD]).solve_beliefs()
    for _ in make_tables(Wanted((ROD,), {}, (ROD,)), folder):
        pass
    maker.make(solve)
    assert maker._process is None
    assert "found" in vars(solve)
