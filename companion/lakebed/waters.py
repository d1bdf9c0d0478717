"""The waters the boat has been on: one plane each, what is known of its bottom, and the marks on it.

The Earth is round and a trailer has wheels, so waters that lie far apart are kept on
planes of their own, one an `Area`; an area is read from where it is kept when the boat
first comes to it. Answers are in latitude and longitude. Depths are metres below
today's surface, bearings degrees clockwise from true north.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from companion.events import MarkKind
from companion.lakebed.marks import (
    FIX_RADIUS_M,
    Mark,
    Marks,
    around_the_boat,
    off_the_bow,
)
from companion.lakebed.surface import (
    BottomProfile,
    Surface,
    SurfaceEstimate,
    profiles,
)
from companion.lakebed.water_level import LevelHint
from companion.sensing.localplane import LocalPlane, metres_per_degree

SAME_PLACE = 0.5
"""Two marks of the same thing without a time, so near to each other, are one, m."""
AREA_REACH = 25_000.0
"""How far from its origin an area reaches, m: lengths on its plane are then good to half a percent."""

HALF_BEAM = math.radians(10.0)
"""Half the angle of a sounder's cone, rad, when it is not told (common practice, no
source): with it the map of an invented lake sounded through cones of 10, 20 and 40
degrees is nearer its truth than without."""

Load = Callable[[], tuple[Surface, Marks]]
"""Reads what is kept of an area."""


class Area:
    """A piece of the Earth on one plane: its number, the plane, and the surface and marks on it."""

    def __init__(
        self, number: int, lat: float, lon: float, load: Load | None = None
    ) -> None:
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


class Waters:
    """Every water the boat has been on; one thread only.

    Args:
        areas: what is kept of earlier days.
        half_beam: half the angle of the sounder's cone, rad, for the correction of
            slopes; None: none.

    Attributes:
        areas: every water.
        here: the one the boat is on; None before its first place.
    """

    def __init__(
        self, areas: Iterable[Area] = (), half_beam: float | None = HALF_BEAM
    ) -> None:
        self.areas = list(areas)
        self.here: Area | None = None
        self._half_beam = half_beam
        self._level = 0.0
        self._told_levels: dict[int, float] = {}
        self._begun: set[int] = set()

    def begin_day(self, level: float) -> None:
        """Begin another day: the water stands `level` m above each area's zero until a level is told."""
        self._level = level
        self._told_levels = {}
        self.here = None
        self._begun = set()
        for area in self.areas:
            if area.loaded:
                self._begin_on(area)

    @property
    def level(self) -> float:
        """Return how far the water stands above the zero of the area the boat is on, m."""
        if self.here is None:
            return self._level
        return self._level_on(self.here)

    def water_level(self, rise: float) -> None:
        """The water stands `rise` m above where it stood when this lake was mapped; for all of today."""
        if self.here is None:
            self._level = rise
        else:
            self._told_levels[self.here.number] = rise
            self.here.surface.change_level(rise)

    def level_hint(self) -> LevelHint | None:
        """Return by how much today's soundings disagree with the map, once that is plain; else None."""
        if self.here is None:
            return None
        return self.here.surface.level_hint()

    @property
    def level_taken_back(self) -> bool:
        """Return whether `level_hint` was sure on this water today, and is no longer."""
        sure = self.level_hint() is not None
        return (
            self.here is not None
            and not sure
            and self.here.surface.comparison.taken_back
        )

    def bottom(self, lat: float, lon: float) -> tuple[float, float] | None:
        """Return depth and its standard deviation at a place, m; None when nothing is known there."""
        found = self.bottoms([(lat, lon)])
        depth, sigma = float(found.depth[0]), float(found.sigma[0])
        if math.isnan(depth):
            return None
        return depth, sigma

    def bottoms(self, places: Sequence[tuple[float, float]]) -> SurfaceEstimate:
        """Return the bottom at some places, latitude and longitude each; NaN where nothing is known."""
        unknown = np.full(len(places), np.nan)
        found = SurfaceEstimate(unknown, unknown.copy())
        together: dict[int, list[int]] = {}
        areas = [self._opened(lat, lon) for lat, lon in places]
        for i, area in enumerate(areas):
            if area is not None:
                together.setdefault(area.number, []).append(i)
        for some in together.values():
            area = areas[some[0]]
            assert area is not None
            east, north = np.array([area.place(*places[i]) for i in some]).T
            here = area.surface.at(east, north)
            found.depth[some], found.sigma[some] = here.depth, here.sigma
        return found

    def along(
        self, lat: float, lon: float, bearing: float, length: float, step: float = 1.0
    ) -> BottomProfile:
        """Return the bottom along a line, every `step` m for `length` m; NaN where nothing is known."""
        return self.along_each(lat, lon, [bearing], length, step)[0]

    def along_each(
        self,
        lat: float,
        lon: float,
        bearings: Sequence[float],
        length: float,
        step: float = 1.0,
    ) -> list[BottomProfile]:
        """Return what `along` does for several bearings, quicker than one after another."""
        area = self._opened(lat, lon)
        if area is None:
            distance = np.arange(0.0, length + 0.5 * step, step)
            unknown = np.full_like(distance, np.nan)
            return [BottomProfile(distance, unknown, unknown) for _ in bearings]
        place = area.place(lat, lon)
        return profiles(area.surface, place, bearings, length, step)

    def about(self, lat: float, lon: float, within: float) -> float | None:
        """Return the middle depth of what was sounded within a square of so many m each way; else None.

        A look at the cells without any estimate between them: a hundred times quicker
        than `bottom`.
        """
        area = self._opened(lat, lon)
        if area is None:
            return None
        return area.surface.about(*area.place(lat, lon), within)

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

        What is marked already, by a day that is replayed or in another file, is
        returned as it is.

        Args:
            kind: what is there.
            lat: of the boat (or of the place itself), degrees.
            lon: the same, degrees.
            depth: of its top, m below today's surface.
            distance: how far from the boat, m.
            hour: in which direction, o'clock off the bow.
            heading: of the bow, degrees; without it, or without an hour, a distant
                place is somewhere around the boat, and the mark says so by its radius.
            note: words.
            utc: when, ISO 8601.
            known_within: how far off the place given is nine times in ten at most, m.
        """
        area = self.open_area(lat, lon) or self._new_area(lat, lon)
        east, north = area.place(lat, lon)
        radius = known_within
        if hour is not None and heading is not None:
            east, north, radius = off_the_bow(
                east, north, heading, distance, hour, known_within
            )
        elif distance > 0.0:
            radius = around_the_boat(known_within, distance)
        level = self._level_on(area)
        top = None if depth is None else depth - level
        wanted = Mark(0, kind, east, north, radius, top, note, utc)
        known = next((mark for mark in area.marks if _same(mark, wanted)), None)
        if known is not None:
            return known
        return area.marks.add(
            kind,
            east,
            north,
            radius=radius,
            depth=depth,
            level=level,
            note=note,
            utc=utc,
        )

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

        It changes nothing and reads nothing: what is kept of the area is read by
        `open_area`.
        """
        if self.here is not None and reaches(self.here, lat, lon):
            return self.here
        near = [area for area in self.areas if reaches(area, lat, lon)]
        return min(
            near, key=lambda area: math.hypot(*area.place(lat, lon)), default=None
        )

    def open_area(self, lat: float, lon: float) -> Area | None:
        """Read what is kept of the area a place lies on and begin today there; return the area, or None.

        The boat's own fixes open its area. Whoever asks about a place where the boat
        has not been opens it first; until then nothing is known there.
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
        if area is None or area.number not in self._begun:
            return None
        return area

    def _level_on(self, area: Area) -> float:
        return self._told_levels.get(area.number, self._level)

    def _new_area(self, lat: float, lon: float) -> Area:
        number = max((area.number for area in self.areas), default=0) + 1
        area = Area(number, round(lat, 4), round(lon, 4))
        self.areas.append(area)
        self.open_area(lat, lon)
        return area


def reaches(area: Area, lat: float, lon: float) -> bool:
    """Tell whether a place, degrees, lies on an area."""
    east, north = area.place(lat, lon)
    return east * east + north * north <= AREA_REACH * AREA_REACH


def _same(one: Mark, other: Mark) -> bool:
    """Tell whether two marks are one: said at the same instant or, where one has none, of the same place.

    Files carry depths to the centimetre.
    """
    if (one.kind, one.note, one.top is None) != (
        other.kind,
        other.note,
        other.top is None,
    ):
        return False
    if (
        one.top is not None
        and other.top is not None
        and abs(one.top - other.top) > 0.011
    ):
        return False
    if one.utc is not None and other.utc is not None:
        return one.utc == other.utc
    return math.hypot(one.east - other.east, one.north - other.north) <= SAME_PLACE
