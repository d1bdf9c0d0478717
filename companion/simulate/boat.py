"""The boat: how it moves, and what its instruments make of where it is.

`sail` steers a boat along legs at a fixed step. `Instruments` adds what real ones add:
a GPS that wanders, a compass that swings, a sounder whose soundings of one spot differ
from visit to visit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy.signal import lfilter

from companion.simulate.lake import Floats, Lake

Way = Literal["idle", "trolling", "drift"]
"""How the boat is driven: the big motor at idle, the trolling motor, or the wind alone."""

_TURN_RATE = {"idle": 15.0, "trolling": 25.0, "drift": 6.0}  # degrees/s
_RESPONSE = {"idle": 4.0, "trolling": 2.5, "drift": 8.0}  # s, to take up speed


class Leg(NamedTuple):
    """One stretch of the boat's day.

    `seconds` it lasts; the place it makes for, x and y in m (None: it goes where the
    wind takes it); the speed it goes at, m/s; and how it is driven. Once there, the
    boat stays until the leg ends.
    """

    seconds: float
    to: tuple[float, float] | None
    speed: float
    way: Way = "idle"


class SteadyWind(NamedTuple):
    """The drift of a boat: bearing in degrees from north, speed in m/s."""

    towards: float = 60.0
    drift: float = 0.22


@dataclass(frozen=True)
class BoatTrack:
    """The boat's true track.

    Time (s), x and y (m), heading (degrees from north), speed over ground east and
    north (m/s). All arrays have one length; `t` rises by a fixed step.
    """

    t: Floats
    x: Floats
    y: Floats
    heading: Floats
    east: Floats
    north: Floats

    @property
    def speed(self) -> Floats:
        """Speed over ground, m/s."""
        return np.hypot(self.east, self.north)

    @property
    def course(self) -> Floats:
        """Course over ground, degrees from north, 0 to 360."""
        return np.degrees(np.arctan2(self.east, self.north)) % 360.0

    def at(self, t: float | Floats) -> tuple[Floats, Floats]:
        """Return x and y, m, at time `t`, s."""
        return np.asarray(np.interp(t, self.t, self.x)), np.asarray(
            np.interp(t, self.t, self.y)
        )

    def heading_at(self, t: float | Floats) -> Floats:
        """Return the heading, degrees, at time `t`, s."""
        turned = np.unwrap(self.heading, period=360.0)
        return np.asarray(np.interp(t, self.t, turned) % 360.0)


def sail(
    start: tuple[float, float],
    heading: float,
    legs: Sequence[Leg],
    wind: SteadyWind,
    *,
    rng: np.random.Generator,
    step: float = 0.1,
) -> BoatTrack:
    """Return the track of a boat that starts at rest at `start` (m), pointing to `heading` (degrees).

    Args:
        start: x and y, m.
        heading: degrees from north.
        legs: what it does, one after the other.
        wind: what carries it when it is not held.
        rng: for the swing of the bow.
        step: time between the points of the track, s.
    """
    ways = [leg for leg in legs for _ in range(round(leg.seconds / step))]
    swing = wander(len(ways), step, 25.0, rng) * 2.5
    x, y = start
    going, speed = heading, 0.0
    rows = np.empty((len(ways), 5))
    for i, leg in enumerate(ways):
        aim, wanted = _orders(leg, (x, y), wind)
        turn = (aim - going + 180.0) % 360.0 - 180.0
        wanted *= max(0.0, math.cos(math.radians(turn)))
        most = _TURN_RATE[leg.way] * step
        going += min(max(turn, -most), most)
        speed += (wanted - speed) * step / _RESPONSE[leg.way]
        east, north = _velocity(leg, going, speed, wind)
        rows[i] = x, y, (going + swing[i]) % 360.0, east, north
        x, y = x + east * step, y + north * step
    return BoatTrack(np.arange(len(ways), dtype=np.float64) * step, *rows.T)


def _orders(
    leg: Leg, here: tuple[float, float], wind: SteadyWind
) -> tuple[float, float]:
    """The heading to steer and the speed wanted now: less near the place, so that it is not overrun."""
    if leg.to is None:
        return (
            wind.towards + 75.0
        ) % 360.0, 0.0  # a drifting hull lies across the wind
    east, north = leg.to[0] - here[0], leg.to[1] - here[1]
    slow = math.hypot(east, north) / (2.2 * _RESPONSE[leg.way])
    return math.degrees(math.atan2(east, north)), min(leg.speed, slow)


def _velocity(
    leg: Leg, going: float, speed: float, wind: SteadyWind
) -> tuple[float, float]:
    way = math.radians(going)
    east, north = speed * math.sin(way), speed * math.cos(way)
    if leg.way == "drift":
        carried = math.radians(wind.towards)
        return east + wind.drift * math.sin(carried), north + wind.drift * math.cos(
            carried
        )
    return east, north


def wander(n: int, step: float, settle: float, rng: np.random.Generator) -> Floats:
    """Return a first-order Gauss-Markov series: standard deviation 1, correlation time `settle`, s."""
    keep = math.exp(-step / settle)
    pushes = rng.standard_normal(n) * math.sqrt(1.0 - keep**2)
    if n:
        pushes[0] /= math.sqrt(1.0 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], pushes))


@dataclass(frozen=True)
class Instruments:
    """The errors of the instruments. Lengths in m, times in s, angles in degrees, all 1 sigma.

    The defaults give soundings of one spot on gently sloping bottom that differ between
    visits by a median near 0.35 m and a 90th percentile near 0.8 m, as in a recording
    of a comparable lake; on a ledge the wandering GPS makes it more.

    `half_beam` is half the sounder's cone, degrees; `tree_chance` how often a crown in
    the cone is taken for the bottom; `double_echo_chance` how often the second echo is;
    `transducer` its depth below the waterline; `antenna_ahead` how far the antenna sits
    ahead of it.
    """

    gps_wander: float = 1.1
    gps_settle: float = 60.0
    gps_jitter: float = 0.12
    compass: float = 2.0
    sounder_wander: float = 0.27
    sounder_settle: float = 20.0
    sounder_jitter: float = 0.15
    half_beam: float = 10.0
    tree_chance: float = 0.35
    double_echo_chance: float = 0.002
    transducer: float = 0.3
    antenna_ahead: float = 0.0


@dataclass(frozen=True)
class Readings:
    """The instruments' values at every step of a track.

    x, y (m), heading and course (degrees), speed (m/s), depth below the transducer (m).
    """

    x: Floats
    y: Floats
    heading: Floats
    course: Floats
    speed: Floats
    depth: Floats


def read(
    lake: Lake, track: BoatTrack, instruments: Instruments, rng: np.random.Generator
) -> Readings:
    """Return what a boat's instruments show along a track."""
    n, step = len(track.t), float(track.t[1] - track.t[0])
    i = instruments

    def astray(sigma: float, settle: float) -> Floats:
        return sigma * wander(n, step, settle, rng)

    ahead = np.radians(track.heading)
    x = track.x + i.antenna_ahead * np.sin(ahead) + astray(i.gps_wander, i.gps_settle)
    y = track.y + i.antenna_ahead * np.cos(ahead) + astray(i.gps_wander, i.gps_settle)
    east, north = (
        track.east + rng.normal(0, 0.04, n),
        track.north + rng.normal(0, 0.04, n),
    )
    return Readings(
        x=x + rng.normal(0, i.gps_jitter, n),
        y=y + rng.normal(0, i.gps_jitter, n),
        heading=(track.heading + astray(i.compass, 30.0)) % 360.0,
        course=np.degrees(np.arctan2(east, north)) % 360.0,
        speed=np.hypot(east, north),
        depth=sound(lake, track.x, track.y, step, instruments=i, rng=rng),
    )


def sound(
    lake: Lake,
    x: Floats,
    y: Floats,
    step: float,
    *,
    instruments: Instruments,
    rng: np.random.Generator,
) -> Floats:
    """Return the depths a sounder shows below the transducer, m, along x, y (m) taken every `step` s.

    The first echo comes from the nearest bottom in the beam; over timber it flickers
    between the bottom and the crowns; now and then the second echo is taken for the
    first.
    """
    n, i = len(x), instruments
    depth = _first_echo(lake, x, y, i.half_beam)
    crown = _crown_in_beam(lake, x, y, depth * math.tan(math.radians(i.half_beam)))
    depth = np.where(rng.random(n) < i.tree_chance, np.minimum(depth, crown), depth)
    depth = depth + i.sounder_wander * wander(n, step, i.sounder_settle, rng)
    depth = depth + rng.normal(0, i.sounder_jitter, n) - i.transducer
    depth = np.where(
        rng.random(n) < i.double_echo_chance, 2.0 * depth + i.transducer, depth
    )
    return np.maximum(depth, 0.2)


def _first_echo(lake: Lake, x: Floats, y: Floats, half_beam: float) -> Floats:
    """Depth by the first return over a slope: z cos(slope) within the beam, else from the beam's edge."""
    z = lake.bottom(x, y)
    h = 0.5
    slope = np.arctan(
        np.hypot(
            (lake.bottom(x + h, y) - lake.bottom(x - h, y)) / (2 * h),
            (lake.bottom(x, y + h) - lake.bottom(x, y - h)) / (2 * h),
        )
    )
    theta = math.radians(half_beam)
    past = np.maximum(slope - theta, 0.0)
    return np.asarray(z * np.cos(slope) / np.cos(past))


def _crown_in_beam(lake: Lake, x: Floats, y: Floats, radius: Floats) -> Floats:
    """Depth of the highest crown within a radius of each place, infinite where there is none."""
    depth = np.full(len(x), np.inf)
    t = lake.trees
    for tx, ty, top, crown in zip(t.x, t.y, t.top, t.radius, strict=True):
        inside = np.hypot(x - tx, y - ty) <= radius + crown
        depth = np.where(inside, np.minimum(depth, top), depth)
    return depth
