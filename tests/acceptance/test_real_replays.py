"""Recordings made by others, through the whole companion: nothing raised, time in order, nothing made up."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from companion import config
from companion.events import DepthNews, Match, TripBegan, TripEnded
from companion.record.logbook import Logbook
from companion.replay import find_day, replay
from companion.sensing.sources import FileSource

LOGS = Path(__file__).parents[2].parent / "shared" / "data" / "logs"
SETTINGS = config.parse(config.example_text(), "example")
NAMES = sorted(path.name for path in LOGS.glob("*")) or ["none"]


@pytest.mark.skipif(
    not LOGS.is_dir(),
    reason="the recorded logs of others (shared/data/logs) are not here",
)
@pytest.mark.parametrize("name", NAMES)
def test_it_replays_to_the_end(name, tmp_path):
    events = []
    recording = LOGS / name
    with Logbook(tmp_path / "book.db") as logbook:
        trip = logbook.begin_trip(name, recording=name)
        with trip:
            chunks = FileSource("sonar", recording).chunks()
            replay(find_day(recording), SETTINGS, chunks, events.append, trip)
        assert logbook.events(trip.id) == events
        assert logbook.tables.faults() == []
        kept = list(logbook.readings(trip.id))
    assert [type(e) for e in (events[0], events[-1])] == [TripBegan, TripEnded]
    assert [e.t for e in events] == sorted(e.t for e in events)
    assert events[-1].sentences > 0
    assert all(0.0 < r.depth < 60.0 for r in kept if r.depth is not None)
    assert all(abs(r.fix.lat) > 1.0 for r in kept if r.fix is not None), (
        "a void fix taken as 0, 0"
    )
    news = [e.state for e in events if isinstance(e, DepthNews)]
    assert all(a != b for a, b in itertools.pairwise(news))
    assert not any(isinstance(e, Match) and e.state == "unknown" for e in events)
