"""A cast over the known bottom: the physics decides what is touched."""

from dataclasses import replace

import numpy as np
import pytest

from companion import config
from companion.simulate.angler import Flaw, rig, throw
from companion.simulate.boat import Leg, SteadyWind, sail
from companion.simulate.day import boat_settings
from companion.simulate.lake import Lake


@pytest.fixture(scope="module")
def lake():
    return Lake(3)


@pytest.fixture(scope="module")
def rigs():
    rods = config.parse(boat_settings()).rods
    return {rod.number: rig(rod, Flaw()) for rod in rods}


def at_rest(place, seconds=90.0):
    return sail(
        place,
        0.0,
        [Leg(seconds, place, 0.0)],
        SteadyWind(),
        rng=np.random.default_rng(0),
    )


def deep_water(lake):
    """A place over the flat with nothing but water for 50 m towards the deep."""
    flat, (dx, dy) = lake.place("timber"), lake.offset(-90.0, 40.0)
    return flat.x + dx, flat.y + dy


def outwards(lake):
    return (lake.towards_shore() + 180.0) % 360.0


def test_in_deep_water_nothing_is_touched_and_thicker_lines_go_less_deep(lake, rigs):
    boat = at_rest(deep_water(lake))
    casts = [
        throw(lake, boat, rigs[n], landed=5.0, bearing=outwards(lake), length=35.0)
        for n in (1, 2, 3, 4)
    ]
    assert not any(cast.touches for cast in casts)
    deepest = [cast.z.max() for cast in casts]
    assert deepest == sorted(deepest, reverse=True)
    assert deepest[0] - deepest[2] > 0.3


def test_at_rest_the_way_is_straight_and_ends_at_the_rod(lake, rigs):
    x0, y0 = deep_water(lake)
    bearing = outwards(lake)
    cast = throw(
        lake, at_rest((x0, y0)), rigs[1], landed=5.0, bearing=bearing, length=40.0
    )
    along = (cast.x - x0) * np.sin(np.radians(bearing)) + (cast.y - y0) * np.cos(
        np.radians(bearing)
    )
    aside = (cast.x - x0) * np.cos(np.radians(bearing)) - (cast.y - y0) * np.sin(
        np.radians(bearing)
    )
    assert np.abs(aside).max() < 1e-6
    assert along[0] == pytest.approx(40.0, abs=0.2)
    assert along[-1] < 6.0
    assert np.all(np.diff(along) < 1e-6)


def test_a_lure_follows_a_boat_that_moves_across_the_cast(lake, rigs):
    x0, y0 = deep_water(lake)
    dx, dy = lake.offset(-40.0, 0.0)
    boat = sail(
        (x0, y0),
        0.0,
        [Leg(90.0, (x0 + dx, y0 + dy), 0.4, "trolling")],
        SteadyWind(),
        rng=np.random.default_rng(0),
    )
    cast = throw(lake, boat, rigs[1], landed=5.0, bearing=outwards(lake), length=40.0)
    tip_x, tip_y = boat.at(cast.ended)
    assert np.hypot(cast.x[-1] - tip_x, cast.y[-1] - tip_y) < 6.0
    assert np.hypot(tip_x - x0, tip_y - y0) > 8.0


def test_over_the_shelf_it_touches_and_never_goes_through(lake, rigs):
    ledge = lake.place("ledge")
    dx, dy = lake.offset(0.0, 12.0)
    cast = throw(
        lake,
        at_rest((ledge.x + dx, ledge.y + dy)),
        rigs[1],
        landed=5.0,
        bearing=lake.towards_shore(),
        length=40.0,
    )
    assert cast.touches
    first = cast.touches[0]
    assert first.met in ("bottom", "grass")
    assert 5.0 < first.t < cast.ended
    assert np.all(cast.z <= lake.bottom(cast.x, cast.y) + 0.1)
    x, y, z = cast.at(first.t)
    assert (x, y, z) == pytest.approx((first.x, first.y, first.depth), abs=0.02)


def test_a_tree_in_the_way_is_met_by_the_thin_line_only(lake, rigs):
    """Common practice (no source): a thin-line rod touches where the thick-line rod clears the timber."""
    trees = lake.trees
    tree = int(np.argmin(np.abs(trees.top - 4.3)))
    start = (trees.x[tree] - 13.0 * np.sin(0.5), trees.y[tree] - 13.0 * np.cos(0.5))
    only = Lake(3)
    only.trees = replace(
        trees,
        x=trees.x[[tree]],
        y=trees.y[[tree]],
        top=trees.top[[tree]],
        radius=trees.radius[[tree]],
    )
    bearing = np.degrees(0.5)
    thin, thick = (
        throw(
            only,
            at_rest(start),
            rigs[n],
            landed=5.0,
            bearing=bearing,
            length=rigs[n].retrieve.cast,
        )
        for n in (1, 4)
    )
    assert [touch.met for touch in thin.touches] == ["tree"]
    assert thick.touches == ()


def test_a_flaw_shifts_the_truth_from_what_is_stated():
    rod = config.parse(boat_settings()).rods[0]
    true = rig(rod, Flaw(lift=0.9, line_drag=1.2, cast=0.95))
    assert true.lure.lift_ratio == pytest.approx(0.9 * rod.dive_lure().lift_ratio)
    assert true.line.drag_factor == pytest.approx(1.2 * rod.dive_line().drag_factor)
    assert true.retrieve.cast == pytest.approx(0.95 * rod.cast)
