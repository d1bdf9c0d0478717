"""The bed under the boat: what the engine feeds readings to and asks the bottom of.

`Bed` joins depths to fixes, gates them, keeps the surface and the marks, and answers in latitude and
longitude. The Earth is round and a trailer has wheels, so it keeps waters that lie far apart on planes
of their own, one an `Area`; an area is read from where it is kept when the boat first comes to it.
Depths are metres below today's surface, bearings degrees clockwise from true north, times logic seconds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable
from typing import NamedTuple

import numpy as np

from companion.events import MarkKind
from companion.lakebed.breaks import Break, breaks
from companion.lakebed.cover import CoverWatch, PossibleCover
from companion.lakebed.gates import Gate, TrackGate
from companion.lakebed.marks import FIX_RADIUS_M, Mark, Marks, around_the_boat, off_the_bow
from companion.lakebed.soundings import USUAL_SOUND_SPEED, Joiner, Mounting, Sounding, sound_speed
from companion.lakebed.surface import BottomProfile, LevelHint, Slope, Surface
from companion.sensing.believed_depth import Settled, Verdict
from companion.sensing.localplane import LocalPlane, metres_per_degree
from companion.sensing.readings import Depth, Heading, Position, Reading, WaterTemperature

SAME_PLACE = 0.5
"""Two marks of the same thing without a time, so near to each other, are one, m."""
AREA_REACH = 25_000.0
"""How far from its origin an area reaches, m: lengths on its plane are then good to half a percent."""

HALF_BEAM = math.radians(10.0)
"""Half the angle of a sounder's cone, rad, when it is not told (common practice, no source): with it the map
of an invented lake sounded through cones of 10, 20 and 40 degrees is nearer its truth than without."""

Load = Callable[[], tuple[Surface, Marks]]
"""Reads what is kept of an area."""


class Area:
    """A piece of the Earth on one plane: its number, the plane, and the surface and marks on it."""

    def __init__(self, number: int, lat: float, lon: float, load: Load | None = None) -> None:
        self.number = number
        self.plane = LocalPlane(lat, lon)
        self._load = load
        self._known: tuple[Surface, Marks] | None = None
        self._half_beam: float | None = HALF_BEAM
        self._east, self._north = metres_per_degree(lat)

    @property
    def loaded(self) -> bool:
        """Return whether it has been read; until then it cannot have changed."""
        return self._known is not None

    @property
    def surface(self) -> Surface:
        """The bottom."""
        return self._both()[0]

    @property
    def marks(self) -> Marks:
        """The marks."""
        return self._both()[1]

    def place(self, lat: float, lon: float) -> tuple[float, float]:
        """Return metres east and north of the origin; as the plane's own, in a tenth of the time."""
        away = (lon - self.plane.lon + 180.0) % 360.0 - 180.0
        return away * self._east, (lat - self.plane.lat) * self._north

    def where(self, mark: Mark) -> tuple[float, float]:
        """Return latitude and longitude of a mark on it, degrees."""
        return self.plane.to_latlon(mark.east, mark.north)

    def sounded_with(self, half_beam: float | None) -> None:
        """Take half the angle of the sounder's cone, rad, for the correction of slopes; None: none."""
        self._half_beam = half_beam
        if self._known is not None:
            self._known[0].half_beam = half_beam

    def _both(self) -> tuple[Surface, Marks]:
        if self._known is None:
            self._known = self._load() if self._load else (Surface(), Marks())
            self._known[0].half_beam = self._half_beam
        return self._known


class CoverHint(NamedTuple):
    """Something that may stand on the bottom: it may as well be fish, so it is told as possible.

    `lat` and `lon` degrees; `top` and `bottom` depths, `height` and `width` of what stands there, m.
    """

    lat: float
    lon: float
    top: float
    bottom: float
    height: float
    width: float


NO_HINTS: tuple[CoverHint, ...] = ()


class Bed:
    """Every water the boat has been on; one thread only.

    Args:
        areas: what is kept of earlier days.
        mounting: where the transducer sits from the antenna. Delays are taken from the readings' origin.
        level: how far the water stands above each area's zero today, m, until a level is told.
        half_beam: half the angle of the sounder's cone, rad, for the correction of slopes; None: none.
        from_sound_speed: correct depths by the water's temperature; off unless asked for, because most
            sounders with a thermometer do so themselves.
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
        self.areas = list(areas)
        self.here: Area | None = None
        self.kept = 0
        self._mounting = mounting or Mounting()
        self._half_beam, self._from_sound_speed = half_beam, from_sound_speed
        self._joiner, self._gate, self._cover = Joiner(self._mounting), Gate(), CoverWatch()
        self._track: TrackGate | None = None
        self.begin_trip(level)

    def begin_trip(self, level: float = 0.0, *, already: int = 0) -> None:
        """Begin another day, or another recording.

        Args:
            level: how far the water stands above the zero, m.
            already: how many of its first soundings are on the surface already, because the recording
                was taken in up to there before; they pass the gates again and are not added again.
        """
        self._already = already
        self._level = level
        self._told_levels: dict[int, float] = {}
        self._sound = 1.0
        self.kept = 0
        self._dropped: Counter[str] = Counter()
        self._joiner, self._gate, self._cover = Joiner(self._mounting), Gate(), CoverWatch()
        self._track = None
        self.here = None
        self._begun: set[int] = set()
        for area in self.areas:
            if area.loaded:
                self._begin_on(area)

    @property
    def dropped(self) -> Counter[str]:
        """Return what was not taken for the bottom this trip, by reason."""
        on_track = self._track.gate.dropped if self._track else Counter()
        return self._dropped + self._joiner.dropped + self._gate.dropped + on_track

    @property
    def level(self) -> float:
        """Return how far the water stands above the zero of the area the boat is on, m."""
        return self._level_on(self.here) if self.here else self._level

    def accept_reading(
        self, t: float, reading: Reading, verdict: Verdict | None = None
    ) -> tuple[CoverHint, ...]:
        """Take a reading at logic time `t`; return possible cover that is new or has grown.

        Readings of other kinds than depth, position, heading and water temperature are passed over.

        Args:
            t: logic time, s.
            reading: what was read.
            verdict: on a depth; without one it is none.
        """
        if isinstance(reading, Depth):
            if reading.below_surface is not None and verdict is not None:
                self._joiner.depth(t - reading.origin.latency, self._true_depth(reading), verdict.number)
                return self.settle(verdict.settled)
        elif isinstance(reading, Position):
            if reading.lat is not None and reading.lon is not None:
                return self._take_fix(t - reading.origin.latency, reading.lat, reading.lon)
        elif isinstance(reading, Heading):
            if reading.true is not None:
                self._joiner.heading(t - reading.origin.latency, reading.true)
        elif isinstance(reading, WaterTemperature):
            self._take_temperature(reading.celsius)
        return NO_HINTS

    def settle(self, settled: Iterable[Settled]) -> tuple[CoverHint, ...]:
        """Take verdicts on pings for good; return possible cover that is new or has grown."""
        return self._pass_on(self._gate.settle(settled))

    def finish(self) -> None:
        """The trip is over: keep what the gates still held and believe."""
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
        if self.here is None:
            self._level = rise
        else:
            self._told_levels[self.here.number] = rise
            self.here.surface.change_level(rise)

    def level_hint(self) -> LevelHint | None:
        """Return by how much today's soundings disagree with the map, once that is plain; else None."""
        return self.here.surface.level_hint() if self.here else None

    def bottom(self, lat: float, lon: float) -> tuple[float, float] | None:
        """Return depth and its standard deviation at a place, m; None when nothing is known there."""
        area = self._opened(lat, lon)
        if area is None:
            return None
        found = area.surface.at(*area.place(lat, lon))
        depth, sigma = float(found.depth), float(found.sigma)
        return None if math.isnan(depth) else (depth, sigma)

    def along(
        self, lat: float, lon: float, bearing: float, length: float, step: float = 1.0
    ) -> BottomProfile:
        """Return the bottom along a line, every `step` m for `length` m; NaN where nothing is known."""
        area = self._opened(lat, lon)
        if area is None:
            distance = np.arange(0.0, length + 0.5 * step, step)
            return BottomProfile(distance, np.full_like(distance, np.nan), np.full_like(distance, np.nan))
        return area.surface.along(*area.place(lat, lon), bearing, length, step)

    def about(self, lat: float, lon: float, within: float) -> float | None:
        """Return the middle depth of what was sounded within a square of so many m each way; else None.

        A look at the cells without any estimate between them: a hundred times quicker than `bottom`.
        """
        area = self._opened(lat, lon)
        return None if area is None else area.surface.about(*area.place(lat, lon), within)

    def breaks(self, lat: float, lon: float, bearing: float, length: float) -> list[Break]:
        """Return the breaks and ledge edges along a line of `length` m, in order."""
        return breaks(self.along(lat, lon, bearing, length))

    def slope(self, lat: float, lon: float) -> Slope | None:
        """Return how steeply and in which direction the bottom falls; None when nothing is known."""
        area = self._opened(lat, lon)
        return None if area is None else area.surface.slope(*area.place(lat, lon))

    def mark(
        self,
        kind: MarkKind,
        lat: float,
        lon: float,
        *,
        depth: float | None = None,
        distance: float = 0.0,
        hour: float | None = None,
        heading: float | None = None,
        note: str = "",
        utc: str | None = None,
        known_within: float = FIX_RADIUS_M,
    ) -> Mark:
        """Mark a place and return the mark, on the area of `area_of(lat, lon)`.

        What is marked already, by a day that is replayed or in another file, is returned as it is.

        Args:
            kind: what is there.
            lat: of the boat (or of the place itself), degrees.
            lon: the same, degrees.
            depth: of its top, m below today's surface.
            distance: how far from the boat, m.
            hour: in which direction, o'clock off the bow.
            heading: of the bow, degrees; without it, or without an hour, a distant place is somewhere
                around the boat, and the mark says so by its radius.
            note: words.
            utc: when, ISO 8601.
            known_within: how far off the place given is nine times in ten at most, m.
        """
        area = self.open_area(lat, lon) or self._new_area(lat, lon)
        east, north = area.place(lat, lon)
        radius = known_within
        if hour is not None and heading is not None:
            east, north, radius = off_the_bow(east, north, heading, distance, hour, known_within)
        elif distance > 0.0:
            radius = around_the_boat(known_within, distance)
        level = self._level_on(area)
        top = None if depth is None else depth - level
        wanted = Mark(0, kind, east, north, radius, top, note, utc)
        known = next((mark for mark in area.marks if _same(mark, wanted)), None)
        if known is not None:
            return known
        return area.marks.add(kind, east, north, radius=radius, depth=depth, level=level, note=note, utc=utc)

    def marked_near(self, lat: float, lon: float, within: float) -> bool:
        """Tell whether there is a mark within a distance of a place, m."""
        area = self._opened(lat, lon)
        return area is not None and bool(area.marks.near(*area.place(lat, lon), within))

    def unmark(self, mark: Mark) -> bool:
        """Take a mark away; return whether it was there."""
        for area in self.areas:
            if area.loaded and any(one is mark for one in area.marks):
                area.marks.remove(mark.number)
                return True
        return False

    def area_of(self, lat: float, lon: float) -> Area | None:
        """Return the area a place lies on: the boat's when it reaches so far, else the nearest that does.

        It changes nothing and reads nothing: what is kept of the area is read by `open_area`.
        """
        if self.here is not None and _reaches(self.here, lat, lon):
            return self.here
        near = [area for area in self.areas if _reaches(area, lat, lon)]
        return min(near, key=lambda area: math.hypot(*area.place(lat, lon)), default=None)

    def open_area(self, lat: float, lon: float) -> Area | None:
        """Read what is kept of the area a place lies on and begin today there; return the area, or None.

        The boat's own fixes open its area. Whoever asks about a place where the boat has not been opens it
        first; until then nothing is known there.
        """
        area = self.area_of(lat, lon)
        if area is not None and area.number not in self._begun:
            self._begin_on(area)
        return area

    def _begin_on(self, area: Area) -> None:
        self._begun.add(area.number)
        area.sounded_with(self._half_beam)
        area.surface.begin_trip(self._level_on(area))

    def _opened(self, lat: float, lon: float) -> Area | None:
        area = self.area_of(lat, lon)
        return area if area is not None and area.number in self._begun else None

    def _take_fix(self, t: float, lat: float, lon: float) -> tuple[CoverHint, ...]:
        area = self.here
        if area is None or not _reaches(area, lat, lon):
            area = self.open_area(lat, lon) or self._new_area(lat, lon)
            self._leave()
            self.here = area
        placed = self._joiner.fix(t, *area.place(lat, lon))
        return self._pass_on([kept for sounding in placed for kept in self._gate.place(sounding)])

    def _pass_on(self, kept: Iterable[Sounding]) -> tuple[CoverHint, ...]:
        """Put soundings on the surface, and look at what stands above it."""
        for sounding in kept:
            self._add(sounding)
        gate, area = self._gate, self.here
        if not gate.excursions or area is None:
            return NO_HINTS
        excursions, gate.excursions = gate.excursions, []
        return tuple(_hint(area, cover) for cover in self._cover.accept_excursions(excursions))

    def _level_on(self, area: Area) -> float:
        return self._told_levels.get(area.number, self._level)

    def _add(self, sounding: Sounding) -> None:
        assert self.here is not None
        self.kept += 1
        if self.kept > self._already:
            self.here.surface.add(sounding.east, sounding.north, sounding.depth)

    def _new_area(self, lat: float, lon: float) -> Area:
        number = max((area.number for area in self.areas), default=0) + 1
        area = Area(number, round(lat, 4), round(lon, 4))
        self.areas.append(area)
        self.open_area(lat, lon)
        return area

    def _leave(self) -> None:
        """End what joiner and gates know of this water; pings that they never could place are counted."""
        self._joiner.flush()
        if self._track is not None:
            for kept in self._track.flush():
                self._add(kept)
        self._dropped = self.dropped
        self._joiner, self._cover, self._track = Joiner(self._mounting), CoverWatch(), None
        self._gate.leave()

    def _true_depth(self, reading: Depth) -> float:
        assert reading.below_surface is not None
        if self._sound == 1.0:
            return reading.below_surface
        echo = reading.below_surface if reading.below_transducer is None else reading.below_transducer
        return reading.below_surface + (self._sound - 1.0) * echo

    def _take_temperature(self, celsius: float | None) -> None:
        if self._from_sound_speed and celsius is not None and 0.0 <= celsius <= 40.0:
            self._sound = sound_speed(celsius) / USUAL_SOUND_SPEED


def _reaches(area: Area, lat: float, lon: float) -> bool:
    east, north = area.place(lat, lon)
    return east * east + north * north <= AREA_REACH * AREA_REACH


def _same(one: Mark, other: Mark) -> bool:
    """Tell whether two marks are one: said at the same instant or, where one has none, of the same place.

    Files carry depths to the centimetre.
    """
    if (one.kind, one.note, one.top is None) != (other.kind, other.note, other.top is None):
        return False
    if one.top is not None and other.top is not None and abs(one.top - other.top) > 0.011:
        return False
    if one.utc is not None and other.utc is not None:
        return one.utc == other.utc
    return math.hypot(one.east - other.east, one.north - other.north) <= SAME_PLACE


def _hint(area: Area, cover: PossibleCover) -> CoverHint:
    lat, lon = area.plane.to_latlon(cover.east, cover.north)
    return CoverHint(lat, lon, cover.top, cover.bottom, cover.height, cover.width)
