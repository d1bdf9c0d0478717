"""Clips: what is written is read back, other rates and channels come in right, and bad files say so."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion.voice.clips import (
    ClipError,
    clip_began,
    clip_facts,
    clip_name,
    read_clip,
    write_clip,
)
from companion.voice.sound import SAMPLE_RATE_HZ


def tone(rate: int, frequency: float = 440.0, seconds: float = 1.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * frequency * np.arange(round(rate * seconds)) / rate)


def test_a_clip_comes_back_sample_for_sample(tmp_path: Path):
    samples = np.random.default_rng(3).integers(-32768, 32768, 5000).astype(np.int16)
    path = tmp_path / clip_name(datetime(2026, 10, 3, 14, 15, 0, 250000, UTC))
    write_clip(path, samples)
    assert np.array_equal(read_clip(path), samples)
    assert soundfile.info(path).format == "FLAC"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 48000])
@pytest.mark.parametrize("channels", [1, 2])
def test_other_rates_and_channels_become_16_khz_mono(
    tmp_path: Path, rate: int, channels: int
):
    soundfile.write(tmp_path / "a.wav", np.stack([tone(rate)] * channels, axis=1), rate)
    samples = read_clip(tmp_path / "a.wav")
    assert samples.dtype == np.int16
    assert len(samples) == SAMPLE_RATE_HZ
    middle = slice(SAMPLE_RATE_HZ // 4, -SAMPLE_RATE_HZ // 4)
    assert np.max(np.abs(samples[middle] / 32768 - tone(SAMPLE_RATE_HZ)[middle])) < 0.01


def test_sound_beyond_full_scale_is_clipped_not_wrapped(tmp_path: Path):
    soundfile.write(
        tmp_path / "a.wav", np.full(1000, 1.5), SAMPLE_RATE_HZ, subtype="FLOAT"
    )
    assert set(read_clip(tmp_path / "a.wav")) == {32767}


def test_what_is_no_number_is_silence(tmp_path: Path):
    sound = np.full(1600, 0.25, np.float32)
    sound[800] = np.nan
    soundfile.write(tmp_path / "clip.wav", sound, 16000, subtype="FLOAT")
    heard = read_clip(tmp_path / "clip.wav")
    assert (heard[799], heard[800], heard[801]) == (8192, 0, 8192)


def test_files_that_are_no_clips_are_named(tmp_path: Path):
    with pytest.raises(ClipError, match=r"none\.flac: cannot be read"):
        read_clip(tmp_path / "none.flac")
    (tmp_path / "bad.flac").write_bytes(b"fLaC but not really")
    with pytest.raises(ClipError, match=r"bad\.flac: cannot be read"):
        read_clip(tmp_path / "bad.flac")


def test_the_name_holds_the_instant_to_the_millisecond():
    began = datetime(2026, 10, 3, 10, 15, 0, 250999, timezone(timedelta(hours=-4)))
    assert clip_name(began) == "20261003T141500.250Z.flac"
    assert clip_began(clip_name(began)) == datetime(2026, 10, 3, 14, 15, 0, 250000, UTC)
    assert clip_began("notes.txt") is None
    assert clip_began("20261399T141500.250Z.flac") is None


def test_how_long_after_its_end_a_clip_was_decided_stays_with_it(tmp_path: Path):
    write_clip(tmp_path / "late.flac", np.zeros(SAMPLE_RATE_HZ, np.int16), 512)
    write_clip(tmp_path / "prompt.flac", np.zeros(SAMPLE_RATE_HZ // 2, np.int16))
    assert clip_facts(tmp_path / "late.flac") == (1.0, 0.512, False)
    assert clip_facts(tmp_path / "prompt.flac") == (0.5, 0.0, False)
    with pytest.raises(ClipError, match="cannot be read"):
        clip_facts(tmp_path / "none.flac")


@pytest.mark.parametrize("late_ms", [0, 512])
def test_a_clip_tells_whether_people_had_just_been_talking(tmp_path: Path, late_ms):
    path = tmp_path / "clip.flac"
    write_clip(path, np.zeros(SAMPLE_RATE_HZ, np.int16), late_ms, amid_talk=True)
    assert clip_facts(path) == (1.0, late_ms / 1000.0, True)


def test_a_comment_that_is_not_ours_tells_nothing(tmp_path: Path):
    path = tmp_path / "clip.flac"
    with soundfile.SoundFile(path, "w", SAMPLE_RATE_HZ, 1, format="FLAC") as file:
        file.comment = "recorded amid talk; decided after ms: soon"
        file.write(np.zeros(SAMPLE_RATE_HZ, np.int16))
    assert clip_facts(path) == (1.0, 0.0, False)
