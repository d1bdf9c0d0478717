"""What each rod reaches: as its description says, and after the touches have taught, with the evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import msgspec

from companion.dive.evidence import Belief, Estimate, RigBelief
from companion.events import Learned, Logged, RodTaken, TripBegan
from companion.record.logbook import Logbook
from companion.report.day import Day


@dataclass(frozen=True)
class RodStory:
    """A rod with its line on a day.

    Attributes:
        rod: its name.
        lure: what it carried.
        line: on which line.
        said: the event that told its reach, the last of the day; None when it was never
            in hand.
        evidence: the day's touches on this rod and line.
        learned: what the day taught of it, step by step.
        described: its reach before any touch, m.
        morning: what was believed when the day began, m; None when nothing had been
            learned by then.
        evening: what was believed when it ended, m; None when nothing is stored.
        cast: its usual cast as believed in the evening, m.
        touches: how many touches on this rig count, over all days.
        without_touch: how many casts without one.
    """

    rod: str
    lure: str
    line: str
    said: RodTaken | None
    evidence: tuple[Logged, ...]
    learned: tuple[Learned, ...]
    described: Estimate | None = None
    morning: Estimate | None = None
    evening: Estimate | None = None
    cast: Estimate | None = None
    touches: int = 0
    without_touch: int = 0

    @property
    def name(self) -> str:
        """The rod with its line, as it is called in the calibration."""
        return f"{self.rod}, {self.line}"

    @property
    def told_reach(self) -> float | None:
        """The reach that was told on the water, m; None when none was."""
        if self.said is None:
            return None
        return self.said.reach

    @property
    def reach(self) -> float | None:
        """The best figure there is, m."""
        best = self.evening or self.morning or self.described
        if best is None:
            return self.told_reach
        return best.best


def rod_stories(day: Day, book: Logbook) -> list[RodStory]:
    """Return every rod and line of a day, in the order of their names."""
    aboard: dict[tuple[str, str, str], RodTaken | None] = {}
    for event in day.events:
        if isinstance(event, TripBegan):
            for rod, carries in event.rods.items():
                lure, _, line = carries.partition(" on ")
                aboard.setdefault((rod, lure, line), None)
        elif isinstance(event, RodTaken):
            aboard[event.rod, event.lure, event.line] = event
    lures = sorted({lure for _, lure, _ in aboard})
    beliefs = {lure: _beliefs(book, lure, day.entry.id) for lure in lures}
    return [
        _story(day, key, said, *beliefs[key[1]])
        for key, said in sorted(aboard.items(), key=lambda item: item[0])
    ]


def _beliefs(
    book: Logbook, lure: str, trip: int
) -> tuple[Belief | None, Belief | None]:
    """Return what was believed of a lure before a trip, and after it."""
    before: Belief | None = None
    after: Belief | None = None
    for one in book.calibrations("lure", lure):
        belief = _belief(one.posterior)
        if one.trip == trip:
            after = belief
        elif after is None and (one.trip is None or one.trip < trip):
            before = belief
    return before, after or before


def _belief(stored: object) -> Belief | None:
    """Return a stored belief; None for a reset, and for one that another version wrote differently."""
    if stored is None:
        return None
    try:
        return msgspec.convert(stored, Belief)
    except msgspec.ValidationError:
        return None


def _rig(belief: Belief | None, rod: str, line: str) -> RigBelief | None:
    """Return what is believed of a rod and line; a rod with a name of its own is known by its line alone."""
    if belief is None:
        return None
    if (found := belief.by_rig.get(f"{rod}, {line}")) is not None:
        return found
    alike = [one for name, one in belief.by_rig.items() if name.endswith(f", {line}")]
    if len(alike) != 1:
        return None
    return alike[0]


def _story(
    day: Day,
    key: tuple[str, str, str],
    said: RodTaken | None,
    before: Belief | None,
    after: Belief | None,
) -> RodStory:
    rod, lure, line = key
    morning, evening = _rig(before, rod, line), _rig(after, rod, line)
    touches = tuple(
        one for one in day.of("touch") if (one.rod, one.line) == (rod, line)
    )
    learned = tuple(
        one
        for one in day.events
        if isinstance(one, Learned) and (one.rod, one.line) == (rod, line)
    )
    story = RodStory(rod, lure, line, said, evidence=touches, learned=learned)
    if morning is not None:
        story = replace(story, described=morning.before, morning=morning.reach)
    if evening is None:
        return story
    return replace(
        story,
        described=evening.before,
        evening=evening.reach,
        cast=evening.cast,
        touches=evening.touches,
        without_touch=evening.without_touch,
    )
