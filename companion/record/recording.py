r"""The raw recording of a trip: every line that came in, stamped, and every utterance.

A trip's folder holds `sonar.nmea` (NMEA 0183 lines, each in a TAG block with its source
and the time in milliseconds: ``\s:sonar,c:1764061200123*hh\$SDDPT,...``), `clips/` and
the `companion.toml` of that trip. The folders of a day lie in a folder named by its UTC
date. Times are whole milliseconds of UTC by the computer's clock as it was when the
trip began, counted on from there by the monotonic clock: setting the clock during a
trip changes nothing.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from companion.record.whole import sync_folder, write_whole
from companion.sensing.datum import Network
from companion.sensing.framing import LONGEST_LINE, checksum
from companion.sensing.networks import LONGEST_MESSAGE, is_recorded, network_line
from companion.sensing.remarks import defused
from companion.voice.clips import clip_name, write_clip, write_words
from companion.voice.heard import Hearing
from companion.voice.sound import SAMPLE_RATE_HZ, Samples

LINES_FILE, CLIPS_FOLDER, CONFIG_FILE = "sonar.nmea", "clips", "companion.toml"
"""What a trip's folder holds: the lines, the folder of utterances, the configuration in
force; and what the trip began from (`companion.record.beforehand`)."""
TRIP_NAME_FORMAT = "%Y-%m-%d %H%M%S"
"""The name of a trip: the UTC at which it began."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TAG_TIME = re.compile(rb"\\s:[^\\]*,c:(\d+)\*[0-9A-F]{2}\\")
_TAIL = 65_536
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_SENTENCE = re.compile(rb"[$!](?=[^$!*]{6,}\*[0-9A-Fa-f]{2}|[^$!]*\Z)")
"""Where a sentence begins: what is told of by a checksum, or the last on its line."""


def utc_of(ms: int) -> datetime:
    """Return the UTC of a stamp, ms."""
    return _EPOCH + timedelta(milliseconds=ms)


def ms_of(utc: datetime) -> int:
    """Return the stamp, ms, of a UTC instant."""
    return (utc - _EPOCH) // timedelta(milliseconds=1)


def stamped(line: bytes, source: str, ms: int, network: Network | None = None) -> bytes:
    """Return a line as it stands in a recording: a TAG block of ours before each sentence, and its end.

    A TAG block that the line brought with it is none any more (`defused`): who spoke,
    and when, we tell. A message of a network is stamped as a whole.
    """
    if network is not None:
        return network_line(line, source, network, ms)
    block = f"s:{source},c:{ms}".encode()
    tag = b"\\%s*%02X\\" % (block, checksum(block))
    told, found = _SENTENCE.subn(lambda start: tag + start[0], defused(line))
    if not found:
        told = tag + told
    return told + b"\r\n"


class LineCutter:
    """Cuts one source's bytes into lines, without their ends, and passes over messages that are not read.

    It keeps at most `LONGEST_LINE` bytes, or `LONGEST_MESSAGE` of a network.
    """

    def __init__(self, network: Network | None = None) -> None:
        self._rest = b""
        self._network = network
        self._longest = LONGEST_LINE if network is None else LONGEST_MESSAGE

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield the lines that these bytes complete; one that gets too long is cut before a sentence."""
        *lines, self._rest = re.split(rb"[\r\n]+", self._rest + data)
        for line in lines:
            yield from self._short(line)
        if len(self._rest) > self._longest:
            *pieces, self._rest = self._short(self._rest)
            yield from pieces

    def _short(self, line: bytes) -> Iterator[bytes]:
        while len(line) > self._longest:
            at = max(line.rfind(start, 1, self._longest) for start in (b"$", b"!"))
            if at <= 0 or self._network is not None:
                at = self._longest
            yield line[:at]
            line = line[at:]
        if line and (self._network is None or is_recorded(line, self._network)):
            yield line


class Recording:
    """A trip's recording being written. What cannot be written leaves no half line behind.

    Args:
        folder: the trip's; it is made when it is not there, and gone on with when it
            is.
        config: the text of the configuration in force, kept beside the lines.

    Raises:
        OSError: the disk refuses; every method raises it when it refuses later.
    """

    def __init__(self, folder: Path, config: str | None = None) -> None:
        self.folder = folder
        (folder / CLIPS_FOLDER).mkdir(parents=True, exist_ok=True)
        if config is not None:
            write_whole(folder / CONFIG_FILE, config.encode())
        trim(folder / LINES_FILE)
        self._file = os.open(
            folder / LINES_FILE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644
        )
        self._size = os.fstat(self._file).st_size
        self._synced = self._size
        for path in (folder, folder.parent, folder.parent.parent):
            sync_folder(path)

    def write(self, lines: bytes) -> None:
        """Add whole lines."""
        try:
            done = 0
            while done < len(lines):
                done += os.write(self._file, lines[done:])
        except OSError:
            os.ftruncate(self._file, self._size)
            raise
        self._size += len(lines)

    def sync(self) -> None:
        """Return once everything written is on the disk."""
        if self._synced != self._size and self._file >= 0:
            size = self._size
            os.fdatasync(self._file)
            self._synced = size

    def clip(
        self, began: int, decided: int, samples: Samples, *, amid_talk: bool = False
    ) -> str:
        """Keep an utterance; return its file's name once it is on the disk.

        Args:
            began: stamp of its first sample, ms.
            decided: stamp of when it was handed to the engine, ms.
            samples: its sound.
            amid_talk: people had just been talking.
        """
        name = clip_name(utc_of(began))
        path = self.folder / CLIPS_FOLDER / name
        try:
            late = decided - clip_end(began, samples)
            write_clip(path, samples, late, amid_talk=amid_talk)
            sync_folder(path.parent)
        except (
            OSError,
            RuntimeError,
        ) as error:
            # libsndfile's errors are RuntimeErrors.
            path.with_suffix(".part").unlink(missing_ok=True)
            path.unlink(missing_ok=True)
            raise OSError(
                f"{path}: the utterance could not be written ({error})"
            ) from error
        return name

    def words(self, began: int, decided: int, hearing: Hearing) -> None:
        """Keep what was heard in an utterance, and not its sound; stamps in ms as for `clip`."""
        path = self.folder / CLIPS_FOLDER / clip_name(utc_of(began))
        write_words(path, decided - began, hearing)
        sync_folder(path.parent)

    def close(self) -> None:
        """Put everything on the disk and close; a second time does nothing."""
        if self._file >= 0:
            file, self._file = self._file, -1
            try:
                os.fdatasync(file)
            finally:
                os.close(file)


def trim(path: Path) -> int:
    """Cut half a line off a recording's end, and what a power cut left behind it; return how many bytes."""
    if not path.exists():
        return 0
    with path.open("r+b") as file:
        size = file.seek(0, os.SEEK_END)
        keep = size
        while keep > 0:
            start = max(0, keep - _TAIL)
            file.seek(start)
            tail = file.read(keep - start).rstrip(b"\0")
            end = tail.rfind(b"\n") + 1
            if end:
                keep = start + end
                break
            keep = start
        if keep != size:
            file.truncate(keep)
            os.fdatasync(file.fileno())
        return size - keep


def last_stamp(path: Path) -> int | None:
    """Return the stamp, ms, of a recording's last stamped line; None when it has none."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - _TAIL))
        found = _TAG_TIME.findall(file.read())
    if not found:
        return None
    return int(found[-1])


def begun_at(name: str) -> int:
    """Return the stamp, ms, in a trip's name, 2026-10-03 141500.

    Raises:
        ValueError: it is no trip's name.
    """
    return ms_of(datetime.strptime(name[:17], TRIP_NAME_FORMAT).replace(tzinfo=UTC))


def clip_end(began: int, samples: Samples) -> int:
    """Return the stamp, ms, of an utterance's end: a whole frame is 20 ms."""
    return began + len(samples) * 1000 // SAMPLE_RATE_HZ


class RecordingLimits(NamedTuple):
    """The limits of recordings, bytes: all of them together, and what has to stay free on the disk."""

    most: int = 8_000_000_000
    keep_free: int = 500_000_000


class RecordingShelf:
    """The folder of all trips' recordings: a folder for each day, in it one for each trip.

    When room is short the oldest utterances go first, then the oldest lines; never
    those of the trip that is being recorded, and nothing beside the recordings.
    """

    def __init__(self, root: Path, limits: RecordingLimits | None = None) -> None:
        self.root = root
        self.limits = limits or RecordingLimits()

    def new_folder(self, ms: int) -> Path:
        """Return a folder, not there yet, for a trip begun at this stamp, ms; its name is the trip's."""
        utc = utc_of(ms)
        name = utc.strftime(TRIP_NAME_FORMAT)
        day = self.root / f"{utc:%Y-%m-%d}"
        taken = (day / (name if n == 1 else f"{name}-{n}") for n in range(1, 10_000))
        return next(path for path in taken if not path.exists())

    def folder_of(self, name: str) -> Path:
        """Return the folder of the trip with this name."""
        return self.root / name[:10] / name

    def trips(self) -> list[Path]:
        """Return the folders of all trips, oldest first."""
        days = [
            d
            for d in sorted(self.root.glob("*"))
            if d.is_dir() and _DAY.fullmatch(d.name)
        ]
        return [
            trip
            for day in days
            for trip in sorted(day.iterdir())
            if (trip / LINES_FILE).exists()
        ]

    def short_of(self) -> int:
        """Return how many bytes would have to go to keep within the limits; 0 when nothing has to."""
        try:
            free = shutil.disk_usage(self.root).free
        except OSError:
            return 0
        return max(0, self.limits.keep_free - free, self._size() - self.limits.most)

    def make_room(self, present: Path | None = None) -> int:
        """Let the oldest go until the limits are kept; return how many bytes are still too many.

        Of the `present` trip only utterances go, the oldest first, and only when
        nothing else is left.
        """
        needed = self.short_of()
        if not needed:
            return 0
        for path in self._oldest(present):
            try:
                size = path.stat().st_size
                path.unlink()
            except OSError:
                continue
            needed -= size
            if needed <= 0:
                break
        self._clear_empty(present)
        return max(0, needed)

    def forget_sound(self, before: datetime) -> None:
        """Delete the utterances of trips begun before an instant, UTC; what was logged stays."""
        for trip in self.trips():
            if trip.name < before.strftime(TRIP_NAME_FORMAT):
                for clip in (trip / CLIPS_FOLDER).glob("*.flac"):
                    with suppress(OSError):
                        clip.unlink()

    def _oldest(self, present: Path | None) -> Iterator[Path]:
        earlier = [trip for trip in self.trips() if trip != present]
        for trip in earlier:
            yield from sorted((trip / CLIPS_FOLDER).glob("*.flac"))
        for trip in earlier:
            yield trip / LINES_FILE
        if present is not None:
            yield from sorted((present / CLIPS_FOLDER).glob("*.flac"))

    def _clear_empty(self, present: Path | None) -> None:
        days = (day for day in self.root.glob("*") if _DAY.fullmatch(day.name))
        for day in days:
            for trip in day.glob("*"):
                if trip != present and not (trip / LINES_FILE).exists():
                    shutil.rmtree(trip, ignore_errors=True)

    def _size(self) -> int:
        total = 0
        for trip in self.trips():
            for path in (trip / LINES_FILE, *(trip / CLIPS_FOLDER).glob("*")):
                if path.exists():
                    total += path.stat().st_size
        return total
