"""The bed under the boat: what the engine feeds readings to and asks the bottom of.

`Bed` joins depths to fixes and to what was decided of each ping, and puts them onto the
water the boat is on. Depths are metres below today's surface, bearings degrees
clockwise from true north, times logic seconds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from companion.lakebed.cover import CoverWatch, PossibleCover
from companion.lakebed.gates import Gate, TrackGate
from companion.lakebed.share import Share
from companion.lakebed.soundings import (
    USUAL_SOUND_SPEED,
    Joiner,
    Mounting,
    Sounding,
    sound_speed,
)
from companion.lakebed.waters import HALF_BEAM, Area, Waters, reaches
from companion.sensing.believed_depth import Settled, Verdict
from companion.sensing.readings import (
    Depth,
    Heading,
    Position,
    Reading,
    WaterTemperature,
)


class CoverHint(NamedTuple):
    """Something that may stand on the bottom: it may as well be fish, so it is told as possible.

    `lat` and `lon` degrees; `top` and `bottom` depths, `height` and `width` of what
    stands there, m.
    """

    lat: float
    lon: float
    top: float
    bottom: float
    height: float
    width: float


NO_HINTS: tuple[CoverHint, ...] = ()


class Bed(Waters):
    """The waters, as readings come in and are put onto the bottom; one thread only.

    Args:
        areas: what is kept of earlier days.
        mounting: where the transducer sits from the antenna. Delays are taken from the
            readings' origin.
        level: how far the water stands above each area's zero today, m, until a level
            is told.
        half_beam: half the angle of the sounder's cone, rad, for the correction of
            slopes; None: none.
        from_sound_speed: correct depths by the water's temperature; off unless asked
            for, because most sounders with a thermometer do so themselves.
    """

    def __init__(
        self,
        areas: Iterable[Area] = (),
        *,
        mounting: Mounting | None = None,
        level: float = 0.0,
        half_beam: float | None = HALF_BEAM,
        from_sound_speed: bool = False,
    ) -> None:
        super().__init__(areas, half_beam)
        self.kept = 0
        self._mounting = mounting or Mounting()
        self._from_sound_speed = from_sound_speed
        self.begin_trip(level)

    def begin_trip(
        self, level: float = 0.0, *, already: int = 0, share: Share | None = None
    ) -> None:
        """Begin another day, or another recording.

        Args:
            level: how far the water stands above the zero, m.
            already: how many of its first soundings are on the surface already, because
                the recording was taken in up to there before; they pass the gates again
                and are not added again.
            share: what comes from this recording goes into it, too.
        """
        self.begin_day(level)
        self.share = share
        self._already = already
        self._sound = 1.0
        self.kept = 0
        self._dropped: Counter[str] = Counter()
        self._joiner = Joiner(self._mounting)
        self._gate = Gate()
        self._cover = CoverWatch()
        self._track: TrackGate | None = None

    @property
    def dropped(self) -> Counter[str]:
        """Return what was not taken for the bottom this trip, by reason."""
        on_track = self._track.gate.dropped if self._track else Counter()
        return self._dropped + self._joiner.dropped + self._gate.dropped + on_track

    def accept_reading(
        self, t: float, reading: Reading, verdict: Verdict | None = None
    ) -> tuple[CoverHint, ...]:
        """Take a reading at logic time `t`; return possible cover that is new or has grown.

        Readings of other kinds than depth, position, heading and water temperature are
        passed over.

        Args:
            t: logic time, s.
            reading: what was read.
            verdict: on a depth; without one it is none.
        """
        if isinstance(reading, Depth):
            if reading.below_surface is not None and verdict is not None:
                self._joiner.depth(
                    t - reading.origin.latency,
                    self._true_depth(reading),
                    verdict.number,
                )
                return self.settle(verdict.settled)
        elif isinstance(reading, Position):
            if reading.lat is not None and reading.lon is not None:
                return self._take_fix(
                    t - reading.origin.latency, reading.lat, reading.lon
                )
        elif isinstance(reading, Heading):
            if reading.true is not None:
                self._joiner.heading(t - reading.origin.latency, reading.true)
        elif isinstance(reading, WaterTemperature):
            self._take_temperature(reading.celsius)
        return NO_HINTS

    def settle(self, settled: Iterable[Settled]) -> tuple[CoverHint, ...]:
        """Take verdicts on pings for good; return possible cover that is new or has grown."""
        return self._pass_on(self._gate.settle(settled))

    def finish(self, settled: Iterable[Settled] = ()) -> None:
        """The trip is over: take the last verdicts, and keep what the gates still held and believe."""
        self.settle(settled)
        self._leave()

    def add(self, lat: float, lon: float, depth: float) -> None:
        """Add a surveyed sounding, which needs no gate: degrees, m below the surface of that day."""
        self.here = self.open_area(lat, lon) or self._new_area(lat, lon)
        self._add(Sounding(0.0, *self.here.place(lat, lon), depth))

    def add_in_passing(self, t: float, lat: float, lon: float, depth: float) -> None:
        """Add a sounding of a track, at logic time `t`, once the gate believes it: degrees, m as above.

        `finish` ends the track.
        """
        area = self.open_area(lat, lon) or self._new_area(lat, lon)
        if area is not self.here:
            self._leave()
            self.here = area
        self._track = self._track or TrackGate()
        for kept in self._track.push(Sounding(t, *area.place(lat, lon), depth)):
            self._add(kept)

    def water_level(self, rise: float) -> None:
        """The water stands `rise` m above where it stood when this lake was mapped; for all of today."""
        super().water_level(rise)
        if self.share is not None and self.here is not None:
            self.share.relevel(self.here)

    def _take_fix(self, t: float, lat: float, lon: float) -> tuple[CoverHint, ...]:
        area = self.here
        if area is None or not reaches(area, lat, lon):
            area = self.open_area(lat, lon) or self._new_area(lat, lon)
            self._leave()
            self.here = area
        placed = self._joiner.fix(t, *area.place(lat, lon))
        return self._pass_on(
            [kept for sounding in placed for kept in self._gate.accept_place(sounding)]
        )

    def _pass_on(self, kept: Iterable[Sounding]) -> tuple[CoverHint, ...]:
        """Put soundings on the surface, and look at what stands above it."""
        for sounding in kept:
            self._add(sounding)
        gate, area = self._gate, self.here
        if not gate.excursions or area is None:
            return NO_HINTS
        excursions, gate.excursions = gate.excursions, []
        return tuple(
            _hint(area, cover) for cover in self._cover.accept_excursions(excursions)
        )

    def _add(self, sounding: Sounding) -> None:
        assert self.here is not None
        self.kept += 1
        if self.kept > self._already:
            self.here.surface.add(sounding.east, sounding.north, sounding.depth)
            if self.share is not None:
                self.share.add(self.here, sounding.east, sounding.north, sounding.depth)

    def _leave(self) -> None:
        """End what joiner and gates know of this water; pings that they never could place are counted."""
        self._joiner.flush()
        if self._track is not None:
            for kept in self._track.flush():
                self._add(kept)
        self._dropped = self.dropped
        self._joiner, self._cover, self._track = (
            Joiner(self._mounting),
            CoverWatch(),
            None,
        )
        self._gate.leave()

    def _true_depth(self, reading: Depth) -> float:
        assert reading.below_surface is not None
        if self._sound == 1.0:
            return reading.below_surface
        echo = reading.below_transducer
        if echo is None:
            echo = reading.below_surface
        return reading.below_surface + (self._sound - 1.0) * echo

    def _take_temperature(self, celsius: float | None) -> None:
        if self._from_sound_speed and celsius is not None and 0.0 <= celsius <= 40.0:
            self._sound = sound_speed(celsius) / USUAL_SOUND_SPEED


def _hint(area: Area, cover: PossibleCover) -> CoverHint:
    lat, lon = area.plane.to_latlon(cover.east, cover.north)
    return CoverHint(lat, lon, cover.top, cover.bottom, cover.height, cover.width)
