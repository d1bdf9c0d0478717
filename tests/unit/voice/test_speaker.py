"""Speaking never holds anybody up, drops what has become stale, and says once what is wrong."""

import io
import os
import shutil
import subprocess
import threading
import time
import wave
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from companion.events import Logged, Said
from companion.voice.grammar import Aboard, Grammar
from companion.voice.sound import SAMPLE_RATE_HZ, to_wav
from companion.voice.speaker import (
    DEVICE_LATENCY_S,
    FLOOR_LOOK_S,
    FREE_AFTER,
    MOST_WAITING_LINES,
    STALE_AFTER_S,
    Manner,
    Speaker,
    SpeakerError,
    samples_of,
    trimmed,
)
from tests.clocks import MovedClock


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
    for _ in range(60_000):
        if path.exists():
            return
        time.sleep(0.01)
    pytest.fail(f"{path.name} never came")


def test_lines_are_spoken_in_order(spoken: Path):
    with Speaker() as speaker:
        for line in ("Touch.", "Clear by 3 feet"):
            speaker.say(line)
    assert spoken.read_text().split("\n")[:2] == ["Touch.", "Clear by 3 feet"]


def test_saying_returns_while_another_line_is_played_and_the_oldest_gives_way(
    spoken: Path,
):
    (spoken.parent / "hold").touch()
    with Speaker() as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        for number in range(MOST_WAITING_LINES + 3):
            speaker.say(f"line {number}")
        (spoken.parent / "hold").unlink()
        last = MOST_WAITING_LINES + 2
        for _ in range(60_000):
            if f"line {last}\n" in spoken.read_text():
                break
            time.sleep(0.01)
    assert spoken.read_text().split() == ["first"] + [
        w for n in range(3, last + 1) for w in ("line", str(n))
    ]


def test_a_line_that_has_waited_too_long_is_not_spoken(spoken: Path):
    clock = MovedClock()
    (spoken.parent / "hold").touch()
    with Speaker(clock=clock) as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        speaker.say("stale")
        clock.move_to(STALE_AFTER_S["answer"] + 1.0)
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


def test_the_more_urgent_goes_first_and_news_takes_the_place_of_what_it_replaces(
    spoken: Path,
):
    (spoken.parent / "hold").touch()
    with Speaker() as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        for text, about in (
            ("a notice", "notice"),
            ("short by 4 feet", "match"),
            ("clear by 3 feet", "match"),
            ("number two in hand", "answer"),
        ):
            speaker.say(text, about)
        (spoken.parent / "hold").unlink()
    lines = [line for line in spoken.read_text().split("\n") if line]
    assert lines == ["first", "number two in hand", "clear by 3 feet", "a notice"]


def test_hushed_it_stops_at_once_and_drops_what_waits(spoken: Path):
    (spoken.parent / "hold").touch()
    told: list[str] = []
    with Speaker(trouble=told.append) as speaker:
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        assert speaker.speaking
        speaker.say("second")
        speaker.hush()
        (spoken.parent / "hold").unlink()
        speaker.say("third")
    assert spoken.read_text().split() == ["third"]
    assert told == []


def test_a_player_may_end_while_it_is_hushed():
    class Ending(Speaker):
        """Its player is forgotten once it was looked at."""

        @property
        def _player(self):
            player, self._forgotten = self._forgotten, None
            return player

        @_player.setter
        def _player(self, player):
            self._forgotten = player

    speaker, killed = Ending(aloud=False), []
    speaker._player = SimpleNamespace(kill=lambda: killed.append(True))
    speaker.hush()
    assert killed == [True]


def test_hushed_before_its_player_is_known_it_stops_too(spoken: Path, monkeypatch):
    (spoken.parent / "hold").touch()
    speakers: list[Speaker] = []
    told: list[str] = []

    class HushedAsItBegins(subprocess.Popen[bytes]):
        def __init__(self, command: list[str], **how: int) -> None:
            super().__init__(command, **how)  # type: ignore[call-overload]
            if command[0] == "aplay" and not (spoken.parent / "hushed").exists():
                (spoken.parent / "hushed").touch()
                speakers[0].hush()

    monkeypatch.setattr(subprocess, "Popen", HushedAsItBegins)
    with Speaker(trouble=told.append) as speaker:
        speakers.append(speaker)
        speaker.say("first")
        wait_for(spoken.parent / "hushed")
        wait_until(lambda: not speaker.speaking)
        (spoken.parent / "hold").unlink()
        speaker.say("third")
    assert spoken.read_text().split() == ["third"]
    assert told == []


def test_a_bite_is_answered_by_a_tone_and_a_fish_by_words(spoken: Path):
    with Speaker() as speaker:
        for what, text in (("bite", "bite noted"), ("fish", "fish three pounds")):
            speaker.speak_event(Logged(t=1.0, number=1, what=what))
            speaker.speak_event(Said(t=1.0, text=text, about="answer"))
    played = spoken.read_bytes()
    assert played.startswith(b"RIFF")
    assert b"bite noted" not in played
    assert played.rstrip().endswith(b"fish three pounds")


@pytest.mark.parametrize("by_tone", [True, False])
def test_what_was_not_understood_is_answered_by_a_tone_or_by_words(
    spoken: Path, by_tone: bool
):
    with Speaker(manner=Manner(tone_when_unclear=by_tone)) as speaker:
        speaker.speak_event(Said(t=1.0, text="again?", about="unclear"))
    assert spoken.read_bytes().startswith(b"RIFF") == by_tone
    assert (b"again?" in spoken.read_bytes()) != by_tone


def test_it_knows_when_it_spoke(spoken: Path):
    clock = MovedClock()
    (spoken.parent / "hold").touch()
    with Speaker(clock=clock) as speaker:
        assert not speaker.speaking
        clock.move_to(10.0)
        speaker.say("first")
        wait_for(spoken.parent / "begun")
        assert speaker.speaking
        clock.move_to(12.0)
        (spoken.parent / "hold").unlink()
    assert speaker.speaking
    clock.move_to(12.0 + DEVICE_LATENCY_S + 0.1)
    assert not speaker.speaking


@pytest.mark.skipif(
    shutil.which("espeak-ng") is None,
    reason="not here: espeak-ng; the installer brings it",
)
def test_what_is_said_back_takes_at_most_a_second_and_a_half():
    """The longest words of every command that changes something, without the silence around them."""
    grammar = Grammar(Aboard((1, 2, 3, 4), (12, 14, 17, 20)))
    longest: dict[str, str] = {}
    for phrase in grammar.phrases:
        command = grammar.parse(phrase)
        said = grammar.confirmation(command) or ""
        longest[command.name] = max(longest.get(command.name, ""), said, key=len)
    times = {}
    for said in filter(None, longest.values()):
        command_line = ["espeak-ng", "--stdin", "--stdout", "-s", str(Manner().rate)]
        made = subprocess.run(
            command_line, input=said.encode(), capture_output=True, check=True
        ).stdout
        with wave.open(io.BytesIO(trimmed(made))) as file:
            times[said] = file.getnframes() / file.getframerate()
    print(sorted(times.items(), key=lambda item: item[1])[-4:])
    assert max(times.values()) <= 1.5


def test_the_sound_of_a_line_is_known_at_the_rate_of_the_microphone():
    rate, seconds = 22050, 0.5
    t = np.arange(round(rate * seconds)) / rate
    tone = (8000.0 * np.sin(2.0 * np.pi * 440.0 * t)).astype("<i2")
    changed = samples_of(to_wav(tone, rate))
    assert len(changed) == pytest.approx(seconds * SAMPLE_RATE_HZ, abs=320)
    t = np.arange(len(changed)) / SAMPLE_RATE_HZ
    wanted = 8000.0 * np.sin(2.0 * np.pi * 440.0 * t)
    assert np.abs(changed - wanted)[400:7600].max() < 80.0
    assert len(samples_of(b"no sound")) == 0


def test_without_sound_nothing_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    before = threading.active_count()
    with Speaker(aloud=False) as speaker:
        speaker.say("nothing")
        assert threading.active_count() == before
    with pytest.raises(SpeakerError, match="espeak-ng and aplay: not installed"):
        Speaker()


def test_nothing_begins_while_somebody_speaks_and_what_nobody_asked_for_waits_half_a_second_more(
    spoken: Path,
):
    clock = MovedClock()
    with Speaker(clock=clock) as speaker:
        speaker.yield_floor(True)
        speaker.say("number two in hand")
        speaker.say("depth lost", "depth")
        time.sleep(5 * FLOOR_LOOK_S)
        assert spoken.read_text() == ""
        clock.move_to(1.0)
        speaker.yield_floor(False)
        wait_until(lambda: "number two in hand" in spoken.read_text())
        clock.move_to(1.0 + 0.9 * FREE_AFTER)
        time.sleep(5 * FLOOR_LOOK_S)
        assert "depth lost" not in spoken.read_text()
        clock.move_to(1.0 + 1.1 * FREE_AFTER)
        wait_until(lambda: "depth lost" in spoken.read_text())


def test_what_became_stale_while_somebody_spoke_is_not_said(spoken: Path):
    clock = MovedClock()
    with Speaker(clock=clock) as speaker:
        speaker.yield_floor(True)
        speaker.say("short by 4 feet", "match")
        clock.move_to(STALE_AFTER_S["match"] + 0.1)
        speaker.yield_floor(False)
        clock.move_to(STALE_AFTER_S["match"] + 2.0)
        speaker.say("fresh")
    assert spoken.read_text().split() == ["fresh"]


def test_a_line_made_while_somebody_begins_to_speak_waits(spoken: Path):
    """The words are made in a moment; who begins to speak in that moment is not spoken over."""
    (spoken.parent / "espeak-ng").write_text(
        f"#!/bin/sh\ntouch {spoken.parent}/making\nwhile [ -e {spoken.parent}/slow ]; do sleep 0.02; done\n"
        "cat; echo\n"
    )
    (spoken.parent / "slow").touch()
    with Speaker() as speaker:
        speaker.say("depth lost", "notice")
        wait_for(spoken.parent / "making")
        speaker.yield_floor(True)
        (spoken.parent / "slow").unlink()
        time.sleep(5 * FLOOR_LOOK_S)
        assert spoken.read_text() == ""
        speaker.yield_floor(False)
        wait_until(lambda: "depth lost" in spoken.read_text())


def wait_until(what) -> None:
    for _ in range(60_000):
        if what():
            return
        time.sleep(0.01)
    pytest.fail("it never came")
