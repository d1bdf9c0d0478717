"""The dive solved: the path of a retrieved lure, and the shape of a towed line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from companion.dive.balance import Case, Instant, LineConstants, Quadrature
from companion.dive.bottom import SolverBottom
from companion.dive.limits import DiveError, within
from companion.dive.march import March, State, TimeGrid, solve_balance, state_of
from companion.dive.path import Path, Tow
from companion.dive.rig import TIP_HEIGHTS_M, Line, Lure, Profile, Retrieve, Section
from companion.dive.water import Water
from companion.units import GRAVITY

Floats = NDArray[np.float64]
Vectors = NDArray[np.complex128]

LINE_PIECES = 10
"""Pieces of line in a retrieve; three times as many where it may go slack."""
MAX_STEP_SHARE = 0.1
"""Longest time step, as a share of the time in which the line left would be taken in."""
MAX_STEP_GROWTH = 1.35
"""How much longer than the one before a time step may be."""
TOW_POINTS = 32
"""Points on a towed line."""
LEAST_TAKEN_IN = 0.1
"""Speed, m/s, at which reel and moving boat must take in line that it surely stays tight."""
LEAST_REELED = 0.03
"""The same, m/s, of the reel alone: from a boat at rest whatever is reeled in draws at the lure."""
LONGEST_STILL = 0.5
"""Longest time step, s, while neither reel nor boat moves, or where there is a bottom to touch."""


@dataclass(frozen=True, slots=True)
class Detail:
    """The fineness of a solve: pieces of line, longest step, growth from step to step.

    The default gives the reach within 0.5 %; `finer` halves pieces and steps.
    """

    pieces: int = LINE_PIECES
    step: float = MAX_STEP_SHARE
    growth: float = MAX_STEP_GROWTH

    def finer(self, times: int = 2) -> Detail:
        """Return pieces, steps and growth divided so many times."""
        return Detail(
            self.pieces * times, self.step / times, 1.0 + (self.growth - 1.0) / times
        )


DEFAULT_DETAIL = Detail()


def case_of(
    rigs: Sequence[tuple[Line, Lure]], water: Water, bottom: SolverBottom | None = None
) -> Case:
    """Return lines with their lures as the kernel's constants.

    Raises:
        DiveError: rigs solved together differ in what only all of them can have: a
            fixed normal drag coefficient, a mass, drag on each axis.
    """
    lines, lures = [line for line, _ in rigs], [lure for _, lure in rigs]
    rho = water.density
    of_lines = {i.normal_drag is None for i in lines}
    of_lures = {(i.mass is None, i.drag_each_axis) for i in lures}
    if len(of_lines) > 1 or len(of_lures) > 1:
        raise DiveError(
            "rigs solved together must share the kind of drag and whether a mass is given"
        )
    tied = [tied_lines(line) for line in lines]
    # A line of fewer pieces has the last one over and over: no point lies between two
    # knots at one place.
    most = max(len(its) for its in tied)
    knots = [
        [*np.cumsum([i.length for i in its[:-1]]), *[math.inf] * (most - len(its))]
        for its in tied
    ]
    padded = [[*its, *[its[-1]] * (most - len(its))] for its in tied]
    d, density = (
        np.array([[getattr(i, n) for i in its] for its in padded])
        for n in ("diameter", "density")
    )
    fixed = [1.0 if i.normal_drag is None else i.normal_drag for i in lines]
    cn = np.array([[i.drag_factor * its] for i, its in zip(lines, fixed, strict=True)])
    ct = np.array([[i.tangential_drag] for i in lines])
    reynolds = d / water.kinematic_viscosity if lines[0].normal_drag is None else None
    return Case(
        lines=LineConstants(
            normal=0.5 * rho * d * cn,
            reynolds=reynolds,
            tangential=0.5 * math.pi * rho * d * ct,
            weight=0.25 * math.pi * GRAVITY * d * d * (density - rho),
        ),
        knots=np.array(knots),
        drag=np.array([0.5 * rho * i.drag_area for i in lures]),
        lift=np.array([i.lift_ratio for i in lures]),
        onset=np.array([max(i.onset, 1e-9) for i in lures]),
        buoyancy=np.array([i.buoyancy for i in lures]),
        mass=None
        if lures[0].mass is None
        else np.array([(i.mass or 0.0) + i.added_mass for i in lures]),
        each_axis=lures[0].drag_each_axis,
        bottom=bottom,
    )


def tied_lines(line: Line) -> list[Section]:
    """Return the pieces a line is tied together of, the lure's first; the last is as long as need be."""
    return [*line.sections, Section(math.inf, line.diameter, line.density)]


def line_left(retrieve: Retrieve) -> float:
    """Return the length of line, m, at which a retrieve counts as over: the lure is at the boat."""
    full = math.hypot(retrieve.cast, retrieve.tip_height)
    if retrieve.cast < 2.0 * retrieve.tip_height:
        raise DiveError(
            f"cast is {retrieve.cast:g} m with the rod tip {retrieve.tip_height:g} m up, "
            "expected at least twice the tip's height"
        )
    return max(0.08 * full, min(2.0 * retrieve.tip_height, 0.8 * full))


def duration(reel: Profile, full: float, left: float, until: float | None) -> float:
    """Return how long the reel takes from full to left, m, or `until`, s, where that is sooner."""
    last = reel.times[-1]
    if until is not None and full - reel.distance(until) >= left:
        return until
    if full - reel.distance(last) > left:
        if reel.speeds[-1] < 0.01:
            raise DiveError(
                "the reel stops before the line is in; say until when to solve (until=, s)"
            )
        return (
            max(last, 0.0)
            + (full - left - reel.distance(max(last, 0.0))) / reel.speeds[-1]
        )
    from scipy.optimize import brentq  # noqa: PLC0415  (26 MB that listening alone does not need)

    return float(brentq(lambda t: full - reel.distance(t) - left, 0.0, last))


def step_into(left: float, step: float) -> float:
    """Return a step of at most so long that what is left of a stretch, s, does not end in a tiny one."""
    if left < 1.05 * step:
        return left
    if left < 2.0 * step:
        return min(step, 0.5 * left)
    return step


def instants(
    retrieve: Retrieve,
    onsets: Sequence[float],
    end: float,
    full: float,
    detail: Detail,
    still: float,
) -> Floats:
    """Return the times, s, to solve at: short steps first and after each change of speed, then longer.

    A step is a share of the time the line left would take to come in; while a lure
    takes up its lift ratio, a sixth of its onset distance. `full` is the line out at
    first, `still` the longest step.
    """
    reel, boat = retrieve.reel, retrieve.boat
    changes = sorted({k for k in (*reel.times, *boat.times) if 0.0 < k < end} | {end})
    pace = max(*reel.speeds, *(abs(v) for v in boat.speeds), 0.05)
    first = min(0.01 * full, 0.4) / pace * detail.step / MAX_STEP_SHARE
    times, t, h = [0.0], 0.0, first
    for change in changes:
        while t < change - 1e-9:
            speed = max(reel.at(t), reel.at(min(t + h, change)), abs(boat.at(t)), 1e-3)
            left = full - reel.distance(t)
            longest = min(detail.step * (left + 0.1 * full) / 1.1 / speed, still)
            onset = min((o for o in onsets if o > full - left), default=math.inf)
            longest = min(
                longest,
                detail.step / MAX_STEP_SHARE * max(onset / 6.0, 0.0025 * full) / speed,
            )
            h = min(h, longest)
            rest = change - t
            h = step_into(rest, h)
            t += h
            times.append(t)
            h *= detail.growth
        h = min(h, first)
    return np.array(times)


def plan_of(retrieve: Retrieve, times: Floats, full: float) -> TimeGrid:
    """Return the plan of one retrieve at the given times, with `full` m of line out at first."""
    reeled = np.array([retrieve.reel.distance(t) for t in times])
    drawn = np.array([retrieve.boat.distance(t) for t in times])
    reeling = np.interp(times, retrieve.reel.times, retrieve.reel.speeds)
    tip = -drawn - 1j * retrieve.tip_height
    return TimeGrid(
        times[:, None], (full - reeled)[:, None], reeling[:, None], tip[:, None]
    )


def landed(case: Case, points: Quadrature, plan: TimeGrid, landing: Vectors) -> State:
    """Return the first state of casts: straight lines from the rod tip to the lure at rest."""
    reach = landing - plan.tip[0]
    phi = np.repeat(
        (np.angle(-reach) % (2.0 * math.pi))[:, None], len(points.xi), axis=1
    )
    pull = case.drag * np.maximum(plan.reeling[:2].max(axis=0), 0.05) ** 2
    return State(
        t=plan.t[0],
        phi=phi,
        line=plan.tip[0][:, None] + reach[:, None] * (1.0 - points.xi),
        lure=landing,
        velocity=0j * landing,
        pull=pull,
        swum=np.zeros(len(landing)),
        led=np.ones(len(landing)),
        tension=np.repeat(pull[:, None], len(points.xi), axis=1),
        tip_force=pull + 0j,
        touching=np.zeros(len(landing), dtype=bool),
    )


def solve(
    line: Line,
    lure: Lure,
    retrieve: Retrieve,
    *,
    bottom: SolverBottom | None = None,
    start: Tow | None = None,
    until: float | None = None,
    detail: Detail = DEFAULT_DETAIL,
) -> Path:
    """Return the path of a lure that is cast and retrieved.

    The line is straight from the rod tip to where the lure lands; from then on line and
    lure follow the balance of forces in `companion.dive.balance`, by backward
    differences of third order in time (reach within 0.5 % at the default detail). What
    leaves the model out: waves, sideways drift or current, a line that drapes over an
    edge.

    Args:
        line: the line.
        lure: the lure.
        retrieve: cast, reel and boat.
        bottom: what the lure may touch, None for deep water; without friction.
        start: a tow to begin from instead of a cast; its length of line counts, not
            `retrieve.cast`.
        until: time, s, at which to stop; None goes on until the lure is at the boat.
        detail: how finely to solve.

    Raises:
        DiveError: the inputs do not fit together, or no balance is found.
    """
    if bottom is not None and retrieve.current:
        raise DiveError(
            "a bottom below moving water is not solved for; give a path without a bottom"
        )
    full = start.line_out if start else math.hypot(retrieve.cast, retrieve.tip_height)
    left = 0.05 * full if start else line_left(retrieve)
    end = duration(retrieve.reel, full, left, until)
    rests = not any(retrieve.boat.speeds) and min(retrieve.reel.speeds) > 0.05
    still = LONGEST_STILL if bottom is not None or not rests else math.inf
    times = instants(retrieve, [lure.onset], end, full, detail, still)
    case = case_of([(line, lure)], retrieve.water, bottom)
    may_slacken = slackens(retrieve)
    points = Quadrature.graded((3 if may_slacken else 1) * detail.pieces)
    plan = plan_of(retrieve, times, full)
    if start is None:
        first = landed(case, points, plan, np.array([retrieve.cast + 0j]))
    else:
        first = towed(case, points, full, start.speed, retrieve.tip_height)
    march = March(case, points, plan, first, may_slacken=may_slacken)
    states = list(march)
    return (
        paths(states, march.plan, bottom)[0]
        .over_moving_water(retrieve.current)
        .to_boat()
    )


def slackens(retrieve: Retrieve) -> bool:
    """Return whether the line may go slack on the way: reel or boat change speed, or hardly take it in."""
    reel, boat = retrieve.reel, retrieve.boat
    least = LEAST_TAKEN_IN if any(boat.speeds) else LEAST_REELED
    return (
        len(reel.times) + len(boat.times) > 2 or reel.speeds[0] + boat.speeds[0] < least
    )


def towed(
    case: Case, points: Quadrature, length: float, speed: float, tip_height: float
) -> State:
    """Return the steady state of a line of the given length, m, towed at a speed, m/s, the lure at +x."""
    n = len(points.xi)
    velocity = np.array([-speed + 0j])
    now = Instant(
        length=np.array([length]),
        line=case.line_constants(points, np.array([length])),
        reeling=np.zeros(1),
        tip=np.array([-1j * tip_height]),
        rate=np.zeros(1),
        past_line=np.repeat(velocity[:, None], n, axis=1),
        past_lure=velocity,
        past_speed=np.zeros(1, dtype=complex),
        last_lure=np.zeros(1, dtype=complex),
        swum=np.array([1e9]),
        led=np.ones(1),
    )
    # Found for a short piece first, which hangs by the lure's force, then for longer
    # ones.
    pull = case.drag[0] * speed**2 * (1.0 + 1j * case.lift[0]) - 1j * case.buoyancy[0]
    phi = np.full(
        (1, n),
        math.pi + max(float(np.angle(pull)), math.asin(min(tip_height / length, 1.0))),
    )
    for share in (0.02, 0.1, 0.3, 0.6, 1.0):
        now.length, now.tip = (
            np.array([share * length]),
            np.array([-1j * share * tip_height]),
        )
        now.line = case.line_constants(points, now.length)
        balance = solve_balance(case, points, now, phi)
        if balance is None:
            raise DiveError(
                f"found no steady tow at {speed:g} m/s with {length:g} m of line"
            )
        phi, state = balance.phi, state_of(np.zeros(1), balance)
    return state


def tow(
    line: Line,
    lure: Lure,
    speed: float,
    length: float,
    *,
    tip_height: float = 0.0,
    temperature: float = 15.0,
    sliding_at_full_speed: bool = False,
) -> Tow:
    """Return the steady shape of a line towed with the reel stopped, by a drifting or motoring boat.

    Args:
        line: the line.
        lure: the lure, its lift ratio at its working value.
        speed: of the boat through the water, m/s, 0.05 to 5.
        length: line out, m, 1 to 200.
        tip_height: of the rod tip above water, m.
        temperature: of the water, degrees Celsius.
        sliding_at_full_speed: take the tangential drag at the full speed whatever the
            line's angle, the assumption of Pode, 1951, for comparison.

    Raises:
        DiveError: a value out of range, or no steady shape is found.
    """
    within("towing speed", speed, 0.05, 5.0, "m/s")
    within("line out", length, 1.0, 200.0, "m")
    within(
        "rod tip height",
        tip_height,
        TIP_HEIGHTS_M[0],
        min(TIP_HEIGHTS_M[1], 0.5 * length),
        "m",
    )
    case = case_of([(line, lure)], Water(temperature))
    if sliding_at_full_speed:
        case = replace(case, slide=speed)
    points = Quadrature.gauss(TOW_POINTS)
    state = towed(case, points, length, speed, tip_height)
    x, z = state.lure[0].real, state.lure[0].imag
    return Tow(
        depth=float(z),
        layback=float(x),
        tension=float(abs(state.tip_force[0])),
        top_angle=math.degrees(float(np.angle(state.tip_force[0]))),
        x=np.concatenate([[x], state.line[0].real, [0.0]]),
        z=np.concatenate([[z], state.line[0].imag, [-tip_height]]),
        line_out=length,
        speed=speed,
    )


def solve_many(
    rigs: Sequence[tuple[Line, Lure]],
    retrieves: Sequence[Retrieve],
    detail: Detail = DEFAULT_DETAIL,
) -> list[Path]:
    """Return the paths of many steady retrieves, solved together: some ten times quicker than one by one.

    All at one temperature, reel and boat each at a constant speed; see `case_of` for
    what rigs must share.

    Raises:
        DiveError: they do not share these, or no balance is found.
    """
    return [path.to_boat() for path in solve_together(rigs, retrieves, detail)]


def solve_together(
    rigs: Sequence[tuple[Line, Lure]],
    retrieves: Sequence[Retrieve],
    detail: Detail = DEFAULT_DETAIL,
    ends: Sequence[float] | None = None,
) -> list[Path]:
    """Return what `solve_many` does, but every path with the same number of instants, past the boat too.

    ``ends`` is the line left, m, at which each is over; None takes `line_left`.
    """
    if len({r.temperature for r in retrieves}) > 1 or any(
        not (isinstance(r.speed, float | int) and isinstance(r.drift, float | int))
        for r in retrieves
    ):
        raise DiveError(
            "retrieves solved together need one temperature and constant speeds"
        )
    plan = shared_plan(
        rigs,
        retrieves,
        detail,
        [line_left(r) for r in retrieves] if ends is None else ends,
    )
    case, points = case_of(rigs, retrieves[0].water), Quadrature.graded(detail.pieces)
    first = landed(case, points, plan, np.array([r.cast + 0j for r in retrieves]))
    march = March(case, points, plan, first)
    solved = paths(list(march), march.plan)
    return [
        path.over_moving_water(r.current)
        for path, r in zip(solved, retrieves, strict=True)
    ]


def shared_plan(
    rigs: Sequence[tuple[Line, Lure]],
    retrieves: Sequence[Retrieve],
    detail: Detail,
    ends: Sequence[float],
) -> TimeGrid:
    """Return a plan in which all cases take in the same shares of their line at the same instants.

    ``ends`` is the line left, m, at which each is over.
    """
    full = np.array([math.hypot(r.cast, r.tip_height) for r in retrieves])
    left = np.array(ends)
    speed = np.array([float(r.reel.speeds[0]) for r in retrieves])
    onsets = [
        100.0 * lure.onset / r.cast
        for (_, lure), r in zip(rigs, retrieves, strict=True)
    ]
    model = Retrieve(cast=100.0, speed=1.0, tip_height=0.0)
    times = instants(model, onsets, 92.0, 100.0, detail, math.inf)
    share = (times / times[-1])[:, None]
    length = full - share * (full - left)
    t = (full - length) / speed
    tip = -t * np.array([r.boat.speeds[0] for r in retrieves]) - 1j * np.array(
        [r.tip_height for r in retrieves]
    )
    return TimeGrid(t, length, np.repeat(speed[None, :], len(times), axis=0), tip)


FILL_SHARES = np.arange(4) / 4.0
"""Where within a time step a path is filled in by a cubic."""


def paths(
    states: Sequence[State], plan: TimeGrid, bottom: SolverBottom | None = None
) -> list[Path]:
    """Return the paths that solved states and their plan make, one per case."""
    t, length, tip = plan.t, plan.length, plan.tip
    lure = np.array([s.lure for s in states])
    velocity = np.array([s.velocity for s in states])
    pull = np.abs(np.array([s.tip_force for s in states]))
    touching = np.array([s.touching for s in states])
    # The velocity at the first instant is not that of the motion that begins there.
    velocity[0] = 2.0 * (lure[1] - lure[0]) / (t[1] - t[0]) - velocity[1]
    return [
        one_path(
            t[:, b],
            lure[:, b],
            velocity[:, b],
            length[:, b],
            pull[:, b],
            tip[:, b].real,
            touching[:, b],
            bottom,
        )
        for b in range(t.shape[1])
    ]


def one_path(
    t: Floats,
    lure: Vectors,
    velocity: Vectors,
    length: Floats,
    pull: Floats,
    tip: Floats,
    touching: NDArray[np.bool_],
    bottom: SolverBottom | None,
) -> Path:
    """Return one path from its instants, filled in between by cubics; shapes (n,).

    What the cubics and the give of the bottom leave below it lies on it.
    """
    h = np.diff(t)[:, None]
    u = FILL_SHARES
    a, b, va, vb = (
        lure[:-1, None],
        lure[1:, None],
        velocity[:-1, None],
        velocity[1:, None],
    )
    filled = (
        a * (1.0 + 2.0 * u) * (1.0 - u) ** 2
        + b * u * u * (3.0 - 2.0 * u)
        + h * (va * u * (1.0 - u) ** 2 - vb * u * u * (1.0 - u))
    )
    at = np.append((t[:-1, None] + h * u).ravel(), t[-1])
    place = np.append(filled.ravel(), lure[-1])
    tip_x = np.interp(at, t, tip)
    z = np.maximum(place.imag, 0.0)
    touched = None
    if bottom is not None:
        # A piece of path touches when the instants at both its ends do.
        touched = np.append(
            np.repeat(touching[:-1] & touching[1:], len(u)), touching[-1]
        )
        touched[:: len(u)] |= touching
        z = np.fmin(z, bottom.depth(place.real))
    reach, reach_t = (
        crest(at, z) if bottom is None else (float(z.max()), float(at[np.argmax(z)]))
    )
    x = place.real - tip_x
    return Path(
        t=at,
        x=x,
        z=z,
        line_out=np.interp(at, t, length),
        tension=np.interp(at, t, pull),
        tip_x=tip_x,
        reach=reach,
        reach_at=float(np.interp(reach_t, at, x)),
        reach_t=reach_t,
        touching=touched,
    )


def crest(t: Floats, z: Floats) -> tuple[float, float]:
    """Return the greatest z and its time, by a parabola through the three points about the greatest."""
    k = int(np.clip(np.argmax(z), 1, len(z) - 2))
    a, b = (z[k] - z[k - 1]) / (t[k] - t[k - 1]), (z[k + 1] - z[k]) / (t[k + 1] - t[k])
    bend = (b - a) / (t[k + 1] - t[k - 1])
    if bend >= 0.0:
        k = int(np.argmax(z))
        return float(z[k]), float(t[k])
    at = float(np.clip(0.5 * (t[k - 1] + t[k]) - 0.5 * a / bend, t[k - 1], t[k + 1]))
    return float(z[k - 1] + (at - t[k - 1]) * (a + bend * (at - t[k]))), at
