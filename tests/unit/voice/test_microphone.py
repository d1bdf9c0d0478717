"""Endless sound is cut into utterances with their beginnings whole, and memory stays bounded."""

import itertools
import os
from pathlib import Path

import numpy as np
import pytest

from companion.voice.microphone import (
    LONGEST,
    PAUSE,
    PRE_ROLL,
    MicrophoneError,
    microphone_frames,
    utterances,
)
from companion.voice.sound import FRAME, RATE, frames_of


def hiss(seconds: float, level: float, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, level, round(seconds * RATE))


def cut(sound: np.ndarray) -> list:
    return list(utterances(frames_of(np.clip(sound, -32768, 32767).astype(np.int16))))


@pytest.mark.parametrize("noise", [2.0, 100.0, 1000.0])
def test_two_bursts_are_two_utterances_with_pre_roll_and_end(noise: float):
    sound = hiss(10.0, noise)
    for start, end in ((3.0, 4.0), (7.0, 7.5)):
        sound[round(start * RATE) : round(end * RATE)] += hiss(end - start, max(6 * noise, 300))
    found = cut(sound)
    assert len(found) == 2
    for spoken, start, end in zip(found, (3.0, 7.0), (4.0, 7.5), strict=True):
        assert start - PRE_ROLL - 0.1 < spoken.began <= start - 0.3
        assert end + PAUSE - 0.1 < spoken.ended < end + PAUSE + 0.1
        whole = sound[round(spoken.began * RATE) : round(spoken.ended * RATE)]
        assert np.array_equal(spoken.samples, np.clip(whole, -32768, 32767).astype(np.int16))


def test_a_short_pause_does_not_split_an_utterance():
    sound = hiss(6.0, 20)
    sound[2 * RATE : 3 * RATE] += hiss(1.0, 2000)
    sound[round(3.4 * RATE) : 4 * RATE] += hiss(0.6, 2000)
    assert len(cut(sound)) == 1


def test_a_click_is_no_utterance():
    sound = hiss(4.0, 20)
    sound[2 * RATE : 2 * RATE + 320] += 10000
    assert cut(sound) == []


def test_an_engine_started_is_cut_and_then_taken_for_noise():
    found = cut(np.concatenate([hiss(3.0, 20), hiss(90.0, 2000)]))
    assert found
    assert all(spoken.ended - spoken.began <= LONGEST + 0.02 for spoken in found)
    assert found[-1].ended < 60.0


def test_silence_and_nothing_give_nothing():
    assert cut(np.zeros(3 * RATE)) == []
    assert cut(np.zeros(0)) == []


def fake_arecord(folder: Path, script: str, monkeypatch: pytest.MonkeyPatch) -> None:
    program = folder / "arecord"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")


def test_frames_come_from_the_recorder_and_its_last_words_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    fake_arecord(
        tmp_path, "head -c 1500 /dev/zero; echo 'audio open error: no such device' >&2; exit 1", monkeypatch
    )
    frames = microphone_frames("hw:9")
    assert [len(frame) for frame in itertools.islice(frames, 2)] == [FRAME, FRAME]
    with pytest.raises(MicrophoneError, match="microphone hw:9: audio open error: no such device"):
        next(frames)


def test_closing_the_frames_ends_the_recorder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    fake_arecord(tmp_path, f"echo $$ > {tmp_path}/pid; exec cat /dev/zero", monkeypatch)
    frames = microphone_frames("default")
    next(frames)
    frames.close()
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_without_a_recorder_the_message_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(MicrophoneError, match=r"arecord: not installed; run hardware/install\.sh"):
        next(microphone_frames("default"))
