"""The trial of the whole product: `python -m tests.trial [--minutes 60] [--scenario ledge] [--throttle 4]`.

The installed program runs as in the boat: sonar on a serial port, GPS as datagrams,
speech through sound cards, in real time, in a world whose truth is known. Prints a
table and, with `--page`, keeps it.
"""

from __future__ import annotations

import argparse
import pickle
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.results import keep_section, where_and_when
from tests.trial.course import Course, run_trial
from tests.trial.judge import Figures, judged, middle, share_below
from tests.trial.world import SCENARIOS

LOGGED = ("mark", "bite", "fish", "touch", "snag")


def rows(course: Course, f: Figures) -> dict[str, str]:
    """Return the figures of a trial by name, as they are printed."""
    hours = max(f.hours, 1e-9)
    return {
        "processor": course.throttled,
        "minutes": f"{60 * f.hours:.0f}",
        "commands right, of those given": f"{f.right} of {f.commands}",
        "wrong; false": f"{len(f.wrong)}; {len(f.false)}",
        "lost; lost to its own voice": f"{len(f.lost)}; {len(f.lost_to_own_voice)}",
        "taps lost": f"{f.taps_lost} of {f.taps}",
        "end of speech to decision, median / 95 %, s": _spread(f.decided_after, 2),
        "end of speech to first sound of the reply, median / 95 %, s": _spread(
            f.delays, 2
        ),
        **{
            f"place of a {what}, off by, median, m; beyond the GPS": _places(f, what)
            for what in LOGGED
        },
        "within the radius told; without a place": f"{f.within_radius} of {f.placed}; {f.unplaced}",
        "time of the thing, off by, median / 95 %, s": _spread(
            [abs(t) for t in f.times_off], 1
        ),
        "depth of the lure, off by, median / 95 %, m": _spread(
            [abs(d) for d in f.depths_off], 2
        ),
        "answers not heard, or cut off": f"{len(f.answers_cut)} of {f.answers}",
        "lines on taking a rod, an hour": f"{f.on_taking / hours:.0f}",
        "unasked lines an hour; never sounded": f"{f.unasked / hours:.0f}; {f.never_sounded}",
        "match lines at over 2 m/s": f"{f.travelling}",
        "advice wrong": f"{len(f.advice_wrong)} of {f.advice}",
        "changes told within 4 s": f"{f.changes - len(f.changes_late)} of {f.changes}",
        "casts told to touch that did": f"{f.foretold_touched} of {f.foretold}",
        "ready after, s": f"{course.started_in:.0f}",
        "processor, share of one; memory, MB": f"{course.share:.1%}; {course.memory:.0f}",
        "a replay of its recording is the same": course.first_difference[:200] or "yes",
        "exit status; processes left behind": f"{course.status}; {len(course.left_behind)}",
        "late or skipped by the trial itself, s": f"{course.slipped:.2f}",
    }


def _spread(values: list[float], digits: int) -> str:
    if not values:
        return "-"
    return f"{middle(values):.{digits}f} / {share_below(values, 0.95):.{digits}f} (n {len(values)})"


def _places(f: Figures, what: str) -> str:
    if what not in f.off:
        return "-"
    return f"{middle(f.off[what]):.1f}; {middle(f.off_beyond_gps[what]):.1f} (n {len(f.off[what])})"


def faults(f: Figures) -> list[str]:
    """Return what was found fault with, in words."""
    found = []
    for name in (
        "wrong",
        "false",
        "lost",
        "lost_to_own_voice",
        "advice_wrong",
        "changes_late",
        "answers_cut",
    ):
        found += [f"{name.replace('_', ' ')}: {what}" for what in getattr(f, name)]
    return found


def table(columns: dict[str, dict[str, str]]) -> str:
    """Return the figures as a table in Markdown, a column a trial."""
    names = list(next(iter(columns.values())))
    lines = ["| | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    lines += [
        f"| {name} | " + " | ".join(column[name] for column in columns.values()) + " |"
        for name in names
    ]
    return "\n".join(lines)


def _run(asked: argparse.Namespace) -> Iterator[Course]:
    """Yield the trials asked for, as they are over; each is kept if that is asked for."""
    for scenario in asked.scenario or SCENARIOS:
        with tempfile.TemporaryDirectory(prefix="trial-") as folder:
            how = (scenario, asked.minutes, asked.throttle, asked.seed, Path(folder))
            course = run_trial(*how, gentle=asked.gentle)
        if asked.keep is not None:
            asked.keep.mkdir(parents=True, exist_ok=True)
            (asked.keep / f"{scenario}.trial").write_bytes(pickle.dumps(course))
        yield course


def _kept(file: Path) -> Course:
    """Return a trial that was kept; it is a file of our own making, not of others."""
    course = pickle.loads(file.read_bytes())
    assert isinstance(course, Course)
    return course


def main() -> None:
    """Run the trials asked for."""
    signal.signal(
        signal.SIGTERM, lambda _signal, _frame: sys.exit(143)
    )  # so that no process is left behind
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--scenario",
        action="append",
        choices=sorted(SCENARIOS),
        help="all of them, if none",
    )
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument(
        "--throttle",
        type=float,
        default=1.0,
        help="how many times less than a processor it gets",
    )
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument(
        "--gentle",
        action="store_true",
        help="no faults, no talk of others, little noise",
    )
    parser.add_argument(
        "--page", action="store_true", help="keep the table among the results"
    )
    parser.add_argument(
        "--keep", type=Path, help="keep in this folder all that happened, for --judge"
    )
    parser.add_argument(
        "--judge",
        type=Path,
        nargs="*",
        help="judge kept trials (files) once more; run none",
    )
    asked = parser.parse_args()
    columns = {}
    for course in map(_kept, asked.judge) if asked.judge else _run(asked):
        scenario = course.world.name
        figures = judged(course)
        columns[scenario] = rows(course, figures)
        print(
            f"-- {scenario}", *faults(figures), *course.errors[2:], sep="\n", flush=True
        )
    command = f"python -m tests.trial --minutes {asked.minutes:g} --throttle {asked.throttle:g}"
    told = f"`{command}`, {where_and_when()}.\n\n{table(columns)}"
    print(told)
    if asked.page:
        keep_section(
            "trial, free" if asked.throttle <= 1.0 else "trial, held back", told
        )


if __name__ == "__main__":
    main()
