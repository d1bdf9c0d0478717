"""Runs mutmut with its changes in random order, some of them as controls.

mutmut tries the quickest changes first, so that what is tried in a given time is no
fair sample. Here the order is random. One in forty is a control: its tests run on the
code unchanged, beside all others; a control that fails is a test that fails on a busy
machine, which would be taken for one that notices. `controls.txt` has a line for each:
0 passed, else failed. The clean run is left out, as that for the statistics was one.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import mutmut.__main__ as program
from mutmut.mutation.trampoline import set_mutant_under_test
from mutmut.runners.harness import PytestRunner
from mutmut.workers.isolation import ForkRunner

ONE_CONTROL_IN = 40
CONTROLS = Path("controls.txt")
SKIPPED = 34  # what mutmut takes for a change that was not tried


def drawn(_name: str) -> float:
    """Return a random number, by which the changes are sorted."""
    return random.random()


def clean(_runner: ForkRunner, tests: Iterable[str]) -> int:
    """Return that the tests pass, as they did for the statistics."""
    del tests
    return 0


def tried_or_control(
    runner: PytestRunner, *, mutant_name: str | None, tests: Iterable[str]
) -> int:
    """Run the tests against the change, or against none; return pytest's exit code."""
    told = CONTROLS.absolute()
    random.seed(mutant_name)
    if mutant_name is None or random.random() * ONE_CONTROL_IN > 1.0:
        return run_tests(runner, mutant_name=mutant_name, tests=tests)
    set_mutant_under_test("")
    code = run_tests(runner, mutant_name=mutant_name, tests=tests)
    with told.open("a", encoding="utf-8") as file:
        file.write(f"{code} {mutant_name}\n")
    return SKIPPED


if __name__ == "__main__":
    run_tests = PytestRunner.run_tests
    PytestRunner.run_tests = tried_or_control  # type: ignore[method-assign]
    ForkRunner.run_clean_tests = clean  # type: ignore[method-assign]
    program.estimated_worst_case_time = drawn
    program.cli()
