"""What a lure meets on its way: the bottom, a tree top."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.dive.bottom import SolverBottom
from companion.dive.limits import DiveError
from companion.dive.path import Path
from companion.dive.rig import Line, Lure, Retrieve
from companion.dive.solver import solve

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of bottom that the lure follows; distances from where the rod tip was at the landing, m.

    Attributes:
        begins: distance where it touches.
        leaves: distance where it comes off again, or where the path ends.
        touched_at: time it touches, s since the retrieve began.
        depth: depth of the bottom where it touches, m.
    """

    begins: float
    leaves: float
    touched_at: float
    depth: float

    @property
    def length(self) -> float:
        """Horizontal length of the stretch, m."""
        return abs(self.begins - self.leaves)


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """A retrieve over a bottom: the path the bottom allows, and every stretch of contact in order."""

    path: Path
    stretches: tuple[Stretch, ...]

    @property
    def first(self) -> Stretch | None:
        """The first touch, None when the lure stays clear."""
        return next(iter(self.stretches), None)

    @property
    def length(self) -> float:
        """Length of all contact together, m."""
        return sum(s.length for s in self.stretches)


@dataclass(frozen=True, slots=True)
class TreeTop:
    """A point that stands up from the bottom.

    Attributes:
        x: distance, m, from where the rod tip is when the lure lands.
        z: depth of the top below the surface, m.
        x_spread: standard deviation of x, m; the lure must clear it all the way within
            that.
    """

    x: float
    z: float
    x_spread: float = 0.0


def first_touch(path: Path, bottom: SolverBottom) -> tuple[float, float, float] | None:
    """Return time, s, distance, m, and depth, m, of a free path's first touch of a bottom, None if none.

    Until the first touch the bottom changes nothing, so a path solved without it will
    do. Distance is from where the rod tip was when the lure landed.
    """
    x = path.over_ground
    above = np.nan_to_num(bottom.depth(x) - path.z, nan=np.inf)
    hits = np.flatnonzero(above <= 0.0)
    if not len(hits):
        return None
    k = int(hits[0])
    if k == 0 or not np.isfinite(above[k - 1]):
        return float(path.t[k]), float(x[k]), float(path.z[k])
    share = float(above[k - 1] / (above[k - 1] - above[k]))
    t, at = (float(a[k - 1] + share * (a[k] - a[k - 1])) for a in (path.t, x))
    return t, at, float(bottom.depth(at))


def contact(
    line: Line, lure: Lure, retrieve: Retrieve, bottom: SolverBottom
) -> Contact:
    """Return how a lure goes over a bottom: its path along it, and where it touches and leaves.

    The lure slides without friction: it leaves where the line would lift it. The line
    itself does not touch, so beyond a ledge towards the boat the true line lies higher
    and the lure with it.

    Raises:
        DiveError: as `companion.dive.solve`.
    """
    path = solve(line, lure, retrieve, bottom=bottom)
    return Contact(path, stretches(path, bottom))


def stretches(path: Path, bottom: SolverBottom) -> tuple[Stretch, ...]:
    """Return the stretches of contact of a path solved over a bottom, in the order they are met."""
    if path.touching is None:
        raise DiveError("this path was solved without a bottom")
    edges = np.flatnonzero(np.diff(path.touching.astype(int), prepend=0, append=0))
    x, t = path.over_ground, path.t
    last = len(t) - 1
    return tuple(
        Stretch(
            float(x[a]),
            float(x[min(b, last)]),
            float(t[a]),
            float(bottom.depth(x[a])),
        )
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def clearance(path: Path, top: TreeTop) -> float | None:
    """Return by how much, m, a path passes over a tree top; negative when it runs into it.

    The least within the top's spread of distance. None when the path does not come
    there.
    """
    x = path.over_ground
    near = np.array([top.x - top.x_spread, top.x, top.x + top.x_spread])
    inside = near[(near >= x.min()) & (near <= x.max())]
    if not len(inside):
        return None
    order = np.argsort(x, kind="stable")
    at = np.concatenate([inside, x[(x >= near[0]) & (x <= near[2])]])
    return float(top.z - np.interp(at, x[order], path.z[order]).max())
