"""A running trip that is killed at any moment goes on, and has lost nothing that was in the logbook."""

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

KILLS = 4
SCRIPT = Path(__file__).with_name("kills.py")


def test_a_trip_killed_again_and_again_is_whole_and_equals_its_replay(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    run = subprocess.run(
        [sys.executable, str(SCRIPT), str(tmp_path), str(KILLS), "20261003"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    print(run.stdout)
    last = re.fullmatch(
        r"(\d+) kills, (\d+) trips, (\d+) events printed, (\d+) lost",
        run.stdout.splitlines()[-1],
    )
    assert last is not None
    kills, trips, printed, lost = map(int, last.groups())
    record_property("tries", kills)
    record_property("lost", f"{lost} of {printed} events")
    assert (kills, trips, lost) == (KILLS, 1, 0)
    assert printed > KILLS
