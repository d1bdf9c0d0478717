"""The recorder is started, read frame by frame, and ended; what is wrong with it is told."""

import itertools
import os
from pathlib import Path

import pytest

from companion.voice.microphone import MicrophoneError, microphone_frames
from companion.voice.sound import SOUND_FRAME_SAMPLES


def fake_arecord(folder: Path, script: str, monkeypatch: pytest.MonkeyPatch) -> None:
    program = folder / "arecord"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")


def test_frames_come_from_the_recorder_and_its_last_words_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    fake_arecord(
        tmp_path,
        "head -c 1500 /dev/zero; echo 'audio open error: no such device' >&2; exit 1",
        monkeypatch,
    )
    frames = microphone_frames("hw:9")
    assert [len(frame) for frame in itertools.islice(frames, 2)] == [
        SOUND_FRAME_SAMPLES,
        SOUND_FRAME_SAMPLES,
    ]
    with pytest.raises(
        MicrophoneError, match="microphone hw:9: audio open error: no such device"
    ):
        next(frames)


def test_closing_the_frames_ends_the_recorder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    fake_arecord(tmp_path, f"echo $$ > {tmp_path}/pid; exec cat /dev/zero", monkeypatch)
    frames = microphone_frames("default")
    next(frames)
    frames.close()
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_without_a_recorder_the_message_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(
        MicrophoneError, match=r"arecord: not installed; run hardware/install\.sh"
    ):
        next(microphone_frames("default"))
