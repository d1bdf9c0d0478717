"""The angler: what is truly rigged, where each lure truly goes, and what it touches on the way.

An owner states a lure's depth, a line and a usual cast, and is a little wrong about
each; `rig` turns a stated rod into the true one. `throw` follows one cast over the
known bottom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from companion import dive
from companion.simulate.boat import BoatTrack
from companion.simulate.lake import Floats, Lake
from companion.tackle import Rod

Met = Literal["bottom", "grass", "tree"]
"""What a lure can touch."""

_STEP = 0.1  # s, between the points of a lure's way


@dataclass(frozen=True)
class Flaw:
    """The errors of the owner's statements, as factors on what was stated.

    `lift`: the lure's lift ratio; `line_drag`: the line's drag; `cast`: the usual cast.
    """

    lift: float = 1.0
    line_drag: float = 1.0
    cast: float = 1.0


@dataclass(frozen=True)
class TrueRig:
    """A rod as it truly is: its number, and line, lure and usual retrieve in the dive model's terms."""

    number: int
    line: dive.Line
    lure: dive.Lure
    retrieve: dive.Retrieve


def rig(rod: Rod, flaw: Flaw) -> TrueRig:
    """Return the true rod behind what its owner states."""
    line, lure, retrieve = rod.dive_line(), rod.dive_lure(), rod.dive_retrieve()
    return TrueRig(
        rod.number,
        replace(line, drag_factor=line.drag_factor * flaw.line_drag),
        replace(lure, lift_ratio=lure.lift_ratio * flaw.lift),
        replace(retrieve, cast=retrieve.cast * flaw.cast),
    )


@dataclass(frozen=True)
class TrueTouch:
    """One contact: from `t` until `until`, s; where it began, x and y in m; depth there, m; with what."""

    t: float
    until: float
    x: float
    y: float
    depth: float
    met: Met


@dataclass(frozen=True)
class Throw:
    """One cast, as it truly went.

    `landed` and `ended` in s of the track's time; `bearing` in degrees and `length` in
    m of the throw; t (s), x, y (m) and depth z (m) of the lure along its way; what it
    touched, in order.
    """

    rod: int
    landed: float
    bearing: float
    length: float
    t: Floats
    x: Floats
    y: Floats
    z: Floats
    touches: tuple[TrueTouch, ...]

    @property
    def ended(self) -> float:
        """Return when the lure was back at the rod, s."""
        return float(self.t[-1])

    def at(self, t: float) -> tuple[float, float, float]:
        """Return x, y and depth of the lure, m, at time `t`, s."""
        x, y, z = (float(np.interp(t, self.t, a)) for a in (self.x, self.y, self.z))
        return x, y, z


def throw(
    lake: Lake,
    track: BoatTrack,
    rigged: TrueRig,
    *,
    landed: float,
    bearing: float,
    length: float,
) -> Throw:
    """Follow one cast from where the lure lands to the rod.

    Args:
        lake: the bottom.
        track: the boat, which goes on moving.
        rigged: the rod.
        landed: when the lure lands and the retrieve begins, s of the track's time.
        bearing: of the throw, degrees from north.
        length: of the throw, m.
    """
    retrieve = replace(
        rigged.retrieve, cast=length, drift=_drift(track, landed, bearing)
    )
    free = dive.solve(rigged.line, rigged.lure, retrieve)
    below = _bottom_along(lake, track, free, landed, bearing)
    held = dive.solve(rigged.line, rigged.lure, retrieve, bottom=below)
    t, x, y = _over_ground(track, held, landed, bearing)
    even = np.arange(0.0, t[-1] - landed, _STEP) + landed
    x, y, z = (np.interp(even, t, a) for a in (x, y, held.z))
    touches = _touches(lake, even, x, y, z)
    return Throw(rigged.number, landed, bearing, length, even, x, y, z, touches)


def _bottom_along(
    lake: Lake, track: BoatTrack, free: dive.Path, landed: float, bearing: float
) -> dive.SolverBottom:
    """Return the bottom below a cast, every half metre of the way a lure takes in deep water."""
    _, x, y = _over_ground(track, free, landed, bearing)
    far = free.over_ground
    d = np.arange(float(far.min()), float(far.max()) + 0.5, 0.5)
    order = np.argsort(far)
    return dive.SolverBottom(
        d,
        lake.bottom(
            np.interp(d, far[order], x[order]), np.interp(d, far[order], y[order])
        ),
    )


def _drift(track: BoatTrack, landed: float, bearing: float) -> float:
    """Mean speed of the boat away from the lure over the next half minute, m/s."""
    while_out = (track.t >= landed) & (track.t < landed + 30.0)
    way = math.radians(bearing)
    towards = track.east[while_out] * math.sin(way) + track.north[while_out] * math.cos(
        way
    )
    return -float(np.mean(towards)) if len(towards) else 0.0


def _over_ground(
    track: BoatTrack, path: dive.Path, landed: float, bearing: float
) -> tuple[Floats, Floats, Floats]:
    """Return time (s), x and y (m) of a lure that follows the rod tip, always on a straight line to it."""
    t = landed + path.t
    tip_x, tip_y = track.at(t)
    way = math.radians(bearing)
    x, y = np.empty(len(t)), np.empty(len(t))
    lure = np.array(
        [tip_x[0] + path.x[0] * math.sin(way), tip_y[0] + path.x[0] * math.cos(way)]
    )
    for i in range(len(t)):
        tip = np.array([tip_x[i], tip_y[i]])
        towards = lure - tip
        lure = tip + towards * (path.x[i] / max(float(np.hypot(*towards)), 1e-9))
        x[i], y[i] = lure
    return t, x, y


def _touches(
    lake: Lake, t: Floats, x: Floats, y: Floats, z: Floats
) -> tuple[TrueTouch, ...]:
    """Return the contacts along a lure's way; two with less than half a second between are one."""
    firm = lake.bottom(x, y)
    cover = lake.cover(x, y)
    near_grass = firm - lake.grass(x, y)
    met = np.where(
        z >= firm - 0.02, 1, np.where(z >= near_grass, 2, np.where(z >= cover, 3, 0))
    )
    names: dict[int, Met] = {1: "bottom", 2: "grass", 3: "tree"}
    found: list[TrueTouch] = []
    for i in np.flatnonzero(met):
        what = names[int(met[i])]
        if found and found[-1].met == what and t[i] - found[-1].until < 0.5:
            found[-1] = replace(found[-1], until=float(t[i]))
        else:
            found.append(
                TrueTouch(
                    float(t[i]),
                    float(t[i]),
                    float(x[i]),
                    float(y[i]),
                    float(z[i]),
                    what,
                )
            )
    return tuple(found)
