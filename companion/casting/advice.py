"""What the companion volunteers: how the rod in hand matches the bottom, dangers ahead of the lure, hints.

What is noticed becomes an event in any case; whether it is also spoken is a matter of `Manners`.
"""

from __future__ import annotations

from typing import NamedTuple

from companion.casting.cast import Cast
from companion.casting.deck import Deck, Moment
from companion.casting.manners import Kind, Manners
from companion.casting.match import MatchWatch, Standing, spoken_match
from companion.events import AnyEvent, Match, Notice, Said
from companion.lakebed.bed import CoverHint
from companion.lakebed.surface import LevelHint
from companion.tackle import Rod
from companion.units import LengthUnit, spoken_depth

LOOK_EVERY = 2.0
"""How often the bottom in the casting range is looked at, s."""
REMIND_BEFORE = 3.0
"""How long before the lure comes to a tree top it is said once more, s."""
REMIND_AFTER = 4.0
"""No reminder when the first word came less than this before it, s."""
NEVER = float("inf")


class Stamp(NamedTuple):
    """An instant: logic time, s, and UTC as ISO 8601."""

    t: float
    utc: str | None


class Advice:
    """Notices what is worth a word.

    Attributes:
        remind_at: logic time at which `remind` is due, s.
    """

    def __init__(self, deck: Deck, unit: LengthUnit, manners: Manners) -> None:
        self._deck = deck
        self._unit: LengthUnit = unit
        self._manners = manners
        self._watch = MatchWatch()
        self._in_range: float | None = None
        self._look_at = float("-inf")
        self._level_told = False
        self.remind_at = NEVER

    def forget_depth(self) -> None:
        """The depth was lost: what was seen of it is stale."""
        self._watch.forget_depth()

    def start_over(self) -> None:
        """Another rod is in hand: its match is worth a word at once."""
        self._watch.start_over()
        self._look_at = float("-inf")

    def depth(self, at: Stamp, depth: float, boat: Moment | None) -> list[AnyEvent]:
        """Take a depth below the surface, m; `boat` is asked for only when `wants_boat` says so."""
        if boat is not None:
            self._look_at = at.t + LOOK_EVERY
            self._in_range = self._deck.depth_in_range(at.t, boat)
        rod = self._deck.in_hand
        ahead = self._in_range
        standing = self._watch.take(at.t, depth if ahead is None else ahead, self._deck.reach(rod))
        return [] if standing is None else self._matched(at, rod, standing, mapped=ahead is not None)

    @property
    def bottom(self) -> float | None:
        """The depth that rods are matched against now, m: in the casting range, or else below the boat."""
        return self._in_range if self._in_range is not None else self._watch.depth

    def wants_boat(self, t: float) -> bool:
        """Tell whether it is time to look at the casting range again, which needs the boat's place."""
        return t >= self._look_at

    def cast(self, cast: Cast, t: float) -> None:
        """Note a cast whose outlook was told at logic time t, s: a danger on its way is told once more."""
        danger = cast.danger()
        self.remind_at = NEVER
        if danger is not None:
            remind = cast.retrieved_from + danger.after - REMIND_BEFORE
            if remind - t >= REMIND_AFTER:
                self.remind_at = remind

    def remind(self, at: Stamp) -> list[AnyEvent]:
        """Say once more that a tree top is near, if its cast is still under way."""
        self.remind_at = NEVER
        cast = self._deck.cast_at(at.t)
        if cast is None or cast.danger() is None:
            return []
        return self._volunteered(at, "tree now", "danger")

    def cover(self, at: Stamp, hint: CoverHint) -> list[AnyEvent]:
        """Tell of something that may stand on the bottom."""
        top = spoken_depth(hint.top, self._unit)
        size = f"{spoken_depth(hint.height, self._unit)} high, {spoken_depth(hint.width, self._unit)} wide"
        notice = Notice(t=at.t, utc=at.utc, text=f"possible cover: top at {top}, {size}")
        return [notice, *self._volunteered(at, f"possible cover, up to {top}", "cover")]

    def level(self, at: Stamp, hint: LevelHint | None) -> list[AnyEvent]:
        """Tell once a trip that the soundings do not fit the map: the water stands otherwise."""
        if hint is None or self._level_told:
            return []
        self._level_told = True
        way = "higher" if hint.higher > 0.0 else "lower"
        text = f"water seems {spoken_depth(abs(hint.higher), self._unit)} {way} than the map"
        return [Notice(t=at.t, utc=at.utc, text=text), *self._volunteered(at, text, "water")]

    def _matched(self, at: Stamp, rod: Rod, standing: Standing, *, mapped: bool) -> list[AnyEvent]:
        match = Match(
            t=at.t,
            utc=at.utc,
            rod=rod.name,
            state=standing.state,
            by=None if standing.margin is None else round(abs(standing.margin), 3),
            depth=None if standing.depth is None else round(standing.depth, 3),
            reach=round(self._deck.reach(rod), 3),
            where="in range" if mapped else "below",
        )
        line = spoken_match(standing, self._unit, self._better(rod, standing))
        return [match, *self._volunteered(at, line, "match")]

    def _better(self, rod: Rod, standing: Standing) -> int | None:
        """Return the number of a rod that gets down where this one stays short; None when none does."""
        if standing.state != "short" or standing.depth is None:
            return None
        better = self._deck.better_than(rod, standing.depth)
        return None if better is None else better.number

    def _volunteered(self, at: Stamp, text: str, kind: Kind) -> list[AnyEvent]:
        cast = self._deck.cast_at(at.t)
        casting = cast is not None and cast.outlook is not None and cast.outlook.verdict != "unknown"
        if not self._manners.allows(at.t, kind, casting=casting):
            return []
        about = {"danger": "outlook", "match": "match"}.get(kind, "notice")
        return [Said(t=at.t, utc=at.utc, text=text, about=about)]  # type: ignore[arg-type]
