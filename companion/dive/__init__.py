"""The line and the lure in water: path, reach, contact and calibration. Pure computation.

SI throughout (m, s, N, kg), temperatures in degrees Celsius, depths positive downward.
"""

from companion.dive.backwards import lift_ratio_for, lure_for_reach
from companion.dive.bottom import Bottom
from companion.dive.contact import (
    Contact,
    Stop,
    Stretch,
    TreeTop,
    clearance,
    contact,
    first_touch,
    slow_to_clear,
    stop_to_clear,
    stretches,
)
from companion.dive.limits import DiveError
from companion.dive.path import Path, Tow
from companion.dive.rig import BRAID, NYLON, PVDF, Line, Lure, Profile, Retrieve, Section, steady, with_stop
from companion.dive.solver import DEFAULT, Detail, solve, solve_many, tow
from companion.dive.water import Water

__all__ = [
    "BRAID",
    "DEFAULT",
    "NYLON",
    "PVDF",
    "Bottom",
    "Contact",
    "Detail",
    "DiveError",
    "Line",
    "Lure",
    "Path",
    "Profile",
    "Retrieve",
    "Section",
    "Stop",
    "Stretch",
    "Tow",
    "TreeTop",
    "Water",
    "clearance",
    "contact",
    "first_touch",
    "lift_ratio_for",
    "lure_for_reach",
    "slow_to_clear",
    "solve",
    "solve_many",
    "steady",
    "stop_to_clear",
    "stretches",
    "tow",
    "with_stop",
]
