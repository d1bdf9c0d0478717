"""`companion listen`: what it tells of a clip, and the guided test that keeps its result."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion import config
from companion.cli.talk import TEST_COMMANDS, asked_for
from companion.voice.grammar import Grammar, aboard
from companion.voice.model import MODEL_FOLDER_NAME, data_folder

COMPANION = Path(sys.executable).parent / "companion"
GRAMMAR = Grammar(aboard(config.parse(config.example_text(), "example")))


pytestmark = pytest.mark.speech("flite")


def spoken(text: str, path: Path) -> tuple[np.ndarray, int]:
    """Return what a synthetic voice says, and its sample rate."""
    subprocess.run(
        ["flite", "-voice", "slt", "-t", text, "-o", path],
        check=True,
        capture_output=True,
    )
    sound, rate = soundfile.read(path, dtype="int16")
    return sound, rate


@pytest.fixture(scope="module")
def clips(tmp_path_factory) -> list[Path]:
    """The commands that the guided test asks for, spoken by a synthetic voice after a moment of quiet."""
    folder = tmp_path_factory.mktemp("clips")
    for number, text in enumerate(asked_for(GRAMMAR)):
        path = folder / f"{number:02}.wav"
        sound, rate = spoken(text, path)
        soundfile.write(
            path, np.concatenate([np.zeros(rate // 2, np.int16), sound]), rate
        )
    return sorted(folder.iterdir())


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("home")
    (folder / "companion").mkdir()
    (folder / "companion" / MODEL_FOLDER_NAME).symlink_to(
        data_folder() / MODEL_FOLDER_NAME
    )
    return folder


def listen(home: Path, *arguments: object) -> str:
    return subprocess.run(
        [COMPANION, "listen", *map(str, arguments)],
        capture_output=True, text=True, check=True,
        env=os.environ | {"XDG_DATA_HOME": str(home), "XDG_CONFIG_HOME": str(home)},
    ).stdout  # fmt: skip


def test_a_clip_is_told_with_its_level_its_decision_and_why(clips, home):
    told = [
        json.loads(line) for line in listen(home, "--json", *clips[:2]).splitlines()
    ]
    assert [one["text"] for one in told] == asked_for(GRAMMAR)[:2]
    assert [one["decision"] for one in told] == ["bite", "touch"]
    assert all(one["reason"] and one["level"] > one["noise"] for one in told)
    (line,) = listen(home, clips[0]).splitlines()
    assert f"{asked_for(GRAMMAR)[0]}  -> bite (" in line


def test_of_a_clip_that_begins_with_the_words_it_says_that_quiet_is_missing(
    clips, home, tmp_path
):
    sound, rate = soundfile.read(clips[0], dtype="int16")
    begins = int(np.flatnonzero(np.abs(sound) > 500)[0])
    soundfile.write(tmp_path / "cut.wav", sound[begins:], rate)
    (told,) = (
        json.loads(line)
        for line in listen(home, "--json", tmp_path / "cut.wav").splitlines()
    )
    assert (told["decision"], told["reason"]) == (None, "no quiet before it")
    assert asked_for(GRAMMAR)[0] in told["alternatives"]


def test_a_long_recording_is_listened_to_as_the_boat_would(clips, home, tmp_path):
    sounds = [soundfile.read(clip, dtype="int16") for clip in clips[:3]]
    rate = sounds[0][1]
    hiss = np.random.default_rng(1).normal(0, 8, 3 * rate).astype(np.int16)
    soundfile.write(
        tmp_path / "trip.wav",
        np.concatenate([hiss, *(p for s, _ in sounds for p in (s, hiss))]),
        rate,
    )
    told = [
        json.loads(line)
        for line in listen(home, "--json", tmp_path / "trip.wav").splitlines()
    ]
    assert [one["text"] for one in told if one["decision"]] == asked_for(GRAMMAR)[:3]
    assert told[0]["where"].startswith(f"{tmp_path}/trip.wav ")


def test_it_tells_which_command_came_amid_talk(clips, home, tmp_path):
    path = tmp_path / "boat.wav"
    talk, rate = spoken(
        "we should have brought the other net and a good deal more to eat this morning",
        path,
    )
    (first, _), (second, _) = (
        soundfile.read(clip, dtype="int16") for clip in clips[:2]
    )
    hiss = np.random.default_rng(2).normal(0, 8, 12 * rate).astype(np.int16)
    short = hiss[: 2 * rate]
    soundfile.write(
        path, np.concatenate([short, talk, short, first, hiss, second, hiss]), rate
    )
    told = [json.loads(line) for line in listen(home, "--json", path).splitlines()]
    amid = [(one["text"], one["amid_talk"]) for one in told if one["decision"]]
    assert amid == list(zip(asked_for(GRAMMAR)[:2], [True, False], strict=True))


def test_the_guided_test_asks_for_twenty_and_keeps_the_rate_and_the_sound(clips, home):
    told = listen(home, "--test", *clips)
    assert [line for line in told.splitlines() if line.startswith("say:")] == [
        f'say: "{text}"' for text in asked_for(GRAMMAR)
    ]
    (folder,) = (home / "companion" / "voice-tests").iterdir()
    result = json.loads((folder / "result.json").read_text())
    assert f"understood {result['understood']} of {TEST_COMMANDS}" in told
    assert result["asked"] == TEST_COMMANDS == len(result["utterances"])
    assert result["understood"] >= TEST_COMMANDS - 2
    assert len(list(folder.glob("*.flac"))) == TEST_COMMANDS
