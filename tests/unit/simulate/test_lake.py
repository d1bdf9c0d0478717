"""The invented lake: the same for the same seed, and shaped as its places say."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from companion.simulate.lake import Lake, LakePlane

SEEDS = [1, 2, 3, 11, 29]


@pytest.fixture(params=SEEDS)
def lake(request):
    return Lake(request.param)


def profile(lake, place, along=0.0, out=0.0, reach=30.0):
    """Depths from `reach` m before to `reach` m behind a place, in the direction (along, out)."""
    dx, dy = lake.offset(along, out)
    s = np.linspace(-reach, reach, 241)
    return s, lake.bottom(place.x + s * dx, place.y + s * dy)


def test_a_seed_gives_one_lake():
    x, y = np.random.default_rng(0).uniform(-300, 300, (2, 500))
    assert np.array_equal(Lake(5).bottom(x, y), Lake(5).bottom(x, y))
    assert np.array_equal(Lake(5).trees.top, Lake(5).trees.top)
    assert np.abs(Lake(5).bottom(x, y) - Lake(6).bottom(x, y)).max() > 1.0


def test_the_bottom_is_known_everywhere_and_is_a_lakes(lake):
    x, y = np.meshgrid(np.arange(-300, 300, 7.0), np.arange(-300, 300, 7.0))
    depth = lake.bottom(x, y)
    assert depth.shape == x.shape
    assert np.isfinite(depth).all()
    assert depth.min() >= 0.3
    assert 7.0 < depth.max() < 14.0


def test_arrays_and_single_places_agree(lake):
    x, y = np.array([0.0, 12.0]), np.array([5.0, -40.0])
    singly = [float(lake.bottom(a, b)) for a, b in zip(x, y, strict=True)]
    assert lake.bottom(x, y) == pytest.approx(singly, abs=1e-12)


def test_the_ledge_drops_by_metres_within_a_cast(lake):
    s, depth = profile(lake, lake.place("ledge"), out=1.0, reach=12.0)
    assert depth[-1] - depth[0] > 3.0
    assert abs(s[np.argmax(np.gradient(depth, s))]) < 3.0


def test_the_point_tapers_and_falls_off_to_both_sides(lake):
    crest = [lake.place("point", along).depth for along in range(0, 70, 10)]
    assert np.all(np.diff(crest) > 0.0)
    _, across = profile(lake, lake.place("point", 30.0), along=1.0, reach=20.0)
    assert across[0] > crest[3] + 0.9
    assert across[-1] > crest[3] + 0.9


def test_rock_pile_and_high_spot_rise_from_the_flat(lake):
    for name, rise in (("rock pile", 1.2), ("high spot", 2.0)):
        place = lake.place(name)
        _, depth = profile(lake, place, along=1.0)
        assert place.depth < depth[0] - rise
        assert place.depth < depth[-1] - rise


def test_grass_stands_on_the_shelf_and_ends_at_its_edge(lake):
    edge = lake.place("grass edge")
    dx, dy = lake.offset(0.0, 8.0)
    assert float(lake.grass(edge.x - dx, edge.y - dy)) > 0.3
    assert float(lake.grass(edge.x + dx, edge.y + dy)) < 0.1
    assert edge.depth == pytest.approx(2.7, abs=0.1)


def test_trees_stand_clear_of_the_bottom_and_below_the_surface(lake):
    trees = lake.trees
    bottom = lake.bottom(trees.x, trees.y)
    assert np.all(bottom - trees.top >= 0.8 - 1e-9)
    assert np.all(trees.top > 1.0)
    assert lake.cover(trees.x, trees.y) == pytest.approx(
        np.minimum.reduce([trees.top, lake.cover(trees.x, trees.y)])
    )
    assert np.all(lake.cover(trees.x, trees.y) <= trees.top)


def test_cover_is_never_below_the_bottom(lake):
    x, y = np.random.default_rng(1).uniform(-250, 250, (2, 3000))
    assert np.all(lake.cover(x, y) <= lake.bottom(x, y) + 1e-12)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(-47.2, -126.4), (0.0, 10.0), (62.0, 24.0)]
)
def test_the_plane_agrees_with_the_ellipsoid(latitude, longitude):
    plane = LakePlane(latitude, longitude)
    for x, y in [(700.0, 700.0), (-300.0, 20.0), (0.0, -500.0)]:
        lat, lon = plane.to_degrees(x, y)
        line = Geodesic.WGS84.Inverse(latitude, longitude, float(lat), float(lon))
        assert line["s12"] == pytest.approx(np.hypot(x, y), abs=0.01)
        assert line["azi1"] % 360 == pytest.approx(
            np.degrees(np.arctan2(x, y)) % 360, abs=0.01
        )
        assert plane.to_metres(lat, lon) == pytest.approx((x, y), abs=1e-6)
