"""A live trip: its recording, its engine and the stamps that tie them, begun anew or gone on with.

The engine is given the very bytes that go into the recording, so that a replay of it
gives the same events; and so a trip that was cut off is gone on with by replaying what
it had recorded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import partial
from pathlib import Path

from companion.clock import Clock, stopwatch
from companion.config import Settings
from companion.events import AnyEvent, Heard
from companion.live.disk import Job
from companion.live.ears import Uttered
from companion.live.seeking import SearchDone, SolveDone
from companion.record import beforehand
from companion.record.recording import (
    CLIPS_FOLDER,
    CONFIG_FILE,
    LINES_FILE,
    LineCutter,
    Recording,
    begun_at,
    clip_end,
    last_stamp,
    ms_of,
    stamped,
    trim,
    utc_of,
)
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.sensing.remarks import (
    FINDS_LATER,
    FOUND,
    OWN_SOURCE,
    SOLVED,
    SOLVES_LATER,
    own_apart,
    signal_body,
    txt_body,
)
from companion.trip import wording
from companion.trip.agenda import Utterance
from companion.trip.assembly import RECORDING_WIRE, assemble_trip
from companion.trip.engine import Engine
from companion.trip.keep import Emit, Keep, KeepNothing, Known
from companion.voice.clips import ClipError, clip_name
from companion.voice.grammar import Grammar
from companion.voice.heard import Hearing, hearing_told
from companion.voice.hearing import clips_in

GONE_ON_WITHIN = 30 * 60_000
"""A trip cut off no longer ago than this is gone on with, ms: a fuse, a loose plug, a lunch without power."""
REBUILD_LIMIT_S = 20.0
"""How long replaying what a cut-off trip had may take, s; beyond it a new trip is begun."""
DISK_SURE_MS = 5_000
"""How long a disk must have taken everything before it counts as working, ms: a full one takes crumbs."""
MOST_TRIES = 2
"""How often a cut-off trip is tried to go on with: a program that dies of it twice begins a new one."""
RESUME_TRIES_FILE = "going-on"
"""The file in a trip's folder that counts those tries, while one is under way or has ended the program."""
_PIECE = 65_536


class Stamps:
    """Stamps, ms of UTC: the wall clock as it was at the beginning, counted on by the monotonic clock."""

    def __init__(self, clock: Clock, wall: datetime) -> None:
        self._zero = ms_of(wall) - round(clock.now() * 1000.0)
        self.last = ms_of(wall)

    def unordered(self, t: float) -> int:
        """Return the stamp of an instant of the clock, s, that may be before the last one."""
        return self._zero + round(t * 1000.0)

    def at(self, t: float) -> int:
        """Return the stamp of an instant of the clock, s, never before the last one."""
        self.last = max(self.last, self.unordered(t))
        return self.last

    def later(self, t: float) -> int:
        """Return the stamp of an instant of the clock, s, later than all before."""
        self.last = max(self.last + 1, self.at(t))
        return self.last


class LiveTrip:
    """One trip: lines, remarks and utterances in; through the recording into the engine.

    Args:
        recording: where it is kept, or None when the disk does not take one.
        tell: told, in a few words, when the disk refuses, and when it takes the
            recording again; the trip goes on.
        put: has done, in order and soon, what waits for the disk.
        keeps_sound: tells whether the sound of an utterance in which this was heard is
            kept, or its words.

    Attributes:
        refused: the disk did not take what came last.
        recording_paused: nothing is recorded, to leave room for the logbook.
    """

    def __init__(
        self,
        engine: Engine,
        stamps: Stamps,
        recording: Recording | None,
        tell: Callable[[str], None],
        put: Callable[[Job], None],
        keeps_sound: Callable[[Hearing], bool] = lambda _: True,
    ) -> None:
        self.engine = engine
        self.recording = recording
        self.stamps = stamps
        self.recording_paused = False
        self.refused = False
        self._refused_at = 0
        self._tell = tell
        self._put = put
        self._keeps_sound = keeps_sound
        self._cutters: dict[str, LineCutter] = {}

    def chunk(self, chunk: Chunk) -> None:
        """Take bytes of a source."""
        cutter = self._cutters.setdefault(chunk.source, LineCutter(chunk.network))
        lines = list(cutter.feed(chunk.data))
        if lines:
            ms = self.stamps.at(chunk.t)
            self._take_in(
                b"".join(
                    stamped(line, chunk.source, ms, chunk.network) for line in lines
                )
            )

    def begin(self, t: float) -> None:
        """Have the recording say that what is solved and found comes later, from `t`, s of the clock, on."""
        self._signal(t, SOLVES_LATER)
        self._signal(t, FINDS_LATER)

    def search_done(self, done: SearchDone) -> None:
        """Take in that what the planner was asked for is found; a replay answers at the same instant."""
        self._signal(done.t, FOUND)

    def solve_done(self, done: SolveDone) -> None:
        """Take in that what waited first is solved; a replay goes on with it at the same instant."""
        self._signal(done.t, SOLVED)

    def remark(self, t: float, text: str | None, *, aloud: bool = False) -> None:
        """Take a word of the companion's own; None only tells the engine that it is `t`, s of the clock."""
        line = sentence(txt_body(text, aloud=aloud))
        self._take_in(stamped(line, OWN_SOURCE, self.stamps.at(t)), own=True)

    def tap(self, t: float, words: str) -> None:
        """Take the words of a button tapped at `t`, s of the clock; having no sound, they become a line."""
        line = sentence(txt_body(words, tapped=True))
        self._take_in(stamped(line, OWN_SOURCE, self.stamps.later(t)), own=True)
        self.remark(t, None)

    def utterance(self, uttered: Uttered) -> None:
        """Take an utterance that has just been decided; it is dated by when its samples were taken."""
        decided = self.stamps.later(uttered.t)
        began = min(
            self.stamps.unordered(uttered.began), decided - clip_end(0, uttered.samples)
        )
        name = None
        if self.recording is not None and not self.recording_paused:
            name = clip_name(utc_of(began))
            if self._keeps_sound(uttered.hearing):
                amid = uttered.hearing.amid_talk
                self._later(
                    lambda recording: recording.clip(
                        began, decided, uttered.samples, amid_talk=amid
                    )
                )
            else:
                self._later(
                    lambda recording: recording.words(began, decided, uttered.hearing)
                )
        self.engine.utterance(
            Utterance(utc_of(began), utc_of(decided), lambda: uttered.hearing, name)
        )
        self.remark(uttered.t, None)

    def sync(self) -> None:
        """Return once everything written is on the disk, or the disk has refused; in the disk's thread."""
        self._on_disk(Recording.sync)

    def finish(self) -> None:
        """End the trip."""
        self.engine.finish()
        self.close()

    def close(self) -> None:
        """Close the recording and leave the trip open."""
        self._later(Recording.close)

    def _signal(self, t: float, kind: str) -> None:
        self._take_in(
            stamped(sentence(signal_body(kind)), OWN_SOURCE, self.stamps.at(t)),
            own=True,
        )

    def _take_in(self, lines: bytes, *, own: bool = False) -> None:
        """Record whole lines, of a wire or of our own, and give them to the engine."""
        self._later(lambda recording: recording.write(lines))
        self.engine.chunk(Chunk(0.0, RECORDING_WIRE, lines, own))

    def _later(self, do: Callable[[Recording], object]) -> None:
        self._put(partial(self._on_disk, do))

    def _on_disk(self, do: Callable[[Recording], object]) -> None:
        """Do something with the recording, if there is one; the disk may refuse."""
        if self.recording is None or self.recording_paused:
            return
        try:
            do(self.recording)
        except OSError as error:
            self._refused_at = self.stamps.last
            if not self.refused:
                self.refused = True
                self._tell(wording.not_recording(error.strerror or str(error)))
            return
        if self.refused and self.stamps.last - self._refused_at > DISK_SURE_MS:
            self.refused = False
            self._tell(wording.RECORDING_AGAIN)


class RebuildError(Exception):
    """A cut-off trip's recording cannot be gone on with; the message says why."""


def may_go_on(folder: Path, config: str, voice: float, now: int) -> bool:
    """Return whether a cut-off trip is recent, as configured and heard now, still recorded, worth a try."""
    lines = folder / LINES_FILE
    try:
        trim(lines)
        last = last_stamp(lines) or begun_at(folder.name)
        same = (folder / CONFIG_FILE).read_text(encoding="utf-8") == config
    except (OSError, ValueError):
        return False
    before = beforehand.read(folder)
    same = same and (before is None or before.voice == voice)
    return same and 0 <= now - last <= GONE_ON_WITHIN and _tries(folder) < MOST_TRIES


@contextmanager
def tried(folder: Path) -> Iterator[None]:
    """Count a try to go on with a trip until it is over: one that ends the program stays counted."""
    count, tries = folder / RESUME_TRIES_FILE, _tries(folder)
    with suppress(OSError), count.open("wb") as file:
        file.write(b"%d" % (tries + 1))
        file.flush()
        os.fsync(file.fileno())
    yield
    with suppress(OSError):
        count.unlink(missing_ok=True)


def _tries(folder: Path) -> int:
    try:
        return int((folder / RESUME_TRIES_FILE).read_bytes())
    except FileNotFoundError:
        return 0
    except (OSError, ValueError):  # it was cut off while it was written
        return 1


class Rebuilt:
    """The engine of a cut-off trip, brought by its recording to where it was, and the events that gave.

    Args:
        folder: the trip's recording.
        heard: what was heard in utterances already in the logbook, by clip.
        hear: makes out the words of the others.
        known: what the boat knew before that trip.

    Raises:
        RebuildError: the recording cannot be read, or is too long to be replayed in
            time.
    """

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        grammar: Grammar,
        heard: Mapping[str, Hearing],
        hear: Callable[[Path], str | Hearing] | None,
        known: Known,
    ) -> None:
        self.events: list[AnyEvent] = []
        self._emit: Emit = self.events.append
        self.engine = assemble_trip(
            folder.name, settings, grammar, self._pass_event, KeepNothing(), known
        )
        try:
            for clip in clips_in(folder / CLIPS_FOLDER):
                name = clip.path.name
                words = _words_of(clip.path, heard.get(name) or clip.words, hear)
                self.engine.utterance(Utterance(clip.began, clip.decided, words, name))
            self._replay(folder / LINES_FILE)
        except (OSError, ClipError) as error:
            raise RebuildError(str(error)) from error

    def go_on(self, emit: Emit, keep: Keep) -> None:
        """From now on hand events to this, and all else that is to be kept."""
        self._emit = emit
        self.engine.keep_in(keep)

    def _pass_event(self, event: AnyEvent) -> None:
        self._emit(event)

    def _replay(self, lines: Path) -> None:
        began = stopwatch()
        with lines.open("rb") as file:
            pieces = iter(partial(file.read, _PIECE), b"")
            for chunk in own_apart(
                Chunk(0.0, RECORDING_WIRE, piece) for piece in pieces
            ):
                self.engine.chunk(chunk)
                if stopwatch() - began > REBUILD_LIMIT_S:
                    raise RebuildError("it is too long to be replayed in time")


def _words_of(
    path: Path, known: Hearing | None, hear: Callable[[Path], str | Hearing] | None
) -> Callable[[], str | Hearing]:
    if known is not None or hear is None:
        return lambda: known or ""
    return lambda: hear(path)


def words_heard(events: list[AnyEvent]) -> dict[str, Hearing]:
    """Return what was heard in each clip that a trip's events tell of."""
    return {
        e.clip: hearing_told(e)
        for e in events
        if isinstance(e, Heard) and e.clip is not None
    }
