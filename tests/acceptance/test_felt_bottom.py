"""A patch of bottom mapped only from its edge, and then felt by fifty touches: what is known of it after?

The bottom is an invented lake's rock pile, which no sounding has seen. The touches err
as real ones do: their places by some metres, their depths each by its cast and all
together by what is not known of the lure.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from companion.casting.felt import Felt, FeltTouch
from companion.casting.ground import Mapped, ahead
from companion.events import Fix
from companion.lakebed.bed import Bed
from companion.sensing.localplane import LocalPlane
from companion.simulate.lake import Lake

PLANE = LocalPlane(-47.0, -126.0)
AIM = 0.1


LAKES = (1, 2, 3, 4, 5)
"""The first five invented lakes, none picked: on two of them the sounded flat gives no hint of rocks."""


@cache
def lake(seed):
    made = Lake(seed)
    return made, made.place("rock pile")


def truth(seed, east, north):
    """The bottom of an invented lake: its rock pile, 25 m beyond the sounded edge."""
    made, middle = lake(seed)
    return made.bottom(middle.x + np.asarray(east), middle.y + np.asarray(north) - 25.0)


@cache
def ground(seed):
    bed = Bed()
    rng = np.random.default_rng(3)
    east = np.arange(-60.0, 60.0, 1.0)
    for north in np.arange(-60.0, 1.0, 6.0):
        depth = truth(seed, east, np.full_like(east, north)) + rng.normal(
            0.0, 0.12, len(east)
        )
        for place, sounded in zip(east, depth, strict=True):
            bed.add(*PLANE.to_latlon(float(place), float(north)), float(sounded))
    return Mapped(bed)


def fix(east, north, radius=3.0):
    return Fix(*PLANE.to_latlon(float(east), float(north)), radius)


def touches(seed, count, wrong=0.0):
    """Touches all over the patch, placed with errors; `wrong` is the lure's own error of depth, m."""
    rng = np.random.default_rng([seed, 9])
    felt = Felt()
    for number in range(count):
        east, north = rng.uniform(-25, 25), rng.uniform(5, 45)
        depth = float(truth(seed, east, north)) + wrong + rng.normal(0.0, 0.3)
        placed = fix(east + rng.normal(0, 3.0), north + rng.normal(0, 3.0), 4.0)
        felt.add(number, FeltTouch(placed, depth, 0.3, 0.3, "an invented lure"))
    return felt


def over_the_patch(seed, felt):
    """Error and sigma along casts from the edge out over the patch, m."""
    errors, sigmas = [], []
    for east in np.arange(-20.0, 21.0, 5.0):
        at = fix(east, 0.0)
        found = felt.refine(
            ground(seed), at, 0.0, AIM, ahead(ground(seed), at, 0.0, AIM, 45.0)
        )
        north = np.arange(found.depth.shape[1], dtype=float)
        errors.append(found.depth[2] - truth(seed, np.full_like(north, east), north))
        sigmas.append(found.sigma[2])
    known = ~np.isnan(np.concatenate(errors))
    return np.concatenate(errors)[known], np.concatenate(sigmas)[known]


def over_all(felt_on):
    parts = [over_the_patch(seed, felt_on(seed)) for seed in LAKES]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def held(errors, sigmas):
    """The share of errors inside the band that should hold nine in ten."""
    return float(np.mean(np.abs(errors) <= 1.645 * sigmas))


def test_fifty_touches_teach_the_bottom_where_the_boat_never_was():
    before, wide = over_all(lambda _seed: Felt())
    after, narrow = over_all(lambda seed: touches(seed, 50))
    print(
        f"\nbottom over the patch, rms error: {rms(before):.2f} m before, {rms(after):.2f} m after 50 touches"
    )
    print(f"sigma in the mean: {wide.mean():.2f} m before, {narrow.mean():.2f} m after")
    print(
        f"in the 90 % band: {held(before, wide):.2f} before, {held(after, narrow):.2f} after"
    )
    assert rms(after) < 0.85 * rms(before)
    assert narrow.mean() < wide.mean()


@pytest.mark.parametrize("wrong", [-0.5, 0.5])
def test_a_wrong_belief_about_the_lure_widens_the_bottom_and_does_not_bend_it(wrong):
    before, wide = over_all(lambda _seed: Felt())
    right, sigma_right = over_all(lambda seed: touches(seed, 50))
    bent, sigma = over_all(lambda seed: touches(seed, 50, wrong))
    moved = float(np.mean(bent - right))
    print(
        f"\na lure {wrong:+.1f} m off moves the bottom by {moved:+.2f} m; sigma stays {sigma.mean():.2f} m"
    )
    assert abs(moved) < 0.5 * abs(wrong)
    assert sigma == pytest.approx(sigma_right), (
        "the shared error stays in the sigma however many touches"
    )
    assert held(bent, sigma) > held(before, wide) - 0.1


def test_a_touch_taken_back_no_longer_counts():
    felt = touches(1, 5)
    for number in range(5):
        felt.remove(number)
    assert len(felt) == 0
    assert np.array_equal(over_the_patch(1, felt)[0], over_the_patch(1, Felt())[0])
