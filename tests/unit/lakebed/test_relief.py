import numpy as np
import pytest

from companion.lakebed.relief import contours, depth_span, relief
from companion.lakebed.surface import Surface


@pytest.fixture
def bowl():
    surface, rng = Surface(), np.random.default_rng(0)
    for east, north in rng.uniform(-60, 60, (2500, 2)):
        surface.add(east, north, 10.0 - (east**2 + north**2) / 600.0)
    return surface


def test_a_bowl_has_round_contours(bowl):
    grid = relief(bowl, 3.0, (-55.0, -55.0, 55.0, 55.0))
    assert grid.depth.shape == (len(grid.north), len(grid.east))
    found = {one.depth: one.lines for one in contours(grid, 1.0)}
    assert {6.0, 7.0, 8.0, 9.0} <= set(found)
    for depth in (6.0, 8.0):
        ring = max(found[depth], key=len)
        assert np.hypot(*ring.T) == pytest.approx(
            np.sqrt(600.0 * (10.0 - depth)), abs=2.5
        )


def test_the_grid_is_bounded(bowl):
    grid = relief(bowl, 0.01, most_points=400)
    assert grid.depth.size <= 500
    assert grid.east[0] == bowl.extent[0]


def test_nothing_known_gives_nothing():
    assert relief(Surface(), 2.0) is None
    surface = Surface()
    surface.add(0, 0, 5)
    far = relief(surface, 10.0, (500.0, 500.0, 600.0, 600.0))
    assert np.isnan(far.depth).all()
    assert contours(far, 1.0) == []


def test_the_span_of_depths_is_the_bottoms_and_not_a_spikes(bowl):
    bowl.add(3.1, 3.1, 26.3)
    shallowest, deepest = depth_span(bowl, bowl.sounded())
    assert deepest == pytest.approx(10.0, abs=0.5)
    assert 0.0 < shallowest < 0.3  # the bowl's corners stand out of the water
    assert np.isnan(depth_span(Surface(), Surface().sounded())).all()
