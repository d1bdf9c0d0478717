"""Boot an image on a virtual board, and tell what it takes: `python -m tests.board.boot IMAGE FOLDER`.

An image of `hardware/image.sh` is emulated whole, or, with --container, its system is
started here. It tells how long the board takes from power on to the kernel, to READY
and to the first depth on its page; how much memory and processor the service takes
while the sonar talks; and whether the trip lies on the data partition afterwards, the
power cut.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import NamedTuple

from tests.board.powercuts import (
    READY,
    data_part,
    events_printed,
    faults,
    take_part,
    tap_for,
)
from tests.board.virtual import (
    BY_UDP,
    BY_USB,
    MACHINES,
    Board,
    contained,
    emulated,
    let_in,
    new_disk,
    try_login,
)

WITHIN_S = 1800.0
ALONE = "BOARD_IS_ALONE"
USED = (
    "cd /proc/$(systemctl show --value -p MainPID companion) && cat stat && grep ^Pss: smaps_rollup"
    " && cat /proc/uptime && getconf CLK_TCK"
)

COSTS = (
    "systemd-analyze critical-chain companion.service; systemd-analyze blame | head -n 25;"
    " ps -eo cputimes,args --sort=-cputimes | head -n 12"
)
"""What the start waited for, what each unit took, and which processes took most."""


def first_depth(board: Board, within_s: float) -> float:
    """Wait for a depth on the page; return when it stood there, s after power on."""
    ends = time.monotonic() + within_s
    while time.monotonic() < ends and board.is_running:
        if board.shown_depth():
            return time.monotonic() - board.began
        time.sleep(0.2)
    return float("nan")


class Used(NamedTuple):
    """What the service has used: processor time, s, memory, MB; and when, s."""

    processor: float
    memory: float
    when: float


def used(board: Board, key: Path) -> Used:
    """Return what the service has used until now."""
    stat, memory, uptime, ticks = try_login(board, key, USED).splitlines()
    user, system = stat.rpartition(")")[2].split()[11:13]
    seconds = (int(user) + int(system)) / int(ticks)
    return Used(seconds, int(memory.split()[1]) / 1000.0, float(uptime.split()[0]))


def main() -> int:
    """Boot it and tell; the exit status is 1 when something is wrong."""
    parser = argparse.ArgumentParser()
    parser.add_argument("image", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--arch", default="amd64", choices=list(MACHINES))
    parser.add_argument(
        "--seconds", type=float, default=120.0, help="how long the trip is watched"
    )
    parser.add_argument(
        "--container",
        action="store_true",
        help="its system here, without its kernel; as root",
    )
    given = parser.parse_args()
    if given.container and ALONE not in os.environ:
        # A network of its own: the board's services set up whatever network they find.
        up = [
            "unshare",
            "--net",
            "bash",
            "-c",
            'ip link set lo up && exec "$@"',
            "boot",
        ]
        os.environ[ALONE] = "yes"
        os.execvp(up[0], [*up, sys.executable, "-m", "tests.board.boot", *sys.argv[1:]])
    given.folder.mkdir(parents=True, exist_ok=True)
    disk, within = given.folder / "disk.img", WITHIN_S
    new_disk(given.image, disk, BY_UDP if given.container else BY_USB)
    key = let_in(disk, given.folder)
    board = (
        contained(disk, given.folder)
        if given.container
        else emulated(disk, given.folder, given.arch)
    )
    try:
        system = board.wait_for("Welcome to", within).t - board.began
        ready = board.wait_for(READY, within).t - board.began
        depth = first_depth(board, within)
        print(
            f"power on to its system {system:.1f} s, to READY {ready:.1f} s, to a depth {depth:.1f} s",
            flush=True,
        )
        board.pair(within)
        before = used(board, key)
        taps = tap_for(board, given.seconds)
        after = used(board, key)
        tell_used(before, after)
        print(
            try_login(
                board,
                key,
                "date +%Z; hostname; systemd-analyze time; systemctl --failed --no-legend; free -m",
            )
        )
        print(try_login(board, key, COSTS))
    finally:
        board.cut()
    printed = events_printed(board.printed())
    take_part(disk, data_part(disk), given.folder / "part")
    found = faults(given.folder / "part", [line.text for line in printed])
    print(
        f"{taps} taps, {len(printed)} events printed; after the cut: {found or 'all of them there'}"
    )
    return min(len(found), 1)


def tell_used(before: Used, after: Used) -> None:
    """Print what the service took between two looks."""
    seconds = after.when - before.when
    share = (after.processor - before.processor) / seconds
    print(
        f"processor until then {before.processor:.1f} s, then {share:.1%} of one for {seconds:.0f} s"
    )
    print(f"memory {after.memory:.0f} MB", flush=True)


if __name__ == "__main__":
    sys.exit(main())
