"""What the companion notices unasked: how the rod matches the bottom, dangers to the lure, hints.

What is noticed becomes an event in any case, and comes with the line that could be
spoken of it; whether it is spoken is a matter of `companion.trip.policy`.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from companion.casting.cast import CastInProgress
from companion.casting.deck import Deck
from companion.casting.felt_current import CurrentHint
from companion.casting.hand import (
    Hand,
    depth_in_range,
    drift_of_next_cast,
    over_tree_in_range,
    rod_of,
)
from companion.casting.match import MatchWatch, Standing
from companion.casting.pose import BoatPose
from companion.events import AnyEvent, Match, Notice
from companion.lakebed.bed import CoverHint
from companion.lakebed.water_level import LevelHint
from companion.tackle import Rod
from companion.trip import entries, wording
from companion.trip.policy import Action, Kind
from companion.trip.presence import NEVER_S
from companion.units import KNOT, NINE_IN_TEN_SIGMAS, LengthUnit, Units, spoken_depth

RANGE_LOOK_EVERY_S = 2.0
"""How often the bottom in the casting range is looked at."""
MOVED_M, TURNED_DEG = 2.0, 10.0
"""A boat that has moved and turned by less since the last look has the same bottom in range ..."""
LOOK_ANEW_AFTER_S = 10.0
"""... until a look is as old as this: soundings have come in."""
REMIND_BEFORE_S = 3.0
"""How long before the lure comes to a tree top it is said once more."""
STOP_NOW_BEFORE_S = 1.2
"""How long before an advised stop it is said: the words, and the hand. Common practice, no source."""
REMIND_AFTER_S = 4.0
"""No reminder when the first word came less than this before it."""


class Stamp(NamedTuple):
    """An instant: logic time, s, and UTC as ISO 8601."""

    t: float
    utc: str | None


class Noticed(NamedTuple):
    """Something noticed: its event, if it has one, and the line that could be spoken of it."""

    event: AnyEvent | None
    line: str
    kind: Kind


Where = Literal["in range", "below"]
"""Where the bottom is that rods are matched against: where the lure would go, or below the boat."""


class Matched(NamedTuple):
    """The rod in hand against the bottom; its event and its line are made when they are wanted.

    Attributes:
        rod: in hand.
        reach: how deep its lure gets, m.
        standing: how it stands.
        where: the bottom is.
        over_tree: how far above a tree top in range its lure passes, m; None without
            one.
    """

    rod: Rod
    reach: float
    standing: Standing
    where: Where
    over_tree: float | None = None

    @property
    def action(self) -> Action:
        """The thing that an angler can do about it."""
        return self.standing.action

    def event(self, t: float, utc: str | None) -> Match:
        """Return the event of it, dated."""
        return entries.match_of(
            t, utc, self.rod, self.reach, self.standing, where=self.where
        )

    def line(self, unit: LengthUnit, *, just_taken: bool = False) -> str:
        """Return what to say; of a rod that was just taken, not that a lesser one would do."""
        ahead = self.where == "in range"
        return wording.match(
            self.standing,
            unit,
            ahead=ahead,
            names_lesser=not just_taken,
            over_tree=self.over_tree,
        )


class Volunteer:
    """Notices what is worth a word.

    Attributes:
        remind_at: logic time at which `remind` is due, s.
    """

    def __init__(self, deck: Deck, unit: LengthUnit) -> None:
        self._deck = deck
        self._unit: LengthUnit = unit
        self._watch = MatchWatch()
        self._in_range: float | None = None
        self._over_tree: float | None = None
        self._drift = 0.0
        self._look_at = float("-inf")
        self._looked_from: BoatPose | None = None
        self._looked_at = 0.0
        self._level_told: bool | None = None  # False: it was taken back
        self._current_told = False
        self.remind_at = NEVER_S

    def forget_depth(self) -> None:
        """Drop what was seen of the depth: it was lost, and is stale."""
        self._watch.forget()
        self._in_range = self._over_tree = None

    def look_anew(self) -> None:
        """Look at the casting range with the next depth: another rod is in hand, or another way is cast."""
        self._look_at, self._looked_from = float("-inf"), None

    def look_away(self) -> None:
        """Match the bottom below the boat: nobody casts from a boat that travels."""
        self._in_range, self._over_tree, self._drift = None, None, 0.0
        self.look_anew()

    @property
    def bottom(self) -> float | None:
        """The depth that rods are matched against now, m: in the casting range, or else below the boat."""
        return self._watch.standing.depth

    @property
    def looks_ahead(self) -> bool:
        """Return whether that is the one in the casting range."""
        return self._in_range is not None

    def wants_boat(self, t: float) -> bool:
        """Tell whether it is time to look at the casting range again, which needs the boat's place."""
        return t >= self._look_at

    def notice_depth(
        self, t: float, depth: float, hand: Hand, boat: BoatPose | None
    ) -> Matched:
        """Return how the rods match a depth below the surface, m, at logic time t, s.

        `boat` is asked for only when `wants_boat` says so.
        """
        if boat is not None:
            self._look_at = t + RANGE_LOOK_EVERY_S
            self._drift = drift_of_next_cast(hand, t, boat)
            if self._lies_otherwise(t, boat):
                self._looked_from, self._looked_at = boat, t
                self._in_range = depth_in_range(self._deck, hand, t, boat)
                self._over_tree = over_tree_in_range(self._deck, hand, t, boat)
        bottom, where = self._bottom_in_range(depth)
        reaches = {
            rod.number: self._deck.reach(rod, self._drift) for rod in self._deck.rods
        }
        standing = self._watch.accept_depth(t, bottom, reaches, hand.number)
        rod = rod_of(self._deck, hand)
        return Matched(rod, reaches[hand.number], standing, where, self._over_tree)

    def _bottom_in_range(self, depth: float) -> tuple[float, Where]:
        """Return the depth in the casting range, m, where that is mapped; else this one, below the boat."""
        if self._in_range is None:
            return depth, "below"
        return self._in_range, "in range"

    def _lies_otherwise(self, t: float, boat: BoatPose) -> bool:
        """Tell whether the boat lies otherwise than at the last look, or that was long ago."""
        before = self._looked_from
        if before is None or t - self._looked_at >= LOOK_ANEW_AFTER_S:
            return True
        return not before.lies_like(boat, MOVED_M, TURNED_DEG)

    def watch_cast(self, cast: CastInProgress, t: float) -> None:
        """Note a cast whose outlook was told at logic time t, s: a danger on its way is told once more."""
        danger, advised = cast.danger(), cast.advised
        self.remind_at = NEVER_S
        if danger is None or cast.stopped:
            return
        due = danger.after - REMIND_BEFORE_S
        if advised is not None:
            due = advised.begins - STOP_NOW_BEFORE_S
        if cast.retrieved_from + due - t >= REMIND_AFTER_S:
            self.remind_at = cast.retrieved_from + due

    def remind(self, t: float, hand: Hand) -> Noticed | None:
        """Return once more that a tree top is near, or time for the advised stop, while its cast lasts."""
        self.remind_at = NEVER_S
        cast = hand.cast_at(t)
        if cast is None or cast.danger() is None:
            return None
        if cast.advised is not None:
            return Noticed(None, wording.STOP_NOW, "danger")
        return Noticed(None, wording.TREE_NOW, "danger")

    def notice_cover(self, at: Stamp, hint: CoverHint) -> Noticed:
        """Return that something may stand on the bottom."""
        top, high, wide = (
            spoken_depth(far, self._unit) for far in (hint.top, hint.height, hint.width)
        )
        notice = Notice(
            t=at.t,
            utc=at.utc,
            text=f"possible cover: top at {top}, {high} high, {wide} wide",
        )
        return Noticed(notice, wording.possible_cover(hint.top, self._unit), "cover")

    def notice_level(
        self, at: Stamp, hint: LevelHint | None, taken_back: bool
    ) -> Noticed | None:
        """Return once a trip that the soundings do not fit the map, and once that they do after all."""
        if hint is not None and self._level_told is None:
            self._level_told = True
            text = wording.water_level(hint.higher, self._unit)
            doubt = f", give or take {Units(self._unit).depth(NINE_IN_TEN_SIGMAS * hint.sigma)}"
            return Noticed(Notice(t=at.t, utc=at.utc, text=text + doubt), text, "water")
        if taken_back and self._level_told:
            self._level_told = False
            text = wording.LEVEL_TAKEN_BACK
            return Noticed(Notice(t=at.t, utc=at.utc, text=text), text, "water")
        return None

    def notice_current(
        self, at: Stamp, hint: CurrentHint | None, heading: float | None
    ) -> Noticed | None:
        """Return once a trip that touches tell of a current."""
        if hint is None or self._current_told:
            return None
        self._current_told = True
        text = wording.felt_current(hint.speed, hint.towards, heading)
        doubt = f", give or take {NINE_IN_TEN_SIGMAS * hint.sigma / KNOT:.1f} knots"
        return Noticed(Notice(t=at.t, utc=at.utc, text=text + doubt), text, "water")
