"""Speaking never holds anybody up, drops what has become stale, and says once what is wrong."""

import os
import threading
import time
from pathlib import Path

import pytest

from companion.clock import ReplayClock
from companion.voice.speaker import STALE, WAITING, Speaker, SpeakerError


@pytest.fixture
def spoken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the file that what is played is written to; a file named `hold` beside it holds playing up."""
    (tmp_path / "espeak-ng").write_text("#!/bin/sh\ncat; echo\n")
    (tmp_path / "aplay").write_text(
        f'#!/bin/sh\ntouch {tmp_path}/begun\nwhile [ -e {tmp_path}/hold ]; do sleep 0.02; done\n'
        f"if [ -e {tmp_path}/fail ]; then echo 'no such card' >&2; exit 1; fi\ncat >> {tmp_path}/played\n"
    )  # fmt: skip
    for name in ("espeak-ng", "aplay"):
        (tmp_path / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    (tmp_path / "played").touch()
    return tmp_path / "played"


def wait_for(path: Path) -> None:
    for _ in range(500):
        if path.exists():
            return
        time.sleep(0.01)
    pytest.fail(f"{path.name} never came")


def test_lines_are_spoken_in_order(spoken: Path):
    with Speaker() as speaker:
        for line in ("Touch.", "Clear by 3 feet"):
            speaker.say(line)
    assert spoken.read_text().split("\n")[:2] == ["Touch.", "Clear by 3 feet"]


def test_saying_returns_while_another_line_is_played_and_the_oldest_gives_way(spoken: Path):
    (spoken.parent / "hold").touch()
    with Speaker() as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        for number in range(WAITING + 3):
            speaker.say(f"line {number}")
        (spoken.parent / "hold").unlink()
        last = WAITING + 2
        for _ in range(500):
            if f"line {last}\n" in spoken.read_text():
                break
            time.sleep(0.01)
    assert spoken.read_text().split() == ["first"] + [w for n in range(3, last + 1) for w in ("line", str(n))]


def test_a_line_that_has_waited_too_long_is_not_spoken(spoken: Path):
    clock = ReplayClock()
    (spoken.parent / "hold").touch()
    with Speaker(clock=clock) as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        speaker.say("stale")
        clock.move_to(STALE + 1.0)
        speaker.say("fresh")
        (spoken.parent / "hold").unlink()
    assert spoken.read_text().split() == ["first", "fresh"]


def test_a_failing_player_is_told_of_once(spoken: Path):
    (spoken.parent / "fail").touch()
    told: list[str] = []
    with Speaker(trouble=told.append) as speaker:
        speaker.say("one")
        speaker.say("two")
    assert told == ["aplay: no such card; check the speaker in the config"]


def test_without_sound_nothing_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    before = threading.active_count()
    with Speaker(aloud=False) as speaker:
        speaker.say("nothing")
        assert threading.active_count() == before
    with pytest.raises(SpeakerError, match="espeak-ng and aplay: not installed"):
        Speaker()
