import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.lakebed.cells import Cells, Tile

places = st.floats(-5000.0, 5000.0, allow_nan=False)


@given(
    st.lists(st.tuples(places, places, st.floats(0.5, 60.0)), min_size=1, max_size=60)
)
def test_cells_keep_the_mean_of_what_fell_into_them(soundings):
    cells = Cells()
    for sounding in soundings:
        cells.add(*sounding)
    kept = np.concatenate(list(cells.everything()))
    assert (
        len(kept)
        == cells.count
        == len({(np.floor(e / 2), np.floor(n / 2)) for e, n, _ in soundings})
    )
    assert kept[:, 4].sum() == len(soundings)
    assert kept[:, 4] @ kept[:, 2] == pytest.approx(
        sum(z for *_, z in soundings), rel=1e-5
    )
    assert kept[:, 4] @ kept[:, 0] == pytest.approx(
        sum(e for e, *_ in soundings), rel=1e-5, abs=0.05
    )


def test_a_cell_knows_how_its_soundings_vary():
    cells, rng = Cells(), np.random.default_rng(0)
    depths = rng.normal(8.0, 0.3, 200)
    for depth in depths:
        cells.add(1.0, 1.0, depth)
    (cell,) = np.concatenate(list(cells.everything()))
    assert cell[2] == pytest.approx(depths.mean(), abs=1e-4)
    assert cell[3] == pytest.approx(depths.var(), rel=1e-3)


def test_a_changed_bottom_is_followed():
    cells = Cells()
    for depth in [5.0] * 5000 + [6.0] * 1000:
        cells.add(1.0, 1.0, depth)
    (cell,) = np.concatenate(list(cells.everything()))
    assert cell[2] == pytest.approx(6.0, abs=0.05)


def test_tiles_come_back_from_their_bytes():
    cells, rng = Cells(), np.random.default_rng(1)
    for east, north, depth in rng.uniform((-50, -50, 3), (50, 50, 9), (500, 3)):
        cells.add(east, north, depth)
    saved = cells.take_changed()
    again = Cells()
    again.load(saved.items())
    assert again.count == cells.count
    assert again.take_changed() == {}
    again.mark_changed(saved)
    assert again.take_changed() == saved
    for east, north, depth in rng.uniform((-50, -50, 3), (50, 50, 9), (500, 3)):
        assert again.add(east, north, depth) == cells.add(east, north, depth)


def test_only_what_changed_is_saved():
    cells = Cells()
    cells.add(1.0, 1.0, 5.0)
    cells.add(500.0, 1.0, 5.0)
    assert set(cells.take_changed()) == {(0, 0), (15, 0)}
    cells.add(500.0, 3.0, 5.0)
    assert set(cells.take_changed()) == {(15, 0)}


@pytest.mark.parametrize("data", [b"x", b"\0" * 20, b"\0" * 21 * 300])
def test_damaged_tiles_are_named(data):
    with pytest.raises(ValueError, match=r"tile 3,-4: .*expected a multiple of 21"):
        Cells().load([((3, -4), data)])


def test_values_that_are_no_depths_are_refused():
    with pytest.raises(ValueError, match="not finite"):
        Tile.from_bytes(b"\0" + np.full(5, np.nan, "<f4").tobytes())


def test_a_cell_without_a_size_is_refused():
    with pytest.raises(ValueError, match="expected more than 0"):
        Cells(0.0)


def test_near_gives_the_tiles_that_touch():
    cells = Cells()
    for east in range(0, 1000, 10):
        cells.add(float(east), 0.0, 5.0)
    near = cells.near(100.0, -1.0, 140.0, 1.0)
    assert near[:, 0].min() >= 96.0
    assert near[:, 0].max() < 160.0
    assert {100.0, 110.0, 120.0, 130.0, 140.0} <= set(near[:, 0])
    assert cells.near(5000.0, 5000.0, 5001.0, 5001.0).shape == (0, 4)
