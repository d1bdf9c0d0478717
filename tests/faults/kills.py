"""Kill a running trip again and again: `python tests/faults/kills.py FOLDER TRIES SEED`.

Each try a child process runs the companion live (a pty that talks fast, a microphone with a command
about every tenth of a second) and reports every event that it was told is in the logbook; at a random moment
it gets SIGKILL. The next child goes on with the trip. After each kill the logbook must be sound and have
every event reported; about every fiftieth trip is ended in order, and then the logbook, the live events
and a replay of the recording must be one and the same. Prints a line for each trip and one for all.
"""

from __future__ import annotations

import copy
import os
import pty
import random
import signal
import sys
import threading
import time
import traceback
import tty
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from companion import config
from companion.casting import deck
from companion.clock import LiveClock
from companion.events import AnyEvent, Logged, Match, to_json
from companion.live.live import Live, Parts, Places
from companion.live.wires import sources_of
from companion.record.logbook import Logbook
from companion.record.recording import CONFIG, LINES, Limits, sentence
from companion.replay import find_day, replay
from companion.sensing.sources import FileSource

KILLS_A_TRIP = 50
COMMANDS = ("log bite", "log fish", "undo that", "rod two", "how deep", "touched bottom", "rod one")


def wire(name: Path) -> threading.Thread:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    new = name.with_suffix(".new")
    new.symlink_to(os.ttyname(theirs))
    new.replace(name)

    def talk() -> None:
        n = 0
        while True:
            n += 1
            depth = sentence(f"SDDPT,{4 + (n % 90) / 15:.2f},0.0")
            place = sentence(f"GPGLL,4500.{n % 1000:03d},N,09300.000,W,{120000 + n % 60:06d}.00,A")
            os.write(ours, depth + b"\r\n" + place + b"\r\n")
            time.sleep(0.01)

    return threading.Thread(target=talk, daemon=True)


def frames() -> Iterator[np.ndarray]:
    """A word every two seconds of sound, twenty times as fast as a microphone would give it."""
    chance = np.random.default_rng()
    while True:
        for n in range(100):
            yield chance.normal(0, 4000 if 40 <= n < 60 else 10, 320).astype(np.int16)
            if n % 10 == 0:
                time.sleep(0.01)


def run_until_killed(folder: Path, report: int, seed: int) -> None:
    chance = random.Random(seed)

    def tell(event: AnyEvent) -> None:
        if not isinstance(event, Match):  # those wait for the batch, as the logbook says
            os.write(report, to_json(event) + b"\n")

    talker = wire(folder / "sonar")
    text = config_text(folder)
    clock = LiveClock()
    settings = config.parse(text)
    parts = Parts(tuple(sources_of(settings, clock)), frames, lambda _samples: chance.choice(COMMANDS))
    places = Places(folder / "logbook.db", folder / "recordings")
    live = Live(settings, text, parts, places, tell, clock=clock, limits=Limits(keep_free=0))
    signal.signal(signal.SIGTERM, lambda _signal, _frame: live.stop())
    talker.start()
    live.run()


def config_text(folder: Path) -> str:
    example = config.example_text()
    rods = "[[lures]]" + example.partition("[[lures]]")[2]
    return f'[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "{folder / "sonar"}"\n\n{rods}'


def one_try(folder: Path, how: int, chance: random.Random) -> list[bytes]:
    """Run a child and end it; return the events it reported. One in ten is killed while it starts."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            run_until_killed(folder, writer, chance.randrange(1 << 30))
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as reports:
        first = b"" if how == signal.SIGKILL and chance.random() < 0.1 else reports.readline()
        time.sleep(chance.uniform(0.0, 0.4))
        os.kill(child, how)
        rest = reports.read()
    _, status = os.waitpid(child, 0)
    ended_so = os.WIFSIGNALED(status) if how == signal.SIGKILL else status == 0
    if not ended_so:
        raise SystemExit(f"the companion ended by itself, or badly: status {status}")
    lines = (first + rest).split(b"\n")
    return [line for line in lines[:-1] if line]  # what follows the last line end was cut by the kill


def check_after(folder: Path, reported: set[bytes]) -> int:
    """Check the logbook after a kill; return how many events were lost."""
    with Logbook(folder / "logbook.db") as book:
        assert book.faults() == []
        trips = book.trips()
        kept = {to_json(event) for trip in trips for event in book.events(trip.id)}
    return len(reported - kept)


def check_ended(folder: Path) -> tuple[int, int]:
    """Check a trip that was ended in order against its recording; return its events and logged things."""
    with Logbook(folder / "logbook.db") as book:
        trip = book.trips()[-1]
        kept = book.events(trip.id)
        assert trip.closed
        numbers = [entry.event.number for entry in book.logged(trip.id)]
    assert numbers == list(range(1, len(numbers) + 1))
    again = replayed(folder / "recordings" / trip.name[:10] / trip.name, kept)
    assert again == kept, first_difference(again, kept)
    return len(kept), sum(isinstance(event, Logged) for event in kept)


def replayed(trip: Path, kept: list[AnyEvent]) -> list[AnyEvent]:
    """Replay a recording; the words of its clips, which are noise here, are those the logbook has."""
    import companion.replay as room

    words = {getattr(e, "clip", None): getattr(e, "text", "") for e in kept if type(e).__name__ == "Heard"}
    day = find_day(trip)
    room.hear_ahead = lambda _model, _phrases, clips: [  # type: ignore[assignment]
        lambda name=clip.path.name: words.get(name, "") for clip in clips
    ]
    room.chosen_model = lambda _settings: Path()  # type: ignore[assignment]
    events: list[AnyEvent] = []
    replay(day, config.load(trip / CONFIG), FileSource(room.RECORDING, trip / LINES).chunks(), events.append)
    return events


def first_difference(one: list[AnyEvent], other: list[AnyEvent]) -> str:
    for n, (a, b) in enumerate(zip(one, other, strict=False)):
        if a != b:
            return f"event {n}: {a} is not {b}"
    return f"{len(one)} events, not {len(other)}: {(one + other)[min(len(one), len(other))]}"


def warm_up(folder: Path) -> None:
    """Solve the rods once for all children: a second each time would be a thousand seconds of the same."""
    known = deck.calibrations(config.parse(config_text(folder)).rods, None)

    def again(_rods: object, beliefs: object) -> object:
        assert not beliefs
        return copy.deepcopy(known)

    deck.calibrations = again  # type: ignore[assignment]


def main(folder: Path, tries: int, seed: int) -> None:
    warm_up(folder)
    chance = random.Random(seed)
    kills = lost = reported = ended = 0
    while kills < tries:
        of_trip: set[bytes] = set()
        for _ in range(min(KILLS_A_TRIP, tries - kills)):
            of_trip |= set(one_try(folder, signal.SIGKILL, chance))
            kills += 1
            lost += check_after(folder, of_trip)
        of_trip |= set(one_try(folder, signal.SIGTERM, chance))
        lost += check_after(folder, of_trip)
        events, logged = check_ended(folder)
        reported += len(of_trip)
        ended += 1
        print(
            f"trip {ended}: {kills} kills so far, {events} events, {logged} logged, {lost} lost", flush=True
        )
    with Logbook(folder / "logbook.db") as book:
        trips = len(book.trips())
    print(f"{kills} kills, {trips} trips, {reported} events reported, {lost} lost", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
