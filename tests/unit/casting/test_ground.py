"""The bottom along a cast: a fan of rays, and one ray that stands for all."""

from __future__ import annotations

import math

import numpy as np
import pytest

from companion.casting.ground import (
    FAN_SIGMAS,
    WIDEST_AIM_RAD,
    Ahead,
    Ray,
    Unmapped,
    ahead,
    fan,
)
from companion.events import Fix

HERE = Fix(45.0, -93.0, 2.0)


class Compass:
    """A bottom that is as deep as the bearing says."""

    def __init__(self) -> None:
        self.asked: list[tuple[float, float]] = []

    def ray(self, at: Fix, bearing: float, length: float) -> Ray:
        assert at is HERE
        self.asked.append((bearing, length))
        return Ray(np.full(3, bearing), np.full(3, bearing / 100.0))

    def rays(self, at: Fix, bearings: list[float], length: float) -> list[Ray]:
        return [self.ray(at, bearing, length) for bearing in bearings]


def test_rays_lie_around_the_bearing_by_the_doubt_of_the_aim():
    assert fan(90.0, 0.1) == pytest.approx(90.0 + FAN_SIGMAS * math.degrees(0.1))
    widest = fan(0.0, WIDEST_AIM_RAD)
    assert fan(0.0, 9.0) == pytest.approx(widest)


def test_each_ray_is_asked_for_and_weighs_what_its_bearing_is_likely():
    ground = Compass()
    seen = ahead(ground, HERE, 0.0, 0.1, 40.0)
    bearings = [bearing for bearing, _ in ground.asked]
    assert bearings == pytest.approx(fan(0.0, 0.1) % 360.0)
    assert {length for _, length in ground.asked} == {40.0}
    assert seen.depth[:, 0] == pytest.approx(bearings)
    assert seen.sigma[:, 0] == pytest.approx(np.array(bearings) / 100.0)
    assert seen.weight.sum() == pytest.approx(1.0)
    assert seen.weight / seen.weight.max() == pytest.approx(
        np.exp(-0.5 * FAN_SIGMAS**2)
    )


def mixed(depth, sigma, weight) -> Ray:
    return Ahead(
        np.array(depth, float), np.array(sigma, float), np.array(weight)
    ).mixed()


def test_one_ray_stands_for_all_by_their_weight_and_holds_how_they_differ():
    ray = mixed([[4.0], [8.0]], [[0.0], [0.0]], [0.75, 0.25])
    assert ray.depth[0] == pytest.approx(5.0)
    assert ray.sigma[0] == pytest.approx(math.sqrt(0.75 * 1.0 + 0.25 * 9.0))
    alike = mixed([[4.0], [4.0]], [[0.3], [0.4]], [0.5, 0.5])
    assert alike.sigma[0] == pytest.approx(math.sqrt(0.5 * 0.09 + 0.5 * 0.16))


@pytest.mark.parametrize(("known", "enough"), [(0.66, False), (0.68, True)])
def test_where_more_than_a_third_is_not_known_nothing_is(known, enough):
    ray = mixed([[4.0], [np.nan]], [[0.3], [np.nan]], [known, 1.0 - known])
    assert np.isfinite(ray.depth[0]) == np.isfinite(ray.sigma[0]) == enough
    if enough:
        assert ray.depth[0] == pytest.approx(4.0)
        assert ray.sigma[0] == pytest.approx(0.3)


def test_of_an_unmapped_ground_nothing_is_known_at_as_many_points():
    ray = Unmapped().ray(HERE, 0.0, 40.5)
    assert len(ray.depth) == len(ray.sigma) == 41
    assert np.isnan(ray.depth).all()
    spots = Unmapped().spots([HERE] * 3)
    assert len(spots.depth) == 3
    assert np.isnan(spots.sigma).all()
    assert not Unmapped().tops(HERE, 0.0, 40.0, 5.0)
