"""A live trip: its stamps, which trips are gone on with, and a disk that refuses the recording."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from companion.events import Heard
from companion.live import trip as of_trip
from companion.live.ears import Uttered
from companion.live.seeking import SearchDone, SolveDone
from companion.live.trip import (
    DISK_SURE_MS,
    GONE_ON_WITHIN,
    MOST_TRIES,
    RESUME_TRIES_FILE,
    LiveTrip,
    Stamps,
    may_go_on,
    tried,
    words_heard,
)
from companion.record import beforehand
from companion.record.recording import (
    CONFIG_FILE,
    LINES_FILE,
    Recording,
    ms_of,
    stamped,
)
from companion.sensing import Chunk
from companion.sensing.remarks import (
    FINDS_LATER,
    FOUND,
    SOLVED,
    SOLVES_LATER,
    signal_body,
)
from companion.trip import wording
from companion.voice.heard import Hearing
from tests.clocks import MovedClock

WALL = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)
ZERO = ms_of(WALL)
SECOND = 1000


class TestStamps:
    """The wall clock at the beginning, counted on."""

    @pytest.fixture
    def stamps(self) -> Stamps:
        return Stamps(MovedClock(12.5), WALL)

    def test_the_wall_clock_is_counted_on(self, stamps):
        assert stamps.at(12.5) == ZERO
        assert stamps.at(13.75) == ZERO + 1250

    def test_none_is_before_the_last_one(self, stamps):
        stamps.at(20.0)
        assert stamps.at(15.0) == ZERO + 7500
        assert stamps.unordered(15.0) == ZERO + 2500
        assert stamps.last == ZERO + 7500

    def test_a_later_one_is_later_than_all(self, stamps):
        assert stamps.later(12.5) == ZERO + 1
        assert stamps.later(12.5) == ZERO + 2
        assert stamps.later(14.0) == ZERO + 1500


class TestMayGoOn:
    """A trip that was cut off is gone on with when it is recent and all is as it was."""

    @pytest.fixture
    def folder(self, tmp_path) -> Path:
        made = tmp_path / "2031-05-04 030201"
        made.mkdir()
        (made / LINES_FILE).write_bytes(stamped(b"$SDDPT,5.0,0.0*7A", "sonar", ZERO))
        (made / CONFIG_FILE).write_text("a boat", encoding="utf-8")
        return made

    @pytest.mark.parametrize(
        ("after", "so"),
        [(0, True), (-1, False), (GONE_ON_WITHIN, True), (GONE_ON_WITHIN + 1, False)],
    )
    def test_within_half_an_hour_and_never_from_the_future(self, folder, after, so):
        assert may_go_on(folder, "a boat", 0.0, ZERO + after) is so

    def test_without_a_line_its_name_tells_when_it_began(self, folder):
        (folder / LINES_FILE).write_bytes(b"")
        assert may_go_on(folder, "a boat", 0.0, ZERO + GONE_ON_WITHIN)
        assert not may_go_on(folder, "a boat", 0.0, ZERO + GONE_ON_WITHIN + 1)

    def test_not_with_another_configuration_or_none(self, folder):
        assert not may_go_on(folder, "another boat", 0.0, ZERO)
        (folder / CONFIG_FILE).unlink()
        assert not may_go_on(folder, "a boat", 0.0, ZERO)

    def test_not_where_another_voice_is_listened_for(self, folder):
        beforehand.keep(folder, {}, {}, 0.25)
        assert may_go_on(folder, "a boat", 0.25, ZERO)
        assert not may_go_on(folder, "a boat", 0.0, ZERO)

    def test_not_when_the_program_has_died_of_it_twice(self, folder):
        count = folder / RESUME_TRIES_FILE
        count.write_bytes(b"%d" % (MOST_TRIES - 1))
        assert may_go_on(folder, "a boat", 0.0, ZERO)
        count.write_bytes(b"%d" % MOST_TRIES)
        assert not may_go_on(folder, "a boat", 0.0, ZERO)

    def test_a_count_that_was_cut_off_while_written_is_one_try(self, folder):
        count = folder / RESUME_TRIES_FILE
        count.write_bytes(b"")
        assert may_go_on(folder, "a boat", 0.0, ZERO)
        with tried(folder):
            assert count.read_bytes() == b"2"
        assert not count.exists()

    def test_a_try_that_ends_the_program_stays_counted(self, folder):
        with pytest.raises(SystemExit), tried(folder):
            raise SystemExit
        assert (folder / RESUME_TRIES_FILE).read_bytes() == b"1"

    def test_a_folder_that_is_gone_is_no_error(self, tmp_path):
        with tried(tmp_path / "gone"):
            assert not may_go_on(tmp_path / "gone", "a boat", 0.0, ZERO)


class Engine:
    """An engine that keeps what it is given."""

    def __init__(self) -> None:
        self.chunks: list[bytes] = []
        self.own: list[bool] = []
        self.utterances = []
        self.finished = 0

    def chunk(self, chunk) -> None:
        self.chunks.append(chunk.data)
        self.own.append(chunk.own)

    def utterance(self, utterance) -> None:
        self.utterances.append(utterance)

    def finish(self) -> None:
        self.finished += 1


class Recorded(Recording):
    """A recording that notes what is written, or refuses it as a full disk does."""

    def __init__(self) -> None:
        self.kept: list[object] = []
        self.full = False
        self._file = 0

    def _note(self, *what: object) -> None:
        if self.full:
            raise OSError(28, "No space left on device")
        self.kept.append(what)

    def write(self, lines: bytes) -> None:
        self._note("lines", lines)

    def clip(self, began: int, decided: int, samples, *, amid_talk: bool) -> None:
        amid = ["amid talk"] if amid_talk else []
        self._note("clip", began - ZERO, decided - ZERO, len(samples), *amid)

    def words(self, began: int, decided: int, hearing: Hearing) -> None:
        self._note("words", began - ZERO, decided - ZERO, hearing.text)

    def sync(self) -> None:
        self._note("sync")

    def close(self) -> None:
        self._note("close")


class Aboard:
    """A trip on a recording, whose disk does each job at once."""

    def __init__(self, keeps_sound=lambda _: True) -> None:
        self.engine, self.recording = Engine(), Recorded()
        self.told: list[str] = []
        self.trip = LiveTrip(
            self.engine,
            Stamps(MovedClock(0.0), WALL),
            self.recording,
            self.told.append,
            lambda job: job(),
            keeps_sound,
        )

    def speak(
        self, t: float, began: float, samples: int = 16_000, *, amid_talk: bool = False
    ) -> None:
        sound = np.zeros(samples, np.int16)
        hearing = Hearing("log bite", amid_talk=amid_talk)
        self.trip.utterance(Uttered(t, began, sound, hearing))


@pytest.fixture
def aboard() -> Aboard:
    return Aboard()


def test_the_engine_gets_the_very_bytes_that_are_recorded(aboard):
    aboard.trip.chunk(Chunk(1.0, "sonar", b"$SDDPT,5.0"))
    assert aboard.engine.chunks == []
    aboard.trip.chunk(Chunk(2.0, "sonar", b",0.0*7A\r\n"))
    aboard.trip.remark(2.5, "a word", aloud=True)
    aboard.trip.begin(3.0)
    assert [("lines", data) for data in aboard.engine.chunks] == aboard.recording.kept
    assert aboard.engine.own == [False, True, True, True]
    assert f"c:{ZERO + 2000}" in aboard.engine.chunks[0].decode()


def test_an_utterance_is_dated_by_its_samples_and_its_sound_kept(aboard):
    aboard.speak(t=5.0, began=3.5)
    (told,) = aboard.engine.utterances
    assert told.began - WALL == timedelta(seconds=3.5)
    assert told.ended - WALL == timedelta(seconds=5.0)
    assert told.clip is not None
    assert aboard.recording.kept[0] == ("clip", 3500, 5000, 16_000)


def test_a_clip_tells_that_it_was_spoken_amid_talk(aboard):
    aboard.speak(t=5.0, began=3.5, amid_talk=True)
    assert aboard.recording.kept[0] == ("clip", 3500, 5000, 16_000, "amid talk")


def test_sound_cannot_have_begun_later_than_its_length_before_the_decision(aboard):
    aboard.speak(t=5.0, began=4.9)
    assert aboard.recording.kept[0] == ("clip", 4000, 5000, 16_000)


def test_of_talk_only_the_words_are_kept():
    aboard = Aboard(keeps_sound=lambda _: False)
    aboard.speak(t=5.0, began=3.5)
    assert aboard.recording.kept[0] == ("words", 3500, 5000, "log bite")


def test_while_the_recording_pauses_nothing_is_kept_and_no_clip_named(aboard):
    aboard.trip.recording_paused = True
    aboard.speak(t=5.0, began=3.5)
    aboard.trip.sync()
    assert aboard.recording.kept == []
    assert aboard.engine.utterances[0].clip is None


def test_a_disk_that_refuses_is_told_of_once_and_so_is_its_taking_again(aboard):
    aboard.recording.full = True
    for t in (1.0, 2.0):
        aboard.trip.remark(t, None)
    assert aboard.trip.refused
    assert aboard.told == [wording.not_recording("No space left on device")]
    aboard.recording.full = False
    aboard.trip.remark(2.0 + DISK_SURE_MS / SECOND, None)
    assert aboard.trip.refused
    aboard.trip.remark(2.001 + DISK_SURE_MS / SECOND, None)
    assert not aboard.trip.refused
    assert aboard.told[1:] == [wording.RECORDING_AGAIN]
    assert len(aboard.engine.chunks) == 4


def test_two_taps_at_one_instant_are_two(aboard):
    aboard.trip.tap(1.0, "log bite")
    aboard.trip.tap(1.0, "log fish")
    stamps = [data.split(b"c:")[1].split(b"*")[0] for data in aboard.engine.chunks]
    assert len({stamps[0], stamps[2]}) == 2
    assert sorted(stamps) == stamps


def test_the_end_finishes_the_engine_and_closes_the_recording(aboard):
    aboard.recording._file, theirs = os.pipe()
    aboard.trip.finish()
    assert aboard.engine.finished == 1
    with pytest.raises(BrokenPipeError):
        os.write(theirs, b"x")
    os.close(theirs)


def test_a_trip_without_a_recording_goes_on():
    aboard = Aboard()
    aboard.trip.recording = None
    aboard.speak(t=5.0, began=3.5)
    aboard.trip.sync()
    assert aboard.engine.utterances[0].clip is None
    assert aboard.told == []


def test_words_heard_are_found_by_their_clip():
    with_clip = Heard(t=1.0, text="log bite", clip="a.flac")
    without = Heard(t=2.0, text="log fish", clip=None)
    assert list(words_heard([with_clip, without])) == ["a.flac"]
    assert words_heard([with_clip])["a.flac"].text == "log bite"


def test_what_is_found_and_what_is_solved_are_signals_at_their_instants(aboard):
    aboard.trip.begin(1.0)
    aboard.trip.search_done(SearchDone(2.0))
    aboard.trip.solve_done(SolveDone(3.0))
    signals = (SOLVES_LATER, 1000), (FINDS_LATER, 1000), (FOUND, 2000), (SOLVED, 3000)
    for line, (signal, ms) in zip(aboard.engine.chunks, signals, strict=True):
        assert f"c:{ZERO + ms}".encode() in line
        assert signal_body(signal).encode() in line
    assert aboard.engine.own == [True] * 4


def test_a_networks_lines_are_recorded_as_that_networks(aboard):
    delta = b'{"path":"navigation.headingTrue"}\n'
    aboard.trip.chunk(Chunk(1.0, "server", delta, network="signalk"))
    (line,) = aboard.engine.chunks
    assert line == stamped(delta.rstrip(), "server", ZERO + 1000, "signalk")


def test_each_source_has_its_own_unfinished_line(aboard):
    aboard.trip.chunk(Chunk(1.0, "a", b"$SDDPT,5.0"))
    aboard.trip.chunk(Chunk(1.0, "b", b"$SDDPT,6.0,0.0*79\r\n"))
    aboard.trip.chunk(Chunk(1.0, "a", b",0.0*7A\r\n"))
    assert b"$SDDPT,6.0" in aboard.engine.chunks[0]
    assert b"$SDDPT,5.0,0.0*7A" in aboard.engine.chunks[1]


def test_words_of_a_clip_are_known_or_heard_again(tmp_path):
    path = tmp_path / "a.flac"
    known = Hearing("log bite")
    assert of_trip._words_of(path, known, str)() is known
    assert of_trip._words_of(path, None, None)() == ""
    assert of_trip._words_of(path, None, str)() == str(path)
