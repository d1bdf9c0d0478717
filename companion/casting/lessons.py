"""What casts teach: touches told of, and casts reeled in without one, over a bottom that is mapped.

A cast without a touch teaches only when its end is told as well ("reeled in"): who says nothing at all
may just as well have felt the bottom. A cast on which a fish struck or the lure hung teaches nothing more.
"""

from __future__ import annotations

from collections.abc import Callable

from companion.casting.cast import Cast
from companion.casting.deck import Deck, Lesson
from companion.casting.felt import felt_touch
from companion.dive.calibration import Belief, Evidence
from companion.events import Fix
from companion.tackle import Rod, rig_name

Remember = Callable[[str, Belief], None]
"""Called with a lure's name and what is now believed of it."""


class Lessons:
    """Turns what is told of casts into evidence, and remembers which thing told taught what."""

    def __init__(self, deck: Deck, remember: Remember) -> None:
        self._deck = deck
        self._remember = remember
        self._taught: dict[int, tuple[Rod, Evidence]] = {}
        self._told: Cast | None = None

    def touched(self, number: int, said: float, cast: Cast | None, boat: Fix | None) -> Lesson | None:
        """Learn from a touch logged as `number`, whose words began at logic time `said`, s.

        `boat` is where the boat was then. Only the first touch of a cast teaches: after it the lure no
        longer swims free.
        """
        if cast is None or cast is self._told:
            return None
        self._told = cast
        sounding = felt_touch(cast, said, boat, self._deck.reach_band(cast.rod))
        if sounding is not None:
            self._deck.felt.add(number, sounding)
        return self._learn(number, cast.rod, cast.touched(said))

    def something_else(self, cast: Cast | None) -> None:
        """Note that a fish or a snag has ended the even retrieve of a cast."""
        self._told = cast or self._told

    def reeled_in(self, number: int, cast: Cast | None) -> Lesson | None:
        """Learn from a cast whose end was logged as `number` and on which nothing was told."""
        if cast is None or cast is self._told:
            return None
        return self._learn(number, cast.rod, cast.untouched())

    def take_back(self, number: int) -> Lesson | None:
        """Take back what the logged thing `number` has taught."""
        self._deck.felt.remove(number)
        rod, seen = self._taught.pop(number, (None, None))
        if rod is None or seen is None:
            return None
        self._told = None
        self._deck.unlearn(rod.lure.name, seen)
        return self._kept(rod)

    def forget(self, rod: Rod) -> Lesson:
        """Forget what was learned with a rod as it is rigged now."""
        self._deck.forget(rod)
        self._taught = {n: (of, seen) for n, (of, seen) in self._taught.items() if seen.rig != rig_name(rod)}
        return self._kept(rod)

    def _learn(self, number: int, rod: Rod, seen: Evidence | None) -> Lesson | None:
        if seen is None:
            return None
        self._deck.learn(rod.lure.name, seen)
        self._taught[number] = (rod, seen)
        return self._kept(rod)

    def _kept(self, rod: Rod) -> Lesson:
        self._remember(rod.lure.name, self._deck.learned(rod).belief())
        return self._deck.lesson(rod)
