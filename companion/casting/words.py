"""The spoken lines about a cast: short, plain, and never a listed command."""

from __future__ import annotations

from collections.abc import Sequence

from companion.casting.cast import Cast
from companion.casting.deck import Lesson
from companion.casting.match import JUST
from companion.casting.outlook import CastOutlook, TopOutlook
from companion.dive.contact import LONGEST_STOP
from companion.tackle import Rod
from companion.units import LengthUnit, spoken_depth
from companion.voice.grammar import number_words

IN_TIME = 2.0
"""Nothing is said of an event that comes sooner than this, s."""
BESIDE = 2.0
"""A tree top further than this beside a cast's line is not spoken of, m."""
MARGIN = 0.3
"""By how much a lure should come over a tree top, m."""
RISES = 0.05
"""A lure that rises slower than this when the reel stops does not come over anything, m/s."""


def spoken_outlook(cast: Cast, t: float, unit: LengthUnit, better: int | None = None) -> str | None:
    """Return the line about what a cast will meet, or None when there is none in time.

    Args:
        cast: with its outlook.
        t: logic time the line is said at, s.
        unit: depths are spoken in.
        better: the number of a rod that would do better.
    """
    seen = cast.outlook
    if seen is None:
        return None
    danger = cast.danger()
    if danger is not None:
        return _of_danger(cast, danger, t)
    if seen.verdict == "touch":
        return _of_touch(cast, seen, t)
    return _over_a_tree(cast, seen, t, unit) or _clear(seen, unit, better)


def _over_a_tree(cast: Cast, seen: CastOutlook, t: float, unit: LengthUnit) -> str | None:
    for top in seen.tops:
        in_time = cast.retrieved_from + top.after - t >= IN_TIME
        if in_time and abs(top.top.aside) <= BESIDE and top.clearance.best > 0.0:
            return f"over the tree by {spoken_depth(top.clearance.best, unit)}"
    return None


def _clear(seen: CastOutlook, unit: LengthUnit, better: int | None) -> str:
    if seen.verdict == "unknown" or seen.margin is None:
        return "nothing known there"
    if seen.sureness == "may":
        return "may touch"
    if seen.margin.best < JUST:
        return "just clear"
    gap = f"{seen.verdict} by {spoken_depth(seen.margin.best, unit)}"
    return gap if better is None else f"{gap}, take number {number_words(better)}"


def _of_touch(cast: Cast, seen: CastOutlook, t: float) -> str | None:
    if seen.after is None:
        return None
    left = cast.retrieved_from + seen.after.best - t
    return f"{seen.sureness} touch in {_seconds(left)}" if left >= IN_TIME else None


def _of_danger(cast: Cast, danger: TopOutlook, t: float) -> str | None:
    left = cast.retrieved_from + danger.after - t
    if left < IN_TIME:
        return None
    stop = stop_over(cast.rod, max(MARGIN - danger.clearance.best, MARGIN))
    how = "" if stop is None else f", stop for {_seconds(stop)}"
    return f"tree in {_seconds(left)}{how}"


def stop_over(rod: Rod, height: float) -> float | None:
    """Return how long a stop of the reel lets the lure of a rod rise by a height, m; s.

    The line holds it back: against `companion.dive.stop_to_clear` its free rise is a fifth too quick. None
    when it does not rise so far in `LONGEST_STOP`. Slowing down is no advice: what floats as little as
    these lures hardly rises while it is pulled.
    """
    if rod.lure.rises < RISES:
        return None
    stop = 1.2 * height / rod.lure.rises
    return stop if stop <= LONGEST_STOP else None


def spoken_lesson(lessons: Sequence[Lesson], in_hand: Rod, unit: LengthUnit) -> str:
    """Return what was learned of the rod in hand, or else of the one that changed most, in a breath."""
    if not lessons:
        return "nothing learned yet"
    of_it = [lesson for lesson in lessons if lesson.rod == in_hand]
    changed = sorted(lessons, key=lambda one: -abs(one.belief.reach.best - one.belief.before.best))
    rod, belief = (of_it or changed)[0]
    now, was = (spoken_depth(depth, unit) for depth in (belief.reach.best, belief.before.best))
    return f"number {number_words(rod.number)}, {now}" + ("" if now == was else f", was {was}")


def _seconds(seconds: float) -> str:
    whole = max(round(seconds), 1)
    return f"{whole} {'second' if whole == 1 else 'seconds'}"
