"""What a lure meets on its way: the bottom, a tree top, and how to come over it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from companion.dive.bottom import Bottom
from companion.dive.limits import DiveError
from companion.dive.path import Path
from companion.dive.rig import Line, Lure, Profile, Retrieve
from companion.dive.solver import solve

Floats = NDArray[np.float64]

LONGEST_STOP = 20.0
"""Longest stop, s, that is tried to let a lure rise."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of bottom that the lure follows; distances from where the rod tip was at the landing, m.

    Attributes:
        begins: distance where it touches.
        leaves: distance where it comes off again, or where the path ends.
        touched_at: time it touches, s since the retrieve began.
        left_at: time it comes off, s.
        depth: depth of the bottom where it touches, m.
    """

    begins: float
    leaves: float
    touched_at: float
    left_at: float
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
        return self.stretches[0] if self.stretches else None

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
        x_spread: standard deviation of x, m; the lure must clear it all the way within that.
        z_spread: standard deviation of z, m.
    """

    x: float
    z: float
    x_spread: float = 0.0
    z_spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of the reel that lets a buoyant lure rise over something.

    Attributes:
        begins: when to stop, s since the retrieve began.
        length: how long, s.
        clearance: what the lure then clears the top by, m.
    """

    begins: float
    length: float
    clearance: float


def first_touch(path: Path, bottom: Bottom) -> tuple[float, float, float] | None:
    """Return time, s, distance, m, and depth, m, of a free path's first touch of a bottom, None if none.

    Until the first touch the bottom changes nothing, so a path solved without it will do. Distance is
    from where the rod tip was when the lure landed.
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


def contact(line: Line, lure: Lure, retrieve: Retrieve, bottom: Bottom) -> Contact:
    """Return how a lure goes over a bottom: its path along it, and where it touches and leaves.

    The lure slides without friction: it leaves where the line would lift it. The line itself does not
    touch, so beyond a ledge towards the boat the true line lies higher and the lure with it.

    Raises:
        DiveError: as `companion.dive.solve`.
    """
    path = solve(line, lure, retrieve, bottom=bottom)
    return Contact(path, stretches(path, bottom))


def stretches(path: Path, bottom: Bottom) -> tuple[Stretch, ...]:
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
            float(t[min(b, last)]),
            float(bottom.depth(x[a])),
        )
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def clearance(path: Path, top: TreeTop) -> float | None:
    """Return by how much, m, a path passes over a tree top; negative when it runs into it.

    The least within the top's spread of distance. None when the path does not come there.
    """
    x = path.over_ground
    near = np.array([top.x - top.x_spread, top.x, top.x + top.x_spread])
    inside = near[(near >= x.min()) & (near <= x.max())]
    if not len(inside):
        return None
    order = np.argsort(x, kind="stable")
    at = np.concatenate([inside, x[(x >= near[0]) & (x <= near[2])]])
    return float(top.z - np.interp(at, x[order], path.z[order]).max())


def stop_to_clear(
    line: Line, lure: Lure, retrieve: Retrieve, top: TreeTop, margin: float = 0.3, lead: float = 1.0
) -> Stop | None:
    """Return the shortest stop that lets a lure rise over a tree top by a margin, m; None when none does.

    Args:
        line: the line.
        lure: the lure.
        retrieve: of one constant speed.
        top: what to clear.
        margin: clearance wanted, m.
        lead: how far, m, before the top's nearest spread the lure is when the reel stops.

    Raises:
        DiveError: the retrieve has a profile already, or as `companion.dive.solve`.
    """
    free = solve(line, lure, retrieve)
    cleared = clearance(free, top)
    if cleared is None:
        return None
    before = np.flatnonzero(free.over_ground >= top.x + top.x_spread + lead)
    begins = float(free.t[before[-1]]) if len(before) else 0.0
    if cleared >= margin:
        return Stop(begins, 0.0, cleared)

    def after(length: float) -> float:
        by = clearance(solve(line, lure, retrieve.stopped_at(max(begins, 1e-3), length)), top)
        return -np.inf if by is None else by

    if lure.buoyancy <= 0.0 or after(LONGEST_STOP) < margin:
        return None
    short, enough = 0.0, LONGEST_STOP
    while enough - short > 0.1:
        middle = 0.5 * (short + enough)
        short, enough = (short, middle) if after(middle) >= margin else (middle, enough)
    return Stop(begins, enough, after(enough))


def slow_to_clear(
    line: Line, lure: Lure, retrieve: Retrieve, top: TreeTop, margin: float = 0.3, start: float = 0.0
) -> float | None:
    """Return the greatest reel speed, m/s, from time start, s, on that clears a tree top by a margin, m.

    None when even a tenth of the retrieve's speed does not: a lure that does not float hardly rises.

    Raises:
        DiveError: the retrieve has a profile already, or as `companion.dive.solve`.
    """
    if isinstance(retrieve.speed, Profile):
        raise DiveError("only a retrieve of one constant speed can be slowed; write the profile")
    full = retrieve.speed

    def at(speed: float) -> float:
        slowed = speed if start <= 0.0 else Profile((start, start + 0.2), (full, speed))
        by = clearance(solve(line, lure, replace(retrieve, speed=slowed)), top)
        return -np.inf if by is None else by

    if at(full) >= margin:
        return full
    slow, fast = 0.1 * full, full
    if at(slow) < margin:
        return None
    while fast - slow > 0.02 * full:
        middle = 0.5 * (slow + fast)
        slow, fast = (middle, fast) if at(middle) >= margin else (slow, middle)
    return slow
