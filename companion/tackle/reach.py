"""What each rod reaches, how sure that is, and what would change it.

Joins the owner's description to the calibration: one `Calibration` for each lure,
shared by all the rods it is tied to, each rod with its line being one rig of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Literal, TypeVar, get_args
from typing import cast as cast_to

import msgspec
import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from companion.dive.calibration import Calibration, share_common
from companion.dive.evidence import Belief, CalibratedRig, Estimate, Stated
from companion.dive.likelihood import make_tables, ready_grid
from companion.dive.onset import as_touched
from companion.tackle.lines import THICKEST_LINE_M, THINNEST_LINE_M, LineSpec, Material
from companion.tackle.lures import RATING_SIGMA, LureSpec
from companion.tackle.quantities import Quantity
from companion.tackle.rods import (
    CAST_SIGMA,
    FASTEST_MPS,
    LEADER_RANGE,
    SHARED_DRAG_SIGMA,
    SLOWEST_MPS,
    TWICE_RATED_SIGMA,
    Leader,
    Rod,
)
from companion.units import FOOT, YARD, LengthUnit

_Quantity = TypeVar("_Quantity")
Floats = NDArray[np.float64]

_CHOSEN_CAST_SIGMA = 0.01
"""Relative standard deviation of a cast that somebody asks about: it is that long because they say so."""
DRIFT_STEP_MPS = 0.12
"""Drifts less than half of this apart have one path: 3 % of the reach. A plan looks at as many paths."""


class Change(msgspec.Struct, frozen=True):
    """A "what if"; None keeps what is.

    Attributes:
        line: another main line; a leader stays.
        leader: another leader, or no leader: False.
        cast: m.
        speed: of the retrieve, m/s.
        temperature: of the water, C.
    """

    line: LineSpec | None = None
    leader: Leader | Literal[False] | None = None
    cast: float | None = None
    speed: float | None = None
    temperature: float | None = None


class RodReach(msgspec.Struct, frozen=True):
    """The reach of a rod, with its path.

    Attributes:
        rod: its number.
        name: what it is called on screen.
        lure: the lure's name.
        line: the line's name, that of a leader and a backing with it.
        leader: the leader's length, m, or None.
        line_doubt: what is only a guess about the line or does not fit, in words, or None.
        cast: the cast the path is for, m.
        speed: of the retrieve, m/s.
        temperature: of the water, C.
        reach: the deepest the lure gets, m, with the band that holds the truth in nine
            cases of ten.
        reach_at: how far from the rod tip that is, m.
        reach_after: s from the start of the retrieve to there.
        path: points (distance from the rod tip, depth), m, from the landing to the rod,
            as depths are told on this boat (`Calibration.reach_as_told`).
        shallow: the same for the low end of the band.
        deep: the same for the high end.
        touches: how many touches this rod and line have taught.
        bearings: the directions of a cast, degrees true, that this holds for; none
            where it holds for all.
    """

    rod: int
    name: str
    lure: str
    line: str
    leader: float | None
    line_doubt: str | None
    cast: float
    speed: float
    temperature: float
    reach: Estimate
    reach_at: float
    reach_after: float
    path: tuple[tuple[float, float], ...]
    shallow: tuple[tuple[float, float], ...]
    deep: tuple[tuple[float, float], ...]
    touches: int
    bearings: tuple[float, ...] = ()


def change_from(
    line: str | None = None,
    leader: str | None = None,
    cast: str | None = None,
    speed: str | None = None,
    temperature: str | None = None,
) -> Change:
    """Return a change from words such as "nylon 0.33 mm" (or "nylon size 4"), "35 yd", "1 m/s", "12 C".

    A leader is its line, "of" and its length, such as "fluorocarbon 0.3 mm of 6 ft", or
    "none".

    Raises:
        ValueError: one of them cannot be understood; the message says which and what
            was expected.
    """
    return Change(
        line=_read("line", line, _line_from),
        leader=_read("leader", leader, _leader_from),
        cast=_read("cast", cast, Quantity("length", 5.0, 150.0).read),
        speed=_read("speed", speed, Quantity("speed", SLOWEST_MPS, FASTEST_MPS).read),
        temperature=_read(
            "temperature", temperature, Quantity("temperature", 0.0, 40.0).read
        ),
    )


def _read(
    what: str, words: str | None, read: Callable[[str], _Quantity]
) -> _Quantity | None:
    if words is None:
        return None
    try:
        return read(words)
    except ValueError as error:
        raise ValueError(f'{what} "{words}": {error}') from error


def _line_from(words: str) -> LineSpec:
    material, _, rest = words.strip().partition(" ")
    if material not in get_args(Material) or not rest:
        known = ", ".join(get_args(Material))
        raise ValueError(
            f'expected a material ({known}) and "0.33 mm", "size 4" or "17 lb"'
        )
    if rest.startswith("size "):
        return LineSpec(
            material=cast_to(Material, material),
            size=_size_from(rest.removeprefix("size ")),
        )
    with suppress(ValueError):
        return LineSpec(
            material=cast_to(Material, material),
            strength=Quantity("strength").read(rest),
        )
    return LineSpec(
        material=cast_to(Material, material),
        diameter=Quantity("length", THINNEST_LINE_M, THICKEST_LINE_M).read(rest),
    )


def _leader_from(words: str) -> Leader | Literal[False]:
    if words.strip() == "none":
        return False
    line, of, length = words.partition(" of ")
    if not of:
        raise ValueError(
            'expected its line and length, like "fluorocarbon 0.3 mm of 6 ft", or "none"'
        )
    return Leader(_line_from(line), Quantity("length", *LEADER_RANGE).read(length))


def _size_from(words: str) -> float:
    try:
        return float(words)
    except ValueError:
        raise ValueError(
            f'size "{words}": expected a standard size number, like "size 4"'
        ) from None


def stated(lure: LureSpec) -> Stated:
    """Return what is known of a lure before any touch, for the calibration.

    Raises:
        ValueError: the stated depth cannot be.
    """
    return Stated(
        lure=lure.physics(),
        line=lure.rated.line.physics(),
        retrieve=lure.rated_retrieve(),
        depth=lure.rated.depth,
        depth_sigma=RATING_SIGMA,
        drag_sigma=SHARED_DRAG_SIGMA if lure.also is None else TWICE_RATED_SIGMA,
    )


def rig(rod: Rod) -> CalibratedRig:
    """Return a rod with its line as a rig of its lure's calibration."""
    return CalibratedRig(
        name=rig_name(rod),
        line=rod.dive_line(),
        retrieve=rod.dive_retrieve(),
        cast_sigma=CAST_SIGMA,
        thickness_sigma=rod.line_sigma,
    )


def known_of(rods: Sequence[Rod], belief: Belief | None) -> Stated:
    """Return what is known of the lure of some rods, its onset as touches tell it where nobody states it.

    `belief` is what was learned of it before.

    Raises:
        ValueError: the stated depth cannot be.
    """
    lure = rods[0].lure
    known = stated(lure)
    if belief is None or lure.down_after is not None:
        return known
    rigs = {its.name: its for its in (*belief.rigs, *map(rig, rods))}
    return as_touched(known, list(rigs.values()), belief.evidence)


def make_grid(rod: Rod, known: Stated) -> None:
    """Have ready what a calibration needs of a rod, so that its rig is taken in at once.

    `known` is what it knows of the rod's lure.
    """
    ready_grid(known, rig(rod))


def make_rod_tables(rod: Rod, belief: Belief | None = None) -> None:
    """Have all tables of a rod kept, those that are seldom asked for as well.

    `belief` is what was learned of its lure before.
    """
    make_tables(known_of([rod], belief), rig(rod))


def rig_name(rod: Rod) -> str:
    """Return what a rod with its line is called in the calibration, such as "rod 2, 12 lb fluorocarbon".

    With its tip held otherwise than usual it is another rig: "rod 2, 12 lb
    fluorocarbon, tip down".
    """
    name = f"rod {rod.number}, {rod.line_name}"
    if rod.held == "usual":
        return name
    return f"{name}, tip {rod.held}"


def calibrations(
    rods: Iterable[Rod], beliefs: Mapping[str, Belief] | None = None
) -> dict[str, Calibration]:
    """Return a calibration for each lure that is tied on, by its name, from what is described and learned.

    ``beliefs`` are the stored ones by the lure's name. Where the owner has described a
    lure, line or cast anew since, the touches are taken again on the new description.
    """
    tied: dict[str, list[Rod]] = {}
    for rod in rods:
        tied.setdefault(rod.lure.name, []).append(rod)
    found = {
        name: _calibration(its, (beliefs or {}).get(name)) for name, its in tied.items()
    }
    share_common(found.values())
    return found


def _calibration(rods: Sequence[Rod], belief: Belief | None) -> Calibration:
    known, rigs = known_of(rods, belief), [rig(rod) for rod in rods]
    if belief is None:
        return Calibration(known, rigs)
    return Calibration.resume(structs.replace(belief, stated=known), rigs)


def reaches(
    rods: Sequence[Rod],
    learned: Mapping[str, Calibration],
    change: Change | None = None,
) -> tuple[RodReach, ...]:
    """Return what each rod reaches, as it is or with a change.

    ``learned`` has the calibration of every lure tied on, by name (`calibrations`).
    """
    return tuple(
        _reach(rod, learned[rod.lure.name], change or Change()) for rod in rods
    )


def reaches_adrift(
    rods: Sequence[Rod],
    learned: Mapping[str, Calibration],
    towards: Callable[[float], float] | None,
    bearings: Iterable[float],
) -> tuple[RodReach, ...]:
    """Return what each rod reaches in some directions, from a boat that moves through the water.

    ``towards`` has its speed in a direction, m/s; None: it is at rest. Directions in
    which it is about the same share one entry.
    """
    if towards is None:
        return reaches(rods, learned)
    alike: dict[int, list[float]] = {}
    for bearing in bearings:
        alike.setdefault(round(towards(bearing) / DRIFT_STEP_MPS), []).append(bearing)
    return tuple(
        structs.replace(
            _reach(rod, learned[rod.lure.name], Change(), steps * DRIFT_STEP_MPS),
            bearings=tuple(its),
        )
        for rod in rods
        for steps, its in sorted(alike.items())
    )


def _reach(
    rod: Rod, learned: Calibration, change: Change, drift: float = 0.0
) -> RodReach:
    changed = _changed(rod, change)
    calibration, name = _with_change(changed, rod, learned, change)
    cast = calibration.best(name)[2].cast
    reach = calibration.reach(name)
    # What is planned over is the bottom as it is told, so the paths are as they would
    # be told too.
    told = calibration.reach_as_told(name)
    t, away, deep = calibration.path(name, told.best, drift)
    if drift:
        deeps = [
            float(calibration.path(name, depth, drift)[2].max())
            for depth in (reach.best, reach.low, reach.high)
        ]
        reach = Estimate(*deeps)
    deepest = int(deep.argmax())
    return RodReach(
        rod=rod.number,
        name=rod.name,
        lure=rod.lure.name,
        line=changed.line_name,
        leader=None if changed.spec.leader is None else changed.spec.leader.length,
        line_doubt=changed.line_doubt,
        cast=cast,
        speed=changed.speed,
        temperature=changed.temperature,
        reach=reach,
        reach_at=float(away[deepest]),
        reach_after=float(t[deepest]),
        path=_points(away, deep),
        shallow=_points(*calibration.path(name, told.low, drift)[1:]),
        deep=_points(*calibration.path(name, told.high, drift)[1:]),
        touches=learned.belief().by_rig[rig_name(rod)].touches,
    )


def _changed(rod: Rod, change: Change) -> Rod:
    spec = rod.spec
    if change.line is not None:
        spec = structs.replace(spec, line=change.line)
    if change.leader is not None:
        spec = structs.replace(spec, leader=change.leader or None)
    if change.cast is not None:
        spec = structs.replace(spec, cast=change.cast)
    if change.speed is not None:
        spec = structs.replace(
            spec,
            reel=structs.replace(spec.reel, turns=change.speed / spec.reel.per_turn),
        )
    if change.temperature is not None:
        rod = structs.replace(rod, temperature=change.temperature)
    return structs.replace(rod, spec=spec)


def _with_change(
    changed: Rod, rod: Rod, learned: Calibration, change: Change
) -> tuple[Calibration, str]:
    """Return a calibration that holds the changed rod as a rig, and the rig's name."""
    if change == Change():
        return learned, rig_name(rod)
    tried = structs.replace(rig(changed), name="what if")
    if change.cast is not None:
        tried = structs.replace(tried, cast_sigma=_CHOSEN_CAST_SIGMA, casts_alike=False)
    else:
        cast = learned.best(rig_name(rod))[2].cast
        tried = structs.replace(tried, retrieve=replace(tried.retrieve, cast=cast))
    return learned.with_rig(tried), "what if"


def _points(away: Floats, deep: Floats) -> tuple[tuple[float, float], ...]:
    return tuple(
        (round(float(x), 3), round(float(z), 3))
        for x, z in zip(away, deep, strict=True)
    )


def before_and_after(rod: Rod, learned: Calibration, unit: LengthUnit) -> str:
    """Return what the touches changed, in plain words.

    For instance "rod two: 14.2 ft, was 15.5" (the number as a word up to ten).
    """
    belief = learned.belief().by_rig[rig_name(rod)]
    scale, short = _DEPTHS_IN[unit]
    now, was = f"{belief.reach.best / scale:.1f}", f"{belief.before.best / scale:.1f}"
    name = f"rod {_WORDS.get(rod.number, rod.number)}"
    if now == was:
        return f"{name}: {now} {short}, as before"
    return f"{name}: {now} {short}, was {was}"


def what_was_learned(
    rods: Sequence[Rod], learned: Mapping[str, Calibration], unit: LengthUnit
) -> str:
    """Return what the touches have taught, a line for each rod and lure, to be read on a screen."""
    lines = [
        f"{before_and_after(rod, learned[rod.lure.name], unit)}; "
        f"{_evidence_words(rod, learned[rod.lure.name], unit)}"
        for rod in rods
    ]
    lures = {rod.lure.name: rod.lure for rod in rods}.values()
    lines += [_onset_words(lure, learned[lure.name], unit) for lure in lures]
    return "".join(f"{line}\n" for line in lines if line)


def _evidence_words(rod: Rod, learned: Calibration, unit: LengthUnit) -> str:
    """Return how many casts have taught of a rod, on which line, and how far it is cast."""
    by_rig = learned.belief().by_rig
    belief = by_rig[rig_name(rod)]
    far, long = _LENGTHS_IN[unit]
    now, told = f"{belief.cast.best / far:.0f}", f"{rod.cast / far:.0f}"
    cast = f"{told} {long} cast"
    if now != told:
        cast = f"cast {now} {long}, described as {told}"
    taught = "nothing learned yet"
    if belief.touches or belief.without_touch:
        casts = _counted(belief.without_touch, "cast")
        taught = f"{_counted(belief.touches, 'touch')}, {casts} without a touch"
    elif any(one.touches or one.without_touch for one in by_rig.values()):
        taught = "learned from other lines of that lure"
    return f"{taught} ({rod.line_name}, {cast})"


def _onset_words(lure: LureSpec, learned: Calibration, unit: LengthUnit) -> str:
    """Return after how far a lure pulls down fully, where touches tell it otherwise; else nothing."""
    found, described = learned.stated.lure.onset, lure.physics().onset
    if found == described:
        return ""
    far, long = _LENGTHS_IN[unit]
    return f"{lure.name}: takes hold after {found / far:.1f} {long}, described as {described / far:.1f}"


def _counted(count: int, what: str) -> str:
    """Return "no touch", "1 touch" or "2 touches"."""
    if count <= 1:
        return f"{count or 'no'} {what}"
    return f"{count} {what}{'es' if what.endswith('ch') else 's'}"


_WORDS = dict(
    enumerate(
        ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"],
        start=1,
    )
)
_DEPTHS_IN: Mapping[LengthUnit, tuple[float, str]] = {
    "feet": (FOOT, "ft"),
    "metres": (1.0, "m"),
}
_LENGTHS_IN: Mapping[LengthUnit, tuple[float, str]] = {
    "feet": (YARD, "yd"),
    "metres": (1.0, "m"),
}
