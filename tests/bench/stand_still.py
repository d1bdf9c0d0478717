"""How long the engine stands still for each command: `python -m tests.bench.stand_still [DAY]`.

Every command of the grammar is tapped into a trip over a recorded day, by default the
invented one, each amid a cast: the shortest phrase that asks for it in one run, the
longest in another. The engine is fed line by line as in the boat, searches of the
planner are worked at beside it, and their answers handed in; the rods' tables are made
before, as they are in a boat after its first start. Prints for each command the
longest time that the engine's thread needed for one piece of work, ms of processor
time: the tap, the answer of a search, any line in the seconds after; and how long a peer
took in the same second, a fixed piece of interpreted arithmetic.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from companion import config
from companion.events import AnyEvent, Said
from companion.live.tables import Wanted, held_otherwise, make_tables
from companion.record.recording import stamped
from companion.replay import find_day
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.sensing.remarks import (
    FINDS_LATER,
    FOUND,
    OWN_SOURCE,
    SOLVED,
    SOLVES_LATER,
    signal_body,
    txt_body,
)
from companion.trip.assembly import RECORDING_WIRE, assemble_trip, tips_of
from companion.trip.engine import Engine
from companion.trip.keep import KeepNothing, Known
from companion.voice.grammar import Grammar, aboard

ROOT = Path(__file__).parents[2]
DAY = ROOT / "replay_logs" / "invented_saturday"
WARM_UP_S = 60.0
"""Seconds of the day before the first command: a bottom is mapped, rods are ready."""
CAST_BEFORE_S = 6.0
"""How long before each command a cast is announced."""
LONGEST_MS = 50.0
"""What the engine may stand still."""


class Stood(NamedTuple):
    """A command, its phrase, the longest pieces of work, ms of processor time, and what was answered."""

    command: str
    phrase: str
    tap: float
    found: float
    after: float
    peer: float
    answer: str

    @property
    def longest(self) -> float:
        """Return the longest of all."""
        return max(self.tap, self.found, self.after)


def timed(do: Callable[[], object]) -> float:
    """Do something; return the processor time of this thread that it took, ms."""
    began = time.thread_time()
    do()
    return (time.thread_time() - began) * 1e3


def peer() -> float:
    """Return how long a fixed piece of interpreted arithmetic takes, ms of processor time."""
    return timed(lambda: sum(n * n & 255 for n in range(200_000)))


class Aboard:
    """An engine, fed line by line, and what it has said."""

    def __init__(self, day: Path) -> None:
        recorded = find_day(day)
        assert recorded.config is not None, f"{day} has no configuration"
        settings = config.parse(recorded.config.read_text(encoding="utf-8"))
        self.grammar = Grammar(aboard(settings))
        self.said: list[str] = []
        self.ms = 0
        self.engine: Engine = assemble_trip(
            "bench",
            settings,
            self.grammar,
            self._told,
            KeepNothing(),
            recorded.known or Known(),
        )

    def _told(self, event: AnyEvent) -> None:
        if isinstance(event, Said) and event.about == "answer":
            self.said.append(event.text)

    def line(self, line: bytes) -> float:
        """Fold a line of the recording."""
        return timed(lambda: self.engine.chunk(Chunk(0.0, RECORDING_WIRE, line)))

    def own(self, body: str) -> float:
        """Fold a line of the companion's own."""
        line = stamped(sentence(body), OWN_SOURCE, self.ms)
        chunk = Chunk(0.0, RECORDING_WIRE, line, own=True)
        return timed(lambda: self.engine.chunk(chunk))

    def tap(self, words: str) -> float:
        """Fold a tapped command."""
        return self.own(txt_body(words, tapped=True)) + self.own(txt_body(None))

    def answers(self) -> Iterator[float]:
        """Work at what was asked for, and fold the word that each is found or solved."""
        for solve in self.engine.take_solves():
            _ = solve.found
            yield self.own(signal_body(SOLVED))
        for search in self.engine.take_searches():
            _ = search.found
            yield self.own(signal_body(FOUND))


def lines_of(day: Path) -> list[tuple[int, bytes]]:
    """Return the lines of a recording, each with its stamp, ms."""
    found = []
    for line in find_day(day).recording.read_bytes().splitlines(keepends=True):
        stamp = line.partition(b",c:")[2].partition(b"*")[0]
        if stamp.isdigit():
            found.append((int(stamp), line))
    return found


def phrases(grammar: Grammar, *, longest: bool) -> dict[str, str]:
    """Return a phrase for each command, by the command's name."""
    found: dict[str, str] = {}
    for phrase in sorted(grammar.phrases, key=lambda one: (len(one), one)):
        name = type(grammar.parse(phrase)).__name__
        if longest or name not in found:
            found[name] = phrase
    return found


def stood(day: Path, *, longest: bool) -> Iterator[Stood]:
    """Tap every command once over the day; yield how long each held up the engine."""
    boat = Aboard(day)
    wanted = phrases(boat.grammar, longest=longest)
    lines = lines_of(day)
    began, ended = lines[0][0], lines[-1][0]
    every = (ended - began - 1000.0 * WARM_UP_S) / len(wanted)
    boat.ms = began
    boat.own(signal_body(SOLVES_LATER))
    boat.own(signal_body(FINDS_LATER))
    at = 0
    for n, (name, phrase) in enumerate(wanted.items()):
        begins = began + 1000.0 * WARM_UP_S + n * every
        while lines[at][0] < begins:
            boat.ms = lines[at][0]
            boat.line(lines[at][1])
            list(boat.answers())
            at += 1
        boat.tap("cast now")
        while lines[at][0] < begins + min(1000.0 * CAST_BEFORE_S, every / 2.0):
            boat.ms = lines[at][0]
            boat.line(lines[at][1])
            at += 1
        beside = peer()
        boat.said.clear()
        tap = boat.tap(phrase)
        found, after = max(boat.answers(), default=0.0), 0.0
        while at < len(lines) - 1 and lines[at][0] < begins + every:
            boat.ms = lines[at][0]
            after = max(after, boat.line(lines[at][1]))
            found = max(found, *boat.answers(), 0.0)
            at += 1
        answer = boat.said[0] if boat.said else ""
        yield Stood(name, phrase, tap, found, after, beside, answer)


def tables_made(day: Path, folder: Path) -> None:
    """Make the tables of a day's rods, and keep them in a folder."""
    recorded = find_day(day)
    assert recorded.config is not None, f"{day} has no configuration"
    settings = config.parse(recorded.config.read_text(encoding="utf-8"))
    later = tuple(held_otherwise(settings.rods, tips_of(settings)))
    for _ in make_tables(Wanted(tuple(settings.rods), {}, later), folder):
        pass


def main() -> None:
    """Print the table, the longest first."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("day", nargs="?", type=Path, default=DAY)
    day = parser.parse_args().day
    with tempfile.TemporaryDirectory() as folder:
        tables_made(day, Path(folder))
        rows = [one for longest in (False, True) for one in stood(day, longest=longest)]
    rows.sort(key=lambda one: -one.longest)
    print("longest  tap   found  line after  peer, ms   command: phrase (answer)")
    for one in rows:
        print(
            f"{one.longest:7.1f} {one.tap:5.1f} {one.found:5.1f} {one.after:7.1f} "
            f"{one.peer:9.1f}   {one.command}: {one.phrase} ({one.answer})"
        )
    over = sum(one.longest > LONGEST_MS for one in rows)
    times = max(one.longest / one.peer for one in rows)
    print(
        f"{over} of {len(rows)} over {LONGEST_MS:.0f} ms; the longest {times:.1f} times the peer"
    )


if __name__ == "__main__":
    main()
