"""A season that never was: casts over invented lakes with known truth, and what was foretold of each.

Five lakes are looked over once by a boat that idles up and down, with a sounder and a
GPS that err like real ones. Four rods, each a little other than its owner states, are
taught by eight touches each, as the how-to says: over bottom about as deep as the rod
is thought to reach, where the map shows it level. Then casts are thrown all over the
lakes; what the companion foretells is held against what truly happens, and against the
rule of thumb: the stated depth of the lure against the depth under the boat.

`python tests/bench/season.py 1000` prints the whole account; the acceptance test runs a
smaller one.
"""

from __future__ import annotations

import math
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from companion import config, dive
from companion.casting.cast import FLIGHT_S, CastInProgress
from companion.casting.deck import Deck
from companion.casting.ground import Mapped
from companion.casting.hand import Aim, Hand, begin_cast
from companion.casting.pose import BoatPose
from companion.events import Fix
from companion.lakebed.bed import Bed
from companion.lakebed.marks import FIX_RADIUS_M
from companion.sensing.localplane import LocalPlane, range_and_bearing
from companion.simulate.angler import Flaw, Throw, TrueRig, rig, throw
from companion.simulate.boat import BoatTrack
from companion.simulate.lake import Lake
from companion.tackle import Rod
from companion.units import FOOT

LAKES = 5
TOUCHES = 8
SOUNDER_NOISE, GPS_NOISE = 0.15, 1.2
"""Sigma of a sounding, m, and of a fix that wanders over a minute, m, as in the recorded logs."""
REACTION = 1.0
"""From a touch to its word, s, in the median."""
DEEP = (0.15, 0.6)
"""Between which shares of its cast a lure is deep."""
LOOKED_AT = 60
"""Places and bearings somebody looks at on the map before a cast that is to teach."""
TEACHING_DEPTHS = (0.95, 1.0, 1.05, 1.1)
"""Bottoms to teach over, in reaches as they are thought to be."""
CONFIG = (
    Path(__file__).parents[2] / "replay_logs" / "invented_saturday" / "companion.toml"
)


@dataclass
class Foretold:
    """One cast: what was foretold, what the rule of thumb says, and what happened."""

    mapped: float
    chance: float
    thumb: bool
    verdict: str
    touched: bool
    distance: float | None = None
    first: tuple[float, float, float] | None = None
    bite_error: float | None = None
    boat_error: float | None = None


@dataclass
class Season:
    """All casts of all lakes, what the rods' reach was thought to be and is, and the casts that taught it."""

    casts: list[Foretold] = field(default_factory=list)
    reach: list[tuple[float, float, float]] = field(default_factory=list)
    tops: list[tuple[float, float, float]] = field(default_factory=list)
    teaching: int = 0

    def __add__(self, other: Season) -> Season:
        return Season(
            self.casts + other.casts,
            self.reach + other.reach,
            self.tops + other.tops,
            self.teaching + other.teaching,
        )


class Angler:
    """Somebody on one lake, with true rods, a mapped bottom and a deck that only knows what it is told."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 77])
        self.lake = Lake(seed)
        origin = self.lake.plane.to_degrees(0.0, 0.0)
        self.plane = LocalPlane(float(origin[0]), float(origin[1]))
        self.bed = Bed()
        rods = config.load(CONFIG).rods
        self.deck = Deck(rods, ground=Mapped(self.bed))
        self.rigs = self._true_rigs(rods)
        self.where = self._places()
        self.track: BoatTrack | None = None
        self.teaching = 0
        self._look_round()
        self.trees = self._mark_trees()

    def _mark_trees(self) -> dict[int, int]:
        """Mark every tree as its finder would: where the GPS says, its top in whole feet; numbers by tree."""
        found = {}
        for i, (x, y, top) in enumerate(
            zip(self.lake.trees.x, self.lake.trees.y, self.lake.trees.top, strict=True)
        ):
            fix = self.fix_near(float(x), float(y))
            told = round(float(top) / FOOT) * FOOT
            found[i] = self.bed.mark("tree top", fix.lat, fix.lon, depth=told).number
        return found

    def _true_rigs(self, rods: tuple[Rod, ...]) -> dict[int, TrueRig]:
        """The truth behind what the owner states: the lure and its drag are shared, the casts are not."""
        lift, drag = np.exp(self.rng.normal(0, 0.15)), np.exp(self.rng.normal(0, 0.15))
        return {
            rod.number: rig(
                rod,
                Flaw(float(lift), float(drag), float(np.exp(self.rng.normal(0, 0.1)))),
            )
            for rod in rods
        }

    def _places(self) -> list[tuple[float, float]]:
        """Where one fishes: the middles of all that the lake has."""
        names = ("ledge", "point", "rock pile", "high spot", "timber", "grass edge")
        return [self.lake.place(name)[:2] for name in names]

    def _look_round(self) -> None:
        """Idle up and down over every feature once, lines 12 m apart, sounding as a real boat does."""
        for east, north in self.where:
            for line in range(-5, 6):
                along = np.arange(-60.0, 60.0, 0.5)
                wander = self._wander(len(along))
                x, y = east + along, north + 12.0 * line + np.zeros_like(along)
                depth = self.lake.bottom(x, y) + self.rng.normal(
                    0.0, SOUNDER_NOISE, len(along)
                )
                for e, n, z in zip(x + wander[0], y + wander[1], depth, strict=True):
                    self.bed.add(*self.plane.to_latlon(float(e), float(n)), float(z))

    def _wander(self, n: int) -> np.ndarray:
        knots = self.rng.normal(0.0, GPS_NOISE, (2, n // 30 + 2))
        return np.array(
            [
                np.interp(np.arange(n) / 30.0, np.arange(knots.shape[1]), row)
                for row in knots
            ]
        )

    def teach(self) -> None:
        """Fish each rod over level bottom until eight touches are told of, one real one in ten unsaid.

        A touch or not is most open, and so teaches most, where the bottom is as deep as
        the rod may reach.
        """
        for rod in self.deck.rods:
            told, tries = 0, 0
            while told < TOUCHES and tries < 60:
                depth = (
                    TEACHING_DEPTHS[tries % len(TEACHING_DEPTHS)]
                    * self.deck.reach_band(rod).best
                )
                tries += 1
                self.teaching += 1
                cast, true = self.one_cast(rod, *self.levellest(rod, depth))
                if cast.outlook is None:
                    continue
                seen = None
                touch = first_touch(true)
                if touch is not None and self.rng.random() > 0.1:
                    said = (
                        cast.retrieved_from
                        + touch[2]
                        + self.rng.gamma(4.0, REACTION / 4.0)
                    )
                    seen, told = cast.touched(said), told + 1
                elif touch is None:
                    seen = cast.untouched()
                if seen is not None:
                    self.deck.learn(rod, seen)

    def somewhere(self) -> tuple[float, float, float]:
        """Return where to lie, m, and a bearing to cast."""
        east, north = self.where[self.rng.integers(len(self.where))]
        x, y = east + self.rng.uniform(-45, 45), north + self.rng.uniform(-45, 45)
        return x, y, self.rng.uniform(0, 360)

    def levellest(self, rod: Rod, depth: float) -> tuple[float, float, float]:
        """Return of some places and bearings the one that the map shows most level at about a depth, m."""
        return min(
            (self.somewhere() for _ in range(LOOKED_AT)),
            key=lambda one: self._uneven(rod, depth, *one),
        )

    def _uneven(
        self, rod: Rod, depth: float, x: float, y: float, bearing: float
    ) -> float:
        """Return how far the mapped bottom is from a depth, m, at the worst, where the lure would be deep."""
        at = self.fix_near(x, y)
        rays = [
            self.bed.along(
                at.lat, at.lon, bearing + aside, DEEP[1] * rod.cast, 2.0
            ).depth
            for aside in (-15, 0, 15)
        ]
        worst = float(
            np.abs(np.array(rays)[:, round(DEEP[0] * rod.cast / 2.0) :] - depth).max()
        )
        return math.inf if math.isnan(worst) else worst

    def one_cast(
        self, rod: Rod, x: float, y: float, bearing: float
    ) -> tuple[CastInProgress, Throw]:
        """Throw one cast: what the companion makes of it, and how it truly goes."""
        heading, drift = self.rng.uniform(0, 360), self.rng.uniform(0.0, 0.3)
        going = self.rng.uniform(0, 360)
        hour = round((bearing - heading) / 30.0) % 12 or 12
        true = self._throw(rod, (x, y), heading, (going, drift), bearing)
        boat = BoatPose(
            self.fix_near(x, y), heading + self.rng.normal(0, 3), going, drift
        )
        return self._called(rod, boat, Aim(hour)), true

    def _called(self, rod: Rod, boat: BoatPose, aim: Aim) -> CastInProgress:
        """Call out a cast with a rod, and return what the companion makes of it."""
        cast = begin_cast(self.deck, Hand(rod.number), 0.0, boat, aim).cast
        assert cast is not None
        return cast

    def over_a_tree(self, rod: Rod) -> tuple[float, float, float] | None:
        """Cast over a marked tree; return its clearance as foretold, as it was, and on a second such cast, m.

        None when the cast's outlook does not see it.
        """
        i = int(self.rng.integers(len(self.lake.trees.x)))
        tree = float(self.lake.trees.x[i]), float(self.lake.trees.y[i])
        bearing, far = self.rng.uniform(0, 360), self.rng.uniform(8.0, 22.0)
        way = math.radians(bearing)
        at = tree[0] - far * math.sin(way), tree[1] - far * math.cos(way)
        heading = bearing + self.rng.normal(0, 3)
        cast = self._called(
            rod, BoatPose(self.fix_near(*at), heading, 0.0, 0.0), Aim(12)
        )
        tops = () if cast.outlook is None else cast.outlook.tops
        mine = [top for top in tops if top.top.number == self.trees[i]]
        if not mine:
            return None
        top = float(self.lake.trees.top[i])
        true = [
            top - depth_over(self._throw(rod, at, heading, (0.0, 0.0), bearing), tree)
            for _ in range(2)
        ]
        return mine[0].clearance.best, true[0], true[1]

    def _throw(
        self,
        rod: Rod,
        at: tuple[float, float],
        heading: float,
        motion: tuple[float, float],
        bearing: float,
    ) -> Throw:
        t = np.arange(-1.0, 80.0, 0.1)
        going, speed = math.radians(motion[0]), motion[1]
        east, north = speed * math.sin(going), speed * math.cos(going)
        still = np.ones_like(t)
        track = self.track = BoatTrack(
            t,
            at[0] + east * t,
            at[1] + north * t,
            heading * still,
            east * still,
            north * still,
        )
        true = self.rigs[rod.number]
        length = true.retrieve.cast * float(np.exp(self.rng.normal(0.0, 0.05)))
        return throw(self.lake, track, true, landed=0.0, bearing=bearing, length=length)

    def fix_near(self, x: float, y: float) -> Fix:
        """Return what the GPS makes of a place, m."""
        return self.fix(
            x + self.rng.normal(0, GPS_NOISE), y + self.rng.normal(0, GPS_NOISE)
        )

    def fix(self, x: float, y: float) -> Fix:
        """Return a place, m, in degrees."""
        lat, lon = self.plane.to_latlon(x, y)
        return Fix(lat, lon, FIX_RADIUS_M)


def first_touch(true: Throw) -> tuple[float, float, float] | None:
    """Return x, y and time of the first touch of the bottom, None when there is none."""
    for touch in true.touches:
        if touch.met == "bottom":
            return touch.x, touch.y, touch.t
    return None


def depth_over(true: Throw, place: tuple[float, float]) -> float:
    """Return how deep the lure is when it passes nearest to a place, m."""
    return float(true.z[int(np.argmin(np.hypot(true.x - place[0], true.y - place[1])))])


def fish(seed: int, casts: int) -> Season:
    """Return one lake's part of the season."""
    angler, season = Angler(seed), Season()
    angler.teach()
    season.teaching = angler.teaching
    for rod in angler.deck.rods:
        believed = angler.deck.reach_band(rod)
        season.reach.append(
            (believed.best, rod.lure.rated.depth, true_reach(angler.rigs[rod.number]))
        )
    for _ in range(casts):
        rod = angler.deck.rods[angler.rng.integers(len(angler.deck.rods))]
        cast, true = angler.one_cast(rod, *angler.somewhere())
        season.casts.append(foretold(angler, cast, true))
    for n in range(casts // 4):
        seen = angler.over_a_tree(angler.deck.rods[n % len(angler.deck.rods)])
        if seen is not None:
            season.tops.append(seen)
    return season


def true_reach(rigged: TrueRig) -> float:
    """Return the true reach of a rod, m."""
    return dive.solve(rigged.line, rigged.lure, rigged.retrieve).reach


def foretold(angler: Angler, cast: CastInProgress, true: Throw) -> Foretold:
    """Return what was foretold of a cast beside what happened."""
    seen, touch = cast.outlook, first_touch(true)
    assert seen is not None
    under = float(angler.lake.bottom(float(true.x[-1]), float(true.y[-1])))
    bite = float(angler.rng.uniform(0.3, 0.8)) * true.ended
    x, y, _ = true.at(bite)
    assert angler.track is not None
    boat_x, boat_y = angler.track.at(bite)
    here = angler.fix_near(float(boat_x), float(boat_y))
    lure = cast.lure(cast.began + FLIGHT_S + bite, here).at
    there = angler.fix(x, y)
    assert lure is not None
    return Foretold(
        mapped=seen.mapped,
        chance=seen.chance,
        thumb=cast.rod.lure.rated.depth >= under,
        verdict=f"{seen.sureness} touch" if seen.verdict == "touch" else seen.verdict,
        touched=touch is not None,
        distance=None
        if touch is None
        else math.hypot(touch[0] - true_start(true)[0], touch[1] - true_start(true)[1]),
        first=None if seen.distance is None else tuple(seen.distance),
        bite_error=range_and_bearing(lure.lat, lure.lon, there.lat, there.lon)[0],
        boat_error=range_and_bearing(here.lat, here.lon, there.lat, there.lon)[0],
    )


def true_start(true: Throw) -> tuple[float, float]:
    """Return where the rod tip was at the landing."""
    way = math.radians(true.bearing)
    return float(true.x[0]) - true.length * math.sin(way), float(
        true.y[0]
    ) - true.length * math.cos(way)


def whole_season(casts: int, workers: int = 2) -> Season:
    """Return the season of so many casts, the lakes side by side."""
    season = Season()
    with ProcessPoolExecutor(workers) as pool:
        for part in pool.map(fish, range(1, LAKES + 1), [casts // LAKES] * LAKES):
            season += part
    return season


def account(season: Season) -> dict[str, float]:
    """Return the season's figures, and print them."""
    mapped = [cast for cast in season.casts if cast.mapped >= 0.7]
    will = [cast for cast in mapped if cast.verdict == "will touch"]
    should = [cast for cast in mapped if cast.verdict == "should touch"]
    touched = [cast for cast in mapped if cast.touched]
    brier = float(np.mean([(cast.chance - cast.touched) ** 2 for cast in mapped]))
    thumb = float(np.mean([(float(cast.thumb) - cast.touched) ** 2 for cast in mapped]))
    located = [
        cast for cast in touched if cast.first is not None and cast.chance >= 0.5
    ]
    inside = [cast.first[1] <= cast.distance <= cast.first[2] for cast in located]
    errors = [abs(cast.first[0] - cast.distance) for cast in located]
    figures = {
        "casts": len(season.casts),
        "over mapped bottom": len(mapped),
        "touches": len(touched),
        "will: touched": float(np.mean([cast.touched for cast in will]))
        if will
        else math.nan,
        "said will": len(will),
        "should: touched": float(np.mean([cast.touched for cast in should]))
        if should
        else math.nan,
        "touches foretold": sum(
            c.verdict in ("will touch", "should touch") for c in touched
        )
        / len(touched),
        "Brier": brier,
        "Brier, rule of thumb": thumb,
        "first touch in band": float(np.mean(inside)),
        "first touch error, median m": float(np.median(errors)),
        "bite place error, median m": float(
            np.median([cast.bite_error for cast in mapped])
        ),
        "boat place error, median m": float(
            np.median([cast.boat_error for cast in mapped])
        ),
        "tree clearance error, median ft": float(
            np.median([abs(a - b) for a, b, _ in season.tops])
        )
        / FOOT,
        "its own noise, median ft": float(
            np.median([abs(b - c) for _, b, c in season.tops])
        )
        / FOOT
        / 2**0.5,
        "casts over a tree": len(season.tops),
        "casts to teach a rod": season.teaching / len(season.reach),
        "reach error, median": float(
            np.median([abs(a / c - 1.0) for a, _, c in season.reach])
        ),
        "stated reach error, median": float(
            np.median([abs(b / c - 1.0) for _, b, c in season.reach])
        ),
    }
    for name, value in figures.items():
        print(f"{name:32}{value:10.3f}")
    print("sureness: chance said -> share that touched (casts)")
    for low in np.arange(0.0, 1.0, 0.1):
        group = [
            c.touched
            for c in mapped
            if low <= c.chance < low + 0.1 or (low > 0.85 and c.chance == 1.0)
        ]
        if group:
            print(
                f"   {low:.1f} to {low + 0.1:.1f}   {np.mean(group):.2f}  ({len(group)})"
            )
    return figures


if __name__ == "__main__":
    account(whole_season(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
