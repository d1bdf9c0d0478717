"""The line and the lure in water: path, reach, contact and calibration. Pure computation.

SI throughout (m, s, N, kg), temperatures in degrees Celsius, depths positive downward.
"""

from companion.dive.bottom import Bottom
from companion.dive.limits import DiveError
from companion.dive.path import Path, Tow
from companion.dive.rig import BRAID, NYLON, PVDF, Line, Lure, Profile, Retrieve, steady, with_stop
from companion.dive.solver import DEFAULT, Detail, solve, solve_many, tow
from companion.dive.water import Water

__all__ = [
    "BRAID",
    "DEFAULT",
    "NYLON",
    "PVDF",
    "Bottom",
    "Detail",
    "DiveError",
    "Line",
    "Lure",
    "Path",
    "Profile",
    "Retrieve",
    "Tow",
    "Water",
    "solve",
    "solve_many",
    "steady",
    "tow",
    "with_stop",
]
