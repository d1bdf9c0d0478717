"""A tapped button in a live trip: taken like speech, answered aloud, recorded, and replayed the same."""

from __future__ import annotations

import pytest

from companion import config
from companion.events import Heard, Logged, Said
from companion.live.devices import Parts
from companion.live.live import TAP_QUEUE_LENGTH, Live, Places
from companion.replay import find_day, replay
from companion.sensing import Chunk
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE


@pytest.mark.parametrize("listen", ["always", "wake words"])
def test_a_tap_is_logged_answered_recorded_and_replayed(
    listen, launch, wire, tools, tmp_path
):
    talker = tools.Talker(wire)
    text = tools.config_text(tools.serial_text("sonar", wire.name))
    afloat = launch(f'{text}\n[voice]\nlisten = "{listen}"\n')
    afloat.wait_for_text("ready")
    for count, words in enumerate(("log bite", "rod number two"), start=1):
        assert afloat.live.tapped(words)
        afloat.wait_for(
            lambda me, count=count: (
                sum(isinstance(e, Heard) for e in list(me.events)) == count
            )
        )
    talker.stop()
    events = afloat.stop()
    (bite,) = [e for e in events if isinstance(e, Logged)]
    assert (bite.what, bite.number) == ("bite", 1)
    assert bite.bottom is not None
    said = [e.text for e in events if isinstance(e, Said)]
    assert said.index("bite noted") < said.index("number two in hand")
    assert [(e.text, e.clip) for e in events if isinstance(e, Heard)] == [
        ("log bite", None),
        ("rod number two", None),
    ]
    (lines,) = (tmp_path / "recordings").glob("*/*/sonar.nmea")
    day, again = find_day(lines.parent), []
    chunks = (
        Chunk(0.0, RECORDING_WIRE, chunk.data)
        for chunk in FileSource(RECORDING_WIRE, day.recording).chunks()
    )
    replay(day, config.load(day.config), chunks, again.append)
    assert again == events


def test_taps_that_nobody_takes_are_refused(tmp_path):
    live = Live(
        config.parse(config.example_text()), "", Parts(), Places(None, tmp_path)
    )
    assert [live.tapped("log bite") for _ in range(TAP_QUEUE_LENGTH + 2)] == [
        True
    ] * TAP_QUEUE_LENGTH + [False] * 2
