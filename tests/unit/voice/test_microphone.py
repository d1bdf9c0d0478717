"""The recorder is started, read frame by frame, and ended; what is wrong with it is told."""

import itertools
import os
import time
from pathlib import Path

import numpy as np
import pytest

from companion.voice.microphone import (
    LOUD_RATIO,
    QUIETEST_BAND_LEVEL,
    QUIETEST_LEVEL,
    WAITING_SOUND_BYTES,
    Loudness,
    MicrophoneError,
    microphone_frames,
)
from companion.voice.sound import (
    FRAMES_A_SECOND,
    SAMPLE_RATE_HZ,
    SOUND_FRAME_SAMPLES,
    Samples,
    frames_of,
    level,
    speech_band_level,
)


def tone(hertz: float, loud: float, seconds: float = 1.0) -> Samples:
    t = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return np.rint(loud * np.sqrt(2.0) * np.sin(2 * np.pi * hertz * t)).astype(np.int16)


@pytest.mark.parametrize(
    ("hertz", "share"),
    [(100.0, 0.0), (200.0, 0.0), (400.0, 1.0), (3400.0, 1.0), (3700.0, 0.0)],
)
def test_the_level_of_the_band_is_that_of_what_lies_in_it(hertz: float, share: float):
    frames = list(frames_of(tone(hertz, 1000.0)))
    levels = [speech_band_level(frame) for frame in frames]
    assert np.mean(levels) == pytest.approx(1000.0 * share, rel=0.02, abs=20.0)


def loud_frames(sound: Samples) -> list[bool]:
    loudness = Loudness()
    return [loudness.is_loud(frame) for frame in frames_of(sound)]


def test_a_voice_beneath_a_hum_is_loud_in_its_own_band():
    hum, voice = tone(100.0, 1000.0, 2.0), tone(1000.0, 1500.0)
    both = hum.copy()
    both[SAMPLE_RATE_HZ:] += voice
    assert level(both[SAMPLE_RATE_HZ:]) < LOUD_RATIO * level(hum)
    loud = loud_frames(both)
    assert not any(loud[:FRAMES_A_SECOND])
    assert all(loud[FRAMES_A_SECOND:])


def test_what_is_louder_outside_the_band_is_loud_too():
    thud = tone(80.0, 200.0, 2.0)
    thud[SAMPLE_RATE_HZ:] = tone(80.0, 200.0 * 2 * LOUD_RATIO)
    loud = loud_frames(thud)
    assert not any(loud[:FRAMES_A_SECOND])
    assert all(loud[FRAMES_A_SECOND:])


def test_what_is_quieter_than_a_cards_hiss_is_never_loud():
    faint = np.concatenate(
        [np.zeros(SAMPLE_RATE_HZ, np.int16), tone(1000.0, 0.9 * QUIETEST_BAND_LEVEL)]
    )
    assert not any(loud_frames(faint))
    faint[SAMPLE_RATE_HZ:] = tone(6000.0, 0.9 * QUIETEST_LEVEL)
    assert not any(loud_frames(faint))
    faint[SAMPLE_RATE_HZ:] = tone(1000.0, 1.1 * QUIETEST_BAND_LEVEL)
    assert all(loud_frames(faint)[FRAMES_A_SECOND + 1 :])


def test_the_noise_told_is_that_of_all_of_the_sound():
    loudness = Loudness()
    for frame in frames_of(tone(100.0, 500.0)):
        loudness.is_loud(frame)
    assert loudness.noise == pytest.approx(500.0, rel=0.05)


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


def test_a_recorder_that_complains_all_day_is_not_held_up_by_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    complaint = 12 * "overrun!!! (at least 12.345 ms long)"
    one = f"head -c {2 * SOUND_FRAME_SAMPLES} /dev/zero; echo '{complaint}' >&2"
    fake_arecord(
        tmp_path,
        f"for n in $(seq 3000); do {one}; done; echo gone >&2",
        monkeypatch,
    )
    frames = microphone_frames("default")
    assert sum(1 for _ in itertools.islice(frames, 3000)) == 3000
    with pytest.raises(MicrophoneError, match="microphone default: gone"):
        next(frames)


def test_half_a_minute_of_sound_waits_for_who_is_busy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """The recorder gets rid of all of it before a second frame is asked for."""
    written = tmp_path / "written"
    sound = f"head -c {WAITING_SOUND_BYTES} /dev/zero"
    fake_arecord(tmp_path, f"{sound}; touch {written}; exec sleep 99", monkeypatch)
    frames = microphone_frames("default")
    next(frames)
    while not written.exists():
        time.sleep(0.01)
    frames.close()


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
