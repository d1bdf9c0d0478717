"""The bed as the engine uses it: readings in, the bottom out, on whichever water the boat is."""

import math

import numpy as np
import pytest

from companion.lakebed.bed import Bed
from companion.lakebed.breaks import breaks
from companion.lakebed.marks import FIX_RADIUS_M, Marks
from companion.lakebed.soundings import Mounting
from companion.lakebed.surface import Surface
from companion.lakebed.waters import AREA_REACH, Area
from companion.sensing.believed_depth import BelievedDepth
from companion.sensing.localplane import LocalPlane, moved
from companion.sensing.readings import (
    Depth,
    Heading,
    Origin,
    Position,
    Warned,
    WaterTemperature,
)


class JudgedBed(Bed):
    """A bed whose depths are judged as they come, as a trip does it."""

    def begin_trip(self, level=0.0, *, already=0):
        self.belief = BelievedDepth()
        super().begin_trip(level, already=already)

    def accept_reading(self, t, reading):
        depth = reading.below_surface if isinstance(reading, Depth) else None
        verdict = None if depth is None else self.belief.accept_ping(t, depth, 1.0)
        return super().accept_reading(t, reading, verdict)

    def finish(self):
        super().finish(self.belief.finish())


LAT, LON = -47.2, -126.4  # in open ocean: invented water
ORIGIN = Origin("sonar", "SD", "DPT")


def sail(bed, rows, lat=LAT, lon=LON, t0=0.0, **origin):
    """Feed rows t, east, north, depth: a depth at each second and a fix half a second later."""
    plane, hints = LocalPlane(lat, lon), []
    said = Origin("sonar", "SD", "DPT", **origin)
    for t, east, north, depth in np.asarray(rows).tolist():
        below = None if math.isnan(depth) else depth
        hints += bed.accept_reading(t0 + t, Depth(below, below, said))
        hints += bed.accept_reading(
            t0 + t + 0.5, Position(*plane.to_latlon(east, north), None, ORIGIN)
        )
    return hints


def lines(depth=lambda east, _north: 5.0 + 0.02 * east, count=20):
    """A boat at 1 m/s on lines of 60 m, 6 m apart: rows for `sail`."""
    rows = []
    for line in range(count):
        for i in range(61):
            east, north = float(i if line % 2 == 0 else 60 - i), 6.0 * line
            rows.append((61.0 * line + i, east, north, depth(east, north)))
    return rows


def test_readings_become_a_bottom_that_answers():
    bed = JudgedBed()
    sail(bed, lines())
    bed.finish()
    lat, lon = LocalPlane(LAT, LON).to_latlon(30.0, 40.0)
    depth, sigma = bed.bottom(lat, lon)
    assert depth == pytest.approx(5.6, abs=0.1)
    assert 0.0 < sigma < 0.3
    assert bed.kept == len(lines()) - bed.dropped.total()
    line = bed.along(lat, lon, 90.0, 20.0)
    assert line.depth == pytest.approx(5.6 + 0.02 * line.distance, abs=0.15)


def test_a_ledge_is_found_along_a_line():
    bed = JudgedBed()
    sail(
        bed, lines(lambda east, _: 5.0 + 3.0 * min(max((east - 28.0) / 4.0, 0.0), 1.0))
    )
    lat, lon = LocalPlane(LAT, LON).to_latlon(10.0, 40.0)
    (ledge,) = breaks(bed.along(lat, lon, 90.0, 40.0))
    assert ledge.goes == "down"
    # The boat told its depths half a second, half a metre, before the fix they are
    # placed between.
    assert ledge.edge == pytest.approx(18.0, abs=1.5)


def test_nothing_is_known_elsewhere_or_without_a_fix():
    bed = JudgedBed()
    bed.accept_reading(0.0, Depth(5.0, 5.0, ORIGIN))
    assert bed.here is None
    assert bed.bottom(LAT, LON) is None
    assert np.isnan(bed.bottoms([(LAT, LON)] * 2).depth).all()
    assert np.isnan(bed.along(LAT, LON, 0.0, 10.0).depth).all()
    assert breaks(bed.along(LAT, LON, 0.0, 10.0)) == []
    sail(bed, lines())
    assert bed.bottom(*moved(LAT, LON, 0.0, 900.0)) is None


def test_other_readings_change_nothing():
    bed = JudgedBed()
    assert bed.accept_reading(0.0, Warned("a line")) == ()
    assert bed.accept_reading(0.0, Position(None, None, None, ORIGIN)) == ()
    assert bed.accept_reading(0.0, Depth(None, None, ORIGIN)) == ()
    assert (bed.areas, bed.kept, bed.dropped) == ([], 0, {})


def test_every_depth_is_kept_or_counted():
    bed, rows = JudgedBed(), np.array(lines())
    rows[100:103, 3], rows[300, 3], rows[500:502, 3] = 60.0, 0.0, 9.9
    sail(bed, rows)
    bed.finish()
    assert bed.dropped["deep spike"] == 3
    assert bed.dropped["doubled echo"] == 2
    assert bed.dropped["no bottom"] == 1
    assert bed.kept + bed.dropped.total() == len(rows)


def test_flickering_returns_are_offered_as_possible_cover():
    rows = np.array([(float(i), 0.5 * i, 0.0, 9.0) for i in range(120)])
    rows[40:60:4, 3] = 5.5
    bed = JudgedBed()
    hint = sail(bed, rows)[-1]
    assert (hint.top, hint.bottom, hint.height) == (5.5, 9.0, 3.5)
    east, north = LocalPlane(LAT, LON).to_xy(hint.lat, hint.lon)
    assert 18.0 < east < 32.0
    assert abs(north) < 1.0


def test_two_waters_far_apart_are_kept_apart():
    bed = JudgedBed()
    far = moved(LAT, LON, 45.0, 4.0 * AREA_REACH)
    sail(bed, lines(lambda *_: 4.0))
    sail(bed, lines(lambda *_: 12.0), *far, t0=10_000.0)
    bed.finish()
    assert [area.number for area in bed.areas] == [1, 2]
    places = [LocalPlane(*at).to_latlon(30.0, 50.0) for at in ((LAT, LON), far)]
    for place, depth in zip(places, (4.0, 12.0), strict=True):
        assert bed.bottom(*place)[0] == pytest.approx(depth, abs=0.05)
    nowhere = moved(*far, 45.0, 4.0 * AREA_REACH)
    together = bed.bottoms([places[1], nowhere, places[0]]).depth
    assert together == pytest.approx([12.0, np.nan, 4.0], abs=0.05, nan_ok=True)
    sail(bed, lines(lambda *_: 4.0), t0=20_000.0)
    assert bed.here.number == 1
    assert len(bed.areas) == 2


def test_an_area_is_read_only_when_the_boat_comes_to_it():
    asked = []

    def load():
        asked.append(1)
        return Surface(), Marks()

    bed = JudgedBed(
        [Area(7, *moved(LAT, LON, 90.0, 1000.0), load), Area(9, 10.0, 10.0, load)]
    )
    sail(bed, lines(count=1))
    assert asked == [1]
    assert bed.here.number == 7
    assert not bed.areas[1].loaded


def test_asking_about_a_place_reads_nothing_until_its_area_is_opened():
    def load():
        surface = Surface()
        surface.add(0.0, 0.0, 5.0)
        return surface, Marks()

    bed = JudgedBed([Area(7, LAT, LON, load)], level=1.5)
    assert bed.area_of(LAT, LON) is bed.areas[0]
    assert bed.bottom(LAT, LON) is bed.about(LAT, LON, 5.0) is None
    assert np.isnan(bed.along(LAT, LON, 0.0, 5.0).depth).all()
    assert not bed.areas[0].loaded
    assert bed.open_area(LAT, LON) is bed.areas[0]
    assert bed.bottom(LAT, LON)[0] == pytest.approx(6.5, abs=0.01)
    assert bed.open_area(*moved(LAT, LON, 0.0, 2.0 * AREA_REACH)) is None


def test_water_told_before_the_first_fix_and_after_it_is_the_same():
    grounds = []
    for early in (True, False):
        bed = JudgedBed()
        if early:
            bed.water_level(0.6)
        sail(bed, lines(lambda *_: 5.6))
        if not early:
            bed.water_level(0.6)
        assert bed.level == 0.6
        bed.begin_trip(0.0)
        sail(bed, lines(lambda *_: 5.0, count=1), t0=5000.0)
        grounds.append(bed.bottom(*LocalPlane(LAT, LON).to_latlon(30.0, 60.0))[0])
    assert grounds == pytest.approx([5.0, 5.0], abs=0.01)


def test_days_with_different_water_leave_no_step():
    """A metre more water on the second day, told: the seam between the days is no ledge."""
    bed = JudgedBed()
    sail(bed, lines(lambda *_: 5.0, count=10))
    bed.begin_trip(1.0)
    sail(
        bed,
        [(t, east, north + 60.0, z) for t, east, north, z in lines(lambda *_: 6.0)],
        t0=5000.0,
    )
    line = bed.along(*LocalPlane(LAT, LON).to_latlon(30.0, 20.0), 0.0, 80.0)
    assert np.ptp(line.depth) < 0.05
    assert line.depth[0] == pytest.approx(6.0, abs=0.05)


def test_water_not_told_is_noticed():
    bed = JudgedBed()
    sail(bed, lines(lambda *_: 5.0))
    bed.begin_trip()
    sail(bed, lines(lambda *_: 5.9), t0=5000.0)
    assert bed.level_hint().higher == pytest.approx(0.9, abs=0.1)


def test_depths_belong_under_the_transducer_and_to_their_own_instant():
    """The antenna is 3 m behind the transducer; depths come 2 s late, over a drop at 30 m."""
    bed = JudgedBed(mounting=Mounting(forward=3.0), half_beam=None)
    rows = [
        (float(i), float(i) - 3.0, 0.0, 5.0 if i - 2 < 30 else 8.0) for i in range(61)
    ]
    bed.accept_reading(0.0, Heading(90.0, None, ORIGIN))
    sail(bed, rows, latency=2.0)
    line = bed.along(*LocalPlane(LAT, LON).to_latlon(20.0, 0.0), 90.0, 20.0)
    crossing = 20.0 + float(np.interp(6.5, line.depth, line.distance))
    assert crossing == pytest.approx(29.5, abs=1.0)


def test_cold_water_is_corrected_only_when_asked():
    deep = []
    for asked in (False, True):
        bed = JudgedBed(from_sound_speed=asked)
        bed.accept_reading(0.0, WaterTemperature(4.0, ORIGIN))
        sail(bed, lines(lambda *_: 30.0, count=3))
        deep.append(bed.bottom(*LocalPlane(LAT, LON).to_latlon(30.0, 6.0))[0])
    # 4 C: 1421.6 m/s (Del Grosso & Mader 1972; M) where sounders assume 1500.
    assert deep == pytest.approx([30.0, 30.0 * 1421.6 / 1500.0], abs=0.02)


def test_marks_at_the_boat_off_the_bow_and_somewhere_around():
    bed = JudgedBed()
    bed.water_level(0.5)
    sail(bed, lines(count=1))
    at = bed.mark("tree top", LAT, LON, depth=3.0, note="first")
    assert (at.number, at.top, at.radius) == (1, 2.5, FIX_RADIUS_M)
    off = bed.mark("rock pile", LAT, LON, distance=18.0, hour=2, heading=30.0)
    east, north = bed.here.place(LAT, LON)
    assert (off.east - east, off.north - north) == pytest.approx((18.0, 0.0), abs=0.01)
    around = bed.mark("point", LAT, LON, distance=18.0, hour=2)
    assert (around.east, around.north) == (at.east, at.north)
    assert around.radius == pytest.approx(
        18.0 + 1.282 * math.hypot(FIX_RADIUS_M / 2.146, 0.2 * 18.0)
    )
    assert bed.unmark(off)
    assert not bed.unmark(off)
    assert [mark.number for mark in bed.here.marks] == [1, 3]


def test_soundings_taken_in_before_are_not_added_again():
    whole, halves = JudgedBed(), JudgedBed()
    sail(whole, lines())
    whole.finish()
    sail(halves, lines()[:500])
    part = halves.kept
    halves.begin_trip(already=part)
    sail(halves, lines())
    halves.finish()
    assert halves.kept == whole.kept
    assert (
        halves.areas[0].surface.take_changed() == whole.areas[0].surface.take_changed()
    )


def test_an_area_across_the_180th_meridian_is_one():
    bed = JudgedBed()
    sail(bed, lines(), LAT, 179.9999)
    assert len(bed.areas) == 1
    assert bed.bottom(*LocalPlane(LAT, 179.9999).to_latlon(30.0, 40.0))[
        0
    ] == pytest.approx(5.6, abs=0.1)


def test_an_area_places_as_its_plane_does():
    area = Area(1, LAT, LON)
    lat, lon = moved(LAT, LON, 33.0, 5000.0)
    assert area.place(lat, lon) == pytest.approx(area.plane.to_xy(lat, lon), abs=1e-9)


def test_each_water_keeps_the_level_told_on_it():
    far = moved(LAT, LON, 45.0, 4.0 * AREA_REACH)
    bed = JudgedBed()
    sail(bed, lines(lambda *_: 5.0, count=2))
    bed.water_level(0.6)
    sail(bed, lines(lambda *_: 9.0, count=2), *far, t0=5000.0)
    assert bed.level == 0.0
    sail(bed, lines(lambda *_: 5.0, count=2), t0=9000.0)
    assert bed.level == 0.6
    bed.begin_trip(0.0)
    assert bed.bottom(*LocalPlane(LAT, LON).to_latlon(30.0, 3.0))[0] == pytest.approx(
        4.4, abs=0.05
    )
    assert bed.mark("ledge", *far, depth=3.0).top == 3.0


def test_a_day_begun_with_high_water_is_asked_and_marked_before_any_sounding():
    with_water = JudgedBed()
    sail(with_water, lines(lambda *_: 5.0))
    with_water.begin_trip(2.0)
    place = LocalPlane(LAT, LON).to_latlon(30.0, 30.0)
    assert with_water.bottom(*place)[0] == pytest.approx(7.0, abs=0.05)
    assert with_water.mark("tree top", *place, depth=4.0).top == 2.0
