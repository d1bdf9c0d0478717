"""What an angler knows to be a good cast comes out as one. Common practice, no source; lakes invented."""

import math

import msgspec
import numpy as np
import pytest

from companion import config
from companion.casting.plan import Target, ground, plan
from companion.casting.swim import Wish
from companion.lakebed.marks import Mark
from companion.lakebed.relief import Relief
from companion.tackle import calibrations, reaches
from companion.units import FOOT

RIGS = """
[[lures]]
name = "grey heron"
length = "80 mm"
rated.depth = "{depth}"
rated.cast = "36 m"
rated.line = {{ material = "fluorocarbon", diameter = "0.28 mm" }}
style = "{style}"
when_stopped = "rises slowly"
"""
ROD = """
[[rods]]
number = {number}
lure = "grey heron"
line = {{ material = "fluorocarbon", diameter = "{diameter} mm" }}
reel = {{ per_turn = "0.6 m", turns = "1.6/s" }}
cast = "36 m"
"""


def rigged(diameters, depth="5 m", style="steep"):
    """Return the reaches of one lure on lines of some diameters, mm."""
    rods = "".join(ROD.format(number=k, diameter=d) for k, d in enumerate(diameters, 1))
    text = 'units = "feet"\n' + RIGS.format(depth=depth, style=style) + rods
    settings = config.parse(text, "invented rods")
    return reaches(settings.rods, calibrations(settings.rods))


def known_to_within(rod, length):
    """Return a rod whose reach is known to some metres in nine cases of ten, as after many touches."""

    def nearer(band, reach):
        far, depth = np.array(band).T
        share = length / abs(reach - rod.reach.best)
        return tuple(
            (x, z + share * (float(np.interp(-x, -far, depth)) - z))
            for x, z in rod.path
        )

    shallow, deep = nearer(rod.shallow, rod.reach.low), nearer(rod.deep, rod.reach.high)
    return msgspec.structs.replace(rod, shallow=shallow, deep=deep)


def lake(bottom, side=140.0, sigma=0.15):
    line = np.arange(0.0, side + 1.0, 2.0)
    depth = np.asarray(bottom(*np.meshgrid(line, line)), dtype=float)
    return Relief(line, line, depth, np.full_like(depth, sigma))


def apart(a, b):
    """Return the angle between two bearings, degrees."""
    return abs((a - b + 180.0) % 360.0 - 180.0)


def across(bearing, line):
    """Return the angle between a bearing and a line that is the same both ways, degrees."""
    return min(apart(bearing, line), apart(bearing, line + 180.0))


def test_the_lure_that_swims_off_a_break_into_open_water():
    """A shelf at 4 m breaks to 9 m along north; the fish lie at the lip. The boat lies over the deep."""

    def break_(east, _north):
        return 4.0 + 5.0 / (1.0 + np.exp(-(east - 70.0) / 1.2))

    relief = lake(break_)
    target = Target("lip", (np.array([[66.0, 66.0], [66.0, 74.0]]),), within=6.0)
    found = plan(ground(relief), rigged([0.28, 0.36]), target)
    (off,) = [one for one in found if one.manner == "off the break"][:1]
    print(
        f"{off.metres:.1f} m of {found[0].metres:.1f} m, sureness {off.sureness:.2f}, cast {off.bearing}"
    )
    assert off.metres >= 0.7 * found[0].metres
    assert off.sureness >= 0.8
    # From over the deep, up onto the shelf.
    assert off.east > 72.0
    assert apart(off.bearing, 270.0) <= 60.0
    beyond = [step for step in off.way if step.away < off.ends - 5.0]
    assert all(step.bottom - step.depth > 2.0 for step in beyond)


def test_the_tapering_point_that_the_path_runs_parallel_to():
    """A point runs north from the shore in the south and falls 3 m in 100 m; its flanks are steep."""

    def point(east, north):
        return (
            3.2
            + 0.03 * np.maximum(north - 20.0, 0.0)
            + 0.25 * np.maximum(np.abs(east - 70.0) - 3.0, 0.0)
        )

    target = Target("crest", (np.array([[70.0, 30.0], [70.0, 110.0]]),), within=4.0)
    rods = rigged([0.28])
    best = plan(ground(lake(point)), rods, target)[0]
    sideways = plan(
        ground(lake(point)), rods, target, Wish(boat=(88.0, best.at(best.begins)[1]))
    )[0]
    print(
        f"along the crest {best.metres:.1f} m at {best.bearing}; from beside it {sideways.metres:.1f} m"
    )
    assert across(best.bearing, 0.0) <= 22.5
    assert best.metres >= 1.3 * sideways.metres
    assert best.sureness >= 0.8
    # The lure goes out and down with the point, so it is cast towards the shore.
    assert apart(best.bearing, 180.0) <= 22.5


def test_the_grass_edge_fished_parallel_at_its_own_depth():
    """Grass grows down to 11 ft on a bottom that falls 1 in 10 to the east; a thin and a thick line."""
    relief = lake(lambda east, _north: 1.5 + 0.1 * (east - 40.0).clip(0.0))
    edge = 11.0 * FOOT
    rods = rigged([0.22, 0.50], depth="4.4 m")
    target = Target.edge(relief, edge, near=(58.0, 70.0))
    best = plan(ground(relief), rods, Target("grass", target.lines, within=3.0))[0]
    reach = [round(rod.reach.best / FOOT, 1) for rod in rods]
    print(f"reach {reach} ft; rod {best.rod} cast {best.bearing}, {best.metres:.1f} m")
    assert across(best.bearing, 0.0) <= 15.0
    assert best.depth == pytest.approx(edge, abs=0.4)
    # Not the one that goes deepest: the one that just gets down there.
    assert best.rod == 2
    assert 11.0 < reach[1] < 13.0 < reach[0]


def timber():
    """Trees 16 to 17 ft below the surface in 30 ft of water."""
    rng = np.random.default_rng(8)
    tops = [
        Mark(
            k,
            "tree top",
            *rng.uniform(55.0, 85.0, 2),
            radius=2.0,
            top=rng.uniform(16.0, 17.0) * FOOT,
        )
        for k in range(1, 40)
    ]
    return ground(lake(lambda east, _north: 30.0 * FOOT + 0.0 * east), tops)


def test_a_thin_line_touches_the_timber_that_a_thick_line_clears():
    thin, thick = rods = rigged([0.24, 0.40], depth="5.1 m")
    print(f"reach {thin.reach.best / FOOT:.1f} and {thick.reach.best / FOOT:.1f} ft")
    assert thick.reach.best < 16.0 * FOOT < 17.0 * FOOT < thin.reach.best
    target = Target.at("timber", 70.0, 70.0, within=15.0)
    touching = plan(timber(), rods, target, Wish(height=0.0))[0]
    clearing = plan(timber(), rods, target, Wish(height=1.2, clear=True))[0]
    assert touching.rod == 1
    assert clearing.rod == 2
    assert any(step.counts and step.top < step.bottom for step in touching.way)
    assert all(step.depth < step.top for step in clearing.way if step.counts)


def test_a_depth_band_above_timber():
    """The lure between 13 and 15.5 ft over trees of 16 to 17 ft: the thick line, and no tree touched."""
    rods = rigged([0.24, 0.40], depth="5.1 m")
    target = Target.at("timber", 70.0, 70.0, within=15.0)
    band = (13.0 * FOOT, 15.5 * FOOT)
    best = plan(timber(), rods, target, Wish(band=band))[0]
    print(f"rod {best.rod}: {best.metres:.1f} m, sureness {best.sureness:.2f}")
    assert best.rod == 2
    assert best.metres > 4.5  # more were a rod surer of its depth: 0.4 m on that boat
    assert all(
        band[0] <= step.depth <= band[1] < step.top for step in best.way if step.counts
    )


def test_a_heavy_line_rod_on_a_slope_is_best_placed_parallel_at_its_depth():
    """The bottom falls from 6 to 17 ft over 14 m, steeper than any lure's path; heavy line, 11 to 12 ft.

    The best cast of all slants by up to 22.5 degrees, so that the way down goes with
    the slope to the rod's own depth; of those that do not slant, the one at that depth
    beats every cast across.
    """

    def slope(east, _north):
        return FOOT * (6.0 + 11.0 * np.clip((east - 63.0) / 14.0, 0.0, 1.0))

    rods = [known_to_within(rod, 0.5 * FOOT) for rod in rigged([0.52], depth="4.15 m")]
    reach = rods[0].reach.best / FOOT
    assert 11.4 <= reach <= 11.6
    target, on = Target("slope", depths=(6.3 * FOOT, 16.7 * FOOT)), ground(lake(slope))
    # Touching without ploughing: at most a foot deeper than the bottom lets it.
    best = plan(on, rods, target, Wish(dig=FOOT))[0]
    # A metre aside is three quarters of a foot of depth: berths two metres apart miss
    # the best.
    berths = [Wish(dig=FOOT, boat=(float(east), 70.0)) for east in range(44, 104)]
    found = [one for wish in berths for one in plan(on, rods, target, wish, most=30)]
    straight, parallel, crossing = (
        max(
            (one for one in found if low <= across(one.bearing, 0.0) <= high),
            key=lambda one: one.metres,
        )
        for low, high in ((0.0, 0.0), (0.0, 7.5), (60.0, 90.0))
    )
    for one in (best, straight, parallel, crossing):
        print(
            f"{one.metres:.1f} m cast to {one.bearing} over {one.depth / FOOT:.1f} ft"
        )
    assert across(best.bearing, 0.0) <= 22.5
    assert straight.metres >= 1.25 * crossing.metres
    assert reach - 1.5 <= straight.depth / FOOT <= reach
    assert reach - 1.5 <= parallel.depth / FOOT <= reach
    (deepest,) = (step.bottom / FOOT for step in best.way if step.away == best.ends)
    # A metre counts up to a foot above the bottom.
    assert reach - 1.5 <= deepest <= reach + 1.0


def test_a_gradual_curve_stays_near_the_bottom_longer_where_the_point_slopes_like_its_path():
    (rod,) = rigged([0.28], style="gradual curve")
    x, z = np.array(rod.path).T
    # Its way down between half and nine tenths of its reach, as a slope.
    going_down = (
        (x > rod.reach_at) & (z > 0.5 * rod.reach.best) & (z < 0.9 * rod.reach.best)
    )
    own = -np.polyfit(x[going_down], z[going_down], 1)[0]
    metres = []
    for steepness in (0.0, own, 3.0 * own):

        def point(east, north, steepness=steepness):
            crest = 0.62 * rod.reach.best + steepness * (north - 55.0)
            return np.maximum(crest, 0.5) + 0.3 * np.maximum(
                np.abs(east - 70.0) - 3.0, 0.0
            )

        on = ground(lake(point))
        target = Target("crest", (np.array([[70.0, 45.0], [70.0, 100.0]]),), within=4.0)
        berths = [(70.0, north) for north in np.arange(60.0, 100.0, 2.0)]
        wish = [Wish(boat=berth) for berth in berths]
        metres.append(
            max(one.metres for w in wish for one in plan(on, [rod], target, w, most=1))
        )
    print(
        f"its path falls {own:.3f} in 1; metres near a point of 0, 1 and 3 times that: {np.round(metres, 1)}"
    )
    assert metres[1] > 1.15 * metres[0]
    assert metres[1] > 1.15 * metres[2]
    assert math.isfinite(metres[1])
