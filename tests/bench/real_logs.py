"""Logs of others through `companion replay`, each rod in hand in turn, judged by the bottom as it was.

    python -m tests.bench.real_logs [LOG ...] [--lines]

prints a table, a row a log and one over all; `--lines` prints every line that was found
fault with, too. The program is asked for what everybody gets from it: the events it
prints and the readings in its logbook. The bottom is told by `reference_bottom`, which
shares no code with it.

- A spoken line about the match is judged by the match event of the same instant; it
  says that the lure will touch, or that it will not (clear, short). Nobody speaks in
  these logs, so every line is unasked.
- Contradicted: within 10 s a line says the opposite, of the match or of the depth being
  there, or an amount that is another by half and by 5 feet.
- On false depths: the line's depth is none that the bottom under the boat had in the
  last seconds (or, of a line about the bottom in range, anywhere in casting range).
- Changes: the bottom under the boat crosses the reach of the rod in hand by more than
  `BAND_M` and stays there for 10 s, at under 2 m/s made good. Told: what was last said
  of that rod by 4 s later is so.
- Pings: the depths in the logbook's readings are those the program believes. A false
  ping is believed when a reading of its time shows its depth; a true one is refused
  when none of its time shows a depth like it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import math
import re
import sqlite3
import sys
import tempfile
import time
from bisect import bisect_left
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, NamedTuple

from companion.cli import main as companion
from tests.bench.reference_bottom import LOGS, TRANSDUCER_M, Reference, read
from tests.bench.results import keep_section, where_and_when

NO_DEPTHS = "tagblock_vectors.txt"
WITHOUT_BOTTOM = "ocean_false_bottom.nmea"
"""No ping of it is of the bottom, and no way of telling is known that would not refuse a shoal."""
RATED_FT = (22.0, 20.3, 7.4)
"""What the three lures are said to reach; the rods get to about 6.6, 6.1 and 2.2 m with them."""
CONTRADICTED_S = 10.0
TOLD_S = 4.0
LASTING_S = 10.0
TRAVELLING_M_S = 2.0
BAND_M = 0.3
GAP_S = 8.0
CASTING_RANGE_M = 60.0
LIKE_M, LIKE_SHARE = 0.75, 0.12
"""Depths are alike when they differ by no more than either."""
SAME_M = 0.15
WILL_TOUCH = ("touch", "dig", "right rod", "good")
WILL_NOT = ("short", "clear", "just clear", "too deep")
"""How a line about the match begins that has no match event of its instant."""

LOST_AND_BACK = ({"depth lost", "depth back"}, {"position lost", "position back"})
Event = dict[str, Any]


class Line(NamedTuple):
    """A spoken line: when, its words, whether the lure will touch (None: it does not tell), its depth, m."""

    t: float
    text: str
    about: str
    touch: bool | None
    depth: float | None
    in_range: bool


class Replayed(NamedTuple):
    """What one replay told: the lines, the readings (t, depth) and the reach of the rod in hand, m."""

    lines: list[Line]
    readings: list[tuple[float, float]]
    reach: float


@dataclass
class Tally:
    """Counts, which add up; `faults` are the lines found fault with, in words."""

    hours: float = 0.0
    match_lines: int = 0
    lines: int = 0
    contradicted: int = 0
    false: int = 0
    travelling: int = 0
    changes: int = 0
    told: int = 0
    false_pings: int = 0
    believed: int = 0
    true_pings: int = 0
    refused: int = 0
    faults: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add another's counts."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))


def config(in_hand: int) -> str:
    """Return the config of an invented boat with three rods, the one asked for (0 to 2) in hand."""
    order = [in_hand, *(i for i in range(len(RATED_FT)) if i != in_hand)]
    text = f"""units = "feet"
[boat]
transducer_depth = "{TRANSDUCER_M} m"
rod_tip = "0.5 m"

[[sources]]
name = "sonar"
kind = "serial"
device = "/dev/ttyUSB0"
"""
    for i, rated in enumerate(RATED_FT):
        text += f"""
[[lures]]
name = "lure {i}"
length = "8 cm"
rated = {{ depth = "{rated} ft", line = {{ material = "fluorocarbon", strength = "10 lb" }}, cast = "40 yd" }}
style = "gradual curve"
when_stopped = "rises slowly"
"""
    for number, i in enumerate(order, 1):
        text += f"""
[[rods]]
number = {number}
lure = "lure {i}"
cast = "40 yd"
line = {{ material = "fluorocarbon", strength = "12 lb", diameter = "0.28 mm" }}
reel = {{ per_turn = "24 in", turns = "1.6 /s" }}
"""
    return text


def replayed(name: str, in_hand: int, folder: Path) -> Replayed:
    """Replay a log by the command itself, with one of the rods in hand."""
    settings, book = folder / "companion.toml", folder / f"{name}-{in_hand}.db"
    settings.write_text(config(in_hand))
    argv = [
        "companion",
        "replay",
        str(LOGS / name),
        "--json",
        "--config",
        str(settings),
        "--logbook",
        str(book),
    ]
    out, before = io.StringIO(), sys.argv
    sys.argv = argv
    try:
        with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
            companion()
    finally:
        sys.argv = before
    events = [json.loads(line) for line in out.getvalue().splitlines()]
    with contextlib.closing(sqlite3.connect(f"file:{book}?mode=ro", uri=True)) as db:
        rows = db.execute(
            "SELECT t, depth FROM readings WHERE depth IS NOT NULL ORDER BY t"
        ).fetchall()
    reach = next(e["reach"] for e in events if e["event"] == "rod")
    return Replayed(list(spoken_lines(events)), rows, reach)


def spoken_lines(events: list[Event]) -> list[Line]:
    """Return what was said, each line with what its instant's match or depth event tells of it."""
    lines = []
    match: Event | None = None
    depth: Event | None = None
    for event in events:
        if event["event"] == "match":
            match = event
        elif event["event"] == "depth":
            depth = event
        elif event["event"] == "said":
            t, about = event["t"], event["about"]
            of = match if about == "match" else depth if about == "depth" else None
            of = of if of is not None and of["t"] == t else None
            in_range = of is not None and of.get("where") == "in range"
            lines.append(
                Line(
                    t,
                    event["text"],
                    about,
                    _touch(event, of),
                    (of or {}).get("depth"),
                    in_range,
                )
            )
    return lines


def _touch(said: Event, match: Event | None) -> bool | None:
    if said["about"] != "match":
        return None
    told = match["state"] if match is not None else said["text"]
    if told.startswith(WILL_TOUCH):
        return True
    return False if told.startswith(WILL_NOT) else None


def judge(log: Reference, seen: Replayed) -> Tally:
    """Count what one replay did right and wrong."""
    tally = Tally(hours=log.seconds / 3600.0, lines=len(seen.lines))
    tally.match_lines = sum(line.about == "match" for line in seen.lines)
    for i, line in enumerate(seen.lines):
        contradicted = _contradiction(line, seen.lines[i + 1 :])
        false = line.depth is not None and not _had(log, line)
        fast = log.track.speed(line.t) > TRAVELLING_M_S
        tally.contradicted += contradicted is not None
        tally.false += false
        tally.travelling += fast
        why = (
            [f"{contradicted.t - line.t:.0f} s later {contradicted.text!r}"]
            if contradicted
            else []
        )
        why += [f"no bottom at {line.depth:.1f} m"] if false else []
        why += [f"at {log.track.speed(line.t):.1f} m/s"] if fast else []
        tally.faults += (
            [f"{line.t:8.1f} s {line.text!r}: {', '.join(why)}"] if why else []
        )
    for t, touch in changes(log, seen.reach):
        last = next(
            (
                x
                for x in reversed(seen.lines)
                if x.touch is not None and x.t <= t + TOLD_S
            ),
            None,
        )
        told = last is not None and last.touch == touch
        tally.changes += 1
        tally.told += told
        word = "touch" if touch else "not touch"
        tally.faults += (
            []
            if told
            else [
                f"{t:8.1f} s reach {seen.reach:.1f} m: will {word}, and it was not said"
            ]
        )
    _count_pings(log, seen.readings, tally)
    return tally


def _contradiction(line: Line, later: list[Line]) -> Line | None:
    """Return the line that says the opposite of this one soon after."""
    for other in later:
        if other.t - line.t > CONTRADICTED_S:
            return None
        if (
            line.touch is not None
            and other.touch is not None
            and line.touch != other.touch
        ):
            return other
        if {
            line.text.split(",")[0],
            other.text.split(",")[0],
        } in LOST_AND_BACK or _another_amount(line, other):
            return other
    return None


def _another_amount(line: Line, other: Line) -> bool:
    told = [re.search(r"by (\d+) f", one.text) for one in (line, other)]
    if told[0] is None or told[1] is None or line.about != other.about:
        return False
    low, high = sorted(int(match[1]) for match in told if match)
    return high - low > 5 and high > 1.5 * low


def _had(log: Reference, line: Line) -> bool:
    """Tell whether the bottom had the depth a line was spoken on."""
    assert line.depth is not None
    if not line.in_range:
        return _like(line.depth, log.bottom(line.t - GAP_S, line.t + 1.5))
    here = log.track.place(line.t)
    near = [
        p.depth
        for p, true in zip(log.pings, log.true, strict=True)
        if true and math.dist(log.track.place(p.t)[1:], here[1:]) < CASTING_RANGE_M
    ]
    return _like(line.depth, near)


def _like(depth: float, others: list[float]) -> bool:
    return any(abs(depth - z) <= max(LIKE_M, LIKE_SHARE * z) for z in others)


def changes(log: Reference, reach: float) -> list[tuple[float, bool]]:
    """Return when, s, the bottom came into a rod's reach (True) or left it, to stay, at low speed."""
    flips: list[tuple[float, bool | None]] = []
    state: bool | None = None
    last = -math.inf
    for ping, true in zip(log.pings, log.true, strict=True):
        if not true:
            continue
        if ping.t - last > GAP_S:
            state = None
            flips.append((last, None))
        last = ping.t
        beyond = ping.depth - reach
        new = state if abs(beyond) < BAND_M else beyond < 0.0
        if new != state:
            flips.append((ping.t, new if state is not None else None))
            state = new
    ends = [t for t, _ in flips[1:]] + [last] * bool(flips)
    return [
        (t, touch)
        for (t, touch), end in zip(flips, ends, strict=True)
        if touch is not None
        and end - t >= LASTING_S
        and log.track.speed(t) < TRAVELLING_M_S
    ]


def _count_pings(
    log: Reference, readings: list[tuple[float, float]], tally: Tally
) -> None:
    times = [t for t, _ in readings]
    for ping, true in zip(log.pings, log.true, strict=True):
        if true is None:
            continue
        i, j = bisect_left(times, ping.t - 1.0), bisect_left(times, ping.t + 2.5)
        shown = [depth for _, depth in readings[i:j]]
        if true:
            tally.true_pings += 1
            tally.refused += not _like(ping.depth, shown)
        else:
            tally.false_pings += 1
            tally.believed += any(abs(ping.depth - z) <= SAME_M for z in shown)


HEAD = (
    f"{'log':24} {'hours':>6} {'match/h':>7} {'lines/h':>7} {'contra-':>12} {'on false':>8} {'at >2':>5} "
    f"{'changes told':>13} {'false pings':>12} {'true pings':>13}\n"
    f"{'':24} {'':6} {'':7} {'':7} {'dicted':>12} {'depths':>8} {'m/s':>5} "
    f"{'within 4 s':>13} {'believed':>12} {'refused':>13}"
)


def row(name: str, tally: Tally) -> str:
    """Return a line of the table."""
    hours = max(tally.hours, 1e-9)
    return (
        f"{name:24} {tally.hours:6.2f} {tally.match_lines / hours:7.1f} {tally.lines / hours:7.1f} "
        f"{_share(tally.contradicted, tally.lines):>12} {tally.false:8} {tally.travelling:5} "
        f"{_share(tally.told, tally.changes):>13} {_share(tally.believed, tally.false_pings):>12} "
        f"{_share(tally.refused, tally.true_pings):>13}"
    )


def _share(some: int, of: int) -> str:
    return f"{some}/{of} {some / of:4.0%}" if of else "-"


def measured(name: str, folder: Path) -> Tally:
    """Return one log's counts, all rods together."""
    log = read(name)
    tally = Tally()
    for in_hand in range(len(RATED_FT)):
        tally.add(judge(log, replayed(name, in_hand, folder)))
    return tally


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "logs",
        nargs="*",
        help="names in ../shared/data/logs, or parts of them; else every one",
    )
    parser.add_argument(
        "--lines", action="store_true", help="print every line found fault with"
    )
    parser.add_argument(
        "--page", action="store_true", help="keep the table among the results"
    )
    asked = parser.parse_args()
    names = sorted(path.name for path in LOGS.iterdir() if path.name != NO_DEPTHS)
    names = [
        n for n in names if not asked.logs or any(part in n for part in asked.logs)
    ]
    began = time.process_time()
    printed = [HEAD]
    print(HEAD)
    together, but_one = Tally(), Tally()
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            tally = measured(name, Path(folder))
            printed.append(row(name, tally))
            print(printed[-1], flush=True)
            if asked.lines:
                print(*tally.faults, sep="\n")
            together.add(tally)
            but_one.add(tally if name != WITHOUT_BOTTOM else Tally())
    seconds = time.process_time() - began
    printed += [row("all", together), row("all with a bottom", but_one)]
    printed.append(
        f"hours: once for each of {len(RATED_FT)} rods in hand; {seconds:.0f} s of processor time"
    )
    print(*printed[-3:], sep="\n")
    if asked.page:
        table = "\n".join(printed)
        keep_section(
            "Real logs",
            f"`python -m tests.bench.real_logs`, {where_and_when()}.\n\n```\n{table}\n```",
        )


if __name__ == "__main__":
    main()
