import json

import numpy as np
import pytest
from scipy import stats

from companion.lakebed import kriging
from companion.lakebed.kriging import Local, Support, Variation
from companion.lakebed.mosaic import UNSEEN_SLOPE
from companion.lakebed.surface import Surface, profiles


def test_an_empty_lake_knows_nothing():
    surface = Surface()
    assert np.isnan(surface.at(0.0, 0.0).depth)
    assert np.isnan(surface.along(0, 0, 90, 40).sigma).all()
    assert surface.extent is None
    assert surface.at(np.array([]), np.array([])).depth.shape == (0,)


def test_one_sounding_is_known_there_less_further_off_and_not_at_all_beyond():
    surface = Surface()
    surface.add(0.0, 0.0, 20.0)
    bottom = surface.at(np.array([0.0, 10.0, 40.0, 60.0]), np.zeros(4))
    assert bottom.depth[:3] == pytest.approx(20.0, abs=0.01)
    assert (np.diff(bottom.sigma[:3]) > 0.1).all()
    assert bottom.sigma[0] < 0.4
    assert np.isnan(bottom.depth[3])
    assert np.isnan(bottom.sigma[3])


@pytest.mark.parametrize("sounded", [1.5, 3.0, 6.0])
def test_where_the_bottom_may_be_anything_but_dry_it_is_a_little_deeper_and_surer_than_sounded(
    sounded,
):
    # What one sounding leaves open is the same whatever its depth; 20 m down the
    # surface is too far off to cut anything away. C: the cut normal distribution of
    # scipy, by other formulas than ours.
    deep, shallow = Surface(), Surface()
    deep.add(0.0, 0.0, 20.0)
    shallow.add(0.0, 0.0, sounded)
    east = np.array([0.0, 10.0, 25.0, 40.0])
    uncut, bottom = deep.at(east, np.zeros(4)), shallow.at(east, np.zeros(4))
    wet = stats.truncnorm(-sounded / uncut.sigma, np.inf, sounded, uncut.sigma)
    assert bottom.depth == pytest.approx(wet.mean(), abs=2e-3)
    assert bottom.sigma == pytest.approx(wet.std(), abs=2e-3)
    assert (bottom.depth >= sounded - 1e-6).all()


def test_beyond_the_outermost_soundings_the_bottom_may_slope_away_unseen_but_not_between_them():
    def sigmas(slope):
        surface = Surface()
        for east in (*range(0, 40, 4), *range(70, 110, 4)):
            for north in range(-12, 76, 4):
                surface.add(east, north, 6.0)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("companion.lakebed.mosaic.UNSEEN_SLOPE", slope)
            return surface.at(
                np.array([20.0, 53.0, -10.0, -40.0]), np.full(4, 30.0)
            ).sigma

    without, with_slope = sigmas(0.0), sigmas(UNSEEN_SLOPE)
    added = np.sqrt(with_slope**2 - without**2)
    assert added[:2] == pytest.approx(0.0, abs=1e-6)
    # Beyond each model's own soundings, of which the furthest are means over squares.
    assert added[2:] == pytest.approx(UNSEEN_SLOPE * np.array([10.0, 40.0]), rel=0.25)


def test_a_tilted_plane_is_met_exactly_and_so_is_its_slope():
    surface = Surface()
    for east in range(0, 100, 4):
        for north in range(0, 100, 4):
            surface.add(east, north, 5.0 + 0.1 * east - 0.05 * north)
    for east, north in ((50.0, 50.0), (33.3, 61.7)):
        assert surface.at(east, north).depth == pytest.approx(
            5.0 + 0.1 * east - 0.05 * north, abs=0.02
        )


def test_a_line_its_points_and_any_batch_agree(bed, feed):
    surface = Surface()
    feed(surface, bed.idle(1))
    line = surface.along(80.0, 60.0, 70.0, 40.0)
    angle = np.radians(70.0)
    east, north = (
        80.0 + line.distance * np.sin(angle),
        60.0 + line.distance * np.cos(angle),
    )
    assert line.distance[-1] == 40.0
    for order in (slice(None), slice(None, None, -1), slice(5, 30, 7)):
        points = surface.at(east[order], north[order])
        assert points.depth == pytest.approx(line.depth[order], abs=1e-9)
        assert points.sigma == pytest.approx(line.sigma[order], abs=1e-9)
    rays = profiles(surface, (80.0, 60.0), [10.0, 70.0, 130.0], 40.0)
    assert rays[1].depth == pytest.approx(line.depth, abs=1e-6)
    assert rays[1].sigma == pytest.approx(line.sigma, abs=1e-6)
    alone = [float(surface.at(x, y).depth) for x, y in zip(east, north, strict=True)]
    assert alone == pytest.approx(line.depth.tolist(), abs=1e-9)


def test_no_step_anywhere_also_where_models_meet(bed, feed):
    surface = Surface()
    feed(surface, bed.idle(1, apart=25.0))
    along = np.arange(20.0, 180.0, 0.02)
    for where in (12.0 * 7, 12.0 * 7 + 6.0, 91.3):
        for east, north in (
            (along, np.full_like(along, where)),
            (np.full_like(along, where), along),
        ):
            bottom = surface.at(east, north)
            assert np.abs(np.diff(bottom.depth)).max() <= 0.02
            assert np.abs(np.diff(bottom.sigma)).max() <= 0.02


def test_asking_before_more_soundings_come_changes_nothing(bed, feed):
    asked, not_asked = Surface(), Surface()
    rows = bed.idle(1, apart=20.0, box=120.0)
    for part in np.array_split(rows, 6):
        feed(asked, part)
        feed(not_asked, part)
        asked.along(10.0, 10.0, 45.0, 120.0)
    one, other = (
        surface.along(10.0, 10.0, 45.0, 120.0) for surface in (asked, not_asked)
    )
    assert one.depth.tolist() == other.depth.tolist()
    assert one.sigma.tolist() == other.sigma.tolist()


def test_a_long_line_is_answered_in_pieces():
    surface = Surface()
    for east in range(0, 300, 2):
        surface.add(east, 0.0, 6.0)
    line = surface.along(0.0, 0.0, 90.0, 298.0)
    assert len(line.distance) == 299
    assert line.depth == pytest.approx(6.0, abs=0.02)


def test_noise_is_averaged_and_told_from_the_bottom():
    rng = np.random.default_rng(0)
    surface = Surface()
    for east, north in rng.uniform(0, 60, (3000, 2)):
        surface.add(east, north, 6.0 + rng.normal(0, 0.3))
    bottom = surface.at(
        *np.meshgrid(np.arange(10.0, 50.0, 5), np.arange(10.0, 50.0, 5))
    )
    assert bottom.depth.shape == (8, 8)
    assert np.sqrt(np.mean((bottom.depth - 6.0) ** 2)) < 0.15
    assert 0.1 < surface.variation.noise < 0.5


def test_kriging_is_the_textbook_solution():
    # Ordinary kriging as textbooks have it: a system with a Lagrange multiplier, solved
    # by itself. Seven soundings are too few for a direction, so nothing is stretched.
    rng = np.random.default_rng(4)
    (east, north), depth, count = (
        rng.uniform(-20, 20, (2, 7)),
        rng.normal(6, 1, 7),
        np.ones(7),
    )
    support, model = Support(east, north, depth, count, np.zeros(7)), Variation(1.3)
    local = Local(support, model)
    shares, squares = support.noise()
    gamma = (
        np.hypot(east[:, None] - east, north[:, None] - north) / 10.0
    ) ** kriging.EXPONENT
    system = np.block(
        [
            [
                -gamma
                + np.diag(
                    shares * Variation(local.noisy_as).noise ** 2 / local.noisy_as
                    + squares
                ),
                np.ones((7, 1)),
            ],
            [np.ones((1, 7)), 0.0],
        ]
    )
    asked = (np.hypot(east - 3.0, north + 2.0) / 10.0) ** kriging.EXPONENT
    weights = np.linalg.solve(system, np.append(-asked, 1.0))
    found, variance = local.estimate(np.array([3.0]), np.array([-2.0]), slice(None))
    assert found[0] == pytest.approx(weights[:7] @ depth, rel=1e-3)
    assert variance[0] == pytest.approx(
        local.sill * -(weights @ np.append(-asked, 1.0)), rel=1e-2
    )


@pytest.mark.parametrize("seed", range(12))
def test_the_quick_look_passes_over_no_doubt_and_sees_none_where_there_is_none(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(6, 60))
    places = rng.uniform(-30.0, 30.0, (count, 2))
    apart = np.hypot(*(places[:, None] - places).T)
    covariance = 1e3 - (apart / 10.0) ** 1.75 + np.diag(rng.uniform(0.05, 0.4, count))
    factor = np.asfortranarray(np.linalg.cholesky(covariance))
    depth = factor @ rng.normal(0.0, 1.0, count)
    depth[rng.integers(count)] += rng.uniform(0.0, 8.0)
    innovations = np.linalg.solve(factor, depth)
    precision = np.linalg.inv(covariance)
    off = np.abs(precision @ depth) / np.sqrt(np.diag(precision))
    for sill in (0.5, 1.0, 2.0):
        far_off = bool((off > 4.0 * np.sqrt(sill)).any())
        assert kriging._any_far_off(factor, innovations, sill) is far_off


def test_days_with_different_levels_fit_together_without_a_step(bed, feed):
    low, both = Surface(), Surface()
    feed(low, bed.idle(1, apart=20.0))
    feed(both, bed.idle(1, apart=20.0))
    both.begin_trip(level=1.0)
    feed(both, bed.idle(2, apart=20.0, first=10.0, level=1.0))
    east = np.full(91, 60.0)
    north = np.arange(20.0, 111.0)
    bottom = both.at(east, north)
    error = bottom.depth - 1.0 - bed.depth(east, north)
    # Lines of the first day lie at multiples of 20 m, of the second at odd tens.
    first, second = error[::20], error[10::20]
    assert abs(first.mean() - second.mean()) < 0.15
    assert np.sqrt(np.mean(error**2)) < 0.25
    both.begin_trip(level=0.0)
    assert both.at(60.0, 50.0).depth == pytest.approx(bottom.depth[30] - 1.0, abs=0.02)


def test_a_level_said_late_mends_the_whole_trip(bed, feed):
    told, late = Surface(), Surface()
    feed(told, bed.idle(1))
    feed(late, bed.idle(1))
    second = bed.idle(2, level=0.6)
    told.begin_trip(level=0.6)
    feed(told, second)
    late.begin_trip(level=0.0)
    feed(late, second)
    assert late.level_hint().higher == pytest.approx(0.6, abs=0.15)
    late.change_level(0.6)
    assert late.level_hint() is None
    assert late.take_changed() == told.take_changed()


def test_a_level_is_counted_by_cells_and_taken_back_when_it_is_not_sure():
    surface, rng = Surface(), np.random.default_rng(3)
    for east in range(200):
        surface.add(2.0 * east, 0.0, 6.0)
    surface.begin_trip(0.0)
    for _ in range(60):
        surface.add(100.0, 0.0, 6.6)
    assert surface.level_hint() is None  # sixty soundings, one cell
    for east in range(70):
        surface.add(2.0 * east, 0.0, 6.6 + rng.normal(0.0, 0.1))
    hint = surface.level_hint()
    assert hint.higher == pytest.approx(0.6, abs=0.05)
    assert (hint.cells, 0.02 < hint.sigma < 0.1) == (70, True)
    for east in range(70, 200):
        surface.add(2.0 * east, 0.0, 6.0 + rng.normal(0.0, 0.1))
    assert surface.level_hint() is None
    assert surface.comparison.taken_back


def test_a_level_that_is_said_is_not_taken_back_and_a_sure_one_does_not_flicker():
    surface = Surface()
    for east in range(300):
        surface.add(2.0 * east, 0.0, 6.0)
    surface.begin_trip(0.0)
    for east in range(100):
        surface.add(2.0 * east, 0.0, 6.31)
    assert surface.level_hint()
    for east in range(100, 300):
        surface.add(2.0 * east, 0.0, 6.29)
    assert surface.level_hint().higher == pytest.approx(0.29, abs=0.01)
    assert not surface.comparison.taken_back
    surface.change_level(0.3)
    assert surface.level_hint() is None
    assert not surface.comparison.taken_back


def test_a_lake_comes_back_from_its_tiles(bed, feed):
    surface = Surface()
    rows = bed.idle(1)
    feed(surface, rows[:2000])
    store = surface.take_changed()
    feed(surface, rows[2000:])
    later = surface.take_changed()
    assert len(later) < len(store)
    store.update(later)
    again = Surface.restore(surface.state(), store.items())
    assert again.variation == surface.variation
    assert again.cells == surface.cells
    assert again.extent == surface.extent
    here, there = surface.along(80, 60, 70, 40), again.along(80, 60, 70, 40)
    assert here.depth == pytest.approx(there.depth, abs=1e-6)
    assert here.sigma == pytest.approx(there.sigma, abs=1e-6)
    assert again.take_changed() == {}


def test_tiles_that_could_not_be_saved_are_given_again():
    surface = Surface()
    surface.add(0.0, 0.0, 6.0)
    taken = surface.take_changed()
    assert surface.take_changed() == {}
    surface.mark_changed(taken)
    assert surface.take_changed() == taken


def test_a_lake_of_the_older_format_is_read_on():
    surface = Surface()
    surface.add(0.0, 0.0, 6.0)
    older = json.loads(surface.state()) | {
        "format": 1,
        "learnt": [[1.0, 2.0], [3.0, 4.0], [5.0]],
    }
    again = Surface.restore(json.dumps(older), surface.take_changed().items())
    assert again.at(0.0, 0.0).depth == pytest.approx(6.0, abs=0.01)


def test_there_is_water_wherever_something_is_known():
    surface = Surface()
    for east in range(0, 60, 2):
        for north in range(0, 20, 2):
            surface.add(east, north, max(0.4, 3.0 - 0.1 * east))
    bottom = surface.at(
        *np.meshgrid(np.arange(-20.0, 100.0, 2.0), np.arange(-20.0, 40.0, 2.0))
    )
    known = np.isfinite(bottom.depth)
    assert known.any()
    assert (bottom.depth[known] > 0.0).all()
    assert surface.at(10.0, 10.0).depth == pytest.approx(2.0, abs=0.05)


def test_one_false_echo_costs_one_cell(bed):
    clean, spoilt = Surface(), Surface()
    rows = bed.idle(1, apart=12.0, box=100.0)
    for row in rows[:, 1:].tolist():
        clean.add(*row)
        spoilt.add(*row)
    spoilt.add(50.0, 42.0, 31.0)
    east, north = np.meshgrid(np.arange(10.0, 90.0, 4.0), np.arange(10.0, 90.0, 4.0))
    off = np.abs(clean.at(east, north).depth - spoilt.at(east, north).depth)
    assert np.sqrt(np.mean(off**2)) < 0.05
    assert off.max() < 0.6


def test_a_state_of_another_format_is_refused():
    state = json.loads(Surface().state()) | {"format": 99}
    with pytest.raises(ValueError, match="lakebed format 99"):
        Surface.restore(json.dumps(state), [])


def test_memory_grows_with_the_area_and_not_with_the_soundings():
    surface, rng = Surface(), np.random.default_rng(0)
    for east, north in rng.uniform(0, 40, (20000, 2)).tolist():
        surface.add(east, north, 6.0)
    assert surface.cells == 400


def test_soundings_in_any_order_on_one_spot_do_no_harm():
    surface = Surface()
    for _ in range(200):
        surface.add(3.0, 3.0, 6.0)
    assert surface.at(3.0, 3.0).depth == pytest.approx(6.0)
