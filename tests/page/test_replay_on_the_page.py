"""The demo day at speed: what the page shows at an instant is what the events had told by then."""

from __future__ import annotations

import re
import threading
import time
from bisect import bisect_right
from functools import partial
from pathlib import Path
from queue import SimpleQueue

import pytest
from playwright.sync_api import Error

from companion import config
from companion.events import Heard, Logged, RodTaken, Said, TripEnded, Undone, from_json
from companion.replay import RecordedDay, replay
from companion.sensing import Chunk
from companion.trip.agenda import Utterance
from companion.units import FOOT

DAY = Path(__file__).parents[2] / "replay_logs" / "invented_saturday"
SHARE = 0.6
"""How much of the day is replayed: nine minutes, as fast as it goes between the moments looked at."""
EVERY = 15.0
"""How often the replay stops until the page has been looked at, s of the day."""
PARTS = [
    "rod",
    "said",
    "heard",
    "understood",
    "depth",
    "last",
    "figure",
    "rod-2-match",
    "logged",
]
SAMPLE = """(parts) => ({
  t: document.getElementById("clock").dataset.state,
  feed: document.getElementById("feed").dataset.state,
  under_way: document.querySelectorAll("#picture .lure").length,
  side: document.getElementById("side").textContent,
  ...Object.fromEntries(parts.map((id) => [id, document.getElementById(id).textContent])),
})"""


def depths(recording: bytes) -> tuple[list[float], list[float]]:
    """Return times, s, and depths below the surface, m, read from the recording by other means."""
    found = re.findall(rb"c:(\d+)\*..\\\$(?:SDDPT,([\d.]+),([\d.]+))?", recording)
    first = int(found[0][0])
    rows = [
        ((int(ms) - first) / 1000.0, float(d) + float(o)) for ms, d, o in found if d
    ]
    return [t for t, _ in rows], [z for _, z in rows]


class Replayed:
    """The day's beginning on a page, spoken to as it was that day, in a thread of its own.

    It runs flat out, and every few seconds of the day waits until somebody has looked
    at the page.
    """

    def __init__(self, page) -> None:
        self.page = page
        self.events = []
        self.moments = (
            SimpleQueue()
        )  # (t as the page has it, how many events there were); None at the end
        self.looked = threading.Event()
        self.recording = (DAY / "sonar.nmea").read_bytes()
        self.recording = (
            self.recording[: int(len(self.recording) * SHARE)].rpartition(b"\n")[0]
            + b"\n"
        )
        lines = (DAY / "expected.jsonl").read_text().splitlines()
        self._spoken = [
            event for event in map(from_json, lines) if isinstance(event, Heard)
        ]
        self._due = 0.0
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        settings = config.load(DAY / "companion.toml")
        chunk = Chunk(0.0, "sonar", self.recording)
        day = RecordedDay("the demo day", DAY / "sonar.nmea")
        try:
            replay(day, settings, [chunk], self._event, onlooker=self._look)
        finally:
            self.moments.put(None)

    def _event(self, event) -> None:
        self.events.append(event)
        self.page.event(event)

    def _look(self, engine) -> None:
        while self._spoken and self._spoken[0].t <= engine.now:
            words = partial(str, self._spoken.pop(0).text)
            engine.utterance(Utterance(engine.now, engine.now, words))
        if engine.now >= self._due:
            self._due = engine.now + EVERY
            self.page.show(engine.glance(engine.now))
            self.moments.put((f"{engine.glance(engine.now).t:.3f}", len(self.events)))
            self.looked.wait(600.0)
            self.looked.clear()
        elif self.page.wants():
            self.page.show(engine.glance(engine.now))


def told(events) -> dict[str, str]:
    """Return what the page has to show after these events, from them alone."""
    last = {
        kind: [e for e in events if isinstance(e, kind)]
        for kind in (Said, Heard, RodTaken)
    }
    standing = [e for e in events if isinstance(e, Logged)]
    for undone in (e for e in events if isinstance(e, Undone)):
        standing = [e for e in standing if e.number != undone.number]
    logged = standing[-1] if standing else None
    heard = last[Heard][-1] if last[Heard] else None
    return {
        "rod": last[RodTaken][-1].rod.capitalize(),
        "said": last[Said][-1].text if last[Said] else "nothing yet",
        "heard": heard.text if heard else "nothing yet",
        "understood": f"taken as: {heard.command or 'no command'}" if heard else "",
        "last": "nothing logged yet"
        if logged is None
        else f"{logged.number}. {logged.what}"
        + (f", {logged.detail}" if logged.detail else ""),
        "logged": f"{len(standing)} logged" if standing else "none logged",
    }


@pytest.fixture(scope="module")
def followed(browser, scenes):
    """What the page showed at moments of the day, with the events there had been by then; and the replay."""
    with scenes.Aboard() as served:
        running = Replayed(served.page)
        tab = browser.new_context().new_page()
        tab.goto(served.url)
        running.thread.start()
        samples = []
        while (moment := running.moments.get(timeout=600.0)) is not None:
            t, count = moment
            samples.append(
                (seen_at(tab, lambda seen, t=t: seen["t"] == t), running.events[:count])
            )
            running.looked.set()
        running.thread.join(600.0)
        end = f"{running.events[-1].t:.3f}"
        over = seen_at(tab, lambda seen: seen["feed"] == "ended" and seen["t"] == end)
        samples.append((over, list(running.events)))
        tab.context.close()
    return samples, running


def seen_at(tab, is_it, patience: float = 600.0) -> dict:
    """Return what the page shows once it shows the moment that is waited for."""
    deadline = time.monotonic() + patience
    seen = {}
    while time.monotonic() < deadline:
        try:
            seen = tab.evaluate(SAMPLE, PARTS)
            if is_it(seen):
                return seen
        except Error:  # the first rods have just come, and the page loads itself anew
            seen = {}
        time.sleep(0.02)
    pytest.fail(f"the page did not get there; it shows {seen}")


def test_the_day_was_followed_to_its_end(followed):
    samples, running = followed
    assert isinstance(running.events[-1], TripEnded)
    assert len(samples) > 30
    assert {Heard, Said, Logged, Undone, RodTaken} <= {
        type(event) for event in running.events
    }


def test_each_part_is_what_the_events_had_told_by_then(followed):
    for seen, events in followed[0]:
        wanted = told(events)
        assert {part: seen[part] for part in wanted} == wanted, seen["t"]


def test_the_depth_is_the_recordings(followed):
    samples, running = followed
    times, below = depths(running.recording)
    known = 0
    for seen, _ in samples:
        if seen["depth"] != "not known":
            known += 1
            place = bisect_right(times, float(seen["t"]) + 1e-6)
            # Pings after a step are believed after two seconds; until then the one
            # before it holds.
            near = below[bisect_right(times, float(seen["t"]) - 2.5) : place]
            assert seen["depth"] in {f"{round(z / FOOT)} ft" for z in near}, seen["t"]
    assert known > 20


def test_an_unknown_depth_is_where_the_recording_has_none(followed):
    samples, running = followed
    times, _ = depths(running.recording)
    for seen, _ in samples:
        if seen["depth"] == "not known":
            place = bisect_right(times, float(seen["t"]) + 1e-6)
            assert float(seen["t"]) - times[place - 1] > 1.0, seen["t"]


def test_the_other_rods_stand_against_the_depth_that_is_shown(followed):
    states = set()
    for seen, _ in followed[0]:
        match = seen["rod-2-match"]
        states.add(match.split(" by ")[0])
        if seen["depth"] == "not known":
            assert match in ("depth not known", "in hand")
    assert {"touch", "short"} <= states


def test_a_cast_under_way_shows_the_lure_and_the_mapped_bottom(followed):
    samples, running = followed
    casts = [e.t for e in running.events if isinstance(e, Logged) and e.what == "cast"]
    under_way = [seen for seen, _ in samples if seen["under_way"]]
    assert under_way
    assert all("This cast" in seen["side"] for seen in under_way)
    assert not any(
        seen["under_way"] for seen, _ in samples if float(seen["t"]) < casts[0]
    )
    assert any("The bottom along it: " in seen["side"] for seen in under_way)
