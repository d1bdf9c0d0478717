"""What casts teach: touches told of, and casts reeled in without one, over a bottom that is mapped.

A cast without a touch teaches only when its end is told as well ("reeled in"): who says
nothing at all may just as well have felt the bottom. A cast on which a fish struck or
the lure hung teaches nothing more.

A `Lessons` is a value; the acts below change the deck's beliefs and return the lessons
as they are then.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from companion.casting.cast import CastInProgress
from companion.casting.deck import Deck, Lesson
from companion.casting.felt import felt_touch
from companion.casting.solving import Solve
from companion.dive.evidence import Evidence
from companion.events import Fix
from companion.tackle import Rod, rig_name

NOTHING_TAUGHT: Mapping[int, tuple[Rod, Evidence]] = MappingProxyType({})


class Lessons(NamedTuple):
    """The lessons of the trip's casts.

    Attributes:
        taught: the rod and the evidence, by the number of the logged thing that gave
            it.
        spent: the cast that teaches nothing more.
    """

    taught: Mapping[int, tuple[Rod, Evidence]] = NOTHING_TAUGHT
    spent: CastInProgress | None = None

    def with_spent(self, cast: CastInProgress | None) -> Lessons:
        """Return the same after a fish or a snag has ended the even retrieve of a cast."""
        return self._replace(spent=cast or self.spent)

    def with_cast_gone_on(
        self, before: CastInProgress | None, after: CastInProgress | None
    ) -> Lessons:
        """Return the same after a cast went on as another value: one that is spent stays so."""
        if before is None or self.spent is not before:
            return self
        return self._replace(spent=after)


Taught = tuple[Lessons, Lesson | None]
"""The lessons after an act, and what is now believed of the rod where the act changed it."""


def learn_touch(
    deck: Deck,
    lessons: Lessons,
    number: int,
    said: float,
    cast: CastInProgress | None,
    boat: Fix | None,
) -> Taught:
    """Learn from a touch logged as `number`, whose words began at logic time `said`, s.

    `boat` is where the boat was then. Only the first touch of a cast teaches: after it
    the lure no longer swims free.
    """
    if cast is None or cast is lessons.spent:
        return lessons, None
    sounding = felt_touch(cast, said, boat, deck.reach_band(cast.rod))
    if sounding is not None:
        deck.felt.add(number, sounding)
    return _learn(deck, lessons.with_spent(cast), number, cast, cast.touched(said))


def learn_no_touch(
    deck: Deck, lessons: Lessons, number: int, cast: CastInProgress | None
) -> Taught:
    """Learn from a cast whose end was logged as `number` and on which nothing was told."""
    if cast is None or cast is lessons.spent:
        return lessons, None
    return _learn(deck, lessons, number, cast, cast.untouched())


def solve_lesson(deck: Deck, cast: CastInProgress, said: float | None) -> Solve | None:
    """Return what works out what a cast has taught; None where it teaches nothing.

    `said` is the logic time, s, at which the words for a touch began; None: it came
    back without one.
    """
    if said is None:
        seen: Evidence | None = cast.untouched()
    else:
        seen = cast.touched(said)
    if seen is None:
        return None
    return deck.solve_learning(cast.rod, seen, of_current=_tells_of_current(cast))


def unlearn(deck: Deck, lessons: Lessons, number: int) -> Taught:
    """Take back what the logged thing `number` has taught."""
    deck.felt.remove(number)
    deck.felt_current.remove(number)
    rod, seen = lessons.taught.get(number, (None, None))
    if rod is None or seen is None:
        return lessons, None
    deck.unlearn(rod.lure.name, seen)
    left = {
        other: taught for other, taught in lessons.taught.items() if other != number
    }
    return Lessons(left, None), deck.lesson(rod)


def forget_rod(deck: Deck, lessons: Lessons, rod: Rod) -> Taught:
    """Forget what was learned with a rod as it is rigged now."""
    deck.forget(rod)
    name = rig_name(rod)
    left = {
        number: taught
        for number, taught in lessons.taught.items()
        if taught[1].rig != name
    }
    return lessons._replace(taught=left), deck.lesson(rod)


def _learn(
    deck: Deck,
    lessons: Lessons,
    number: int,
    cast: CastInProgress,
    seen: Evidence | None,
) -> Taught:
    if seen is None:
        return lessons, None
    rod = cast.rod
    odds = deck.learn(rod, seen, of_current=_tells_of_current(cast))
    if odds is not None and cast.bearing is not None:
        deck.felt_current.add(number, rod.lure.name, odds, cast.bearing)
    taught = {**lessons.taught, number: (rod, seen)}
    return lessons._replace(taught=taught), deck.lesson(rod)


def _tells_of_current(cast: CastInProgress) -> bool:
    """Return whether a cast tells of the current: a current that was told is in the drift already."""
    return cast.bearing is not None and cast.through_water == cast.drift
