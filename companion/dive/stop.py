"""A stop of the reel in a retrieve: where the lure goes during it and after, and the stop that clears a top.

All stops that begin at one moment are solved together: the line at rest once, then the
lines that are reeled in again after so many seconds, side by side, as lines that may
lie slack (`companion.dive.slack`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import Case, Quadrature
from companion.dive.contact import TreeTop, clearance
from companion.dive.limits import DiveError
from companion.dive.march import March, let_go
from companion.dive.path import Path
from companion.dive.rig import STOP_RAMP_S, Line, Lure, Profile, Retrieve
from companion.dive.slack import ReelAndTip, SlackLines, advanced
from companion.dive.solver import (
    DEFAULT_DETAIL,
    case_of,
    instants,
    landed,
    line_left,
    paths,
    plan_of,
    step_into,
)

Floats = NDArray[np.float64]

LONGEST_STOP_S = 20.0
"""Longest stop that is tried to let a lure rise."""
STOP_LENGTHS_S = (1.0, 2.0, 3.5, 6.0, 10.0, LONGEST_STOP_S)
"""Stops that are solved; what lies between is interpolated."""
FREE_RISES = (1.0, 1.6, 2.3, 3.2, 4.5)
"""Stops that are tried to clear a top, in times that a lure takes to rise freely by what is wanted."""
AFTER_STOP_S = 8.0
"""For how long the lure is followed after a stop."""
PIECES = 12
"""Pieces of line: as near to an independent code as thirty (`tests/outside/test_dive_stops.py`)."""
FIRST_STEP_S, STEP_GROWTH, LONGEST_STEP_S = 0.1, 1.3, 0.5
"""Steps in time after each change at the reel."""
SHORTEST_STEP_S = 1e-3
"""A step that finds no balance is halved as far as this."""
ALLOWANCE_M = 0.13
"""By how much more than wanted a stop is made to clear: what an independent code may
find less. 0.10 was chosen by 95 stops over tree tops drawn at random, and kept its word
to the millimetre in 36 of 39 others; all of those it now keeps, which are in
`tests/outside/test_dive_stops.py`."""
SLOWEST_REEL_MPS = 0.05
LEAD_M = 1.0
"""How far before a top's nearest spread the lure is when the reel stops."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of the reel that lets a buoyant lure rise over something.

    Attributes:
        begins: when to stop, s since the retrieve began.
        length: how long, s.
        clearance: what the lure then clears the top by, m.
        tracks: of the lure with stops about as long; None where none is needed.
    """

    begins: float
    length: float
    clearance: float
    tracks: StopTracks | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, eq=False)
class StopTracks:
    """Tracks of a lure from the moment the reel stops, for stops of several lengths.

    Attributes:
        free: the path without a stop.
        begins: when the reel stops, s since the retrieve began.
        lengths: of the stops, s, shape (L,), the first 0.
        since: s since the stop began, shape (L, K).
        line_out: m, shape (L, K).
        away: distance of the lure from the rod tip, m, shape (L, K).
        depth: of the lure below the surface, m, shape (L, K).
        tip_x: how far the rod tip has moved towards where the lure landed, m, shape (L,
            K).
    """

    free: Path
    begins: float
    lengths: Floats
    since: Floats
    line_out: Floats
    away: Floats
    depth: Floats
    tip_x: Floats

    def path(self, k: int) -> Path:
        """Return the whole path with the stop `lengths[k]`, as far as it was followed."""
        if k == 0:
            return self.free
        free, until = self.free, int(np.searchsorted(self.free.t, self.begins))
        joined = {
            "t": np.append(free.t[:until], self.begins + self.since[k]),
            "x": np.append(free.x[:until], self.away[k]),
            "z": np.append(free.z[:until], self.depth[k]),
            "line_out": np.append(free.line_out[:until], self.line_out[k]),
            "tip_x": np.append(free.tip_x[:until], self.tip_x[k]),
        }
        deepest = int(joined["z"].argmax())
        return Path(
            **joined,
            tension=np.zeros_like(joined["t"]),
            reach=float(joined["z"][deepest]),
            reach_at=float(joined["x"][deepest]),
            reach_t=float(joined["t"][deepest]),
        )


def stop_tracks(
    line: Line,
    lure: Lure,
    retrieve: Retrieve,
    begins: float,
    lengths: Sequence[float] = STOP_LENGTHS_S,
    after: float = AFTER_STOP_S,
    past: float = -np.inf,
) -> StopTracks:
    """Return where the lure goes when the reel stops.

    Args:
        line: the line.
        lure: the lure.
        retrieve: of one constant speed.
        begins: when the reel stops, s since the retrieve began.
        lengths: of the stops, s, rising, each at least twice `STOP_RAMP_S`.
        after: s for which the lure is followed after a stop.
        past: distance, m, from where the rod tip was at the landing: it ends once all
            lures are past it.

    Raises:
        DiveError: the retrieve has a profile already, or no balance is found.
    """
    return _tracks_of(_Retrieved(line, lure, retrieve), begins, lengths, after, past)


class _Retrieved:
    """A retrieve without a stop, solved, with the states of its line."""

    def __init__(self, line: Line, lure: Lure, retrieve: Retrieve) -> None:
        if isinstance(retrieve.speed, Profile) or isinstance(retrieve.drift, Profile):
            raise DiveError(
                "only a retrieve of one constant speed, from a boat of one, can be given a stop"
            )
        full = math.hypot(retrieve.cast, retrieve.tip_height)
        end = (full - line_left(retrieve)) / max(retrieve.speed, SLOWEST_REEL_MPS)
        self.rig, self.retrieve, self.points = (
            (line, lure),
            retrieve,
            Quadrature.graded(PIECES),
        )
        plan = plan_of(
            retrieve,
            instants(retrieve, [lure.onset], end, full, DEFAULT_DETAIL, np.inf),
            full,
        )
        case = self.case(1)
        first = landed(case, self.points, plan, np.array([retrieve.cast + 0j]))
        march = March(case, self.points, plan, first)
        self.states = list(march)
        self.plan = march.plan
        self.path = (
            paths(self.states, self.plan)[0]
            .over_moving_water(retrieve.current)
            .to_boat()
        )

    def case(self, cases: int) -> Case:
        """Return the constants of the rig, so many times."""
        return case_of([self.rig] * cases, self.retrieve.water)

    def let_go_before(self, t: float) -> tuple[SlackLines, float, float]:
        """Return the line at the last instant solved before a time, s, as one that may lie slack.

        With it the time of that instant, s, and the line out, m.
        """
        solved = np.array([float(state.t[0]) for state in self.states])
        k = int(
            np.clip(np.searchsorted(solved, t, side="right") - 1, 0, len(solved) - 1)
        )
        length, tip = self.plan.length[k], self.plan.tip[k]
        return (
            let_go(self.states[k], self.points, length, tip),
            float(solved[k]),
            float(length[0]),
        )


def _tracks_of(
    free: _Retrieved, begins: float, lengths: Sequence[float], after: float, past: float
) -> StopTracks:
    first, solved_at, length = free.let_go_before(begins)
    reel = _Reel(free.retrieve, length, solved_at, begins - solved_at)
    still = _followed(
        first,
        free.case(1),
        free.points,
        reel,
        np.array([np.inf]),
        max(lengths) - STOP_RAMP_S,
        lengths,
    )
    ends = np.array([length - STOP_RAMP_S for length in lengths])
    at_rest = {round(t, 6): lines for t, lines in still}
    lines = _side_by_side([at_rest[round(float(t), 6)] for t in ends])
    many = free.case(len(lengths))
    going = _followed(
        lines, many, free.points, reel, ends, after + STOP_RAMP_S, past=past
    )
    return _tracks(free.path, reel, lengths, still, going)


class _Reel:
    """The acts of reel and rod tip in a stop; times are s since the stop began."""

    def __init__(
        self, retrieve: Retrieve, length: float, solved_at: float, until_stop: float
    ) -> None:
        self.speed, self.drift = (
            float(retrieve.reel.speeds[0]),
            float(retrieve.boat.speeds[0]),
        )
        self.begins = solved_at + until_stop
        self.length = length - self.speed * until_stop
        self.height, self.current = retrieve.tip_height, retrieve.current
        self.solved_at = -until_stop

    def reeled(self, t: Floats, ends: Floats) -> Floats:
        """Return the line taken in since the stop began, m; the stop ends at `ends`."""
        slowing, going = np.clip(t, None, STOP_RAMP_S), np.maximum(t - ends, 0.0)
        slowed = np.where(
            slowing < 0.0, slowing, slowing * (1.0 - 0.5 * slowing / STOP_RAMP_S)
        )
        speeding = np.minimum(going, STOP_RAMP_S)
        return self.speed * (
            slowed + 0.5 * speeding**2 / STOP_RAMP_S + going - speeding
        )

    def reeling(self, t: Floats, ends: Floats) -> Floats:
        """Return the speed line is taken in with, m/s."""
        slowing = np.clip(1.0 - np.maximum(t, 0.0) / STOP_RAMP_S, 0.0, 1.0)
        return self.speed * (slowing + np.clip((t - ends) / STOP_RAMP_S, 0.0, 1.0))

    def tip_x(self, t: Floats) -> Floats:
        """Return where the rod tip is in the water, m."""
        return -self.drift * (self.begins + t)

    def over_ground(self, x: Floats, t: Floats) -> Floats:
        """Return where over ground what is at a place x in the water, m, is at times t."""
        return x - self.current * (self.begins + t)

    def until(self, t: Floats, step: float, ends: Floats) -> ReelAndTip:
        """Return what happens at the reel until times t, `step` s later than before."""
        length = np.maximum(self.length - self.reeled(t, ends), 0.02 * self.length)
        tip = np.asarray(self.tip_x(t) - 1j * self.height, dtype=np.complex128)
        return ReelAndTip(step, length, self.reeling(t, ends), tip)


def _followed(
    lines: SlackLines,
    case: Case,
    points: Quadrature,
    reel: _Reel,
    ends: Floats,
    lasts: float,
    lengths: Sequence[float] = (),
    past: float = -np.inf,
) -> list[tuple[float, SlackLines]]:
    """Return the lines at instants with the times of these, s, from the stop's beginning or its end on.

    ``ends`` is when the stops end, s since they began; infinite for a line at rest.
    """
    resting = not np.isfinite(ends).all()
    t = reel.solved_at if resting else 0.0
    found, step = [(t, lines)], FIRST_STEP_S
    knots = sorted(
        {0.0, *(length - STOP_RAMP_S for length in lengths), lasts, STOP_RAMP_S}
    )
    for knot in (knot for knot in knots if t < knot <= lasts + 1e-9):
        while t < knot - 1e-6:
            left = knot - t
            h = step_into(left, step)
            shift = np.zeros(1) if resting else ends
            lines = _stepped(lines, case, points, reel, shift + t, h, ends)
            t, step = t + h, min(step * STEP_GROWTH, LONGEST_STEP_S)
            found.append((t, lines))
            over_ground = reel.over_ground(lines.nodes[:, 0].real, shift + t)
            if not resting and (over_ground < past).all():
                return found
    return found


def _stepped(
    lines: SlackLines,
    case: Case,
    points: Quadrature,
    reel: _Reel,
    t: Floats,
    step: float,
    ends: Floats,
) -> SlackLines:
    """Return the lines `step` s after times t, in as many steps as it takes to find a balance.

    Raises:
        DiveError: none is found even in the shortest.
    """
    found = advanced(lines, case, points, reel.until(t + step, step, ends))
    if found is not None:
        return found
    if step < SHORTEST_STEP_S:
        raise DiveError(
            f"found no balance of a slack line {float(t[0]):.2f} s after its stop"
        )
    half = _stepped(lines, case, points, reel, t, 0.5 * step, ends)
    return _stepped(half, case, points, reel, t + 0.5 * step, 0.5 * step, ends)


def _side_by_side(lines: Sequence[SlackLines]) -> SlackLines:
    """Return single lines as cases of one."""
    names = ("nodes", "moving", "tip", "tension", "led", "swum", "tip_force")
    return SlackLines(
        **{
            name: np.concatenate([getattr(one, name) for one in lines])
            for name in names
        }
    )


def _tracks(
    free: Path,
    reel: _Reel,
    lengths: Sequence[float],
    still: list[tuple[float, SlackLines]],
    going: list[tuple[float, SlackLines]],
) -> StopTracks:
    """Return the tracks, each at as many instants: those at rest, as many as it has, then those after."""
    resting = np.array([t for t, _ in still])
    at_rest = np.array([lines.nodes[0, 0] for _, lines in still])
    ends = np.array([0.0, *(length - STOP_RAMP_S for length in lengths)])
    after = np.array([t for t, _ in going])
    moved = np.array([lines.nodes[:, 0] for _, lines in going]).T
    # While the reel is going again a track stays at its last instant at rest, which
    # costs nothing.
    halted = np.minimum(resting[None, :], ends[:, None])
    where = np.interp(halted, resting, at_rest.real) + 1j * np.interp(
        halted, resting, at_rest.imag
    )
    since = np.concatenate([halted, ends[:, None] + after], axis=1)
    clock = reel.begins + since[:1]
    never = (
        np.interp(clock, free.t, free.x)
        + reel.tip_x(since[:1])
        + 1j * np.interp(clock, free.t, free.z)
    )
    place = np.concatenate(
        [where, np.concatenate([np.zeros((1, len(after))), moved])], axis=1
    )
    place[:1] = never
    line_out = reel.length - reel.reeled(since, ends[:, None])
    line_out[:1] = np.interp(reel.begins + since[:1], free.t, free.line_out)
    tip_x = reel.tip_x(since)
    return StopTracks(
        free=free,
        begins=reel.begins,
        lengths=np.array([0.0, *lengths]),
        since=since,
        line_out=line_out,
        away=place.real - tip_x,
        depth=np.maximum(place.imag, 0.0),
        tip_x=reel.over_ground(tip_x, since),
    )


def stop_to_clear(
    line: Line,
    lure: Lure,
    retrieve: Retrieve,
    top: TreeTop,
    margin: float = 0.3,
    lead: float = LEAD_M,
) -> Stop | None:
    """Return the shortest stop that lets a lure rise over a tree top by a margin, m; None when none does.

    Args:
        line: the line.
        lure: the lure.
        retrieve: of one constant speed.
        top: what to clear.
        margin: clearance wanted, m.
        lead: how far, m, before the top's nearest spread the lure is when the reel
            stops.

    Raises:
        DiveError: as `stop_tracks`.
    """
    solved = _Retrieved(line, lure, retrieve)
    free = solved.path
    cleared = clearance(free, top)
    if cleared is None:
        return None
    begins = _stop_before(free, top, lead)
    if cleared >= margin:
        return Stop(begins, 0.0, cleared)
    lengths = _lengths_to_rise(margin - cleared, rise_speed(lure, retrieve))
    if not lengths:
        return None
    tracks = _tracks_of(solved, begins, lengths, AFTER_STOP_S, top.x - top.x_spread)
    by = [
        cleared,
        *(clearance(tracks.path(k), top) for k in range(1, len(tracks.lengths))),
    ]
    gained = np.array([-np.inf if one is None else one for one in by])
    aimed = margin + ALLOWANCE_M
    enough = np.flatnonzero(gained >= aimed)
    if not len(enough):
        return None
    k = int(enough[0])
    length = float(
        np.interp(aimed, gained[k - 1 : k + 1], tracks.lengths[k - 1 : k + 1])
    )
    return Stop(begins, length, margin, tracks)


def rise_speed(lure: Lure, retrieve: Retrieve) -> float:
    """Return how fast a lure rises freely, m/s; 0 for one that hangs or sinks."""
    drag = 0.5 * retrieve.water.density * lure.drag_area
    return math.sqrt(max(lure.buoyancy, 0.0) / drag)


def _lengths_to_rise(height: float, speed: float) -> list[float]:
    """Return the stops to try, s, to rise by a height, m; none where a lure rises too slowly."""
    if speed <= 0.0:
        return []
    tried = [max(rises * height / speed, 2.0 * STOP_RAMP_S) for rises in FREE_RISES]
    return sorted({min(length, LONGEST_STOP_S) for length in tried})


def _stop_before(free: Path, top: TreeTop, lead: float) -> float:
    """Return when a lure on a free path is so far, m, before a top's nearest spread."""
    before = np.flatnonzero(free.over_ground >= top.x + top.x_spread + lead)
    if not len(before):
        return 1e-3
    return float(free.t[before[-1]])
