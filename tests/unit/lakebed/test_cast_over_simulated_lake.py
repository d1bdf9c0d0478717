"""The bottom along casts from a boat that has idled over the area once; the truth is known."""

import numpy as np
import pytest

from companion.lakebed.breaks import breaks
from companion.lakebed.surface import Surface
from companion.lakebed.waters import HALF_BEAM


def test_bottom_along_200_casts(bed, feed):
    surface, rows = Surface(), bed.idle(11)
    feed(surface, rows)
    rng = np.random.default_rng(0)
    errors, sigmas = [], []
    for east, north in rows[rng.choice(len(rows), 200), 1:3]:
        bearing = rng.uniform(0, 360)
        line = surface.along(east, north, bearing, rng.uniform(20, 40))
        angle = np.radians(bearing)
        true = bed.depth(
            east + line.distance * np.sin(angle), north + line.distance * np.cos(angle)
        )
        errors.append(line.depth - true)
        sigmas.append(line.sigma)
    error, sigma = np.concatenate(errors), np.concatenate(sigmas)
    sure = sigma < 0.5
    rmse = np.sqrt(np.mean(error[sure] ** 2))
    held = np.mean(np.abs(error) < 1.645 * sigma)
    print(
        f"RMSE {rmse:.3f} m where sigma < 0.5 m ({sure.mean():.0%} of points); 90 % interval holds {held:.1%}"
    )
    assert rmse <= 0.4
    assert sure.mean() > 0.8
    assert 0.85 <= held <= 0.99


def test_ledge_edge_is_found_within_three_metres(bed, feed):
    off, missed = [], 0
    for seed in (21, 22, 23):
        surface = Surface()
        feed(surface, bed.idle(seed))
        rng = np.random.default_rng(seed)
        for _ in range(40):
            north, bearing = rng.uniform(10, 190), rng.uniform(60, 120)
            east = bed.edge(north) - rng.uniform(10, 20)
            found = [
                one
                for one in breaks(surface.along(east, north, bearing, 40))
                if one.goes == "down"
            ]
            fine, angle = np.linspace(0, 40, 4001), np.radians(bearing)
            beyond = east + fine * np.sin(angle) > bed.edge(
                north + fine * np.cos(angle)
            )
            missed += not found
            off += (
                [max(found, key=lambda one: one.drop).edge - fine[np.argmax(beyond)]]
                if found
                else []
            )
    away = np.abs(off)
    print(
        f"edge off by {np.median(off):+.2f} m median, 95 % within {np.quantile(away, 0.95):.2f} m, "
        f"missed {missed}"
    )
    assert missed == 0
    assert np.mean(away <= 3.0) >= 0.95


def errors_along_casts(surface, bed, rows, casts=120):
    """Errors of depth, m, where sigma is below 0.5 m: all of them, and those over slopes above 1 in 4."""
    rng, errors, steep = np.random.default_rng(0), [], []
    for east, north in rows[rng.choice(len(rows), casts), 1:3]:
        bearing = rng.uniform(0, 360)
        line, angle = (
            surface.along(east, north, bearing, rng.uniform(20, 40)),
            np.radians(bearing),
        )
        x, y = (
            east + line.distance * np.sin(angle),
            north + line.distance * np.cos(angle),
        )
        sure = line.sigma < 0.5
        errors.append((line.depth - bed.depth(x, y))[sure])
        falls = (
            bed.depth(x + 0.5, y) - bed.depth(x - 0.5, y),
            bed.depth(x, y + 0.5) - bed.depth(x, y - 0.5),
        )
        steep.append((np.hypot(*falls) > 0.25)[sure])
    return np.concatenate(errors), np.concatenate(steep)


@pytest.mark.parametrize("cone", [10.0, 20.0, 40.0])
def test_correcting_slopes_for_the_cone_helps_with_cones_near_the_one_it_takes(
    bed, feed, cone
):
    """Taken: 20 degrees. The boat's own may be another; the map must gain all the same."""
    surface, rows = Surface(), bed.idle(11, half_beam=np.radians(cone / 2.0))
    feed(surface, rows)
    rms = {}
    for half_beam in (None, HALF_BEAM):
        surface.half_beam = half_beam
        error, steep = errors_along_casts(surface, bed, rows)
        rms[half_beam] = np.sqrt(np.mean(error**2)), np.sqrt(np.mean(error[steep] ** 2))
        words = "corrected" if half_beam else "as sounded"
        print(
            f"cone {cone:.0f} degrees, {words}: RMSE %.3f m, on slopes %.3f m"
            % rms[half_beam]
        )
    assert rms[HALF_BEAM] < rms[None]
    assert rms[HALF_BEAM][1] < 0.8 * rms[None][1]


def test_flat_ground_has_no_breaks(feed):
    surface, rng = Surface(), np.random.default_rng(5)
    rows = np.column_stack(
        (np.arange(4000), rng.uniform(0, 100, (4000, 2)), 6 + rng.normal(0, 0.15, 4000))
    )
    feed(surface, rows)
    for bearing in range(0, 360, 30):
        assert breaks(surface.along(50, 50, bearing, 40)) == []
