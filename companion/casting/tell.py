"""The events that tell what a cast will meet and what it has taught, from what casting computed."""

from __future__ import annotations

from companion.casting.cast import Cast
from companion.casting.deck import Lesson
from companion.events import Learned, Outlook, TopAhead


def outlook_event(t: float, utc: str | None, number: int, cast: Cast) -> Outlook | None:
    """Return what a cast, logged as `number`, will meet; None when there is nothing to go by."""
    seen = cast.outlook
    if seen is None or cast.bearing is None:
        return None
    begun = cast.retrieved_from - t
    return Outlook(
        t=t,
        utc=utc,
        cast=number,
        rod=cast.rod.name,
        bearing=round(cast.bearing, 1),
        state=seen.verdict,
        sureness=seen.sureness,
        chance=round(seen.chance, 3),
        distance=None if seen.distance is None else round(seen.distance.best, 2),
        seconds=None if seen.after is None else round(begun + seen.after.best, 2),
        contact=None if seen.contact is None else round(seen.contact, 2),
        margin=None if seen.margin is None else round(seen.margin.best, 3),
        mapped=round(seen.mapped, 3),
        tops=tuple(
            TopAhead(round(top.top.distance, 2), round(top.clearance.best, 3), round(top.chance, 3))
            for top in seen.tops
        ),
    )


def learned_event(t: float, utc: str | None, lesson: Lesson) -> Learned:
    """Return what is now believed of a rod."""
    rod, belief = lesson
    return Learned(
        t=t,
        utc=utc,
        rod=rod.name,
        lure=rod.lure.name,
        line=rod.line.name,
        reach=round(belief.reach.best, 3),
        low=round(belief.reach.low, 3),
        high=round(belief.reach.high, 3),
        was=round(belief.before.best, 3),
        evidence=belief.touches + belief.without_touch,
    )
