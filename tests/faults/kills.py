"""Kill `companion run` again and again: `python tests/faults/kills.py FOLDER TRIES SEED`.

The program as installed, its listener on: a pty talks fast, and a stand-in for
`arecord` gives what a sound card would, spoken commands between hiss. At a random
moment it gets SIGKILL, one try in ten while it starts; the next goes on with the trip.
After each kill the logbook must be sound and have every event that was printed (but for
matches, which wait for their batch). After every twentieth the trip is ended in order;
then the logbook and a replay of the recording must be one and the same. Prints a line
for each trip and one for all.
"""

from __future__ import annotations

import contextlib
import os
import pty
import random
import signal
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import numpy as np

from companion import config
from companion.events import AnyEvent, Heard, Logged, Match, from_json, to_json
from companion.record.logbook import Logbook
from companion.record.recording import CONFIG_FILE, LINES_FILE
from companion.replay import find_day, replay
from companion.sensing.framing import sentence
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE
from companion.voice.clips import read_clip
from companion.voice.hearing import Clip

ROOT = Path(__file__).parents[2]
CLIPS = ROOT / "replay_logs" / "invented_saturday" / "clips"
KILLS_A_TRIP = 20
RATE = 16_000
LONGEST_RUNS_S = (6.0, 20.0)
"""It is killed soon, or once its ears are on, which takes some seconds."""
CARD = """#!{python}
# Gives sound as a card would, in real time, from a random place in it.
import os, random, sys, time
with open("{sound}", "rb") as file:
    sound = file.read()
at = random.randrange(0, len(sound) // 640) * 640
began, given = time.monotonic(), 0
while True:
    piece = sound[at : at + 640] or sound[:640]
    at = at + 640 if at + 1280 <= len(sound) else 0
    sys.stdout.buffer.write(piece)
    sys.stdout.buffer.flush()
    given += 1
    time.sleep(max(0.0, began + given * 0.02 - time.monotonic()))
"""


def talk(name: Path) -> None:
    """Talk through a pty behind a name, a hundred times a second, until the process ends."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    name.symlink_to(os.ttyname(theirs))
    os.set_blocking(ours, False)

    def run() -> None:
        n = 0
        while True:
            n += 1
            depth = sentence(f"SDDPT,{4 + (n % 90) / 15:.2f},0.0")
            place = sentence(
                f"GPGLL,4500.{n % 1000:03d},N,09300.000,W,{120000 + n % 60:06d}.00,A"
            )
            # Nobody reads: it is being killed, or starts.
            with contextlib.suppress(BlockingIOError):
                os.write(ours, depth + b"\r\n" + place + b"\r\n")
            time.sleep(0.01)

    threading.Thread(target=run, daemon=True).start()


def card(folder: Path) -> dict[str, str]:
    """Return an environment in which `arecord` gives hiss and, every three seconds, a command."""
    chance = np.random.default_rng(1)
    pieces = []
    for path in sorted(CLIPS.iterdir())[:12]:
        pieces += [chance.normal(0, 30, 2 * RATE), read_clip(path)]
    (folder / "sound").write_bytes(np.concatenate(pieces).astype("<i2").tobytes())
    stand_in = folder / "bin" / "arecord"
    stand_in.parent.mkdir()
    stand_in.write_text(CARD.format(python=sys.executable, sound=folder / "sound"))
    stand_in.chmod(0o755)
    return os.environ | {"PATH": f"{stand_in.parent}:{os.environ['PATH']}"}


def config_text(folder: Path) -> str:
    example = config.example_text()
    rods = "[[lures]]" + example.partition("[[lures]]")[2]
    source = (
        f'[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "{folder / "sonar"}"\n'
    )
    return f'[voice]\nspeaker = "none"\n[page]\non = false\n{source}\n{rods}'


class Boat:
    """The program in a folder, run and ended again and again."""

    def __init__(self, folder: Path, chance: random.Random) -> None:
        self.folder = folder
        self.data = folder / "data"
        self._chance = chance
        (folder / "boat.toml").write_text(config_text(folder))
        self._environment = card(folder)
        talk(folder / "sonar")

    def run_and_end(self, how: int) -> list[bytes]:
        """Run it and end it at a random moment; return the events it printed."""
        command = [Path(sys.executable).parent / "companion", "run", "--json"]
        command += ["--config", self.folder / "boat.toml", "--data", self.data]
        with (self.folder / "log").open("ab") as log:
            process = subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=log, env=self._environment
            )
        assert process.stdout is not None
        try:
            first = b""
            if how == signal.SIGKILL and self._chance.random() < 0.1:
                time.sleep(self._chance.uniform(0.0, 5.0))
            else:
                first = process.stdout.readline()
                time.sleep(
                    self._chance.uniform(0.0, self._chance.choice(LONGEST_RUNS_S))
                )
            process.send_signal(how)
            lines = (first + process.stdout.read()).split(b"\n")
            status = process.wait()
        finally:
            process.kill()
            process.stdout.close()
        if status != (-how if how == signal.SIGKILL else 0):
            raise SystemExit(
                f"it ended by itself, or badly: {status}; {(self.folder / 'log').read_text()}"
            )
        return [
            line for line in lines[:-1] if line
        ]  # what follows the last line end was cut by the kill

    def lost(self, printed: set[bytes]) -> int:
        """Check the logbook after a kill; return how many printed events are not in it."""
        if not (self.data / "logbook.db").exists():
            return len(printed)
        with Logbook(self.data / "logbook.db") as book:
            assert book.tables.faults() == []
            kept = {
                to_json(event)
                for trip in book.trips()
                for event in book.events(trip.id)
            }
        return sum(not isinstance(from_json(line), Match) for line in printed - kept)

    def check_ended(self) -> list[AnyEvent]:
        """Check a trip that was ended in order against its recording; return its events."""
        with Logbook(self.data / "logbook.db") as book:
            trip = book.trips()[-1]
            kept = book.events(trip.id)
            assert trip.closed
            numbers = [entry.event.number for entry in book.logged(trip.id)]
        assert numbers == list(range(1, len(numbers) + 1))
        again = replayed(self.data / "recordings" / trip.name[:10] / trip.name, kept)
        assert again == kept, first_difference(again, kept)
        return kept


def replayed(trip: Path, kept: list[AnyEvent]) -> list[AnyEvent]:
    """Replay a recording; the words of its clips are those the logbook has, for they were heard live."""
    import companion.replay as room
    from companion.voice.heard import Hearing, hearing_told

    heard = {e.clip: hearing_told(e) for e in kept if isinstance(e, Heard)}

    def known(
        _model: object, _grammar: object, clips: tuple[Clip, ...], _shift: float
    ) -> list[object]:
        return [
            lambda name=clip.path.name: heard.get(name, Hearing("")) for clip in clips
        ]

    room.hear_ahead, room.chosen_model = known, lambda _settings: Path()  # type: ignore[assignment]
    day, events = find_day(trip), []
    chunks = FileSource(RECORDING_WIRE, trip / LINES_FILE).chunks()
    replay(day, config.load(trip / CONFIG_FILE), chunks, events.append)
    return events


def first_difference(one: list[AnyEvent], other: list[AnyEvent]) -> str:
    for n, (a, b) in enumerate(zip(one, other, strict=False)):
        if a != b:
            return f"event {n}: {a} is not {b}"
    return f"{len(one)} events, not {len(other)}: {(one + other)[min(len(one), len(other))]}"


def main(folder: Path, tries: int, seed: int) -> None:
    chance = random.Random(seed)
    boat = Boat(folder, chance)
    kills = lost = printed = 0
    while kills < tries:
        of_trip: set[bytes] = set()
        for _ in range(min(KILLS_A_TRIP, tries - kills)):
            of_trip |= set(boat.run_and_end(signal.SIGKILL))
            kills += 1
            lost += boat.lost(of_trip)
        of_trip |= set(boat.run_and_end(signal.SIGTERM))
        lost += boat.lost(of_trip)
        events = boat.check_ended()
        printed += len(of_trip)
        heard = sum(isinstance(event, Heard) for event in events)
        logged = sum(isinstance(event, Logged) for event in events)
        print(
            f"{kills} kills so far, {len(events)} events, {heard} heard, {logged} logged, {lost} lost",
            flush=True,
        )
    with Logbook(folder / "data" / "logbook.db") as book:
        trips = len(book.trips())
    print(
        f"{kills} kills, {trips} trips, {printed} events printed, {lost} lost",
        flush=True,
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
