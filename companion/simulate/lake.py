"""An invented lake whose bottom is known everywhere.

Positions are metres east (x) and north (y) of the lake's origin; depths are metres
below the surface, positive downwards. Shape and place of everything follow from the
seed. The shore runs along one side; from there the bottom falls over a shelf, a ledge
and a deep flat. A point tapers out from the shelf, and a rock pile, a high spot and a
stand of drowned timber rise from the flat; grass grows on the shelf.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PlaceName = Literal["ledge", "point", "rock pile", "high spot", "timber", "grass edge"]
"""What can be asked of `Lake.place`."""

_LENGTH = 640.0  # of the shore, m
_SHELF_SLOPE = 0.0155
_BLEND = 0.25  # m: how softly two shapes melt into each other


class Place(NamedTuple):
    """A named spot of the lake: x and y in m, the depth of its bottom, m below the surface."""

    x: float
    y: float
    depth: float


@dataclass(frozen=True)
class Trees:
    """Drowned trees: trunk places x, y (m), depth of their tops and radius of their crowns (m)."""

    x: Floats
    y: Floats
    top: Floats
    radius: Floats


def _soft_least(a: Floats, b: Floats) -> Floats:
    """Return the shallower of two depths, rounded off where they meet."""
    return -_BLEND * np.logaddexp(-a / _BLEND, -b / _BLEND)


@dataclass(frozen=True)
class _Shape:
    """The numbers drawn for one lake, in its own frame: u along the shore, v away from it, m."""

    angle: float
    ledge_v: float
    ledge_swing: float
    ledge_phase: float
    ledge_drop: float
    ledge_width: float
    point_u: float
    point_lean: float
    point_slope: float
    rock_u: float
    rock_v: float
    spot_u: float
    spot_v: float
    spot_top: float
    timber_u: float
    timber_v: float
    waves: Floats
    boulders: Floats

    def ledge(self, u: Floats | np.float64) -> Floats:
        """Return v of the ledge's middle at u."""
        return np.asarray(
            self.ledge_v
            + self.ledge_swing * np.sin(math.tau * u / 330.0 + self.ledge_phase)
        )

    def crest_u(self, v: Floats | np.float64) -> Floats:
        """Return u of the point's crest at v."""
        return np.asarray(self.point_u + self.point_lean * (v - self.ledge_v))

    def grass_edge(self, u: float) -> float:
        """Return v at u where it gets too deep for grass."""
        v = np.linspace(40.0, 260.0, 2201)
        deep_enough = self.bottom(np.full_like(v, u), v) >= 2.7
        return float(v[int(np.argmax(deep_enough))])

    def bottom(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        """Return the depth of the firm bottom, m."""
        depth = _soft_least(self._plain(u, v), self._point(u, v))
        depth = depth - self._rocks(u, v) - self._high_spot(u, v)
        depth = depth + self._undulation(u, v)
        return np.maximum(depth, 0.3)

    def _plain(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        """Shelf, ledge and deep flat."""
        edge = self.ledge(u)
        shelf = 0.8 + _SHELF_SLOPE * np.clip(v, 0.0, edge)
        flat = 0.004 * np.clip(v - edge, 0.0, 300.0)
        return (
            shelf
            + flat
            + 0.5 * self.ledge_drop * (1.0 + np.tanh((v - edge) / self.ledge_width))
        )

    def _point(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        """A ridge that leaves the shelf, gets deeper and narrower as it goes out."""
        out = v - (self.ledge_v - 40.0)
        crest = (
            2.9 + self.point_slope * np.maximum(out, 0.0) + 0.05 * np.maximum(-out, 0.0)
        )
        width = np.clip(16.0 - 0.06 * out, 6.0, 16.0)
        return crest + 1.4 * ((u - self.crest_u(v)) / width) ** 2

    def _rocks(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        du, dv = u - self.rock_u, v - self.rock_v
        mound = 1.6 * np.exp(-(du**2 + dv**2) / 90.0)
        boulders = np.zeros_like(mound)
        for bu, bv, radius, height in self.boulders:
            boulders = np.maximum(
                boulders, height * (1.0 - ((du - bu) ** 2 + (dv - bv) ** 2) / radius**2)
            )
        return mound + boulders

    def _high_spot(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        rise = (
            float(self._plain(np.float64(self.spot_u), np.float64(self.spot_v)))
            - self.spot_top
        )
        r2 = ((u - self.spot_u) / 26.0) ** 2 + ((v - self.spot_v) / 15.0) ** 2
        return np.asarray(rise * np.exp(-(r2**1.5)))

    def _undulation(self, u: Floats | np.float64, v: Floats | np.float64) -> Floats:
        total = np.zeros(np.broadcast(u, v).shape)
        for ku, kv, phase, height in self.waves:
            total = total + height * np.sin(ku * u + kv * v + phase)
        return total


def _draw_shape(rng: np.random.Generator) -> _Shape:
    u = rng.uniform
    waves = np.column_stack(
        [u(-1, 1, 8) / 45.0, u(-1, 1, 8) / 45.0, u(0, math.tau, 8), u(0.03, 0.11, 8)]
    )
    bearing, far = u(0, math.tau, 22), 8.0 * np.sqrt(u(0, 1, 22))
    boulders = np.column_stack(
        [far * np.cos(bearing), far * np.sin(bearing), u(1, 2.8, 22), u(0.5, 1.5, 22)]
    )
    return _Shape(
        angle=u(0, math.tau),
        ledge_v=u(160, 180),
        ledge_swing=u(8, 15),
        ledge_phase=u(0, math.tau),
        ledge_drop=u(3.6, 4.4),
        ledge_width=u(3.0, 5.0),
        point_u=u(300, 330),
        point_lean=u(-0.25, 0.25),
        point_slope=u(0.017, 0.022),
        rock_u=u(205, 225),
        rock_v=u(225, 240),
        spot_u=u(440, 460),
        spot_v=u(330, 345),
        spot_top=u(4.3, 5.0),
        timber_u=u(425, 450),
        timber_v=u(245, 260),
        waves=waves,
        boulders=boulders,
    )


class Lake:
    """An invented lake; the same seed gives the same lake on every machine.

    Args:
        seed: any whole number.
        latitude: of the origin, degrees north.
        longitude: of the origin, degrees east. The default lies in open ocean, far from
            any land, so that nobody takes the lake for a real one.
    """

    def __init__(
        self, seed: int, latitude: float = -47.2, longitude: float = -126.4
    ) -> None:
        self.seed = seed
        self.plane = LakePlane(latitude, longitude)
        rng = np.random.default_rng([seed, 1])
        self._shape = _draw_shape(rng)
        self.trees = self._plant(rng)

    def bottom(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return the depth of the firm bottom, m below the surface, at x, y (m); arrays broadcast."""
        u, v = self._own(x, y)
        return self._shape.bottom(u, v)

    def cover(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return the depth of the highest thing at x, y: bottom, grass or the crown of a tree, m."""
        bottom = self.bottom(x, y)
        return np.minimum(bottom - self.grass(x, y), self._tree_depth(x, y))

    def grass(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return how high grass stands above the bottom at x, y, m; it ends at a depth of about 2.7 m."""
        u, v = self._own(x, y)
        depth = self._shape.bottom(u, v)
        patchy = 0.75 + 0.25 * np.sin(u / 3.7) * np.sin(v / 2.9)
        return 0.9 * patchy / (1.0 + np.exp((depth - 2.7) / 0.05))

    def place(self, name: PlaceName, along: float = 0.0) -> Place:
        """Return a spot on a feature.

        Args:
            name: the feature.
            along: metres from the feature's middle, along the shore (ledge, grass edge)
                or away from it (the others).
        """
        s = self._shape
        if name == "ledge":
            u = 215.0 + along
            return self._place(u, float(self._shape.ledge(np.float64(u))))
        if name == "grass edge":
            u = 215.0 + along
            return self._place(u, self._shape.grass_edge(u))
        if name == "point":
            v = s.ledge_v + 25.0 + along
            return self._place(float(self._shape.crest_u(np.float64(v))), v)
        centre = {
            "rock pile": (s.rock_u, s.rock_v),
            "high spot": (s.spot_u, s.spot_v),
            "timber": (s.timber_u, s.timber_v),
        }[name]
        return self._place(centre[0], centre[1] + along)

    def towards_shore(self) -> float:
        """Return the bearing from the deep flat to the shore, degrees clockwise from north."""
        return math.degrees(math.atan2(*self._world_offset(0.0, -1.0))) % 360.0

    def offset(self, along: float, out: float) -> tuple[float, float]:
        """Return x and y, m, of a step of `along` m along the shore and `out` m away from it."""
        return self._world_offset(along, out)

    # -- the lake's own frame -------------------------------------------------------------------

    def _own(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        c, s = math.cos(self._shape.angle), math.sin(self._shape.angle)
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        return c * x + s * y + _LENGTH / 2, -s * x + c * y + 200.0

    def _world_offset(self, du: float, dv: float) -> tuple[float, float]:
        c, s = math.cos(self._shape.angle), math.sin(self._shape.angle)
        return c * du - s * dv, s * du + c * dv

    def _world(self, u: float, v: float) -> tuple[float, float]:
        return self._world_offset(u - _LENGTH / 2, v - 200.0)

    def _place(self, u: float, v: float) -> Place:
        x, y = self._world(u, v)
        return Place(x, y, float(self._shape.bottom(np.float64(u), np.float64(v))))

    # -- timber ---------------------------------------------------------------------------------

    def _plant(self, rng: np.random.Generator) -> Trees:
        n = 42
        bearing, far = rng.uniform(0, math.tau, n), np.sqrt(rng.uniform(0, 1, n))
        u = self._shape.timber_u + 34.0 * far * np.cos(bearing)
        v = self._shape.timber_v + 20.0 * far * np.sin(bearing)
        places = np.array([self._world(a, b) for a, b in zip(u, v, strict=True)])
        bottom = self._shape.bottom(u, v)
        top = np.minimum(rng.uniform(3.4, 6.0, n), bottom - 0.8)
        return Trees(places[:, 0], places[:, 1], top, rng.uniform(0.5, 1.3, n))

    def _tree_depth(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Depth of the highest crown over each place, infinite where there is none."""
        x, y = np.broadcast_arrays(
            np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        )
        depth = np.full(x.shape, np.inf)
        t = self.trees
        for tx, ty, top, radius in zip(t.x, t.y, t.top, t.radius, strict=True):
            r = np.hypot(x - tx, y - ty)
            depth = np.where(r <= radius, np.minimum(depth, top + 0.6 * r), depth)
        return depth


class LakePlane:
    """A flat frame in metres that touches the WGS 84 ellipsoid at one place.

    Northings by the meridian's radius of curvature there, eastings by the parallel's
    length half way to the place. Good to a centimetre within a kilometre of the origin.
    """

    _A = 6378137.0
    _E2 = 6.69437999014e-3

    def __init__(self, latitude: float, longitude: float) -> None:
        self.latitude = latitude
        self.longitude = longitude
        w2 = 1.0 - self._E2 * math.sin(math.radians(latitude)) ** 2
        self._north = math.radians(1.0) * self._A * (1.0 - self._E2) / w2**1.5

    def _east(self, latitude: Floats) -> Floats:
        """Metres per degree of longitude half way between the origin and a latitude."""
        half_way = np.radians((latitude + self.latitude) / 2)
        return (
            math.radians(1.0)
            * self._A
            * np.cos(half_way)
            / np.sqrt(1.0 - self._E2 * np.sin(half_way) ** 2)
        )

    def to_degrees(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return latitude and longitude, degrees, of x (m east) and y (m north)."""
        latitude = self.latitude + np.asarray(y, dtype=np.float64) / self._north
        return latitude, self.longitude + np.asarray(x, dtype=np.float64) / self._east(
            latitude
        )

    def to_metres(
        self, latitude: ArrayLike, longitude: ArrayLike
    ) -> tuple[Floats, Floats]:
        """Return x (m east) and y (m north) of latitude and longitude, degrees."""
        latitude = np.asarray(latitude, dtype=np.float64)
        x = (np.asarray(longitude, dtype=np.float64) - self.longitude) * self._east(
            latitude
        )
        return x, (latitude - self.latitude) * self._north
