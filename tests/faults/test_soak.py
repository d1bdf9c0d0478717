"""Most of an hour of a simulated trip at high speed leaves memory and files as they were."""

import ast
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).with_name("soak.py")
RUN = "import sys; sys.path.insert(0, sys.argv[1]); import soak, pathlib; "
RUN += "seen = soak.soak(pathlib.Path(sys.argv[2]), 1.0, 300.0); print(seen[1], seen[-1], sep='\\n')"


def test_memory_and_files_stay_as_they_were(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", RUN, str(SCRIPT.parent), str(tmp_path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    print(run.stdout)
    early, late = (ast.literal_eval(line) for line in run.stdout.splitlines()[-2:])
    assert late[0] - early[0] < 10.0
    assert late[1] <= early[1] + 2
    assert late[2] <= early[2]
