"""The installer killed at some of its commands, others in each run (all: `tests.faults.installer_kills`)."""

from __future__ import annotations

import random

import pytest

from tests.faults.installer import SERVICE_IS_HERE
from tests.faults.installer_kills import TASKS, kills

EVERY = 37


@pytest.mark.skipif(
    SERVICE_IS_HERE,
    reason="the service is installed here, and some tasks would be about it",
)
@pytest.mark.parametrize("task", TASKS)
def test_a_killed_installer_is_run_again(task: str) -> None:
    tried = list(kills(task, EVERY, random.randrange(EVERY)))
    assert tried
