"""The planner against brute force, and the rules it keeps."""

import dataclasses
import importlib.util
import math
from pathlib import Path

import msgspec
import numpy as np
import pytest

from companion import config
from companion.casting.plan import (
    BEARINGS_DEG,
    FINE_STEP_M,
    Target,
    ground,
    plan,
    zone,
)
from companion.casting.pose import Current
from companion.casting.swim import Wish, equal_shifts
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief
from companion.tackle import calibrations, reaches, reaches_adrift

_spec = importlib.util.spec_from_file_location(
    "plan_brute", Path(__file__).parents[1] / "bench" / "plan_brute.py"
)
brute = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(brute)


@pytest.fixture(scope="module")
def rods():
    """The rods of the example config: one lure on three lines."""
    settings = config.parse(config.example_text(), "the example config")
    return reaches(settings.rods, calibrations(settings.rods))


def lake(bottom, side=80.0, step=2.0, sigma=0.2):
    """A square relief of an invented bottom, depth as a function of east and north."""
    line = np.arange(0.0, side + 0.5 * step, step)
    depth = np.asarray(bottom(*np.meshgrid(line, line)), dtype=float)
    return Relief(line, line, depth, np.where(np.isnan(depth), np.nan, sigma))


def ledge(east, north):
    return (
        3.2
        + 0.01 * north
        + 3.5 / (1.0 + np.exp(-(east - 40.0 - 5.0 * np.sin(north / 20.0)) / 1.5))
    )


def hump(east, north):
    return 6.5 - 2.4 * np.exp(-((east - 40.0) ** 2 + (north - 38.0) ** 2) / 200.0)


def slope(east, north):
    return 1.8 + 0.045 * (east + 0.4 * north)


CASES = [
    (hump, Target.at("hump", 40.0, 38.0), Wish()),
    (
        ledge,
        Target("ledge", (np.array([[40.0, 20.0], [44.0, 60.0]]),)),
        Wish(height=0.0),
    ),
    (
        slope,
        Target(
            "slope", depths=(3.5, 5.0), lines=(np.array([[40.0, 40.0]]),), within=12.0
        ),
        Wish(dig=None),
    ),
    (hump, Target.at("hump", 44.0, 38.0), Wish(height=1.2, clear=True)),
]


@pytest.mark.parametrize(
    ("bottom", "target", "wish"), CASES, ids=["point", "line", "depths", "clear"]
)
def test_same_optimum_as_brute_force(rods, bottom, target, wish):
    on = ground(lake(bottom, 60.0))
    chosen = rods[1:] if target.place else rods[2:]
    slow = brute.Brute(on, chosen, target, wish)
    most, cast, count = slow.best()
    found = plan(
        on, chosen, target, wish, least_clear=0.0
    )  # brute force throws exactly
    best = found[0]
    again = slow.metres(
        best.east, best.north, best.bearing, [r.rod for r in chosen].index(best.rod)
    ).mean()
    print(
        f"{count} casts: brute force {most:.3f} m at {cast}, plan {again:.3f} m, {best.metres:.3f} told"
    )
    assert count > 1000
    assert most > 3.0
    assert again >= 0.98 * most
    assert best.metres == pytest.approx(again, rel=0.01)


def test_best_first_and_unlike_each_other(rods):
    found = plan(ground(lake(ledge)), rods, Target("all"))
    assert len(found) == 3
    assert [p.metres for p in found] == sorted((p.metres for p in found), reverse=True)
    middles = [p.at(0.5 * (p.begins + p.ends)) for p in found]
    for a in range(3):
        for b in range(a):
            turned = abs((found[a].bearing - found[b].bearing + 180.0) % 360.0 - 180.0)
            unlike = math.dist(middles[a], middles[b]) >= 15.0 or turned >= 40.0
            held = (
                math.dist(
                    (found[a].east, found[a].north), (found[b].east, found[b].north)
                )
                < 12.0
            )
            other = found[a].manner != found[b].manner and not (held and turned < 15.0)
            assert unlike or found[a].rod != found[b].rod or other


@pytest.mark.parametrize("bottom", [ledge, hump])
def test_one_of_three_is_with_another_rod_where_one_is_worth_half_as_much(rods, bottom):
    found = plan(ground(lake(bottom)), rods, Target("all"))
    others = [rod for rod in rods if rod.rod != found[0].rod]
    worth = plan(ground(lake(bottom)), others, Target("all"), most=1)
    assert worth[0].metres >= 0.5 * found[0].metres
    assert len({one.rod for one in found}) > 1


def test_the_boat_stays_off_what_it_fishes_for(rods):
    on, target = ground(lake(hump)), Target.at("hump", 40.0, 38.0)
    for stand_off in (10.0, 18.0):
        for found in plan(on, rods, target, Wish(stand_off=stand_off)):
            assert math.hypot(found.east - 40.0, found.north - 38.0) >= stand_off
            assert found.ends >= stand_off


def test_the_boat_lies_only_in_mapped_water_deep_enough(rods):
    def half_mapped(east, north):
        return np.where(east > 50.0, np.nan, ledge(east, north))

    relief = lake(half_mapped)
    for found in plan(ground(relief), rods, Target("all"), Wish(least_water=3.4)):
        row, column = round(found.north / 2.0), round(found.east / 2.0)
        assert relief.depth[row, column] >= 3.4
        landing = found.at(found.cast)
        assert landing[0] <= 51.0
    from_outside = Wish(boat=(58.0, 40.0))
    assert plan(
        ground(relief, anywhere=True), rods, Target.at("lip", 36.0, 40.0), from_outside
    )
    anywhere = plan(ground(relief, anywhere=True), rods, Target.at("lip", 36.0, 40.0))
    assert (
        anywhere[0].metres
        >= plan(ground(relief), rods, Target.at("lip", 36.0, 40.0))[0].metres
    )


def test_a_boat_that_stays_where_it_is(rods):
    found = plan(ground(lake(hump)), rods, Target("all"), Wish(boat=(20.5, 38.5)))
    assert {(p.east, p.north) for p in found} == {(20.5, 38.5)}
    assert abs((found[0].bearing - 90.0 + 180.0) % 360.0 - 180.0) < 30.0


def test_nothing_where_no_rod_gets_down_and_nothing_where_nothing_is_mapped(rods):
    assert (
        plan(
            ground(lake(lambda east, north: 30.0 + 0.0 * (east + north))),
            rods,
            Target("all"),
        )
        == ()
    )
    assert (
        plan(
            ground(lake(lambda east, north: np.nan * (east + north))),
            rods,
            Target("all"),
        )
        == ()
    )
    assert plan(ground(lake(hump)), rods, Target.at("far away", 900.0, 900.0)) == ()


def test_only_the_manner_asked_for(rods):
    found = plan(ground(lake(ledge)), rods, Target("all"), Wish(manner="off the break"))
    assert found
    assert {p.manner for p in found} == {"off the break"}


def test_surer_where_the_bottom_is_known_better(rods):
    target = Target.at("hump", 40.0, 38.0)
    sure, unsure = (
        plan(ground(lake(hump, sigma=s)), rods, target)[0] for s in (0.1, 2.0)
    )
    assert sure.sureness > unsure.sureness
    assert sure.metres > unsure.metres
    assert sure.low <= sure.metres <= sure.high


def test_a_rod_known_better_is_planned_with_more_surely(rods):
    # A band a tenth as wide: what many touches would teach.
    def narrowed(rod):
        def mid(a, b):
            far, deep = np.array(b).T
            return tuple(
                (x, z + 0.1 * (float(np.interp(-x, -far, deep)) - z)) for x, z in a
            )

        return msgspec.structs.replace(
            rod, shallow=mid(rod.path, rod.shallow), deep=mid(rod.path, rod.deep)
        )

    on, target = ground(lake(hump, sigma=0.1)), Target.at("hump", 40.0, 38.0)
    assert (
        plan(on, [narrowed(r) for r in rods], target)[0].metres
        > plan(on, rods, target)[0].metres
    )


def test_the_way_is_told_as_swum(rods):
    best = plan(ground(lake(hump)), rods, Target.at("hump", 40.0, 38.0))[0]
    away = [step.away for step in best.way]
    assert away == sorted(away, reverse=True)
    assert all(
        step.depth <= step.bottom + 1e-3 for step in best.way if step.bottom is not None
    )
    counted = [step for step in best.way if step.counts]
    assert (counted[0].away, counted[-1].away) == (best.begins, best.ends)
    assert all(step.bottom - step.depth <= 0.3 + 1e-3 for step in counted)
    assert all(
        math.dist(best.at(step.away), (40.0, 38.0)) <= 8.0 + 1.5 for step in counted
    )


def test_tree_tops_stand_on_the_ground():
    tops = [
        Mark(1, "tree top", 40.0, 40.0, 3.0, 2.0),
        Mark(2, "tree top", 20.0, 20.0, 3.0, None),
    ]
    on = ground(lake(slope), tops, level=0.5)
    row, column = 20, 20
    assert on.top[row, column] == pytest.approx(2.5)
    assert on.depth[row, column] == pytest.approx(slope(40.0, 40.0))
    assert on.top[10, 10] == on.depth[10, 10]


def test_zones():
    on = ground(lake(slope))
    east, north = on.places()
    assert np.array_equal(
        zone(on, Target("a", depths=(3.0, 4.0))), (on.depth >= 3.0) & (on.depth <= 4.0)
    )
    point = zone(on, Target.at("p", 30.0, 30.0, within=6.0))
    assert np.array_equal(point, np.hypot(east - 30.0, north - 30.0) <= 6.0)
    line = zone(on, Target("l", (np.array([[10.0, 40.0], [60.0, 40.0]]),), within=4.0))
    assert np.array_equal(
        line, np.hypot(np.clip(east, 10, 60) - east, north - 40.0) <= 4.0
    )


def test_an_edge_lies_where_the_bottom_has_its_depth():
    relief = lake(slope)
    edge = Target.edge(relief, 4.0)
    for line in edge.lines:
        assert slope(line[:, 0], line[:, 1]) == pytest.approx(4.0, abs=0.02)
    near = Target.edge(relief, 4.0, near=(40.0, 20.0), reach=15.0)
    assert all(
        np.hypot(line[:, 0] - 40.0, line[:, 1] - 20.0).max() <= 15.0
        for line in near.lines
    )
    assert Target.edge(relief, 40.0) is None


@pytest.mark.parametrize(
    "fields",
    [
        {"height": -1.0},
        {"band": (3.0, 2.0)},
        {"clear": True, "height": 0.0},
        {"stand_off": -2.0},
    ],
)
def test_a_wish_that_cannot_be(fields):
    with pytest.raises(ValueError, match=r"expected|needs"):
        Wish(**fields)


def test_no_rods():
    with pytest.raises(ValueError, match="no rods"):
        plan(ground(lake(hump)), [], Target("all"))


def test_shifts_stand_for_a_normal_distribution():
    for count in (3, 9, 21, 61):
        shifts = equal_shifts(count)
        assert shifts[count // 2] == 0.0
        assert np.mean(shifts) == pytest.approx(0.0, abs=1e-12)
        assert np.mean(shifts**2) == pytest.approx(1.0)


def test_the_ground_is_not_changed(rods):
    on = ground(lake(hump))
    before = {f.name: np.copy(getattr(on, f.name)) for f in dataclasses.fields(on)}
    plan(on, rods, Target("all"))
    assert all(
        np.array_equal(before[name], getattr(on, name), equal_nan=True)
        for name in before
    )
    assert FINE_STEP_M == 1.0


@pytest.fixture(scope="module")
def held_in_a_knot():
    """The rods of the example config from a boat held in a knot that runs north."""
    settings = config.parse(config.example_text(), "the example config")
    learned = calibrations(settings.rods)
    held = Current(0.5, 0.0).held
    return reaches_adrift(settings.rods[:1], learned, held, BEARINGS_DEG)


def test_in_a_current_a_rod_reaches_further_down_with_it_than_against_it(
    rods, held_in_a_knot
):
    with_it, against = (
        next(one for one in held_in_a_knot if bearing in one.bearings)
        for bearing in (0.0, 180.0)
    )
    assert with_it.reach.best > 1.05 * rods[0].reach.best
    assert against.reach.best < 0.85 * rods[0].reach.best
    every = sorted(bearing for one in held_in_a_knot for bearing in one.bearings)
    assert every == sorted(BEARINGS_DEG), "each way once"


def test_a_plan_in_a_current_casts_the_way_the_lure_gets_down(held_in_a_knot):
    """Over a level bottom that the rod touches with the current only."""
    least, most = (
        pick(max(z for _, z in one.path) for one in held_in_a_knot)
        for pick in (min, max)
    )
    level = lake(lambda east, _: 0.15 * least + 0.85 * most + 0.0 * east)
    found = plan(ground(level), held_in_a_knot, Target("all"))
    assert found
    for one in found:
        assert math.cos(math.radians(one.bearing)) > 0.5, one.bearing


def test_a_path_for_all_ways_is_planned_with_as_ever(rods):
    on, target = ground(lake(hump)), Target.at("hump", 40.0, 38.0)
    split = [
        msgspec.structs.replace(rods[1], bearings=its)
        for its in (BEARINGS_DEG[::2], BEARINGS_DEG[1::2])
    ]
    whole, parts = plan(on, rods[1:2], target, most=1), plan(on, split, target, most=1)
    assert parts[0].metres == pytest.approx(whole[0].metres, rel=0.03)
