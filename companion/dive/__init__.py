"""The line and the lure in water: path, reach, contact and calibration. Pure computation.

SI throughout (m, s, N, kg), temperatures in degrees Celsius, depths positive downward.
"""

from companion.dive.backwards import (
    lift_ratio_for,
    lure_for_reach,
    shaped_lure,
)
from companion.dive.bottom import SolverBottom
from companion.dive.contact import (
    Contact,
    Stretch,
    TreeTop,
    clearance,
    contact,
    first_touch,
    stretches,
)
from companion.dive.limits import DiveError
from companion.dive.path import Path, Tow
from companion.dive.rig import (
    BRAID_KG_M3,
    NYLON_KG_M3,
    PVDF_KG_M3,
    STOP_RAMP_S,
    Line,
    Lure,
    Profile,
    Retrieve,
    Section,
    steady,
    with_stop,
)
from companion.dive.solver import DEFAULT_DETAIL, Detail, solve, solve_many, tow
from companion.dive.stop import (
    LONGEST_STOP_S,
    Stop,
    StopTracks,
    stop_to_clear,
    stop_tracks,
)
from companion.dive.water import Water

__all__ = [
    "BRAID_KG_M3",
    "DEFAULT_DETAIL",
    "LONGEST_STOP_S",
    "NYLON_KG_M3",
    "PVDF_KG_M3",
    "STOP_RAMP_S",
    "Contact",
    "Detail",
    "DiveError",
    "Line",
    "Lure",
    "Path",
    "Profile",
    "Retrieve",
    "Section",
    "SolverBottom",
    "Stop",
    "StopTracks",
    "Stretch",
    "Tow",
    "TreeTop",
    "Water",
    "clearance",
    "contact",
    "first_touch",
    "lift_ratio_for",
    "lure_for_reach",
    "shaped_lure",
    "solve",
    "solve_many",
    "steady",
    "stop_to_clear",
    "stop_tracks",
    "stretches",
    "tow",
    "with_stop",
]
