"""What is rigged: rods, lines and lures as people describe them, and their physics with its uncertainty."""

from importlib.resources import files

from companion.tackle.lines import (
    DENSITY_KG_M3,
    SIZE_DIAMETER_M,
    LineSpec,
    Material,
    size_diameter,
    strength_diameter,
)
from companion.tackle.lures import Deflection, DiveStyle, LureSpec, Rating, WhenStopped
from companion.tackle.reach import (
    Change,
    RodReach,
    before_and_after,
    calibrations,
    change_from,
    known_of,
    make_grid,
    make_rod_tables,
    reaches,
    reaches_adrift,
    rig,
    rig_name,
    what_was_learned,
)
from companion.tackle.rods import Backing, Leader, Reel, Rod, RodSpec, TipHeld

__all__ = [
    "DENSITY_KG_M3",
    "SIZE_DIAMETER_M",
    "Backing",
    "Change",
    "Deflection",
    "DiveStyle",
    "Leader",
    "LineSpec",
    "LureSpec",
    "Material",
    "Rating",
    "Reel",
    "Rod",
    "RodReach",
    "RodSpec",
    "TipHeld",
    "WhenStopped",
    "before_and_after",
    "calibrations",
    "change_from",
    "known_of",
    "make_grid",
    "make_rod_tables",
    "reaches",
    "reaches_adrift",
    "rig",
    "rig_name",
    "size_diameter",
    "starter_text",
    "strength_diameter",
    "what_was_learned",
]


def starter_text() -> str:
    """Return the text of the starter file: lures under invented names to begin from."""
    return files(__name__).joinpath("starter.toml").read_text(encoding="utf-8")
