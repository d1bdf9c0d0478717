"""What the parts of a trip share: its rooms and boat, the one state, and the way out for events."""

from __future__ import annotations

import logging
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypedDict

from companion.clock import written
from companion.events import AnyEvent, Notice
from companion.sensing import Sensing
from companion.sensing.believed_boat import BelievedBoat
from companion.trip import wording
from companion.trip.entries import Rooms
from companion.trip.keep import Emit, Keep
from companion.trip.state import TripState
from companion.trip.volunteer import Stamp

_LOG = logging.getLogger(__name__)


class StampFields(TypedDict):
    """The fields of an event that tell its instant: logic time, s, and UTC as ISO 8601."""

    t: float
    utc: str | None


class TripCore:
    """Holds the state of a trip and gives its events out.

    Args:
        sensing: keeps the boat's last readings and its clock.
        rooms: what the trip works with.
        state: as the trip begins.
        emit: called with every event, in order.
        keep: where readings, beliefs and soundings go.
        raises: an error of the program's own in one reading or utterance is raised, not
            passed over.

    Attributes:
        boat: what is believed of the boat.
        errors: how often each kind of error was passed over.
    """

    def __init__(
        self,
        sensing: Sensing,
        rooms: Rooms,
        state: TripState,
        emit: Emit,
        keep: Keep,
        *,
        raises: bool,
    ) -> None:
        self.rooms = rooms
        self.boat = BelievedBoat(sensing)
        self.state = state
        self.keep = keep
        self.errors: Counter[str] = Counter()
        self._sensing = sensing
        self._outlet = emit
        self._raises = raises
        self._outside_error: Exception | None = None

    def stamp(self, t: float) -> StampFields:
        """Return the fields that date an event at logic time t, s."""
        utc = self._sensing.utc(t)
        if utc is None:
            return {"t": round(t, 3), "utc": None}
        return {"t": round(t, 3), "utc": written(utc)}

    def instant(self, t: float) -> Stamp:
        """Return the same as a value."""
        return Stamp(**self.stamp(t))

    def emit(self, event: AnyEvent) -> None:
        """Give an event out."""
        with self.outside():
            self._outlet(event)

    @contextmanager
    def outside(self) -> Iterator[None]:
        """Let what is given out fail for whoever takes it: that is not for passing over here."""
        try:
            yield
        except Exception as error:
            self._outside_error = error
            raise

    def guard(self, t: float, act: Callable[[], None]) -> None:
        """Do something; an error in it is passed over."""
        try:
            act()
        except Exception as error:
            self.pass_over(t, error)

    def pass_over(self, t: float, error: Exception) -> None:
        """Count an error of the program's own and note each kind once; the trip goes on.

        Raises:
            Exception: the error, if it came from where events and what is to be kept
                go, or in a test.
        """
        if error is self._outside_error or self._raises:
            raise error
        kind = _kind_of(error)
        self.errors[kind] += 1
        if self.errors[kind] == 1:
            _LOG.error("an error was passed over", exc_info=error)
            self.emit(Notice(**self.stamp(t), text=wording.error_passed_over(kind)))


def _kind_of(error: Exception) -> str:
    """Return what an error is and in which function it arose: the same live and in a replay."""
    frames = traceback.extract_tb(error.__traceback__)
    where = "the program"
    if frames:
        where = frames[-1].name.strip("<>")
    return f"{type(error).__name__} in {where}"
