"""Where the boat was and which way it truly goes, from its fixes.

A receiver's own course is good at speed; at walking pace many hold their last one (in
four of five recorded slow logs 20 to 83 % of moving fixes are told more than 45 degrees
off the way made good). So the course is made from the fixes, by a Kalman filter along
each axis with the nearly-constant-velocity model (Bar-Shalom, Li & Kirubarajan 2001,
Estimation with Applications to Tracking and Navigation, section 6.2, from memory), and
comes with its error: where that is large, the direction is not known.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from typing import NamedTuple

from companion.sensing.localplane import metres_per_degree
from companion.units import NINE_IN_TEN_SIGMAS

GPS_SIGMA_M = 2.0
"""How far off a receiver's place is along any line, m, one sigma: nineteen places of
twenty lie within 4.9 m under an open sky, as the operator of GPS tells of small
receivers (gps.gov, "GPS Accuracy")."""
KEPT_S = 60.0
"""How long fixes are kept, for telling where the boat was."""
FIX_NOISE_M = 0.7
"""How far a fix is off the track, from one to the next, one sigma. Common practice, no source."""
ACCELERATION_DENSITY_M2_S3 = 0.01
"""Spectral density of a boat's acceleration, m2/s3: it turns and slows within seconds."""
FIT_MEMORY = 0.1
"""Weight of the latest fix in the measure of how well fixes fit."""
SETTLED_S = 5.0
"""For how long fixes must have come before a direction is told."""
KNOWN_WITHIN_DEG = 40.0
"""An error beyond this, nine in ten, is no direction."""
LONGEST_GAP_S = 5.0
"""Fixes further apart are not of one track."""


class MadeGood(NamedTuple):
    """Course, degrees from true north, its error, degrees, nine in ten, and speed, m/s, over ground."""

    course: float
    error: float
    speed: float


class _Fix(NamedTuple):
    t: float
    lat: float
    lon: float


class _Track:
    """Position, m from the first fix, and velocity, m/s, along both axes, with their common covariance."""

    def __init__(self, fix: _Fix) -> None:
        self.since = self.t = fix.t
        self._zero = fix
        self._scale = metres_per_degree(fix.lat)
        self._place = [0.0, 0.0]
        self.velocity = [0.0, 0.0]
        self._variance = (FIX_NOISE_M**2, 0.0, 4.0)  # of place, of both, of velocity
        self._misfit = 1.0

    @property
    def velocity_sigma(self) -> float:
        """Standard deviation of the velocity along an axis, m/s; larger where the fixes fit badly."""
        return math.sqrt(self._variance[2] * max(self._misfit, 1.0))

    def accept_fix(self, fix: _Fix) -> None:
        dt = fix.t - self.t
        self.t = fix.t
        pp, pv, vv = self._variance
        pp += dt * (2.0 * pv + dt * vv) + ACCELERATION_DENSITY_M2_S3 * dt**3 / 3.0
        pv += dt * vv + ACCELERATION_DENSITY_M2_S3 * dt**2 / 2.0
        vv += ACCELERATION_DENSITY_M2_S3 * dt
        expected = pp + FIX_NOISE_M**2
        gain_place, gain_velocity = pp / expected, pv / expected
        off = 0.0
        for axis, seen in enumerate(self._metres(fix)):
            before = self._place[axis] + dt * self.velocity[axis]
            self._place[axis] = before + gain_place * (seen - before)
            self.velocity[axis] += gain_velocity * (seen - before)
            off += (seen - before) ** 2 / expected / 2.0
        self._variance = (
            pp * (1.0 - gain_place),
            pv * (1.0 - gain_place),
            vv - gain_velocity * pv,
        )
        self._misfit += FIT_MEMORY * (off - self._misfit)

    def _metres(self, fix: _Fix) -> tuple[float, float]:
        away = (fix.lon - self._zero.lon + 180.0) % 360.0 - 180.0
        return away * self._scale[0], (fix.lat - self._zero.lat) * self._scale[1]


class CourseMadeGood:
    """Follows fixes."""

    def __init__(self) -> None:
        self._fixes: deque[_Fix] = deque()
        self._track: _Track | None = None

    @property
    def speed(self) -> float | None:
        """The speed made good, m/s, also where the direction is not known; None without fixes."""
        track = self._track
        if track is None or track.t - track.since < SETTLED_S:
            return None
        return math.hypot(*track.velocity)

    def accept_fix(self, t: float, lat: float, lon: float) -> None:
        """Fold in a fix at logic time t, s, degrees."""
        if self._fixes and t <= self._fixes[-1].t:
            return
        fix = _Fix(t, lat, lon)
        self._fixes.append(fix)
        while self._fixes[0].t < t - KEPT_S:
            self._fixes.popleft()
        if self._track is None or t - self._track.t > LONGEST_GAP_S:
            self._track = _Track(fix)
        else:
            self._track.accept_fix(fix)

    def made_good(self, t: float) -> MadeGood | None:
        """Return course and speed at logic time t, s; None when the direction is not known."""
        track, speed = self._track, self.speed
        if track is None or speed is None or t - track.t > LONGEST_GAP_S:
            return None
        error = math.degrees(
            math.atan2(NINE_IN_TEN_SIGMAS * track.velocity_sigma, speed)
        )
        if error > KNOWN_WITHIN_DEG:
            return None
        east, north = track.velocity
        return MadeGood(math.degrees(math.atan2(east, north)) % 360.0, error, speed)

    def place_at(self, t: float) -> tuple[float, float] | None:
        """Return latitude and longitude at an earlier logic time t, s, between fixes; None when not known."""
        after = bisect_right([fix.t for fix in self._fixes], t)
        if after == 0:
            return None
        before = self._fixes[after - 1]
        if after == len(self._fixes):
            if t - before.t > LONGEST_GAP_S:
                return None
            return before.lat, before.lon
        behind = self._fixes[after]
        if behind.t - before.t > LONGEST_GAP_S:
            return None
        share = (t - before.t) / (behind.t - before.t)
        away = (behind.lon - before.lon + 180.0) % 360.0 - 180.0
        return before.lat + share * (behind.lat - before.lat), before.lon + share * away
