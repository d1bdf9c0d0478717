"""What is searched for, where, and over which bottom, when somebody asks which rod or where from."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from companion import config
from companion.casting.ground import Mapped, TopOnWay
from companion.casting.plan import LEAST_CROWN_M, Wish
from companion.casting.planning import (
    AROUND_M,
    CLEAR_HEIGHT_M,
    LONGEST_CASTS,
    MARK_NEAR_M,
    Planner,
)
from companion.casting.pose import BoatPose, Current
from companion.events import Fix
from companion.lakebed.bed import Bed
from companion.lakebed.surface import SurfaceEstimate
from companion.tackle import calibrations, reaches

HERE = Fix(45.0, -93.0, 2.0)
PLACE = (100.0, 200.0)


def mark(kind: str, east: float, north: float, **other: object) -> SimpleNamespace:
    told = {"radius": 2.0, "top": 3.0, "sigma": 1.5, "number": 7} | other
    return SimpleNamespace(kind=kind, east=east, north=north, **told)


class Marks(list):
    """Marks of which those near a place are found, nearest first."""

    def near(self, east: float, north: float, within: float):
        assert (east, north, within) == (*PLACE, MARK_NEAR_M)
        return list(self)

    def along(self, east, north, bearing, length, aside):
        assert (east, north) == PLACE
        assert (bearing, length, aside) == (90.0, 40.0, 5.0)
        return [SimpleNamespace(distance=11.0, aside=-2.0, mark=one) for one in self]


class Waters:
    """A bed with one area, whose surface is told which part of it is wanted."""

    def __init__(self, *marks: SimpleNamespace, extent: object = "some") -> None:
        self.copied: list[tuple[float, ...]] = []
        surface = SimpleNamespace(extent=extent, copy_around=self._copy, level=0.25)
        self.area = SimpleNamespace(
            place=lambda lat, lon: (
                PLACE if (lat, lon) == (HERE.lat, HERE.lon) else None
            ),
            marks=Marks(marks),
            surface=surface,
        )

    def _copy(self, *within: float) -> str:
        self.copied.append(within)
        return "the bottom around"

    def area_of(self, lat: float, lon: float):
        return self.area if (lat, lon) == (HERE.lat, HERE.lon) else None

    def bottoms(self, places: list[tuple[float, float]]):
        known = np.array([place == (HERE.lat, HERE.lon) for place in places], bool)
        return SurfaceEstimate(
            np.where(known, 5.0, np.nan), np.where(known, 0.5, np.nan)
        )

    def along_each(self, *asked: object):
        assert asked == (HERE.lat, HERE.lon, [90.0], 40.0, 1.0)
        return [SimpleNamespace(depth="depths", sigma="sigmas")]


DECK = SimpleNamespace(
    rods=[SimpleNamespace(cast=30.0), SimpleNamespace(cast=40.0)],
    reaches_as_now=lambda towards, _in_hand=None: (
        "reaches" if towards is None else towards
    ),
)


def around(east: float, north: float, far: float) -> tuple[float, ...]:
    return (east - far, north - far, east + far, north + far)


def test_which_rod_is_searched_around_a_boat_that_stays_where_it_lies():
    bed = Waters(mark("tree top", 1.0, 2.0), mark("brush", 3.0, 4.0))
    search = Planner(DECK, bed).which_rod(BoatPose(HERE))
    within = around(*PLACE, LONGEST_CASTS * 40.0)
    assert (search.within, search.boat) == (within, PLACE)
    assert bed.copied == [within]
    assert search.surface == "the bottom around"
    assert search.tops == (bed.area.marks[0],)
    assert search.reaches == "reaches"
    assert (search.target.name, search.target.lines) == ("here", None)
    assert search.wish == Wish(boat=PLACE)


def test_in_a_current_the_rods_reach_as_the_boat_moves_or_as_it_is_held():
    north = Current(0.5, 0.0)
    with_water = BoatPose(HERE, 0.0, 0.0, 0.5, None, north)
    moving = Planner(DECK, Waters()).which_rod(with_water).reaches
    assert moving(0.0) == pytest.approx(0.0)
    held = Planner(DECK, Waters()).where_from(with_water).reaches
    assert [held(b) for b in (0.0, 90.0, 180.0)] == pytest.approx([-0.5, 0.0, 0.5])


def test_where_from_is_searched_around_the_boat_where_no_mark_is_near():
    search = Planner(DECK, Waters()).where_from(BoatPose(HERE))
    assert search.within == around(*PLACE, AROUND_M)
    assert (search.target.name, search.target.lines) == ("around here", None)
    assert search.wish == Wish()
    assert (search.boat, search.tops) == (PLACE, ())


def test_where_from_is_searched_around_the_nearest_mark_which_is_to_be_touched():
    bed = Waters(mark("brush", 110.0, 220.0), mark("ledge", 1.0, 2.0))
    search = Planner(DECK, bed).where_from(BoatPose(HERE))
    assert search.within == around(110.0, 220.0, AROUND_M)
    assert search.boat == PLACE
    assert search.wish == Wish()
    assert search.target.name == "brush"
    assert np.array_equal(search.target.lines[0], [[110.0, 220.0]])


@pytest.mark.parametrize("radius", [0.0, LEAST_CROWN_M + 3.0])
def test_a_tree_top_is_to_be_passed_over(radius):
    top = mark("tree top", 110.0, 220.0, radius=radius)
    search = Planner(DECK, Waters(top)).where_from(BoatPose(HERE))
    assert search.wish == Wish(height=CLEAR_HEIGHT_M, clear=True)
    assert search.target.name == "tree top"
    assert search.target.within == max(radius, LEAST_CROWN_M)
    assert search.tops == (top,)


@pytest.mark.parametrize("ask", ["which_rod", "where_from"])
def test_nothing_is_searched_where_nothing_is_known(ask):
    assert getattr(Planner(DECK, Waters()), ask)(BoatPose()) is None
    elsewhere = BoatPose(Fix(10.0, 10.0, 2.0))
    assert getattr(Planner(DECK, Waters()), ask)(elsewhere) is None
    empty = Planner(DECK, Waters(extent=None))
    assert getattr(empty, ask)(BoatPose(HERE)) is None


class TestTimber:
    """A boat over water too deep for any rod, with a tree in range."""

    @pytest.fixture(scope="class")
    @staticmethod
    def rods():
        settings = config.parse(config.example_text(), "the example config")
        return reaches(settings.rods, calibrations(settings.rods))

    def found(self, rods, *tops):
        bed = Bed(())
        bed.add(HERE.lat, HERE.lon, 18.0)
        area = bed.here
        for east in range(-60, 61, 4):
            for north in range(-60, 61, 4):
                bed.add(*area.plane.to_latlon(float(east), float(north)), 18.0)
        for top in tops:
            area.marks.add("tree top", 0.0, 20.0, depth=top)
        deck = SimpleNamespace(
            rods=[SimpleNamespace(cast=40.0)],
            reaches_as_now=lambda *_: lambda: rods,
        )
        return Planner(deck, bed).which_rod(BoatPose(HERE)).found.plan

    def test_a_tree_that_a_lure_meets_is_told_as_a_tree_and_where_it_stands(self, rods):
        plan = self.found(rods, 4.0)
        assert plan.over_timber == pytest.approx(0.0, abs=0.05)
        assert plan.stand_off == pytest.approx(20.0, abs=4.0)

    def test_one_that_all_lures_pass_is_told_by_how_much(self, rods):
        plan = self.found(rods, 6.3)
        away, depth = np.array(next(r.path for r in rods if r.rod == plan.rod)).T
        there = np.interp(-plan.stand_off, -away, depth)
        assert plan.over_timber == pytest.approx(6.3 - there, abs=0.2)
        assert plan.stand_off == pytest.approx(20.0, abs=4.0)

    def test_without_one_nothing_is_in_range(self, rods):
        assert self.found(rods) is None
        assert self.found(rods, 12.0) is None
        assert self.found(rods, None) is None


class TestMapped:
    """The ground as the lakebed knows it."""

    def test_a_ray_is_a_profile_of_the_bed_in_steps_of_a_metre(self):
        ray = Mapped(Waters()).ray(HERE, 90.0, 40.0)
        assert ray == ("depths", "sigmas")

    def test_places_that_are_not_known_are_no_depth(self):
        spots = Mapped(Waters()).spots([HERE, Fix(1.0, 1.0, 2.0)])
        assert spots.depth[0] == 5.0
        assert spots.sigma[0] == 0.5
        assert np.isnan([spots.depth[1], spots.sigma[1]]).all()
        assert spots.depth.dtype == float
        assert len(Mapped(Waters()).spots([]).depth) == 0

    def test_tops_on_the_way_are_as_deep_as_the_water_stands_today(self):
        bed = Waters(
            mark("tree top", 1.0, 2.0),
            mark("brush", 3.0, 4.0),
            mark("tree top", 3.0, 4.0, top=None),
        )
        assert Mapped(bed).tops(HERE, 90.0, 40.0, 5.0) == [
            TopOnWay(11.0, -2.0, 1.5, 3.25, 7)
        ]
        assert not Mapped(bed).tops(Fix(1.0, 1.0, 2.0), 90.0, 40.0, 5.0)
