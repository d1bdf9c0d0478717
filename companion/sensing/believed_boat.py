"""What is believed of the boat, now and a little while ago: its place, depth, and the way it makes good.

Made once for all who ask: match, outlook, map, logbook, page and answers see the same
boat.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque

import msgspec

from companion.sensing.believed_depth import BelievedDepth, Ping, Settled, Verdict
from companion.sensing.course_made_good import CourseMadeGood
from companion.sensing.readings import Depth, Heading, Position, Reading
from companion.sensing.sensing import Sensing
from companion.sensing.state import BoatState

HISTORY_S = 60.0
"""How far back the boat can be asked for."""
SPEED_UNKNOWN_MPS = 2.0
"""The speed that bounds what a bottom may do under a boat without a position."""


class BelievedBoat:
    """Follows the readings of a boat.

    Args:
        sensing: keeps the last value of everything else.
    """

    def __init__(self, sensing: Sensing) -> None:
        self._sensing = sensing
        self._depth = BelievedDepth()
        self._way = CourseMadeGood()
        self._history: deque[Ping] = deque()
        self._headings: deque[tuple[float, Heading]] = deque()

    def accept_reading(self, t: float, reading: Reading) -> Verdict | None:
        """Fold in a reading at logic time t, s; return the verdict on a depth, None for whatever else."""
        if isinstance(reading, Depth):
            return self._accept_depth(t, reading)
        if (
            isinstance(reading, Position)
            and reading.lat is not None
            and reading.lon is not None
        ):
            self._way.accept_fix(t, reading.lat, reading.lon)
        if isinstance(reading, Heading):
            self._headings.append((t, reading))
            while self._headings[0][0] < t - HISTORY_S:
                self._headings.popleft()
        return None

    def finish(self) -> tuple[Settled, ...]:
        """Judge for good what pings still wait: the trip is over."""
        return self._depth.finish()

    def _accept_depth(self, t: float, depth: Depth) -> Verdict | None:
        if depth.below_surface is None:
            return None
        if depth.below_transducer is not None:
            self._depth.transducer = depth.below_surface - depth.below_transducer
        bound = self.speed(t)
        if bound is None:
            bound = SPEED_UNKNOWN_MPS
        verdict = self._depth.accept_ping(t, depth.below_surface, bound)
        if verdict.belief == "believed":
            self._history.append(Ping(t, depth.below_surface))
            while self._history[0].t < t - HISTORY_S:
                self._history.popleft()
        return verdict

    @property
    def oldest_depth(self) -> float:
        """Return how old a believed depth may be to stand for the present, s."""
        return self._depth.oldest

    def speed(self, t: float) -> float | None:
        """Return the speed over ground, m/s: that made good, else the receiver's; None when not known."""
        made_good = self._way.speed
        if made_good is not None:
            return made_good
        return self._sensing.boat(t).speed

    def smoothed_depth(self, t: float) -> float | None:
        """Return the believed depth below the surface, m, smoothed over the last seconds."""
        return self._depth.smoothed(t)

    def at(self, t: float) -> BoatState:
        """Return the boat at logic time t, s, which is now."""
        return self._with_beliefs(self._sensing.boat(t), self._depth.last, t)

    def before(self, t: float, now: float, spoken: float) -> BoatState:
        """Return the boat at an earlier logic time t, s, of which words tell that began at `spoken`, s.

        Its place and depth are those of t, the rest is as it is now; but its bow is
        where it pointed when the words began: a boat may turn by tens of degrees while
        somebody says "nine o'clock".
        """
        boat = self._with_beliefs(self._sensing.boat(now), self._ping_before(t), t)
        boat = self._with_heading_before(boat, spoken)
        place = self._way.place_at(t)
        if place is None or boat.lat is None:
            return boat
        return msgspec.structs.replace(boat, lat=place[0], lon=place[1])

    def _with_heading_before(self, boat: BoatState, t: float) -> BoatState:
        """Return the boat with the last heading before a logic time t, s, as long as it has one now."""
        if boat.heading is None and boat.heading_magnetic is None:
            return boat
        after = bisect_right([at for at, _ in self._headings], t)
        if after == 0:
            return boat
        heading = self._headings[after - 1][1]
        return msgspec.structs.replace(
            boat, heading=heading.true, heading_magnetic=heading.magnetic
        )

    def _ping_before(self, t: float) -> Ping | None:
        """Return the last ping before a logic time t, s, or the first after it where none was before."""
        if not self._history:
            return None
        after = bisect_right([ping.t for ping in self._history], t)
        return self._history[max(after - 1, 0)]

    def _with_beliefs(self, boat: BoatState, ping: Ping | None, t: float) -> BoatState:
        depth = below = age = course = error = None
        if ping is not None and t - ping.t <= self.oldest_depth:
            depth, age = ping.depth, t - ping.t
            if boat.depth_below_transducer is not None:
                below = depth - self._depth.transducer
        way = self._way.made_good(t)
        if way is not None:
            course, error = way.course, way.error
        return msgspec.structs.replace(
            boat,
            depth=depth,
            depth_below_transducer=below,
            depth_age=age,
            course=course,
            course_error=error,
        )
