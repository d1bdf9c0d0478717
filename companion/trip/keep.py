"""What a trip begins with, and where its events, readings and lessons go."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple, Protocol

from companion.dive.evidence import Belief
from companion.events import AnyEvent
from companion.lakebed.bed import Bed
from companion.lakebed.waters import Area
from companion.sensing import BoatState

Emit = Callable[[AnyEvent], None]


class Known(NamedTuple):
    """The boat's knowledge before a trip.

    Attributes:
        beliefs: what touches taught of each lure, by its name.
        areas: the waters it has been on.
        voice: how much higher than everybody's the thresholds of who speaks lie.
    """

    beliefs: Mapping[str, Belief] = {}
    areas: Sequence[Area] = ()
    voice: float = 0.0


class Keep(Protocol):
    """The keeper of a trip's readings and lessons."""

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Take the state of the boat, about once a second of logic time."""

    def belief(self, lure: str, belief: Belief) -> None:
        """Take what is now believed of a lure."""

    def lakebed(
        self, t: float, bed: Bed, *, now: bool = False, over: bool = False
    ) -> None:
        """Take the lakebed as it is at logic time t, s, about once a second.

        `now` asks for it to be on the disk at once, because a mark or the level may
        have changed; `over` tells that the trip is.
        """


class KeepNothing:
    """Keeps nothing: there is no logbook."""

    def reading(self, t: float, utc: datetime | None, boat: BoatState) -> None:
        """Let it go."""

    def belief(self, lure: str, belief: Belief) -> None:
        """Let it go."""

    def lakebed(
        self, t: float, bed: Bed, *, now: bool = False, over: bool = False
    ) -> None:
        """Let it go."""
