"""What dives: the line, the lure, and how they are retrieved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from companion.dive.limits import DiveError, within
from companion.dive.water import Water

NYLON_KG_M3, PVDF_KG_M3, BRAID_KG_M3 = 1140.0, 1780.0, 970.0
"""Densities of line materials, kg/m3: nylon, polyvinylidene fluoride ("fluorocarbon"), UHMWPE braid."""


MOST_LIFT_RATIO = 10.0
"""Greatest lift ratio that is solved for; no lure is taken to have been stated with more than 4."""
LONGEST_CAST_M = 260.0
"""Longest cast that is solved; a usual cast is at most 150 m, and the true one may be longer than told."""
TIP_HEIGHTS_M = (-2.0, 5.0)
"""How far the rod tip may be above the water (negative: below it)."""
FASTEST_DRIFT_MPS = 5.0
"""Fastest that a boat moves: nearly as fast as any reel takes line in, which tables ask for."""
STOP_RAMP_S = 0.2
"""Time a hand takes to stop the reel, or to get it going."""


@dataclass(frozen=True, slots=True)
class Section:
    """A length of other line: a leader, or the main line before its backing.

    Attributes:
        length: m, above 0.
        diameter: m, as of a `Line`.
        density: kg/m3, likewise.
    """

    length: float
    diameter: float
    density: float


@dataclass(frozen=True, slots=True)
class Line:
    """A thin, flexible, inextensible line, with other lines tied between it and the lure or none.

    Attributes:
        diameter: m, 0.00005 to 0.0015.
        density: kg/m3, 800 to 3000; see NYLON, PVDF, BRAID.
        drag_factor: what the normal drag of a smooth still cylinder is multiplied with
            (strumming, coating, weed), 0 to 5; learned by calibration.
        normal_drag: a fixed normal drag coefficient Cn on d times length, 0 to 5; None
            takes Cn from the local normal Reynolds number
            (`companion.dive.drag.CylinderDrag`).
        tangential_drag: coefficient Ct on the wetted area pi d times length, 0 to 0.2.
        sections: what is tied between it and the lure, from the lure on; drag factor
            and coefficients are those of the whole.

    Raises:
        DiveError: a value lies outside its range.
    """

    diameter: float
    density: float = NYLON_KG_M3
    drag_factor: float = 1.0
    normal_drag: float | None = None
    tangential_drag: float = 0.02
    sections: tuple[Section, ...] = ()

    def __post_init__(self) -> None:
        for diameter, density in (
            (self.diameter, self.density),
            *((i.diameter, i.density) for i in self.sections),
        ):
            within("line diameter", diameter * 1e3, 0.05, 1.5, "mm")
            within("line density", density, 800.0, 3000.0, "kg/m3")
        for section in self.sections:
            within(
                "length of a leader or of the main line",
                section.length,
                0.01,
                1000.0,
                "m",
            )
        within("line drag factor", self.drag_factor, 0.0, 5.0, "times")
        within(
            "line tangential drag coefficient",
            self.tangential_drag,
            0.0,
            0.2,
            "(no unit)",
        )
        if self.normal_drag is not None:
            within(
                "line normal drag coefficient", self.normal_drag, 0.0, 5.0, "(no unit)"
            )


@dataclass(frozen=True, slots=True)
class Lure:
    """A small body at the end of the line, whose lip turns drag into a force square to its motion.

    Attributes:
        drag_area: drag coefficient times area S Cd, m2, 1e-5 to 0.05.
        lift_ratio: downward force square to the motion over the drag, working value, 0
            to 10.
        onset: distance swum, m, over which the lift ratio rises from 0 to its working
            value, 0 to 30: short for a straight-down diver, long for one that sinks
            along a gradual curve.
        buoyancy: force upward in still water, N, -20 to 2; negative for a lure that
            sinks.
        mass: own mass, kg, 0 to 2; None leaves inertia out, which is right within 0.02
            s for a cast lure.
        added_mass: mass of water moved along, kg, 0 to 2; only used when mass is given.
        drag_each_axis: drag on each velocity component by itself, as some cable
            programs have it, for comparison with them.

    Raises:
        DiveError: a value lies outside its range.
    """

    drag_area: float
    lift_ratio: float = 0.0
    onset: float = 0.0
    buoyancy: float = 0.0
    mass: float | None = None
    added_mass: float = 0.0
    drag_each_axis: bool = False

    def __post_init__(self) -> None:
        within("lure drag area", self.drag_area * 1e4, 0.1, 500.0, "cm2")
        within(
            "lure lift ratio", self.lift_ratio, 0.0, MOST_LIFT_RATIO, "times the drag"
        )
        within("lure onset distance", self.onset, 0.0, 30.0, "m")
        within("lure buoyancy", self.buoyancy, -20.0, 2.0, "N")
        within("lure mass", self.mass or 0.0, 0.0, 2.0, "kg")
        within("lure added mass", self.added_mass, 0.0, 2.0, "kg")


@dataclass(frozen=True, slots=True)
class Profile:
    """A speed against time, straight between points, constant before the first and after the last.

    Attributes:
        times: s since the retrieve began, strictly rising.
        speeds: m/s at these times.

    Raises:
        DiveError: the two differ in length, are empty, not finite, or the times do not
            rise.
    """

    times: tuple[float, ...]
    speeds: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.times) != len(self.speeds) or not self.times:
            raise DiveError(
                "a speed profile needs as many speeds as times, at least one of each"
            )
        if not (np.isfinite(self.times).all() and np.isfinite(self.speeds).all()):
            raise DiveError("a speed profile holds a value that is not a number")
        if any(b <= a for a, b in zip(self.times, self.times[1:], strict=False)):
            raise DiveError(
                f"the times of a speed profile must rise, got {list(self.times)}"
            )

    def at(self, t: float) -> float:
        """Return the speed, m/s, at time t, s."""
        return float(np.interp(t, self.times, self.speeds))

    def distance(self, t: float) -> float:
        """Return the distance, m, run from time 0 to time t, s (exact for straight pieces)."""
        if len(self.times) == 1:
            return self.speeds[0] * t
        knots = np.array([0.0, *(k for k in self.times if 0.0 < k < t), t])
        speeds = np.interp(knots, self.times, self.speeds)
        return float(np.sum(np.diff(knots) * 0.5 * (speeds[1:] + speeds[:-1])))


def steady(speed: float) -> Profile:
    """Return the profile of one constant speed, m/s."""
    return Profile((0.0,), (speed,))


def with_stop(
    speed: float,
    start: float,
    length: float,
    slow: float = 0.0,
    ramp: float = STOP_RAMP_S,
) -> Profile:
    """Return a steady speed, m/s, interrupted from time start, s, for length s by the speed slow, m/s.

    Each change takes ramp s, as a hand at the reel does.
    """
    ends = (
        start,
        start + ramp,
        start + max(length, 2 * ramp) - ramp,
        start + max(length, 2 * ramp),
    )
    if ends[1] >= ends[2]:
        return Profile((ends[0], ends[1], ends[3]), (speed, slow, speed))
    return Profile(ends, (speed, slow, slow, speed))


@dataclass(frozen=True, slots=True)
class Retrieve:
    """A cast and what is done with reel and boat afterwards.

    Attributes:
        cast: horizontal distance, m, from the rod tip to where the lure lands, 2 to
            260.
        speed: line taken in, m/s, 0 to 5: a number, or a Profile for starts, stops and
            slow-downs.
        tip_height: height of the rod tip above the water, m, -2 to 5: negative for a
            rod held into it.
        drift: speed, m/s, -5 to 5, with which the boat moves away from the lure along
            the cast (negative: towards it), through the water: a number, or a Profile.
        current: speed, m/s, -3 to 3, with which the water moves over the bottom the
            same way.
        temperature: of the water, degrees Celsius, 0 to 40.

    Raises:
        DiveError: a value lies outside its range.
    """

    cast: float
    speed: float | Profile = 1.0
    tip_height: float = 1.0
    drift: float | Profile = 0.0
    temperature: float = 15.0
    current: float = 0.0

    def __post_init__(self) -> None:
        within("cast", self.cast, 2.0, LONGEST_CAST_M, "m")
        within("rod tip height", self.tip_height, *TIP_HEIGHTS_M, "m")
        Water(self.temperature)
        for v in self.reel.speeds:
            within("retrieve speed", v, 0.0, 5.0, "m/s")
        for v in self.boat.speeds:
            within("drift", v, -FASTEST_DRIFT_MPS, FASTEST_DRIFT_MPS, "m/s")
        within("current", self.current, -3.0, 3.0, "m/s")

    @property
    def reel(self) -> Profile:
        """The reel's speed as a profile."""
        return self.speed if isinstance(self.speed, Profile) else steady(self.speed)

    @property
    def boat(self) -> Profile:
        """The boat's speed away from the lure as a profile."""
        return self.drift if isinstance(self.drift, Profile) else steady(self.drift)

    @property
    def water(self) -> Water:
        """The water it takes place in."""
        return Water(self.temperature)

    def stopped_at(self, start: float, length: float, slow: float = 0.0) -> Retrieve:
        """Return the same retrieve with a stop (or slow-down to slow m/s) from time start for length s.

        Only for a retrieve of one constant speed.
        """
        if isinstance(self.speed, Profile):
            raise DiveError(
                "only a retrieve of one constant speed can be given a stop; write the profile"
            )
        return replace(self, speed=with_stop(self.speed, start, length, slow))
