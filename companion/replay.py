"""A recorded day through the engine: the bytes from its file or a port, the words from its clips."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from threading import Event
from typing import NamedTuple

from companion.casting.pose import fix_of
from companion.clock import LiveClock, ReplayPace
from companion.config import Settings
from companion.dive.evidence import Belief
from companion.events import AnyEvent
from companion.lakebed.bed import Bed
from companion.record import beforehand
from companion.record.lakes import Lakes, LearnedFile
from companion.record.learning import digest_of
from companion.record.logbook import Logbook, Trip
from companion.record.recording import CLIPS_FOLDER, CONFIG_FILE, LINES_FILE
from companion.sensing import BoatState, Chunk
from companion.sensing.remarks import own_apart
from companion.sensing.sources import SerialSource, file_settings
from companion.trip.agenda import Utterance
from companion.trip.assembly import RECORDING_WIRE, assemble_trip
from companion.trip.engine import Engine
from companion.trip.keep import Emit, Keep, KeepNothing, Known
from companion.voice.grammar import Grammar, aboard
from companion.voice.hearing import Clip, clips_in, hear_ahead
from companion.voice.model import speech_model

CHUNK_BYTES = 256
_DAY_IN_NAME = re.compile(r"(20\d\d)[-_.]?(\d\d)[-_.]?(\d\d)")
NOTHING_KNOWN = Known()
"""What a boat knows on its first day."""


class DayError(Exception):
    """The path named is no recorded day; the message says what was expected."""


class RecordedDay(NamedTuple):
    """A recorded day on disk: name, NMEA recording, clips, its own config and what was known before it."""

    name: str
    recording: Path
    clips: tuple[Clip, ...] = ()
    config: Path | None = None
    known: Known | None = None


def find_day(path: Path) -> RecordedDay:
    """Return the day in a folder (sonar.nmea, clips/, companion.toml, known.json) or in a plain NMEA file.

    Raises:
        DayError: there is no such file, or the folder holds no recording.
        ClipError: a clip in the folder cannot be read.
    """
    if path.is_file():
        return RecordedDay(path.name, path)
    recording = path / LINES_FILE
    if not recording.is_file():
        what = "there is no such file or folder"
        if path.is_dir():
            what = f"there is no {LINES_FILE} in it"
        raise DayError(
            f"{path}: {what}; name the folder of a recorded day, or an NMEA 0183 file"
        )
    own = path / CONFIG_FILE
    clips: tuple[Clip, ...] = ()
    if (path / CLIPS_FOLDER).is_dir():
        clips = tuple(clips_in(path / CLIPS_FOLDER))
    return RecordedDay(
        path.resolve().name,
        recording,
        clips,
        own if own.is_file() else None,
        _known(path),
    )


def _days_of(recording: Path) -> tuple[date, ...]:
    """Return the days that a recording may be of, by its file: as it is called, and when it was written."""
    written = datetime.fromtimestamp(recording.stat().st_mtime, UTC).date()
    named = (_day_in(*found) for found in _DAY_IN_NAME.findall(recording.name))
    return (*(day for day in named if day is not None), written)


def _day_in(year: str, month: str, day: str) -> date | None:
    try:
        return date(int(year), int(month), int(day))
    except ValueError:
        return None


def _known(folder: Path) -> Known | None:
    """Return what a recorded trip began from; None for a day that does not tell."""
    before = beforehand.read(folder)
    if before is None:
        return None
    areas = beforehand.areas_before(folder, before)
    return Known(before.beliefs, areas, before.voice)


def chosen_model(settings: Settings) -> Path:
    """Return the folder of the speech model: the one in the config, else the one that was fetched.

    Raises:
        ModelError: it is not there, or is no model that can be used.
    """
    return speech_model(Path(settings.voice.model) if settings.voice.model else None)


def look_ready(day: RecordedDay, settings: Settings) -> None:
    """Look whether a day can be replayed, before anything an earlier replay has left is removed.

    Raises:
        ModelError: the day has sound to be heard and the speech model is not there.
    """
    if any(clip.words is None for clip in day.clips):
        chosen_model(settings)


def replay(
    day: RecordedDay,
    settings: Settings,
    chunks: Iterable[Chunk],
    emit: Emit,
    trip: Trip | None = None,
    pace: ReplayPace | None = None,
    known: Known = NOTHING_KNOWN,
    keep: Keep | None = None,
    onlooker: Callable[[Engine], None] | None = None,
) -> None:
    """Run a day through the engine.

    Args:
        day: what to replay.
        settings: the boat and its rods.
        chunks: the recording's bytes, from its file or from a port.
        emit: called with every event, in order, after the trip has recorded it.
        trip: where events are kept, or None.
        known: what the boat knew before that day, unless its own folder tells.
        pace: holds the replay back to a multiple of real time, or None for as fast as
            it goes.
        onlooker: called with the engine every few sentences, and once more at the end.
        keep: where readings and what the day teaches are kept, or None.

    Raises:
        ModelError: the day has sound to be heard and the speech model is not there.
        LogbookError: the trip cannot be written.
    """
    grammar = Grammar(aboard(settings))
    keep = keep or KeepNothing()
    known = day.known or known
    engine = assemble_trip(
        day.name,
        settings,
        grammar,
        _into(trip, emit),
        keep,
        known,
        file_settings(day.recording, _days_of(day.recording)),
    )
    for utterance in _utterances(day, settings, grammar):
        engine.utterance(utterance)
    chunks = own_apart(chunks)
    if pace is not None or onlooker is not None:
        chunks = _cut(chunks)
    for chunk in chunks:
        engine.chunk(chunk)
        if onlooker is not None:
            onlooker(engine)
        if pace is not None:
            pace.wait_for(engine.now)
    engine.finish()
    if onlooker is not None:
        onlooker(engine)


def begin_in(book: Logbook, day: RecordedDay) -> tuple[Trip, Lakes]:
    """Begin a day's trip in a logbook anew, and return it with the lakes; those of this day alone go.

    Raises:
        LogbookError: the logbook cannot be written.
    """
    trip = book.begin_trip(day.name, recording=day.name, replace=True)
    lakes = Lakes(book)
    if all(entry.recording == day.name for entry in book.trips()):
        lakes.clear()
    return trip, lakes


def port_chunks(device: str, baud: int) -> Iterator[Chunk]:
    """Yield what comes from a serial port until whoever plays the recording into it hangs up.

    Raises:
        OSError: the port cannot be opened, or nothing ever came.
    """
    came = False
    try:
        for chunk in SerialSource(
            RECORDING_WIRE, device, LiveClock(), baud=baud
        ).chunks(Event()):
            came = True
            yield chunk
    except OSError:
        if not came:
            raise


def _cut(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    """Yield the same bytes in pieces of a few sentences, so that a held-back replay runs smoothly."""
    for chunk in chunks:
        for start in range(0, len(chunk.data), CHUNK_BYTES):
            yield chunk._replace(data=chunk.data[start : start + CHUNK_BYTES])


def _utterances(
    day: RecordedDay, settings: Settings, grammar: Grammar
) -> Iterator[Utterance]:
    voice = (day.known or NOTHING_KNOWN).voice
    heard = hear_ahead(lambda: chosen_model(settings), grammar, day.clips, voice)
    for clip, words in zip(day.clips, heard, strict=True):
        yield Utterance(clip.began, clip.decided, words, clip.path.name)


def _into(trip: Trip | None, emit: Emit) -> Emit:
    """Return what records an event before it is told: what was spoken of is in the logbook."""
    if trip is None:
        return emit

    def record_and_emit(event: AnyEvent) -> None:
        trip.record(event)
        emit(event)

    return record_and_emit


class KeepInTrip:
    """Keeps a replay's readings and beliefs in a trip of the logbook, and its soundings in the lake.

    Args:
        trip: of the logbook.
        lakes: of the same logbook.
        recording: the file that is replayed; a lake takes it in once, and whole.
    """

    def __init__(self, trip: Trip, lakes: Lakes, recording: Path) -> None:
        self._trip = trip
        self._lakes = lakes
        self._recording = recording

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Offer the state of the boat."""
        offer(self._trip, t, utc, boat)

    def belief(self, lure: str, belief: Belief) -> None:
        """Keep what is now believed of a lure."""
        self._trip.believe(lure, belief)

    def lakebed(
        self, t: float, bed: Bed, *, now: bool = False, over: bool = False
    ) -> None:
        """Keep the day's soundings when it is over, unless the lake has them from before."""
        del t, now
        if not over:
            return
        digest = digest_of(self._recording)
        if self._lakes.taken(digest, self._recording) is None:
            name = self._recording.name
            taken = LearnedFile(digest, name, bed.kept, 0, done=True, apart=True)
            self._lakes.save(bed, taken, bed.share)


def offer(trip: Trip, t: float, utc: datetime | None, boat: BoatState) -> None:
    """Offer the state of the boat to a trip of the logbook."""
    trip.reading(
        t,
        utc,
        fix_of(boat),
        boat.depth,
        heading=boat.heading,
        speed=boat.speed,
        water_temperature=boat.water_temperature,
    )
