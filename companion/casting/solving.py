"""What takes the engine too long to solve, with all it takes along: any thread can work it out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from companion.dive.evidence import Belief
from companion.tackle import Rod


@dataclass(frozen=True, eq=False)
class Solve:
    """A piece of solving.

    What it finds depends on nothing but what it takes along, and whoever needs it again
    in the next while has it at once.

    Attributes:
        work: solves, and returns what is found.
        rods: those whose tables it needs.
        beliefs: what was learned of their lures before, by the lure's name.
    """

    work: Callable[[], object]
    rods: tuple[Rod, ...] = ()
    beliefs: Mapping[str, Belief] = field(default_factory=dict)

    @cached_property
    def found(self) -> object:
        """Return what is found: solved when first asked for, in whichever thread asks."""
        return self.work()
