"""A cast under way: where it goes, where its lure is, what it will meet and what it can teach.

The retrieve begins `FLIGHT_S` s after the first word of "cast now". Times are logic
seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from companion.casting.ground import RAY_STEP_M, Ahead, Floats, Ray
from companion.casting.outlook import (
    ERROR_CORRELATION_M,
    MAPPED_LEAST_SHARE,
    CastOutlook,
    TopOutlook,
)
from companion.casting.reelstop import BACK_ON_PATH_M, ReelStop, along_rows, with_stop
from companion.dive import StopTracks
from companion.dive.evidence import BOTTOM_SIGMA, NoTouch, Soundings, Touch
from companion.dive.likelihood import Casts
from companion.events import Fix, told_place
from companion.sensing.course_made_good import GPS_SIGMA_M
from companion.sensing.localplane import moved, range_and_bearing
from companion.tackle import Rod, rig_name
from companion.units import NINE_IN_TEN_SIGMAS, nine_in_ten_around, nine_in_ten_radius

FLIGHT_S = 2.5
"""Seconds from "cast now" to the first turn of the reel. Common practice, no source."""
REEL_IN_SLACK_S = 10.0
"""Seconds after which a cast that should be in by the model counts as in."""
VAGUEST_TEACHING_SIGMA_M = 1.2
"""Sigma of the bottom along a cast, m, above which a touch of it teaches nothing."""
OUT_OF_REACH_M = 99.0
"""Depth of a bottom that a lure cannot have met, in what is kept as evidence."""
TAUGHT_STEP = 2
"""Distance between the points of a bottom that is kept as evidence, m."""


class Whereabouts(NamedTuple):
    """The lure's estimated depth, m below the surface, and place with its radius.

    `deepest` is the depth that it swims no deeper than, nine times in ten, were there
    no bottom.
    """

    depth: float | None
    at: Fix | None
    deepest: float | None = None

    def depth_above(self, bottom: float | None) -> float | None:
        """Return the depth, m, of a lure that swims over a bottom mapped at a depth, m; None: not known."""
        if bottom is None or self.depth is None:
            return self.depth
        return min(bottom, self.depth)

    def depth_touching(self, bottom: float | None) -> float | None:
        """Return the depth, m, of a lure that touches a bottom mapped at a depth, m; None: it is not mapped.

        The lure is on the bottom. A map that has it deeper than the lure gets is wrong
        there.
        """
        if bottom is None or self.depth is None or self.deepest is None:
            return self.depth
        return min(bottom, max(self.deepest, self.depth))


@dataclass(frozen=True, eq=False)
class CastInProgress:
    """A cast under way.

    Attributes:
        rod: which rod.
        began: when the words for it began.
        origin: where the boat was.
        bearing: which way it went, degrees true.
        aim: one sigma of the bearing, rad.
        drift: speed of the boat over ground towards where the lure landed, m/s.
        through_water: the same through the water, m/s; the difference is the current.
        casts: how it may go.
        sounded: the bottom along it from soundings alone, or None when the boat's place
            or the bearing is not known.
        bottom: the same with what lures have felt of it.
        outlook: what it will meet, or None as well.
        said: its length, m, as it was said; None for a usual one.
        stops: of the reel, in order; the last one may be going on, or be one that was
            advised.
        unstopped: how it may go without the last stop; None where there is none.
        tracks: of the lure at the last stop; None where there is none, or they are not
            known.
        going: whether the reel turns, as far as was told.
        raise_rod: whether it was advised to hold the rod up, which nobody tells of.
    """

    rod: Rod
    began: float
    origin: Fix | None
    bearing: float | None
    aim: float
    drift: float
    through_water: float
    casts: Casts
    sounded: Ahead | None = None
    bottom: Ahead | None = None
    outlook: CastOutlook | None = None
    said: float | None = None
    stops: tuple[ReelStop, ...] = ()
    unstopped: Casts | None = None
    tracks: StopTracks | None = None
    going: bool = True
    raise_rod: bool = False

    def with_outlook(
        self, sounded: Ahead, bottom: Ahead, seen: CastOutlook
    ) -> CastInProgress:
        """Return the same cast with the bottom along it, sounded and refined, and what it will meet."""
        return replace(self, sounded=sounded, bottom=bottom, outlook=seen)

    def with_stop(self, stop: ReelStop, tracks: StopTracks | None) -> CastInProgress:
        """Return the same cast with a stop of the reel; one that was only advised gives way to it."""
        casts, stops = self.casts, self.stops
        if stops and not stops[-1].told:
            casts, stops = self.unstopped or casts, stops[:-1]
        stopped = with_stop(casts, stop, tracks)
        return replace(
            self,
            casts=stopped,
            stops=(*stops, stop),
            unstopped=casts,
            tracks=tracks,
            going=not stop.told,
        )

    def with_stop_ended(self, t: float) -> CastInProgress:
        """Return the same cast after it was told at logic time t, s, that the reel turns again."""
        assert self.unstopped is not None, "a stop is going on"
        stop = self.stops[-1].ended(t - self.retrieved_from)
        stopped = with_stop(self.unstopped, stop, self.tracks)
        return replace(self, casts=stopped, stops=(*self.stops[:-1], stop), going=True)

    @property
    def stopped(self) -> bool:
        """Return whether somebody said that the reel has stopped, and not yet that it turns again."""
        return bool(self.stops) and self.stops[-1].told and not self.going

    @property
    def advised(self) -> ReelStop | None:
        """The stop that was advised, as long as nothing was told of one."""
        if not self.stops or self.stops[-1].told:
            return None
        return self.stops[-1]

    @property
    def retrieved_from(self) -> float:
        """Return when the retrieve began."""
        return self.began + FLIGHT_S

    @cached_property
    def length(self) -> float:
        """From the rod tip to where the lure landed, m, in the median."""
        return float(np.median(self.casts.away[:, 0]))

    @cached_property
    def over_by(self) -> float:
        """Return when the line must be in."""
        return (
            self.retrieved_from
            + float(np.quantile(self.casts.t[:, -1], 0.9))
            + REEL_IN_SLACK_S
        )

    def at(self, t: float) -> tuple[float, float, float, float]:
        """Return distance from the rod tip, its sigma, depth and its sigma at a time, m.

        Where the bottom is known the lure is not put below it.
        """
        far, spread, deep, sigma = self.free_at(t)
        below = self.bottom_at(far + self.drift * max(t - self.retrieved_from, 0.0))
        if below is not None:
            deep = min(deep, below)
        return far, spread, deep, sigma

    def free_at(self, t: float) -> tuple[float, float, float, float]:
        """Return the same of a lure that meets no bottom."""
        away, depth = self._drawn_at(max(t - self.retrieved_from, 0.0))
        return (
            float(np.median(away)),
            float(np.std(away)),
            float(np.median(depth)),
            float(np.std(depth)),
        )

    def _drawn_at(self, since: float) -> tuple[Floats, Floats]:
        """Return distance and depth of every drawn cast at a time since the retrieve began."""
        at = np.full((len(self.casts.t), 1), since)
        away, depth = along_rows(self.casts, at)
        return away[:, 0], depth[:, 0]

    def bottom_at(self, distance: float) -> float | None:
        """Return the bottom's depth at a distance from where the cast was made, m; None: not known."""
        if self.ray is None:
            return None
        depth, place = self.ray.depth, round(distance)
        if not 0 <= place < len(depth) or not np.isfinite(depth[place]):
            return None
        return float(depth[place])

    @cached_property
    def ray(self) -> Ray | None:
        """The bottom along the cast in one, the rays together; None when nothing is known of it."""
        if self.bottom is None:
            return None
        return self.bottom.mixed()

    def lure(self, t: float, boat: Fix | None) -> Whereabouts:
        """Return where the lure is at a time, s, with the boat where it then is.

        Seen from above, the line is straight enough: it points from the boat to where
        the lure landed.
        """
        far, spread, depth, sigma = self.at(t)
        bearing = self.bearing
        if boat is not None and self.origin is not None and bearing is not None:
            landed = moved(self.origin.lat, self.origin.lon, bearing, self.length)
            away, bearing = range_and_bearing(boat.lat, boat.lon, *landed)
            far = min(far, away)
        across = chord(far, NINE_IN_TEN_SIGMAS * self.aim) / NINE_IN_TEN_SIGMAS
        deepest = self.free_at(t)[2] + NINE_IN_TEN_SIGMAS * sigma
        return Whereabouts(depth, placed(boat, bearing, far, spread, across), deepest)

    def whole_way(self) -> Whereabouts:
        """Return where on its way the lure was at a moment nobody told of: the middle, and all of it around.

        The depth is not known: it changed along the way. The place is equally likely
        all along the retrieve.
        """
        along = self.length / math.sqrt(12.0)
        across = chord(0.5 * self.length, self.aim)
        return Whereabouts(
            None, placed(self.origin, self.bearing, 0.5 * self.length, along, across)
        )

    def touched(self, said: float) -> Touch | None:
        """Return what a touch whose words began at a time, s, teaches.

        None when the bottom is not known, the reel stopped so lately that the lure was
        off its way, or the rod may be held up.
        """
        found, since = self._known_bottoms(), max(said - self.retrieved_from, 0.0)
        before = [stop for stop in self.stops if stop.begins < since]
        if (
            found is None
            or self.raise_rod
            or any(stop.told and since < stop.back_at for stop in before)
        ):
            return None
        bottom, sigma, beside = found
        drift = round(self.through_water, 2)
        # Of a stop that was advised nobody knows whether it was made: the touch
        # teaches, its time does not.
        reeled = None
        if all(stop.told for stop in before):
            reeled = max(since - sum(stop.length for stop in before), 0.0)
        return Touch(
            rig_name(self.rod),
            bottom,
            reeled,
            sigma,
            beside,
            drift,
            ERROR_CORRELATION_M,
            self.said,
        )

    def untouched(self) -> NoTouch | None:
        """Return what a cast without a touch teaches; None as for a touch."""
        found = self._known_bottoms()
        if found is None or self.raise_rod:
            return None
        drift = round(self.through_water, 2)
        return NoTouch(
            rig_name(self.rod), *found, drift, ERROR_CORRELATION_M, self.said
        )

    def _known_bottoms(
        self,
    ) -> tuple[Soundings, float, tuple[tuple[float, Soundings], ...]] | None:
        """Return the bottom by distance from the rod tip, its sigma, and those the cast may have met instead.

        None where they are not mapped well enough.
        """
        if (
            self.sounded is None
            or self.outlook is None
            or self.outlook.mapped < MAPPED_LEAST_SHARE
        ):
            return None
        depth, sigma, weight = self.sounded
        rays = [self._from_tip(Ray(z, s)) for z, s in zip(depth, sigma, strict=True)]
        vague = float(
            np.hypot(
                np.median([s for _, s in rays if np.isfinite(s)] or [np.nan]),
                BOTTOM_SIGMA / 2.0,
            )
        )
        middle = len(rays) // 2
        if (
            not np.isfinite(vague)
            or vague > VAGUEST_TEACHING_SIGMA_M
            or not all(soundings for soundings, _ in rays)
        ):
            return None
        beside = tuple(
            (round(float(weight[k]), 3), rays[k][0])
            for k in range(len(rays))
            if k != middle
        )
        return rays[middle][0], round(vague, 3), beside

    def _from_tip(self, ray: Ray) -> tuple[Soundings, float]:
        """Return a ray by how far the rod tip is when the lure passes, as the boat drifts, and its sigma."""
        every = slice(None, None, TAUGHT_STEP)
        ground = np.arange(len(ray.depth), dtype=float)[every]
        away, t = np.median(self.casts.away, axis=0), np.median(self.casts.t, axis=0)
        order = np.argsort(away + self.drift * t)
        far = ground - self.drift * np.interp(
            ground, (away + self.drift * t)[order], t[order]
        )
        depth, sigma = ray.depth[every], ray.sigma[every]
        for stop in self.stops:
            # The lure is off its way there: that it met nothing says nothing.
            stopped_at = float(np.interp(stop.begins, t, away))
            lifted = (far <= stopped_at + RAY_STEP_M) & (
                far >= stopped_at - BACK_ON_PATH_M
            )
            depth = np.where(lifted, OUT_OF_REACH_M, depth)
        known = np.isfinite(depth) & (far >= 0.0) & (far <= 1.1 * self.length)
        points = tuple(
            (round(float(x), 1), round(float(z), 2))
            for x, z in zip(far[known], depth[known], strict=True)
        )
        return points, float(np.median(sigma[known])) if known.any() else float("nan")

    def danger(self) -> TopOutlook | None:
        """Return the first tree top that the lure may well run into."""
        if self.outlook is None:
            return None
        risky = [top for top in self.outlook.tops if top.chance >= 0.3]
        return min(risky, key=lambda top: top.after, default=None)


def chord(radius: float, angle: float) -> float:
    """Return how far apart two points are, m, so far from the boat, m, at an angle, rad, from each other."""
    return 2.0 * radius * math.sin(min(angle, math.pi) / 2.0)


def placed(
    boat: Fix | None,
    bearing: float | None,
    distance: float,
    along: float,
    across: float,
) -> Fix | None:
    """Return the place at a distance from the boat, m, with its radius.

    Args:
        boat: the boat's place.
        bearing: from the boat, degrees true; None: not known, and the place is
            somewhere around the boat.
        distance: from the boat, m.
        along: the distance's standard deviation, m.
        across: the standard deviation at a right angle to it, m.
    """
    if boat is None:
        return None
    own = GPS_SIGMA_M if boat.sigma is None else boat.sigma
    if bearing is None:
        around = nine_in_ten_around(distance, math.hypot(own, along))
        return told_place(boat.lat, boat.lon, around)
    lat, lon = moved(boat.lat, boat.lon, bearing, distance)
    radius = nine_in_ten_radius(math.hypot(own, along), math.hypot(own, across))
    return told_place(lat, lon, radius)
