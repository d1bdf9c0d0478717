import json

import numpy as np
import pytest

from companion.lakebed.kriging import Support, Variation, krige
from companion.lakebed.surface import UNSEEN_SLOPE, Surface


def test_an_empty_lake_knows_nothing():
    surface = Surface()
    assert np.isnan(surface.at(0.0, 0.0).depth)
    assert np.isnan(surface.along(0, 0, 90, 40).sigma).all()
    assert surface.slope(0, 0) is None
    assert surface.extent is None
    assert surface.at(np.array([]), np.array([])).depth.shape == (0,)


def test_one_sounding_is_known_there_less_further_off_and_not_at_all_beyond():
    surface = Surface()
    surface.add(0.0, 0.0, 6.0)
    bottom = surface.at(np.array([0.0, 10.0, 40.0, 60.0]), np.zeros(4))
    assert bottom.depth[:3] == pytest.approx(6.0, abs=0.01)
    assert (np.diff(bottom.sigma[:3]) > 0.1).all()
    assert bottom.sigma[0] < 0.4
    assert np.isnan(bottom.depth[3])
    assert np.isnan(bottom.sigma[3])


def test_beyond_the_outermost_soundings_the_bottom_may_slope_away_unseen_but_not_between_them():
    def sigmas(slope):
        surface = Surface()
        for east in (*range(0, 40, 4), *range(70, 110, 4)):
            for north in range(0, 60, 4):
                surface.add(east, north, 6.0)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("companion.lakebed.surface.UNSEEN_SLOPE", slope)
            return surface.at(np.array([20.0, 53.0, -10.0, -40.0]), np.full(4, 30.0)).sigma

    without, with_slope = sigmas(0.0), sigmas(UNSEEN_SLOPE)
    added = np.sqrt(with_slope**2 - without**2)
    assert added[:2] == pytest.approx(0.0, abs=1e-6)
    assert added[2:] == pytest.approx(UNSEEN_SLOPE * np.array([10.0, 40.0]), rel=0.02)


def test_a_tilted_plane_is_met_exactly_and_so_is_its_slope():
    surface = Surface()
    for east in range(0, 100, 4):
        for north in range(0, 100, 4):
            surface.add(east, north, 5.0 + 0.1 * east - 0.05 * north)
    for east, north in ((50.0, 50.0), (33.3, 61.7)):
        assert surface.at(east, north).depth == pytest.approx(5.0 + 0.1 * east - 0.05 * north, abs=0.02)
    slope = surface.slope(50.0, 50.0)
    assert slope.steepness == pytest.approx(np.hypot(0.1, 0.05), rel=0.03)
    assert slope.bearing == pytest.approx(np.degrees(np.arctan2(0.1, -0.05)), abs=2.0)


def test_a_line_and_its_points_agree(bed, feed):
    surface = Surface()
    feed(surface, bed.idle(1))
    line = surface.along(80.0, 60.0, 70.0, 40.0)
    angle = np.radians(70.0)
    points = surface.at(80.0 + line.distance * np.sin(angle), 60.0 + line.distance * np.cos(angle))
    assert line.distance[-1] == 40.0
    assert np.abs(line.depth - points.depth).max() < 0.35
    assert np.median(np.abs(line.depth - points.depth)) < 0.05


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
    bottom = surface.at(*np.meshgrid(np.arange(10.0, 50.0, 5), np.arange(10.0, 50.0, 5)))
    assert bottom.depth.shape == (8, 8)
    assert np.sqrt(np.mean((bottom.depth - 6.0) ** 2)) < 0.15
    assert 0.1 < surface.variation.noise < 0.5


def test_kriging_is_the_textbook_solution():
    # The same prior written out as one joint normal distribution, conditioned with a plain inverse.
    rng = np.random.default_rng(4)
    east, north = rng.uniform(-20, 20, (2, 7))
    depth, count = rng.normal(6, 1, 7), np.ones(7)
    model = Variation(20.0, 1.3, 0.05)
    got, sigma = krige(Support(east, north, depth, count), np.array([3.0]), np.array([-2.0]), model)
    x, y = np.append(east, 3.0) - 3.0, np.append(north, -2.0) + 2.0
    h = np.hypot(x[:, None] - x, y[:, None] - y)
    s = np.sqrt(3) * h / 20.0
    joint = 0.5 * np.exp(-h / 20.0) + 0.5 * (1 + s) * np.exp(-s) + 100.0
    joint += 0.05**2 * (np.outer(x, x) + np.outer(y, y))
    inverse = np.linalg.inv(joint[:7, :7] + 0.05 * np.eye(7))
    rest = depth - depth.mean()
    assert got[0] == pytest.approx(depth.mean() + joint[7, :7] @ inverse @ rest, rel=1e-6)
    spread = joint[7, 7] - joint[7, :7] @ inverse @ joint[:7, 7]
    sill = (20 * 1.3 + rest @ inverse @ rest) / 27
    assert sigma[0] == pytest.approx(np.sqrt(sill * spread), rel=1e-6)


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
