"""The deck: the rods as they lie rigged, and what is believed of each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache, cached_property, lru_cache, partial
from types import MappingProxyType
from typing import NamedTuple

from companion import dive
from companion.casting.felt import Felt
from companion.casting.felt_current import CurrentOdds, FeltCurrent
from companion.casting.ground import RAY_STEP_M, Ahead, Ground, Unmapped, ahead
from companion.casting.outlook import DRAW_COUNT
from companion.casting.plan import BEARINGS_DEG
from companion.casting.solving import Solve
from companion.dive.calibration import Calibration, share_common
from companion.dive.evidence import Belief, Estimate, Evidence, RigBelief
from companion.dive.likelihood import Casts
from companion.events import Fix
from companion.tackle import (
    LineSpec,
    Rod,
    RodReach,
    TipHeld,
    calibrations,
    make_grid,
    reaches_adrift,
    rig,
    rig_name,
)
from companion.units import POUND_FORCE

REACH_DRIFT_STEP_MPS = 0.05
"""Drifts less than half of this apart have one reach: 1 % of it. It is told by itself and is quick to have,
so that the step is finer than that of a plan's paths (`companion.tackle.reach.DRIFT_STEP_MPS`)."""
USUAL_TIPS_M: Mapping[TipHeld, float] = MappingProxyType({"down": 0.0, "up": 1.8})
"""Height of a rod's tip held down and up, where nobody has said it. Common practice, no source."""


_PATHS_KEPT = 64
"""Usual paths that are kept in case they are asked for again."""


class Lesson(NamedTuple):
    """The belief about a rod after its latest evidence."""

    rod: Rod
    belief: RigBelief


class _Believed(NamedTuple):
    """Beliefs about the rods, by their lures' names, and the paths that follow."""

    learned: dict[str, Calibration]
    paths: dict[Rod, dive.Path]


class _Learnt(NamedTuple):
    """A lesson that was worked out: the belief with it, and what it tells of the current, where asked."""

    known: Calibration
    odds: CurrentOdds | None


class _Asked(NamedTuple):
    """The lesson that was asked for last, and the evidence it comes after."""

    lure: str
    seen: Evidence
    of_current: bool
    evidence: list[Evidence]
    solve: Solve


def _believed(rods: Iterable[Rod], beliefs: Mapping[str, Belief]) -> _Believed:
    learned = calibrations(rods, beliefs)
    return _Believed(learned, {rod: _path(rod, learned[rod.lure.name]) for rod in rods})


def _path(rod: Rod, learned: Calibration) -> dive.Path:
    return _solved(*learned.best_as_told(rig_name(rod)))


@lru_cache(maxsize=_PATHS_KEPT)
def _solved(line: dive.Line, lure: dive.Lure, retrieve: dive.Retrieve) -> dive.Path:
    return dive.solve(line, lure, retrieve)


class Deck:
    """The rods aboard, what is believed of them, and the bottom to cast over.

    Attributes:
        ground: the bottom.
        felt: what touches told of it.
        felt_current: what they told of the current.
        tips: height of a rod's tip, m above the water, by its number and how it is
            held.
    """

    def __init__(
        self,
        rods: Iterable[Rod],
        beliefs: Mapping[str, Belief] | None = None,
        ground: Ground | None = None,
        tips: Mapping[TipHeld, float] = USUAL_TIPS_M,
    ) -> None:
        """Lay out the rods.

        Args:
            rods: as they are rigged.
            beliefs: what was learned of their lures before, by the lure's name.
            ground: the bottom to cast over.
            tips: height of a rod's tip held down and up, m above the water.

        Raises:
            ValueError: there are none.
        """
        self._rods = {rod.number: rod for rod in rods}
        if not self._rods:
            raise ValueError("no rods: give at least one in the config")
        self.tips = tips_by_rod(self._rods.values(), tips)
        self._beliefs = beliefs or {}
        self.ground = ground or Unmapped()
        self._paths: dict[Rod, dive.Path] = {}
        self._usual: dict[Rod, Casts] = {}
        self._adrift: dict[tuple[Rod, int], float] = {}
        self.felt = Felt()
        self.felt_current = FeltCurrent()
        self._asked: _Asked | None = None
        self._looked: tuple[tuple[float, Fix, float, float], Ahead] | None = None

    @cached_property
    def _learned(self) -> dict[str, Calibration]:
        """The belief about each lure, by its name: worked out when first asked for."""
        return calibrations(self._rods.values(), self._beliefs)

    def solve_beliefs(self) -> Solve:
        """Return what works out all that is believed of the rods; `take_beliefs` takes it."""
        rods = tuple(self.rods)
        work = partial(_believed, rods, self._beliefs)
        return Solve(work, rods, self._beliefs)

    def take_beliefs(self, solved: Solve) -> None:
        """Take what `solve_beliefs` has found."""
        believed = solved.found
        assert isinstance(believed, _Believed), "it was asked for by solve_beliefs"
        self._learned, self._paths = believed.learned, believed.paths

    @property
    def rods(self) -> list[Rod]:
        """The rods in the order of their numbers."""
        return [self._rods[number] for number in sorted(self._rods)]

    def rod(self, number: int) -> Rod | None:
        """Return the rod with a number; None when there is no such rod."""
        return self._rods.get(number)

    def learned(self, rod: Rod) -> Calibration:
        """Return what is believed of the rod's lure."""
        return self._learned[rod.lure.name]

    def path(self, rod: Rod) -> dive.Path:
        """Return the lure's path on the rod's usual cast, as far as is believed, by the depths told here."""
        if rod not in self._paths:
            self._paths[rod] = _path(rod, self.learned(rod))
        return self._paths[rod]

    def reach(self, rod: Rod, drift: float = 0.0) -> float:
        """Return the depth the rod's lure gets to on its usual cast, m below the surface.

        `drift` is the boat's speed through the water towards where it lands, m/s.
        """
        steps = round(drift / REACH_DRIFT_STEP_MPS)
        if not steps:
            return self.path(rod).reach
        if (rod, steps) not in self._adrift:
            _, _, deep = self.learned(rod).path(
                rig_name(rod), self.path(rod).reach, steps * REACH_DRIFT_STEP_MPS
            )
            self._adrift[rod, steps] = float(deep.max())
        return self._adrift[rod, steps]

    def reach_band(self, rod: Rod) -> Estimate:
        """Return that depth with its band."""
        return self.learned(rod).reach_as_told(rig_name(rod))

    def reaches_as_now(
        self,
        towards: Callable[[float], float] | None = None,
        in_hand: int | None = None,
    ) -> Callable[[], tuple[RodReach, ...]]:
        """Return what works out every rod's path with its band as believed now, in any thread.

        `towards` has the boat's speed through the water in a direction, m/s; None: it
        is at rest. The rod of the number `in_hand` comes first.
        """
        rods, learned = (
            tuple(sorted(self.rods, key=lambda rod: rod.number != in_hand)),
            {name: known.copy() for name, known in self._learned.items()},
        )
        return cache(lambda: reaches_adrift(rods, learned, towards, BEARINGS_DEG))

    def usual_casts(self, rod: Rod) -> Casts:
        """Return the usual casts of a rod, as they may go."""
        if rod not in self._usual:
            self._usual[rod] = self.learned(rod).casts(rig_name(rod), DRAW_COUNT)
        return self._usual[rod]

    def lesson(self, rod: Rod) -> Lesson:
        """Return what is believed of a rod, with what it was believed to be before any touch."""
        return Lesson(rod, self.learned(rod).belief().by_rig[rig_name(rod)])

    def solve_learning(self, rod: Rod, seen: Evidence, *, of_current: bool) -> Solve:
        """Return what works out what a cast teaches of a rod's lure; `learn` takes it.

        With `of_current` it tells of the current as well.
        """
        lure = rod.lure.name
        felt = self.felt_current if of_current else None
        rods = [rod for rod in self.rods if rod.lure.name == lure]
        known = self._learned[lure].copy()
        solve = Solve(partial(_learn_apart, known, seen, lure, rods, felt))
        self._asked = _Asked(lure, seen, of_current, known.evidence, solve)
        return solve

    def learn(
        self, rod: Rod, seen: Evidence, *, of_current: bool = False
    ) -> CurrentOdds | None:
        """Take in what a cast has taught of a rod's lure; return what it tells of the current, if asked."""
        lure, asked = rod.lure.name, self._asked
        evidence = self._learned[lure].evidence
        if asked is None or asked[:4] != (lure, seen, of_current, evidence):
            solve = self.solve_learning(rod, seen, of_current=of_current)
        else:
            solve = asked.solve
        self._asked, found = None, solve.found
        assert isinstance(found, _Learnt), "it was asked for by solve_learning"
        self._learned[lure] = found.known
        self._follow(lure)
        return found.odds

    def unlearn(self, lure: str, seen: Evidence) -> None:
        """Take that back."""
        self._learned[lure].unlearn(seen)
        self._follow(lure)

    def forget(self, rod: Rod) -> None:
        """Forget what was learned with a rod as it is rigged now."""
        self.learned(rod).forget(rig_name(rod))
        self._follow(rod.lure.name)

    def _follow(self, lure: str) -> None:
        """Follow what was learned of a lure: the others share what all depths are off by."""
        share_common(self._learned.values())
        self._usual.clear()
        self._adrift.clear()
        self._paths = {
            rod: path for rod, path in self._paths.items() if rod.lure.name != lure
        }

    def bottom_along(
        self, t: float, at: Fix, bearing: float, aim: float, length: float
    ) -> Ahead:
        """Return the bottom along a cast begun at logic time t, s; asked again, it is the one it was.

        The rest as for `companion.casting.ground.ahead`.
        """
        cast = (t, at, bearing, aim)
        if (
            self._looked is None
            or self._looked[0] != cast
            or self._looked[1].length < length - RAY_STEP_M
        ):
            self._looked = cast, ahead(self.ground, at, bearing, aim, length)
        return self._looked[1]

    def rerig(self, new: Rod) -> Rod:
        """Put a rod in the place of the one with its number, and return it."""
        self._rods[new.number] = new
        known = self._learned[new.lure.name]
        if rig_name(new) not in known.rigs:
            self._learned[new.lure.name] = known.with_rig(rig(new))
        return new


def tips_by_rod(
    rods: Iterable[Rod], tips: Mapping[TipHeld, float]
) -> dict[int, dict[TipHeld, float]]:
    """Return the height of each rod's tip, m above the water, by its number and how it is held."""
    return {rod.number: {**tips, "usual": rod.tip_height} for rod in rods}


def rods_with_line(deck: Deck, strength: int, in_hand: int) -> list[Rod]:
    """Return the rods whose line is sold as so many pounds, the one in hand first."""
    found = [rod for rod in deck.rods if rod.line.pounds == strength]
    return sorted(found, key=lambda rod: rod.number != in_hand)


def lessons_of(deck: Deck) -> list[Lesson]:
    """Return what is believed of every rod that casts have taught something about."""
    every = [deck.lesson(rod) for rod in deck.rods]
    return [
        lesson
        for lesson in every
        if lesson.belief.touches or lesson.belief.without_touch
    ]


def best_for(
    deck: Deck, depth: float, drift: float = 0.0, in_hand: int | None = None
) -> Rod:
    """Return the rod for a bottom at this depth, m: the shallowest that touches it, else the deepest.

    Of rods that reach as deep it is the one whose number is `in_hand`.
    """
    rods = sorted(deck.rods, key=lambda rod: rod.number != in_hand)
    reach = {rod: deck.reach(rod, drift) for rod in rods}
    touching = [rod for rod in reach if reach[rod] >= depth]
    if touching:
        return min(touching, key=reach.__getitem__)
    return max(reach, key=reach.__getitem__)


def better_than(deck: Deck, rod: Rod, depth: float) -> Rod | None:
    """Return a rod that gets down to this depth, m, where another does not; None when none does."""
    best = best_for(deck, depth)
    if best == rod or deck.reach(best) < depth:
        return None
    return best


def relined(rod: Rod, strength: int) -> Rod:
    """Return a rod with line of this strength, lb on the spool, and of the same material."""
    return rod.with_line(
        LineSpec(material=rod.line.material, strength=strength * POUND_FORCE)
    )


def _learn_apart(
    known: Calibration,
    seen: Evidence,
    lure: str,
    rods: Iterable[Rod],
    felt: FeltCurrent | None,
) -> _Learnt:
    """Learn on a copy: all that follows is then at hand for whoever takes it."""
    odds = None
    if felt is not None:
        odds = felt.odds_of(lure, known, seen)
    known = known.copy()
    known.learn(seen)
    for rod in rods:
        _path(rod, known)
    known.belief()
    return _Learnt(known, odds)


def solve_rig(deck: Deck, rod: Rod) -> Solve:
    """Return what makes the tables of a rod as it is about to be rigged or held."""
    return Solve(partial(make_grid, rod, deck.learned(rod).stated), (rod,))
