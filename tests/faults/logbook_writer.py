"""Be killed while writing, again and again: run by test_logbook_killed.py, in a process of its own.

For each try a child writes a trip and reports the number of each logged thing once
`record` has returned; after a random number of them, and a random moment more, it gets
SIGKILL. Prints, for each try, the highest number that was reported.
"""

import os
import random
import signal
import sys
import time
from pathlib import Path

from companion.events import Fix, Logged, Match, Said, Undone
from companion.record.logbook import Logbook


def write_until_killed(path: Path, name: str, report: int) -> None:
    with Logbook(path) as book, book.begin_trip(name) as trip:
        number = 0
        while True:
            number += 1
            t = float(number)
            trip.reading(t, None, Fix(35.0, -84.0), 5.0)
            trip.record(
                Match(t=t, rod="two", state="clear", by=1.0, depth=6.0, reach=5.0)
            )
            trip.record(Logged(t=t, number=number, what="bite"))
            if number % 5 == 0:
                trip.record(Undone(t=t, number=number, what="bite"))
            trip.record(Said(t=t, text=f"said {number}", about="answer"))
            os.write(report, b"%d\n" % number)


def killed_try(path: Path, name: str, chance: random.Random) -> int:
    """Return the highest number the writer reported before it was killed, perhaps while still opening."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            write_until_killed(path, name, writer)
        finally:
            os._exit(
                1
            )  # an error in the writer must not run on in this copy of the parent
    os.close(writer)
    with os.fdopen(reader, "rb") as reports:
        numbers = [
            reports.readline() for _ in range(chance.choice((0, 1, 2, 5, 10, 20)))
        ]
        time.sleep(chance.uniform(0.0, 0.005))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        numbers += reports.read().split()
    if not os.WIFSIGNALED(status):
        raise SystemExit("the writer stopped by itself")
    return int(numbers[-1]) if numbers else 0


def main(path: Path, tries: int, seed: int) -> None:
    chance = random.Random(seed)
    for attempt in range(tries):
        print(killed_try(path, f"try {attempt}", chance), flush=True)


main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
