"""What was learned of a voice goes with the trip: into its recording, and from there into every replay."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import companion.replay as room
from companion import config
from companion.cli import commands
from companion.clock import LiveClock
from companion.live.devices import Parts
from companion.live.live import Live, Places
from companion.live.trip import may_go_on
from companion.record import beforehand
from companion.record.recording import CLIPS_FOLDER, LINES_FILE, ms_of, stamped
from companion.replay import find_day, replay
from companion.sensing.framing import sentence
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE
from companion.voice.clips import clip_name, write_clip
from companion.voice.own_voice import OwnVoice, keep, shift_for
from companion.voice.sound import SAMPLE_RATE_HZ

TEXT = config.example_text()
SETTINGS = config.parse(TEXT)
MICROPHONE = SETTINGS.voice.microphone
AT = datetime(2026, 11, 29, 10, 0, tzinfo=UTC)
VOICE = OwnVoice(
    utc="2026-11-29", microphone=MICROPHONE, shift=-0.4, read=20, understood=15, then=18
)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's data folder with a voice that was learned."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    keep(VOICE)
    return tmp_path / "companion"


def begun(home: Path) -> Path:
    """Begin a trip; return the folder of its recording."""
    live = Live(SETTINGS, TEXT, Parts(), Places(None, home / "recordings"))
    trip = live._beginning.begin(LiveClock(), AT)
    assert trip.recording is not None
    trip.close()
    return trip.recording.folder


def test_a_recording_holds_the_voice_and_is_gone_on_with_by_that_voice_only(home: Path):
    folder = begun(home)
    before = beforehand.read(folder)
    assert before is not None
    assert before.voice == VOICE.shift
    now = ms_of(AT + timedelta(minutes=1))
    assert may_go_on(folder, TEXT, VOICE.shift, now)
    assert not may_go_on(folder, TEXT, 0.0, now)


def test_a_replay_hears_with_the_voice_that_the_recording_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    (tmp_path / CLIPS_FOLDER).mkdir()
    line = stamped(sentence("SDDPT,5.00,0.0"), "sonar", ms_of(AT))
    (tmp_path / LINES_FILE).write_bytes(line)
    write_clip(
        tmp_path / CLIPS_FOLDER / clip_name(AT), np.zeros(SAMPLE_RATE_HZ, np.int16)
    )
    beforehand.keep(tmp_path, {}, (), -0.4)
    shifts = []

    def ahead(_model, _grammar, clips, shift):
        shifts.append(shift)
        return [lambda: "" for _ in clips]

    monkeypatch.setattr(room, "hear_ahead", ahead)
    monkeypatch.setattr(room, "chosen_model", lambda _: Path())
    chunks = FileSource(RECORDING_WIRE, tmp_path / LINES_FILE).chunks()
    replay(find_day(tmp_path), SETTINGS, chunks, lambda _: None)
    assert shifts == [-0.4]


def test_one_command_forgets_it(home: Path):
    assert shift_for(MICROPHONE) == VOICE.shift
    told = [
        CliRunner().invoke(commands, ["listen", "--forget"]).output for _ in range(2)
    ]
    assert told == ["forgotten\n", "nothing was learned of your voice\n"]
    assert shift_for(MICROPHONE) == 0.0
    assert not list(home.glob("own-voice*"))


def test_a_voice_that_cannot_be_read_is_told_of_and_the_trip_begins(
    home: Path, monkeypatch
):
    (home / "own-voice.json").write_text("{")
    monkeypatch.setenv("XDG_DATA_HOME", str(home.parent))
    before = beforehand.read(begun(home))
    assert before is not None
    assert before.voice == 0.0
