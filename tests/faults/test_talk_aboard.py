"""What is kept of what people say aboard: the sound of commands, of all other talk only what was heard."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.events import AnyEvent, Heard
from companion.live.devices import Parts
from companion.live.ears import Uttered
from companion.live.live import Live, Places
from companion.live.trip import LiveTrip, Rebuilt, Stamps
from companion.record.recording import CLIPS_FOLDER, Recording
from companion.replay import find_day, replay
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE, assemble_trip
from companion.trip.keep import KeepNothing, Known
from companion.voice.grammar import Grammar, aboard
from companion.voice.heard import Hearing
from companion.voice.sound import SAMPLE_RATE_HZ

TEXT = config.example_text()
SETTINGS = config.parse(TEXT)
GRAMMAR = Grammar(aboard(SETTINGS))
COMMAND = Hearing("log bite", ended="phrase")
TALK = [
    Hearing("[unk] the [unk]"),
    Hearing(
        "", ("log fish",), refused="talk is likelier", check="[unk]", spoke=(0.2, 0.8)
    ),
]


class Hand:
    t = 100.0

    def now(self) -> float:
        return self.t


def live_of(text: str, folder: Path) -> Live:
    return Live(config.parse(text), text, Parts(), Places(None, folder))


@pytest.mark.parametrize(("keep_talk", "clips"), [("false", 1), ("true", 3)])
def test_of_talk_no_sound_is_kept_and_the_replay_is_the_same(
    tmp_path, model, keep_talk, clips
):
    del model  # looked for by every replay of a day with utterances
    text = TEXT.replace("keep_talk = false", f"keep_talk = {keep_talk}")
    assert f"keep_talk = {keep_talk}" in text
    live, clock, events = live_of(text, tmp_path), Hand(), []
    folder = tmp_path / "2026-11-29 100000"
    engine = assemble_trip(
        folder.name,
        SETTINGS,
        Grammar(aboard(SETTINGS)),
        events.append,
        KeepNothing(),
        Known(),
    )
    stamps = Stamps(clock, datetime(2026, 11, 29, 10, 0, tzinfo=UTC))
    trip = LiveTrip(
        engine,
        stamps,
        Recording(folder, TEXT),
        pytest.fail,
        lambda job: job(),
        live._beginning.keeps_sound,
    )
    for hearing in (TALK[0], COMMAND, TALK[1]):
        clock.t += 3.0
        trip.chunk(Chunk(clock.t, "sonar", sentence("SDDPT,5.00,0.0") + b"\r\n"))
        trip.utterance(
            Uttered(clock.t, clock.t - 1.5, np.zeros(SAMPLE_RATE_HZ, np.int16), hearing)
        )
    rebuilt = Rebuilt(
        folder, SETTINGS, GRAMMAR, heard_of(events, folder), None, Known()
    )
    assert rebuilt.events == events
    trip.finish()
    kept = sorted(path.suffix for path in (folder / CLIPS_FOLDER).iterdir())
    assert kept == [".flac"] * clips + [".json"] * (3 - clips)
    assert [e.command for e in events if isinstance(e, Heard)] == [None, "bite", None]
    if clips == 1:
        again: list[AnyEvent] = []
        day = find_day(folder)
        # Silence here: its words are not to be made out.
        for path in (folder / CLIPS_FOLDER).glob("*.flac"):
            path.unlink()
        replay(
            find_day(folder),
            SETTINGS,
            FileSource(RECORDING_WIRE, day.recording).chunks(),
            again.append,
        )
        talk = [e for e in events if isinstance(e, Heard) and e.command is None]
        assert [e for e in again if isinstance(e, Heard)] == talk


def heard_of(events: list[AnyEvent], folder: Path) -> dict[str, Hearing]:
    """The words of the clips with sound, as the logbook has them; of the others they stand beside."""
    sound = {path.name for path in (folder / CLIPS_FOLDER).glob("*.flac")}
    found = {e.clip: e for e in events if isinstance(e, Heard)}
    by_text = {"log bite": COMMAND, TALK[0].text: TALK[0], TALK[1].text: TALK[1]}
    return {clip: by_text[event.text] for clip, event in found.items() if clip in sound}
