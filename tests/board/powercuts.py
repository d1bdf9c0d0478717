"""Cut the power while a trip is written: `sudo python -m tests.board.powercuts FOLDER [--image IMAGE]`.

The program runs on a file system whose disk's writes are logged, while the sonar talks,
commands are spoken and the buttons of the page are tapped: here on this machine, or,
with an image of hardware/image.sh, on a virtual board. The log is cut at random points.
What had been flushed is on the disk, of the rest any part, a write now and then torn;
then it is mounted, which replays its journal, and checked: file system, logbook, all
that was printed by then, recordings. With an image the emulator is killed too, at
random moments, past the cache here, and booted again. Anything wrong is printed with
its point, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import bisect
import contextlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from companion import config
from companion.events import to_json
from companion.record import beforehand
from companion.record.logbook import Logbook
from companion.record.recording import CLIPS_FOLDER, CONFIG_FILE, LINES_FILE, trim
from companion.record.timeline import line as told_line
from companion.sensing.framing import checksum
from companion.units import LengthUnit
from companion.voice.clips import read_clip
from companion.voice.hearing import clips_in
from companion.voice.model import speech_model
from tests.board.disklog import Disk, read_log, survivors
from tests.board.virtual import (
    MACHINES,
    SLOW_SONAR_EVERY_S,
    Board,
    Line,
    check_as_at_a_start,
    emulated,
    free_port,
    new_disk,
    partition,
)
from tests.faults.kills import card, config_text, talk
from tests.trial.aboard import Aboard, Throttle

ROUND = (
    "rod 1",
    "cast",
    "touch",
    "bite",
    "rod 2",
    "cast",
    "fish",
    "mark",
    "undo",
    "rod 3",
    "cast",
    "touch",
)
TAPPED_EVERY_S = 1.0
BOOT_WITHIN_S = 2400.0
"""An emulated board on a busy computer takes half an hour."""
READY = r"Started companion\.service|Started .*companion.service.*Companion"
LONGEST_START_S = 150.0
"""An emulator that is killed while it starts is killed within this."""
HOME_MIB = 192
_TAG = re.compile(rb"\\([^\\*]*)\*([0-9A-F]{2})\\")
_EVENT = re.compile(r"(\d\d:\d\d:\d\d|\+\d{4}:\d\d)  (\w+) ")


class Part(NamedTuple):
    """Where the data partition lies on the disk, bytes."""

    begins: int
    size: int


def data_part(disk: Path) -> Part:
    """Return where the data partition lies on a disk."""
    return Part(*partition(disk, 3))


def take_part(disk: Path, part: Part, to: Path) -> None:
    """Copy the data partition out of a disk."""
    with disk.open("rb") as whole, to.open("wb") as file:
        file.truncate(part.size)
        for begins, ends in _held(whole.fileno(), part):
            os.lseek(whole.fileno(), begins, os.SEEK_SET)
            done = begins
            while done < ends:
                piece = os.pread(whole.fileno(), min(1 << 22, ends - done), done)
                os.pwrite(file.fileno(), piece, done - part.begins)
                done += len(piece)


def _held(file: int, part: Part) -> Iterator[tuple[int, int]]:
    at, end = part.begins, part.begins + part.size
    while at < end:
        try:
            begins = os.lseek(file, at, os.SEEK_DATA)
        except OSError:  # nothing but holes follow
            return
        at = min(os.lseek(file, begins, os.SEEK_HOLE), end)
        if begins < end:
            yield begins, at


@contextlib.contextmanager
def mounted(part: Path) -> Iterator[Path]:
    """Mount a file system, and take it off again.

    Raises:
        subprocess.CalledProcessError: it cannot be mounted.
    """
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(
            ["mount", "-o", "loop", part, place], check=True, capture_output=True
        )
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def faults(part: Path, promised: list[str], *, checked: bool = False) -> list[str]:
    """Return what is wrong with a data partition after a cut.

    Args:
        part: the file that holds it; it is mounted and written to.
        promised: the events that had been printed, in words or as JSON.
        checked: it was checked as at a board's start; until then it may not be mounted.
    """
    found = []
    try:
        with mounted(part) as place:
            data, settings = places_in(place)
            found += logbook_faults(data / "logbook.db", settings, promised)
            found += recording_faults(data / "recordings", settings)
    except subprocess.CalledProcessError as error:
        if checked:
            return [f"not mounted: {error.stderr!r}"]
        print("not mounted before it was checked as at a board's start", flush=True)
        check_as_at_a_start(part)
        return faults(part, promised, checked=True)
    looked_at = subprocess.run(
        ["e2fsck", "-fn", part], check=False, capture_output=True, text=True
    )
    if looked_at.returncode:
        found.append(f"file system: {looked_at.stdout[-300:]}")
    return found


def places_in(root: Path) -> tuple[Path, Path]:
    """Return the data folder and the configuration on a board's data partition, or in a home."""
    if (root / "settings").is_dir():
        return root / "companion", root / "settings/companion.toml"
    return root / ".local/share/companion", root / ".config/companion/companion.toml"


def logbook_faults(path: Path, settings: Path, promised: list[str]) -> list[str]:
    """Return what is wrong with the logbook, and what it lacks of what had been printed."""
    if not path.exists():
        return [f"no logbook, and {len(promised)} events printed"] if promised else []
    unit = _unit_of(settings.read_text())
    with Logbook(path) as book:
        found = book.tables.faults()
        events = [event for trip in book.trips() for event in book.events(trip.id)]
    kept = Counter(told_line(event, unit).splitlines()[0] for event in events)
    kept += Counter(sorted_json(json.loads(to_json(event))) for event in events)
    return found + [f"printed and lost: {told}" for told in Counter(promised) - kept]


@cache
def _unit_of(text: str) -> LengthUnit:
    return config.parse(text).units


def sorted_json(event: dict[str, Any]) -> str:
    """Return an event as one text, whoever wrote it down."""
    return json.dumps(event, sort_keys=True)


def recording_faults(recordings: Path, settings: Path) -> list[str]:
    """Return what cannot be read of the recordings."""
    found = []
    for folder in sorted(recordings.glob("*/*")):
        lines = folder / LINES_FILE
        if not lines.exists():
            continue
        trim(lines)
        bad = sum(
            not _is_whole(line) for line in lines.read_bytes().split(b"\r\n")[:-1]
        )
        found += [f"{folder.name}: {bad} lines are not whole"] if bad else []
        if (
            not (folder / CONFIG_FILE).is_file()
            or (folder / CONFIG_FILE).read_text() != settings.read_text()
        ):
            found.append(f"{folder.name}: its configuration is not whole")
        if beforehand.read(folder) is None:
            found.append(f"{folder.name}: what was known before is not whole")
        found += _clips_not_read(folder / CLIPS_FOLDER)
    return found


def _clips_not_read(folder: Path) -> list[str]:
    try:
        for clip in clips_in(folder):
            if clip.words is None:
                read_clip(clip.path)
    except Exception as error:  # whatever it is, it is told
        return [f"{folder.parent.name}: {error}"]
    return []


@cache
def _is_whole(line: bytes) -> bool:
    tags = _TAG.findall(line)
    return bool(tags) and all(checksum(block) == int(told, 16) for block, told in tags)


def events_printed(lines: list[Line]) -> list[Line]:
    """Return the printed lines that tell of events, but matches, which wait for their batch."""
    found = []
    for line in lines:
        match = _EVENT.match(line.text)
        if match and match[2] != "match":
            found.append(line)
    return found


def tap_for(board: Board | Aboard, seconds: float) -> int:
    """Tap the buttons in turn; return how many taps were taken."""
    taken, ends = 0, time.monotonic() + seconds
    while time.monotonic() < ends and board.is_running:
        began = time.monotonic()
        taken += board.tap(ROUND[taken % len(ROUND)])
        time.sleep(max(0.0, TAPPED_EVERY_S - (time.monotonic() - began)))
    return taken


def logged_disk(disk: Path, log: Path) -> list[str]:
    """Return what describes a disk whose writes are logged to QEMU."""
    log.write_bytes(b"")
    return [
        f"driver=file,filename={disk},node-name=file",
        "driver=raw,file=file,node-name=raw",
        f"driver=file,filename={log},node-name=log",
        "driver=blklogwrites,file=raw,log=log,node-name=disk",
    ]


class Printed(NamedTuple):
    """An event that was printed, and how much of the log had been written when it was read."""

    mark: int
    text: str


class Trip(NamedTuple):
    """A trip whose writes were logged.

    Attributes:
        begins: where the part of the disk that is looked at begins, bytes.
        before: a file with that part as it was before.
        log: the log.
        begun: how long the log was when the program began, bytes.
        printed: what was printed.
    """

    begins: int
    before: Path
    log: Path
    begun: int
    printed: list[Printed]


class Virtual(NamedTuple):
    """A virtual board: its image, and for which processor that is."""

    image: Path
    arch: str


def _started(
    virtual: Virtual,
    disk: Path,
    folder: Path,
    drive: list[str] | None = None,
    mark: Callable[[], int] = lambda: 0,
) -> Board:
    every_s = SLOW_SONAR_EVERY_S
    return emulated(disk, folder, virtual.arch, drive, mark, every_s)


def trip_on_a_board(virtual: Virtual, folder: Path, minutes: float) -> Trip:
    """Run a trip on a virtual board whose disk's writes are logged, then cut its power."""
    disk, log, before = folder / "disk.img", folder / "log", folder / "before"
    new_disk(virtual.image, disk)
    board = _started(virtual, disk, folder)
    board.wait_for(READY, BOOT_WITHIN_S)
    board.cut()
    part = data_part(disk)
    take_part(disk, part, before)
    earlier = events_printed(board.printed())
    drive = [word for node in logged_disk(disk, log) for word in ("-blockdev", node)]
    board = _started(virtual, disk, folder, drive, lambda: log.stat().st_size)
    try:
        board.wait_for(READY, BOOT_WITHIN_S)
        board.pair(BOOT_WITHIN_S)
        taps = tap_for(board, 60.0 * minutes)
    finally:
        board.cut()
    lines = [line._replace(mark=0) for line in earlier] + events_printed(
        board.printed()
    )
    return _told(
        Trip(
            part.begins,
            before,
            log,
            0,
            [Printed(line.mark, line.text) for line in lines],
        ),
        taps,
    )


def _told(trip: Trip, taps: int) -> Trip:
    megabytes = trip.log.stat().st_size / 1e6
    print(
        f"{taps} taps taken, {len(trip.printed)} events printed, {megabytes:.0f} MB logged",
        flush=True,
    )
    return trip


@contextlib.contextmanager
def logged_home(folder: Path) -> Iterator[Path]:
    """Mount a new file system whose disk's writes are logged; on leaving it the power is cut."""
    raw, before, log = folder / "raw", folder / "before", folder / "log"
    place, shown = folder / "home", folder / "disk"
    place.mkdir(exist_ok=True)
    shown.touch()
    with before.open("wb") as file:
        file.truncate(HOME_MIB << 20)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-m", "0", before], check=True)
    subprocess.run(["cp", "--sparse=always", before, raw], check=True)
    nodes = [word for node in logged_disk(raw, log) for word in ("--blockdev", node)]
    export = f"type=fuse,id=shown,node-name=disk,mountpoint={shown},writable=on"
    daemon = subprocess.Popen(["qemu-storage-daemon", *nodes, "--export", export])
    try:
        while shown.stat().st_size == 0:
            time.sleep(0.05)
        subprocess.run(["mount", "-o", "loop,noatime", shown, place], check=True)
        yield place
    finally:
        subprocess.run(["umount", place], check=False)
        daemon.terminate()
        daemon.wait()


def trip_here(folder: Path, minutes: float) -> Trip:
    """Run in a home on a logged disk: a trip that is killed, goes on and is ended in order, and a new one."""
    log, taps = folder / "log", 0
    samples: list[tuple[float, int]] = []
    printed: list[Printed] = []
    environment = card(folder)
    talk(folder / "sonar")
    with logged_home(folder) as home:
        _furnish(home, folder)
        begun = log.stat().st_size
        for waits in (0.0, 30.0, 30.0):
            aboard = Aboard(home, environment, Throttle(1.0))
            watch = threading.Thread(target=_sample, args=(log, samples, aboard))
            watch.start()
            aboard.pair()
            taps += tap_for(aboard, 60.0 * minutes / 3.0)
            aboard.stop(waits)
            watch.join()
            printed += _marked(aboard, samples)
    return _told(Trip(0, folder / "before", log, begun, printed), taps)


def _furnish(home: Path, folder: Path) -> None:
    """Put into a home what the program needs: a configuration, and the speech model."""
    data, settings = places_in(home)
    settings.parent.mkdir(parents=True)
    data.mkdir(parents=True)
    settings.write_text(
        config_text(folder).replace("on = false", f"port = {free_port()}")
    )
    (data / speech_model().name).symlink_to(speech_model())
    os.sync()


def _sample(log: Path, samples: list[tuple[float, int]], aboard: Aboard) -> None:
    """Note how long the log is, again and again, while the program runs."""
    while aboard.is_running:
        size = log.stat().st_size
        samples.append((time.monotonic(), size))
        time.sleep(0.002)


def _marked(aboard: Aboard, samples: list[tuple[float, int]]) -> list[Printed]:
    """Return what was printed, each with the log's length as it was first looked at afterwards."""
    times = [t for t, _ in samples]
    found = []
    for told in aboard.told:
        after = bisect.bisect_right(times, told.t)
        if told.event["event"] != "match" and after < len(samples):
            found.append(Printed(samples[after][1], sorted_json(told.event)))
    return found


def cut_all(
    trip: Trip, folder: Path, cuts: int, chance: random.Random, keep_every: int
) -> tuple[int, list[Path]]:
    """Cut a trip's log at random points; return how many had a fault, and the disks that were kept."""
    ends = [write.end for write in read_log(trip.log) if write.end > trip.begun]
    points = sorted(chance.choice(ends) for _ in range(cuts))
    grown = folder / "grown"
    subprocess.run(["cp", "--sparse=always", trip.before, grown], check=True)
    disk = Disk(trip.log, grown, trip.begins)
    wrong, kept, unflushed = 0, [], 0
    for number, point in enumerate(points):
        waiting = disk.go_to(point)
        unflushed += bool(waiting)
        cut = folder / "cut"
        subprocess.run(["cp", "--sparse=auto", grown, cut], check=True)
        with cut.open("r+b") as file:
            for write, size in survivors(waiting, chance):
                disk.put(file.fileno(), write, size)
        if number % keep_every == keep_every - 1:
            kept.append(folder / f"kept-{number}")
            subprocess.run(["cp", "--sparse=auto", cut, kept[-1]], check=True)
        found = faults(cut, [line.text for line in trip.printed if line.mark <= point])
        wrong += bool(found)
        for fault in found:
            print(f"cut {number} at {point}: {fault}", flush=True)
        if number % 100 == 99:
            print(
                f"{number + 1} cuts, {unflushed} with writes not flushed, {wrong} wrong",
                flush=True,
            )
    disk.close()
    return wrong, kept


def boot_kept(trip: Trip, folder: Path, kept: list[Path], arch: str) -> int:
    """Boot disks that were cut; return on how many the service did not start."""
    disk, wrong = folder / "disk.img", 0
    for part in kept:
        with disk.open("r+b") as file:
            data = part.read_bytes()
            os.pwrite(file.fileno(), data, trip.begins)
        board = emulated(disk, folder, arch)
        try:
            ready = board.wait_for(READY, BOOT_WITHIN_S)
            print(f"{part.name}: ready after {ready.t - board.began:.0f} s", flush=True)
        except TimeoutError as error:
            wrong += 1
            print(f"{part.name}: {error}", flush=True)
        finally:
            board.cut()
    return wrong


def kill_all(virtual: Virtual, folder: Path, kills: int, chance: random.Random) -> int:
    """Kill the emulator at random moments, from the first start on; return how many kills left a fault."""
    disk, wrong = folder / "killed.img", 0
    printed: list[str] = []
    new_disk(virtual.image, disk)
    for number in range(kills):
        if number % 10 == 0:
            new_disk(virtual.image, disk)
            printed.clear()
        board = _started(virtual, disk, folder)
        with contextlib.suppress(TimeoutError):
            if number % 3:
                board.wait_for(READY, BOOT_WITHIN_S)
                board.pair(BOOT_WITHIN_S)
                tap_for(board, chance.uniform(0.0, 15.0))
            else:
                time.sleep(chance.uniform(0.0, LONGEST_START_S))
        board.cut()
        printed += [line.text for line in events_printed(board.printed())]
        part, copy = data_part(disk), folder / "killed"
        take_part(disk, part, copy)
        found = faults(copy, printed)
        wrong += bool(found)
        for fault in found:
            print(f"kill {number}: {fault}", flush=True)
        print(
            f"kill {number} after {time.monotonic() - board.began:.0f} s, {len(printed)} printed",
            flush=True,
        )
    board = _started(virtual, disk, folder)
    board.wait_for(READY, BOOT_WITHIN_S)
    board.cut()
    return wrong


def main() -> int:
    """Do all of it; the exit status is 1 when something was wrong."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--image", type=Path, help="on a virtual board with this image, not here"
    )
    parser.add_argument("--arch", default="amd64", choices=list(MACHINES))
    parser.add_argument("--cuts", type=int, default=1000)
    parser.add_argument(
        "--boots", type=int, default=0, help="boot so many of the disks that were cut"
    )
    parser.add_argument(
        "--kills", type=int, default=0, help="and kill the emulator so often"
    )
    parser.add_argument("--minutes", type=float, default=6.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    shutil.rmtree(given.folder, ignore_errors=True)
    given.folder.mkdir(parents=True)
    chance, wrong = random.Random(given.seed), 0
    virtual = Virtual(given.image, given.arch)
    if given.cuts:
        if given.image is None:
            trip = trip_here(given.folder, given.minutes)
        else:
            trip = trip_on_a_board(virtual, given.folder, given.minutes)
        every = given.cuts // given.boots if given.boots else given.cuts + 1
        wrong, kept = cut_all(trip, given.folder, given.cuts, chance, every)
        failed = boot_kept(trip, given.folder, kept, given.arch)
        print(
            f"{given.cuts} cuts: {wrong} wrong; {len(kept)} booted, {failed} did not start",
            flush=True,
        )
        wrong += failed
    if given.kills:
        killed = kill_all(virtual, given.folder, given.kills, chance)
        print(f"{given.kills} kills: {killed} wrong", flush=True)
        wrong += killed
    return min(wrong, 1)


if __name__ == "__main__":
    sys.exit(main())
