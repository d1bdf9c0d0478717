"""The demo day at speed: what the page shows at an instant is what the events had told by then."""

from __future__ import annotations

import re
import threading
import time
from bisect import bisect_right
from pathlib import Path

import pytest

from companion import config
from companion.clock import Pace
from companion.engine import Utterance
from companion.events import Heard, Logged, RodTaken, Said, TripEnded, Undone, from_json
from companion.replay import Day, replay
from companion.sensing import Chunk
from companion.units import FOOT

DAY = Path(__file__).parents[2] / "replay_logs" / "invented_saturday"
PACE = 80.0
SHARE = 0.54
"""How much of the day is replayed: nine minutes in seven seconds."""
PARTS = ["rod", "said", "heard", "understood", "depth", "last", "match", "rod-2-match", "logged"]
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
    rows = [((int(ms) - first) / 1000.0, float(d) + float(o)) for ms, d, o in found if d]
    return [t for t, _ in rows], [z for _, z in rows]


class Replayed:
    """The day's beginning on a page, spoken to as it was that day, at speed, in a thread of its own."""

    def __init__(self, page) -> None:
        self.page = page
        self.events = []
        self.shown = []  # (t, how many events there were)
        self.taps = []
        self.recording = (DAY / "sonar.nmea").read_bytes()
        self.recording = self.recording[: int(len(self.recording) * SHARE)].rpartition(b"\n")[0] + b"\n"
        lines = (DAY / "expected.jsonl").read_text().splitlines()
        self._spoken = [event for event in map(from_json, lines) if isinstance(event, Heard)]
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        settings = config.load(DAY / "companion.toml")
        chunk = Chunk(0.0, "sonar", self.recording)
        day = Day("the demo day", DAY / "sonar.nmea")
        replay(day, settings, [chunk], self._event, None, Pace(PACE), onlooker=self._look)

    def _event(self, event) -> None:
        self.events.append(event)
        self.page.event(event)

    def _look(self, engine) -> None:
        while self._spoken and self._spoken[0].t <= engine.now:
            self._say(engine, self._spoken.pop(0).text)
        while self.taps:
            self._say(engine, self.taps.pop(0))
        if self.page.wants():
            glance = engine.glance(engine.now)
            self.shown.append((f"{glance.t:.3f}", len(self.events)))
            self.page.show(glance)

    @staticmethod
    def _say(engine, words: str) -> None:
        engine.utterance(Utterance(engine.now, engine.now, lambda: words))


def told(events) -> dict[str, str]:
    """Return what the page has to show after these events, from them alone."""
    last = {kind: [e for e in events if isinstance(e, kind)] for kind in (Said, Heard, RodTaken)}
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
        else f"{logged.number}. {logged.what}" + (f", {logged.detail}" if logged.detail else ""),
        "logged": f"{len(standing)} logged" if standing else "none logged",
    }


@pytest.fixture(scope="module")
def followed(browser, scenes):
    """Samples of the page while the day went by, with the events and the shown instants."""
    with scenes.Aboard() as served:
        running = Replayed(served.page)
        tab = browser.new_context().new_page()
        running.thread.start()
        tab.goto(served.url)
        samples = []
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline:
            samples.append(tab.evaluate(SAMPLE, PARTS) if tab.locator("#rod-2-match").count() else None)
            if samples[-1] and samples[-1]["feed"] == "ended":
                break
            time.sleep(0.05)
        running.thread.join(10.0)
        tab.context.close()
    return [sample for sample in samples if sample], running


def test_the_day_was_followed_to_its_end(followed):
    samples, running = followed
    assert samples[-1]["feed"] == "ended"
    assert isinstance(running.events[-1], TripEnded)
    assert float(samples[-1]["t"]) == pytest.approx(running.events[-1].t, abs=0.002)
    assert len({sample["t"] for sample in samples}) > 30
    kinds = {type(event) for event in running.events}
    assert {Heard, Said, Logged, RodTaken} <= kinds


def test_each_part_is_what_the_events_had_told_by_then(followed):
    samples, running = followed
    for sample in samples:
        counts = [count for t, count in running.shown if t == sample["t"]]
        wanted = [told(running.events[:count]) for count in counts]
        seen = {part: sample[part] for part in wanted[0]}
        # Events may be noted a moment before the glance that shows what they changed.
        own = {"last"}
        assert any(
            {k: v for k, v in seen.items() if k not in own} == {k: v for k, v in one.items() if k not in own}
            for one in wanted
        ), (seen, wanted)
        assert seen["last"] in {told(running.events[: max(counts) + extra])["last"] for extra in range(12)}


def test_the_depth_is_the_recordings(followed):
    samples, running = followed
    times, below = depths(running.recording)
    known = 0
    for sample in samples:
        if sample["depth"] == "not known":
            continue
        known += 1
        place = bisect_right(times, float(sample["t"]) + 1e-6)
        assert sample["depth"] in {f"{round(z / FOOT)} ft" for z in below[max(0, place - 2) : place + 1]}
    assert known > 30


def test_the_match_agrees_with_depth_and_reach(followed):
    """The other rods stand against the depth under the boat: shallower water than they reach is a touch."""
    samples, _ = followed
    seen = {sample["rod-2-match"].split(" by ")[0] for sample in samples}
    assert {"touch", "short"} <= seen
    for sample in samples:
        if sample["depth"] == "not known":
            assert sample["rod-2-match"] in ("depth not known", "in hand")


def test_a_cast_under_way_shows_the_lure(followed):
    samples, running = followed
    casts = [e.t for e in running.events if isinstance(e, Logged) and e.what == "cast"]
    assert casts
    assert any(sample["under_way"] and "This cast" in sample["side"] for sample in samples)
    before = [sample for sample in samples if float(sample["t"]) < casts[0]]
    assert not any(sample["under_way"] for sample in before)
