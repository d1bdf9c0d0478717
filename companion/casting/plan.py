"""Where to lie, which rod to take and which way to cast, for the most metres of lure where it is wanted.

A target is a zone of the map; a wish (`companion.casting.swim`) says which metres of
path count there: those in contact or near it, or those in a band of depth. Every boat
place of a lattice, every bearing and every rod is a cast that could be made. `plan`
tries the coarse half of the lattice roughly, then the neighbours of what came out best
closely, all casts at once in numpy.

What is expected is the mean over how far dive and bottom may be off together; the
sureness is the share of that in which a metre counts at all. A lure that has to stay
clear is planned for only where it does so in nine casts of ten, thrown as exactly as
people throw.

Metres east and north on the lake's plane, depths in metres below today's surface,
bearings in degrees clockwise from true north. NaN is not known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.casting.swim import (
    MANNER_NAMES,
    UNKNOWN_BOTTOM_M,
    CastTerrain,
    Diver,
    Flags,
    Floats,
    Manner,
    Singles,
    Way,
    Wish,
    equal_shifts,
    manners,
    swim,
)
from companion.lakebed.breaks import lips, pieces_where
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief, contours
from companion.tackle import RodReach

_Whole = NDArray[np.int64]

BERTH_SPACING_M, BEARING_STEP_DEG = 3.0, 7.5
"""The lattice: boat places so many m apart, bearings so many degrees apart."""
BEARINGS_DEG = tuple(np.arange(0.0, 360.0, BEARING_STEP_DEG).tolist())
FINE_STEP_M, ROUGH_STEP_M = 1.0, 2.0
"""Length of a step along a path, m, when casts are tried closely and roughly."""

SHALLOWEST_BERTH_M = 0.3
"""A bottom that may be this near to the surface or above it is no place for a boat or a lure, m."""

LEAST_CROWN_M = 3.0
"""A tree is at least so far across from its middle, m. Common practice, no source."""
LEAST_STANDING_M = 0.3
"""What rises less than this above the bottom is bottom, m."""
LEAST_CLEAR_SHARE = 0.9
"""A cast on which the lure has to stay clear is told only when it does so this often."""
_AIM_WEIGHTS = {-1: 0.274, 0: 0.452, 1: 0.274}
"""How often a cast goes a turn of the lattice to the left, straight, to the right: an aim of 7.5 degrees."""

_TURNS = round(360.0 / BEARING_STEP_DEG)
_ROUGH_SHIFTS, _LAST_SHIFTS = 3, 61
_ROUNDS = ((160, 9), (60, 21), (40, _LAST_SHIFTS))
"""Close rounds: how many casts are kept to look around, and over how many shifts that is done."""
_OF_EACH_MANNER, _OF_EACH_ROD = 16, 3
_SHORTLIST = 24
_UNLIKE_PLACE, _UNLIKE_BEARING = 15.0, 40.0
_SAME_BERTH, _SAME_CAST_BEARING = (
    12.0,
    2.0 * BEARING_STEP_DEG,
)  # a boat is held, and a cast aimed, no better
_WORTH_TELLING = 0.5
_TOGETHER = 60_000
_BESIDE_BOAT = 2.0
_HALF = 0.5001
"""Half way between two points of the grid counts as the further one, whatever the last bit says."""


@dataclass(frozen=True, slots=True)
class PlanningGround:
    """The bottom as it is planned over, on a square grid.

    Attributes:
        west, south: place of the first column and row, m.
        step: distance of columns and rows, m.
        depth: of the bottom, m, shape (rows to the north, columns to the east); NaN not
            known.
        sigma: its standard deviation, m, same shape.
        top: depth of the highest thing a lure meets there, bottom or tree top, m, same
            shape.
        open: where the boat may lie and a lure may land, same shape.
    """

    west: float
    south: float
    step: float
    depth: Floats
    sigma: Floats
    top: Floats
    open: Flags

    def places(self) -> tuple[Floats, Floats]:
        """Return east and north, m, of every point of the grid, each in the grid's shape."""
        rows, columns = self.depth.shape
        return np.meshgrid(
            self.west + self.step * np.arange(columns),
            self.south + self.step * np.arange(rows),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """The place or the water to be fished.

    Attributes:
        name: what to call it.
        lines: the corners of each line, (k, 2) east and north, m; one corner alone is a
            place. None is all of the map.
        within: how far from there a metre still counts, m.
        depths: only where the bottom is between these, m; None at any depth.
    """

    name: str
    lines: tuple[Floats, ...] | None = None
    within: float = 5.0
    depths: tuple[float, float] | None = None

    @classmethod
    def at(cls, name: str, east: float, north: float, within: float = 8.0) -> Target:
        """Return one place as a target, m."""
        return cls(name, (np.array([[east, north]]),), within)

    @classmethod
    def over(cls, name: str, mark: Mark) -> Target:
        """Return what stands at a mark as a target to be passed over: only metres right above it count."""
        return cls.at(name, mark.east, mark.north, max(mark.radius, LEAST_CROWN_M))

    @classmethod
    def edge(
        cls,
        relief: Relief,
        depth: float,
        near: tuple[float, float] | None = None,
        reach: float = 60.0,
    ) -> Target | None:
        """Return the line where the bottom has a depth, m, such as a grass edge or the lip of a ledge.

        Only what lies within `reach` m of a place `near` (east, north, m); None where
        there is none.
        """
        drawn = [
            contour.lines
            for contour in contours(relief, depth)
            if contour.depth == depth
        ]
        lines = [line for found in drawn for line in found]
        if near is not None:
            lines = [part for line in lines for part in _parts_near(line, near, reach)]
        if not lines:
            return None
        return cls("edge", tuple(lines))

    @classmethod
    def breaks(
        cls,
        relief: Relief,
        near: tuple[float, float] | None = None,
        reach: float = 60.0,
    ) -> Target | None:
        """Return the lips of the breaks on a map, within `reach` m of a place `near`; None without any."""
        lines = lips(relief)
        if near is not None:
            lines = [part for line in lines for part in _parts_near(line, near, reach)]
        if not lines:
            return None
        return cls("breaks", tuple(lines))

    @property
    def place(self) -> tuple[float, float] | None:
        """East and north, m, of a target that is one place; else None."""
        if self.lines is None or len(self.lines) != 1 or len(self.lines[0]) != 1:
            return None
        return float(self.lines[0][0, 0]), float(self.lines[0][0, 1])


def _parts_near(line: Floats, near: tuple[float, float], reach: float) -> list[Floats]:
    inside = np.hypot(line[:, 0] - near[0], line[:, 1] - near[1]) <= reach
    return pieces_where(line, inside)


class Step(msgspec.Struct, frozen=True):
    """One step of a path: `away` m from the boat, the lure at `depth` m.

    There: the `bottom`, m, its `sigma`, m, the `top` of what stands on it, m (None
    where not known), and whether the metre `counts`.
    """

    away: float
    depth: float
    bottom: float | None
    sigma: float | None
    top: float | None
    counts: bool


class Plan(msgspec.Struct, frozen=True):
    """One way to fish a target.

    Attributes:
        rod: its number.
        name: what the rod is called on screen.
        target: what the target is called.
        east, north: where the boat lies, m.
        bearing: which way to cast, degrees true.
        cast: how far, m.
        stand_off: from the boat to the target, or to the middle of what it fishes of a
            longer one, m.
        metres: of path that count, as expected.
        low, high: nine of ten such casts have at least `low` metres, one has more than
            `high`.
        sureness: probability that any metre counts.
        clear: probability that the lure meets nothing on its way, its aim as unsure as
            people's.
        manner: how the bottom runs under them.
        depth: of the bottom under the middle of them, m; None not known.
        reach: of the rod, m.
        begins, ends: the stretch that counts, m from the boat, far end first.
        way: the path as it most likely is, from the landing towards the boat.
    """

    rod: int
    name: str
    target: str
    east: float
    north: float
    bearing: float
    cast: float
    stand_off: float
    metres: float
    low: float
    high: float
    sureness: float
    clear: float
    manner: Manner
    depth: float | None
    reach: float
    begins: float
    ends: float
    way: tuple[Step, ...]

    @property
    def over_timber(self) -> float | None:
        """The lure's height over the timber that it fishes, m; None where it fishes the bottom."""
        fished = [s for s in self.way if self.ends <= s.away <= self.begins]
        nearest = min(fished, key=_room, default=None)
        if nearest is None or nearest.top is None or nearest.bottom is None:
            return None
        if nearest.bottom - nearest.top < LEAST_STANDING_M:
            return None
        return nearest.top - nearest.depth

    def at(self, away: float) -> tuple[float, float]:
        """Return east and north, m, of the place so many m from the boat along the cast."""
        angle = math.radians(self.bearing)
        return self.east + away * math.sin(angle), self.north + away * math.cos(angle)


def _room(step: Step) -> float:
    """Return how far the lure is above what is there, m."""
    return math.inf if step.top is None else step.top - step.depth


def ground(
    relief: Relief,
    tree_tops: Iterable[Mark] = (),
    *,
    level: float = 0.0,
    anywhere: bool = False,
) -> PlanningGround:
    """Return a relief with the tree tops on it as the ground to plan over.

    Args:
        relief: the bottom on a square grid.
        tree_tops: marks whose `top` is known; others stand for nothing. They reach as
            far as their radius.
        level: of today's water above the lake's zero, m.
        anywhere: whether the boat may lie and a lure may land where nothing is mapped,
            too. Where the map has no water by one standard deviation, neither may.
    """
    step = float(relief.east[1] - relief.east[0])
    known = np.isfinite(relief.depth)
    bare = PlanningGround(
        float(relief.east[0]),
        float(relief.north[0]),
        step,
        relief.depth,
        relief.sigma,
        relief.depth.copy(),
        np.where(known, relief.depth - relief.sigma > SHALLOWEST_BERTH_M, anywhere),
    )
    east, north = bare.places()
    for mark in tree_tops:
        if mark.top is not None:
            near = np.hypot(east - mark.east, north - mark.north) <= max(
                mark.radius, step
            )
            bare.top[near] = np.fmin(bare.top[near], mark.top + level)
    return bare


def zone(on: PlanningGround, target: Target) -> Flags:
    """Return where on the ground metres count for a target, in the grid's shape; nowhere unmapped.

    For a target of tree tops the depths are those of the bottom beneath.
    """
    counted = np.isfinite(on.depth)
    if target.depths is not None:
        shallow, deep = target.depths
        counted &= (on.depth >= shallow) & (on.depth <= deep)
    if target.lines is not None:
        counted &= _away(*on.places(), target.lines) <= target.within
    return counted


def _away(east: Floats, north: Floats, lines: Iterable[Floats]) -> Floats:
    """Return the distance of places to the nearest of some lines, m."""
    from scipy.spatial import cKDTree  # noqa: PLC0415  (a tenth of what there is to load at the start)

    points = np.concatenate([_dense(line) for line in lines])
    away, _ = cKDTree(points).query(np.stack([east.ravel(), north.ravel()], axis=1))
    return np.asarray(away, dtype=float).reshape(east.shape)


def _dense(line: Floats) -> Floats:
    """Return points along a line, at most half a metre apart."""
    pieces = [line[:1]]
    for start, end in pairwise(line):
        count = math.ceil(2.0 * math.hypot(*(end - start)))
        pieces.append(
            start + (end - start) * (np.arange(1, count + 1) / max(count, 1))[:, None]
        )
    return np.concatenate(pieces)


def plan(
    on: PlanningGround,
    rods: Sequence[RodReach],
    target: Target,
    wish: Wish | None = None,
    *,
    most: int = 3,
    least_clear: float = LEAST_CLEAR_SHARE,
) -> tuple[Plan, ...]:
    """Return the best ways to fish a target, best first; the others differ in place, manner or rod.

    Of two plans alike only the better is told. A plan of another manner, or with
    another rod, is put before another place as long as it has half as many metres as
    the best. Empty when no rod has a metre that counts, and when the lure has to stay
    clear and on no cast does so often enough.

    Args:
        on: the ground; its rectangle bounds where the boat may lie.
        rods: with their paths and bands (`companion.tackle.reaches`); in a current one
            has several, each for some bearings.
        target: what is to be fished.
        wish: which metres count.
        most: how many plans.
        least_clear: how often a lure that has to stay clear has to do so.

    Raises:
        ValueError: there are no rods.
    """
    if not rods:
        raise ValueError("no rods to plan with")
    wish = wish or Wish()
    search = _Search(on, rods, target, wish)
    casts, tried = search.search()
    told = search.told(casts.pick(_shortlist(casts, tried)))
    if wish.clear or wish.band is not None:
        told = [one for one in told if one.clear >= least_clear]
    return _unlike(sorted(told, key=lambda one: -one.metres), most)


def _unlike(found: Sequence[Plan], most: int) -> tuple[Plan, ...]:
    """Return some of the plans, best first, of which no two are the same cast by the same rod.

    After the best come those worth half as much that bring the most new: a manner and a
    rod, one of the two, another place. Less is taken only where there is nothing else.
    """
    chosen: list[Plan] = []
    while len(chosen) < most:
        left = [one for one in found if not any(_is_same(one, told) for told in chosen)]
        if not left:
            break
        chosen.append(
            max(left, key=lambda one: (_news(one, chosen, found[0]), one.metres))
        )
    return tuple(sorted(chosen, key=lambda one: -one.metres))


def _news(one: Plan, chosen: Sequence[Plan], best: Plan) -> int:
    """Return how much a plan brings that is not among the chosen."""
    if one.metres < _WORTH_TELLING * best.metres:
        return -1
    unlike = not any(_alike(one, told) for told in chosen)
    manners_told = {told.manner for told in chosen}
    manner = unlike and one.manner not in manners_told
    rod = all(one.rod != told.rod for told in chosen)
    # A second rod before a third manner.
    manners = 1 + (len(manners_told) == 1)
    return unlike + 2 * rod + manner * manners


def _is_same(one: Plan, other: Plan) -> bool:
    return one.rod == other.rod and _alike(one, other)


def _shortlist(casts: _Casts, tried: _Tried) -> _Whole:
    """Return the best casts of unlike place, bearing or manner, and the best of each manner and rod."""
    alike = np.stack(
        [casts.column // 4, casts.row // 4, casts.turn // 6, casts.rod, tried.manner]
    )
    order = _firsts(alike)
    of_each = [order[tried.manner[order] == m][:3] for m in range(len(MANNER_NAMES))]
    of_each += [
        order[casts.rod[order] == rod][:_OF_EACH_ROD] for rod in np.unique(casts.rod)
    ]
    return np.unique(np.concatenate([order[:_SHORTLIST], *of_each]))


def _firsts(columns: _Whole) -> _Whole:
    """Return the indices of the first of each kind of column, rising."""
    # One number for each kind sorts many times faster than the columns themselves.
    above = columns - columns.min(axis=1, initial=0, keepdims=True)
    kinds = np.ravel_multi_index(tuple(above), tuple(above.max(axis=1, initial=0) + 1))
    _, first = np.unique(kinds, return_index=True)
    return np.asarray(np.sort(first), dtype=np.int64)


def _alike(one: Plan, other: Plan) -> bool:
    """Tell whether two plans are one for an angler: the same piece fished the same way, or the same cast."""
    (e0, n0), (e1, n1) = (p.at(0.5 * (p.begins + p.ends)) for p in (one, other))
    turned = abs((one.bearing - other.bearing + 180.0) % 360.0 - 180.0)
    near = math.hypot(e1 - e0, n1 - n0) < _UNLIKE_PLACE and turned < _UNLIKE_BEARING
    same_berth = (
        math.hypot(other.east - one.east, other.north - one.north) < _SAME_BERTH
    )
    return near and (
        one.manner == other.manner or (same_berth and turned < _SAME_CAST_BEARING)
    )


class _Casts(NamedTuple):
    """Casts by their place on the lattice: column and row of the boat, turn of the bearing, rod by index."""

    column: _Whole
    row: _Whole
    turn: _Whole
    rod: _Whole

    def pick(self, which: _Whole | Flags) -> _Casts:
        return _Casts(
            self.column[which], self.row[which], self.turn[which], self.rod[which]
        )


class _Tried(NamedTuple):
    """The worth of casts, (m,): metres expected, the manner's index in `MANNER_NAMES`, how often clear."""

    metres: Floats
    manner: NDArray[np.int8]
    clear: Floats


class _Search:
    """A ground, a target, a wish and the rods, ready to try casts."""

    def __init__(
        self, on: PlanningGround, rods: Sequence[RodReach], target: Target, wish: Wish
    ) -> None:
        self.on, self.target, self.wish = on, target, wish
        self.zone = zone(on, target)
        self.divers = [Diver(rod) for rod in rods]
        self.longest = max(rod.cast for rod in rods)
        self._holds, self._diver_at = _by_turn(rods)
        # Unknown bottom is far below every lure: nothing is met there.
        self._top, self._bottom = (
            np.nan_to_num(layer, nan=UNKNOWN_BOTTOM_M).astype(np.float32)
            for layer in (on.top, on.depth)
        )
        self._bare = bool((self._top == self._bottom).all())
        self._sigma = np.nan_to_num(on.sigma, nan=0.0).astype(np.float32)
        self._base = wish.boat or (on.west, on.south)

    # -- the lattice ----------------------------------------------------------------------------

    def all_casts(self, every: int = 1) -> _Casts:
        """Return every cast of the lattice that may be made and can meet the zone; every other with 2."""
        column, row = self._berths(every)
        turns = np.arange(0, _TURNS, every)
        turn = np.tile(turns, len(column))
        one = _Casts(
            np.repeat(column, len(turns)),
            np.repeat(row, len(turns)),
            turn,
            np.zeros_like(turn),
        )
        one, rods = one.pick(self.meets(one)), len(self.divers)
        each = np.repeat(np.arange(rods), len(one.turn))
        column, row, turn = (np.tile(part, rods) for part in one[:3])
        return self.allowed(_Casts(column, row, turn, each))

    def _berths(self, every: int) -> tuple[_Whole, _Whole]:
        """Return columns and rows of the lattice where the boat may lie."""
        if self.wish.boat is not None:
            return np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
        rows, columns = (
            math.floor((n - 1) * self.on.step / BERTH_SPACING_M) + 1
            for n in self.on.depth.shape
        )
        c, r = (
            a.ravel()
            for a in np.meshgrid(
                np.arange(0, columns, every), np.arange(0, rows, every)
            )
        )
        fits = self._fits(c, r)
        return c[fits], r[fits]

    def place(self, column: _Whole, row: _Whole) -> tuple[Floats, Floats]:
        """Return east and north, m, of boats on the lattice."""
        east = self._base[0] + BERTH_SPACING_M * column.astype(float)
        return east, self._base[1] + BERTH_SPACING_M * row.astype(float)

    def _fits(self, column: _Whole, row: _Whole) -> Flags:
        """Return whether the boat may lie there: open, deep enough, and off a target that is one place."""
        east, north = self.place(column, row)
        if self.wish.boat is not None:
            return np.asarray((column == 0) & (row == 0))
        i, j, inside = self._cell(east, north)
        depth = np.nan_to_num(self.on.depth[j, i], nan=UNKNOWN_BOTTOM_M)
        fits = inside & self.on.open[j, i] & (depth >= self.wish.least_water)
        if self.target.place is not None:
            target_east, target_north = self.target.place
            fits &= (
                np.hypot(east - target_east, north - target_north)
                >= self.wish.stand_off
            )
        return np.asarray(fits)

    def allowed(self, casts: _Casts) -> _Casts:
        """Return those of the casts whose boat may lie there and whose lure lands in open water."""
        length = np.array([diver.rod.cast for diver in self.divers])[casts.rod]
        east, north = self.place(casts.column, casts.row)
        angle = np.radians(BEARING_STEP_DEG * casts.turn)
        i, j, inside = self._cell(
            east + length * np.sin(angle), north + length * np.cos(angle)
        )
        holds = self._holds[casts.rod, casts.turn]
        return casts.pick(
            holds & inside & self.on.open[j, i] & self._fits(casts.column, casts.row)
        )

    def _cell(self, east: Floats, north: Floats) -> tuple[_Whole, _Whole, Flags]:
        """Return the nearest grid column and row of places, held inside, and whether they were inside."""
        rows, columns = self.on.depth.shape
        i = np.rint((east - self.on.west) / self.on.step).astype(np.int64)
        j = np.rint((north - self.on.south) / self.on.step).astype(np.int64)
        inside = (i >= 0) & (i < columns) & (j >= 0) & (j < rows)
        return np.clip(i, 0, columns - 1), np.clip(j, 0, rows - 1), inside

    # -- what a cast meets ----------------------------------------------------------------------

    def steps(self, step: float) -> Floats:
        """Return distances from the boat, m, far end first, down to the stand-off."""
        count = math.floor((self.longest - self.wish.stand_off) / step + 1e-9)
        return self.wish.stand_off + step * np.arange(count, -1, -1, dtype=float)

    def _along(self, casts: _Casts, away: Floats) -> tuple[Singles, Singles, Flags]:
        """Return grid column and row, as fractions, along casts, and whether they are on the grid."""
        rows, columns = self.on.depth.shape
        east, north = self.place(casts.column, casts.row)
        angle, out = (
            np.radians(BEARING_STEP_DEG * casts.turn),
            (away / self.on.step).astype(np.float32)[:, None],
        )
        x = ((east - self.on.west) / self.on.step).astype(np.float32) + out * np.sin(
            angle
        ).astype(np.float32)
        y = ((north - self.on.south) / self.on.step).astype(np.float32) + out * np.cos(
            angle
        ).astype(np.float32)
        return x, y, (x >= 0.0) & (x <= columns - 1) & (y >= 0.0) & (y <= rows - 1)

    def meets(self, casts: _Casts) -> Flags:
        """Tell which casts cross the zone."""
        x, y, inside = self._along(casts, self.steps(ROUGH_STEP_M))
        i, j = (np.where(inside, a + _HALF, 0.0).astype(np.int32) for a in (x, y))
        return np.asarray((inside & self.zone[j, i]).any(axis=0))

    def under(self, casts: _Casts, away: Floats) -> CastTerrain:
        """Return what lies under casts at distances from the boat; bilinear in depth, nearest in zone."""
        on = self.on
        x, y, inside = self._along(casts, away)
        columns = on.depth.shape[1]
        i = np.clip(x.astype(np.int32), 0, columns - 2)
        j = np.clip(y.astype(np.int32), 0, on.depth.shape[0] - 2)
        u, v = x - i.astype(np.float32), y - j.astype(np.float32)
        corner = j * np.int32(columns) + i
        weights = ((1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v)
        corners = (corner, corner + 1, corner + columns, corner + columns + 1)

        def between(values: Singles) -> Singles:
            flat = values.ravel()
            return np.asarray(
                sum(w * flat[c] for w, c in zip(weights, corners, strict=True))
            )

        nearest = corner + (u >= 1.0 - _HALF) + columns * (v >= 1.0 - _HALF)
        nothing = np.float32(UNKNOWN_BOTTOM_M)
        top = np.where(inside, between(self._top), nothing)
        bottom = top if self._bare else np.where(inside, between(self._bottom), nothing)
        return CastTerrain(
            top, bottom, between(self._sigma), inside & self.zone.ravel()[nearest]
        )

    def metres(
        self, casts: _Casts, step: float, shifts: int
    ) -> tuple[Floats, NDArray[np.int8], Floats]:
        """Return metres for some equally likely shifts, (shifts, m), manners and share clear, (m,)."""
        away, levels = self.steps(step), equal_shifts(shifts)
        metres = np.zeros((shifts, len(casts.rod)))
        manner = np.zeros(len(casts.rod), dtype=np.int8)
        clear = np.zeros(len(casts.rod))
        # Side by side, so that what lies under a cast is looked up once for all the
        # rods.
        order = np.lexsort((casts.turn, casts.row, casts.column))
        for part in np.array_split(
            order, max(1, math.ceil(len(order) * shifts / _TOGETHER))
        ):
            lines = np.stack(casts[:3])[:, part]
            new = np.append(True, (np.diff(lines, axis=1) != 0).any(axis=0))[
                : len(part)
            ]
            under, line = self.under(casts.pick(part[new]), away), np.cumsum(new) - 1
            for index, diver in enumerate(self.divers):
                its = np.flatnonzero(casts.rod[part] == index)
                below = under.pick(line[its])
                way = swim(diver, self.wish, below, away, levels)
                metres[:, part[its]] = way.metres
                manner[part[its]] = manners(way, below, step)
                clear[part[its]] = way.clear.mean(axis=0)
        return metres, manner, clear

    def tried(self, casts: _Casts, step: float, shifts: int) -> _Tried:
        """Return what casts come to: the mean over equally likely shifts."""
        metres, manner, clear = self.metres(casts, step, shifts)
        expected = metres.mean(axis=0)
        if self.wish.clear or self.wish.band is not None:
            # What meets something too often is only a step on the search's way to what
            # does not.
            expected = np.where(
                clear >= LEAST_CLEAR_SHARE, expected, 1e-3 * clear * expected
            )
        return _Tried(expected, manner, clear)

    # -- the search -----------------------------------------------------------------------------

    def search(self) -> tuple[_Casts, _Tried]:
        """Return the casts found best, best first, and what they come to."""
        every = 1 + (self.wish.boat is None)
        casts = self.all_casts(every)
        tried = self.tried(casts, ROUGH_STEP_M, _ROUGH_SHIFTS)
        for most, shifts in _ROUNDS:
            casts = self._around(casts.pick(self._finalists(casts, tried, most)))
            tried = self.tried(casts, FINE_STEP_M, shifts)
        good = tried.metres > 0.0
        if self.wish.manner is not None:
            good &= tried.manner == MANNER_NAMES.index(self.wish.manner)
        order = np.flatnonzero(good)[np.argsort(-tried.metres[good], kind="stable")]
        return casts.pick(order), _Tried(
            tried.metres[order], tried.manner[order], tried.clear[order]
        )

    def _finalists(self, casts: _Casts, tried: _Tried, most: int) -> _Whole:
        """Return the best casts of unlike place, bearing, rod or manner, and some of each manner."""
        wanted = np.flatnonzero(tried.metres > 0.0)
        order = wanted[np.argsort(-tried.metres[wanted], kind="stable")]
        alike = np.stack(
            [
                casts.column // 4,
                casts.row // 4,
                casts.turn // 4,
                casts.rod,
                tried.manner,
            ]
        )
        order = order[_firsts(alike[:, order])]
        manner = tried.manner[order]
        if self.wish.manner is not None:
            return np.asarray(
                order[manner == MANNER_NAMES.index(self.wish.manner)][:most],
                dtype=np.int64,
            )
        of_each = [
            order[manner == m][:_OF_EACH_MANNER] for m in range(len(MANNER_NAMES))
        ]
        of_each += [
            order[casts.rod[order] == rod][:_OF_EACH_ROD]
            for rod in range(len(self.divers))
        ]
        return np.asarray(
            np.unique(np.concatenate([order[:most], *of_each])), dtype=np.int64
        )

    def _around(self, casts: _Casts) -> _Casts:
        """Return casts and their neighbours on the lattice, each once."""
        reach = (0,) if self.wish.boat is not None else (-1, 0, 1)
        offsets = np.array(
            [(c, r, t, 0) for c in reach for r in reach for t in (-1, 0, 1)]
        )
        every = (np.stack(casts, axis=1)[:, None, :] + offsets).reshape(-1, 4).T
        every[2] %= _TURNS
        every[3] = self._diver_at[every[3], every[2]]
        near = self.allowed(_Casts(*every[:, _firsts(every)]))
        return near.pick(self.meets(near))

    def told(self, casts: _Casts) -> list[Plan]:
        """Return casts as plans, each with its whole way."""
        metres, manner, _ = self.metres(casts, FINE_STEP_M, _LAST_SHIFTS)
        counting = np.flatnonzero(metres.any(axis=0))
        casts, metres, manner = (
            casts.pick(counting),
            metres[:, counting],
            manner[counting],
        )
        low, high = np.quantile(metres, (0.1, 0.9), axis=0)
        sureness = (metres > 0.0).mean(axis=0)
        figures = np.stack(
            [metres.mean(axis=0), low, high, sureness, self.clear_as_aimed(casts)]
        )
        return [
            self._told(
                casts.pick(np.array([k])), figures[:, k], MANNER_NAMES[manner[k]], *way
            )
            for k, way in enumerate(self._ways(casts))
        ]

    def clear_as_aimed(self, casts: _Casts) -> Floats:
        """Return how often the lure meets nothing, over casts thrown as exactly as people throw, (m,)."""
        share = np.zeros(len(casts.rod))
        for aside, weight in _AIM_WEIGHTS.items():
            thrown = casts._replace(turn=(casts.turn + aside) % _TURNS)
            share += weight * self.metres(thrown, FINE_STEP_M, _LAST_SHIFTS)[2]
        return share

    def _told(
        self,
        cast: _Casts,
        figures: Floats,
        manner: Manner,
        way: tuple[Step, ...],
        closest: float,
    ) -> Plan:
        metres, low, high, sureness, clear = figures.tolist()
        diver = self.divers[int(cast.rod[0])]
        east, north = (float(a[0]) for a in self.place(cast.column, cast.row))
        counted = [step.away for step in way if step.counts] or [closest]
        middle = 0.5 * (counted[0] + counted[-1])
        place = self.target.place
        return Plan(
            rod=diver.rod.rod,
            name=diver.rod.name,
            target=self.target.name,
            east=round(east, 2),
            north=round(north, 2),
            bearing=BEARING_STEP_DEG * float(cast.turn[0]),
            cast=diver.rod.cast,
            stand_off=middle
            if place is None
            else math.hypot(place[0] - east, place[1] - north),
            metres=metres,
            low=low,
            high=high,
            sureness=sureness,
            clear=clear,
            manner=manner,
            depth=min(way, key=lambda step: abs(step.away - middle)).bottom,
            reach=diver.rod.reach.best,
            begins=counted[0],
            ends=counted[-1],
            way=way,
        )

    def _ways(self, casts: _Casts) -> list[tuple[tuple[Step, ...], float]]:
        """Return the most likely way of each cast, and how far from the boat it is nearest to counting, m."""
        away = self.steps(FINE_STEP_M)
        nearer = np.arange(
            self.wish.stand_off - FINE_STEP_M, _BESIDE_BOAT, -FINE_STEP_M
        )
        away = np.concatenate([away, nearer])
        under = self.under(casts, away)
        under.counted[len(away) - len(nearer) :] = False
        ways: list[tuple[tuple[Step, ...], float]] = [((), 0.0)] * len(casts.rod)
        # A few casts take swimming as long as one: all of a rod together.
        for index, diver in enumerate(self.divers):
            its = np.flatnonzero(casts.rod == index)
            below, first = under.pick(its), diver.first(away)
            swum = swim(diver, self.wish, below, away, equal_shifts(1))
            closest = away[first:][_missed_by(self.wish, swum, below).argmin(axis=0)]
            for n, k in enumerate(its):
                way = _steps(away[first:], swum, below, n)
                ways[k] = way, float(closest[n])
        return ways


def _missed_by(wish: Wish, swum: Way, below: CastTerrain) -> Floats:
    """Return by how much the lure misses what is wanted, m, (steps, casts); infinite off the target."""
    first = len(below.top) - len(swum.depth)
    missed = below.top[first:] - swum.depth
    if wish.band is not None:
        shallow, deep = wish.band
        missed = np.maximum(shallow - swum.depth, swum.depth - deep)
    return np.where(below.counted[first:], missed, np.inf)


def _by_turn(rods: Sequence[RodReach]) -> tuple[Flags, _Whole]:
    """Return for which turns each path holds, and which of the same rod's does for each, (paths, turns)."""
    holds = np.array(
        [np.isin(BEARINGS_DEG, rod.bearings or BEARINGS_DEG).tolist() for rod in rods]
    )
    numbers = np.array([rod.rod for rod in rods])
    same = (numbers[:, None] == numbers)[:, :, None] & holds
    return holds, np.asarray(same.argmax(axis=1), dtype=np.int64)


def _steps(away: Floats, swum: Way, below: CastTerrain, k: int) -> tuple[Step, ...]:
    """Return the way of the k-th of some casts at distances from the boat, m, those that the rod reaches."""
    first = len(below.top) - len(away)
    known = below.bottom[first:, k] < 0.5 * UNKNOWN_BOTTOM_M
    bottom, sigma, top = (
        [
            round(value, 3) if there else None
            for value, there in zip(layer[first:, k].tolist(), known, strict=True)
        ]
        for layer in (below.bottom, below.sigma, below.top)
    )
    depth, counts = (
        [round(z, 3) for z in swum.depth[:, k].tolist()],
        swum.counts[:, k].tolist(),
    )
    return tuple(map(Step, away.tolist(), depth, bottom, sigma, top, counts))
