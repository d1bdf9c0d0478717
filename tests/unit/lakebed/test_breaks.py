import numpy as np
import pytest

from companion.lakebed.breaks import breaks, lips
from companion.lakebed.relief import Relief, relief
from companion.lakebed.surface import BottomProfile, Surface


def profile(depth, step=1.0):
    depth = np.asarray(depth, float)
    return BottomProfile(np.arange(len(depth)) * step, depth, np.full(len(depth), 0.1))


def ramp(start, width, drop, length=40):
    return 5.0 + drop * np.clip((np.arange(length + 1.0) - start) / width, 0, 1)


@pytest.mark.parametrize("drop", [2.0, 4.0])
@pytest.mark.parametrize("width", [3.0, 5.0, 8.0])
def test_a_ramp_down_is_measured(width, drop):
    (one,) = breaks(profile(ramp(15.0, width, drop)))
    assert one.goes == "down"
    assert one.edge == pytest.approx(15.0, abs=1.0)
    assert one.end == pytest.approx(15.0 + width, abs=1.0)
    assert one.drop == pytest.approx(drop, rel=0.15)
    assert one.sigma == pytest.approx(0.1)


def test_the_edge_of_a_rise_is_its_far_end():
    (one,) = breaks(profile(ramp(15.0, 5.0, 4.0)[::-1]))
    assert one.goes == "up"
    assert one.edge == pytest.approx(25.0, abs=1.0)


def test_a_hump_is_two_breaks_in_order():
    hump = 9.0 - 4.0 * np.exp(-((np.arange(41.0) - 20) ** 2) / 30)
    assert [one.goes for one in breaks(profile(hump))] == ["up", "down"]


def test_gentle_or_small_changes_are_no_breaks():
    assert breaks(profile(ramp(5.0, 30.0, 4.0))) == []
    assert breaks(profile(ramp(15.0, 2.0, 0.6))) == []


def test_a_break_cut_off_by_the_end_of_the_line_ends_there():
    (one,) = breaks(profile(ramp(36.0, 8.0, 8.0)))
    assert one.end == 40.0


def test_unknown_bottom_and_short_lines_give_nothing():
    assert breaks(profile([np.nan] * 20)) == []
    assert breaks(profile([5.0, 9.0])) == []
    depth = ramp(15.0, 4.0, 4.0)
    depth[30:] = np.nan
    assert len(breaks(profile(depth))) == 1


def sloping(depth_of, sigma=0.1, step=1.0):
    places = np.arange(-40.0, 40.0 + step, step)
    depth = depth_of(*np.meshgrid(places, places))
    return Relief(places, places, depth, np.full_like(depth, sigma))


def ring(east, north):
    """A round hump of 20 m, its top 4 m down, its flanks falling half a metre a metre for 8 m."""
    return 4.0 + 0.5 * np.clip(np.hypot(east, north) - 20.0, 0.0, 8.0)


def test_the_lip_of_a_hump_goes_round_its_top_and_not_its_foot():
    found = lips(sloping(ring))
    assert sum(len(line) for line in found) > 80
    for line in found:
        assert np.hypot(*line.T) == pytest.approx(20.0, abs=1.0)
    turned = np.concatenate(lips(sloping(lambda east, north: 12.0 - ring(east, north))))
    assert np.hypot(*turned.T) == pytest.approx(28.0, abs=1.0)


def test_what_is_gentle_small_in_doubt_or_unknown_has_no_lip():
    assert lips(sloping(lambda east, _north: 20.0 + 0.2 * east)) == []
    assert lips(sloping(lambda east, _north: 4.0 + np.clip(east, 0.0, 0.6))) == []
    assert lips(sloping(ring, sigma=2.0)) == []
    assert lips(sloping(lambda east, _north: np.full_like(east, np.nan))) == []


def test_tracks_across_a_ledge_give_its_lip_wherever_tiles_end():
    surface, rng = Surface(), np.random.default_rng(5)
    for north in np.arange(-60.0, 61.0, 15.0):
        for east in np.arange(-60.0, 60.0, 1.0):
            depth = 4.0 + 5.0 / (1.0 + np.exp(-(east - 3.0 - 0.2 * north) / 1.5))
            surface.add(east, north, depth + rng.normal(0.0, 0.1))
    found = lips(relief(surface, 3.0, (-50.0, -50.0, 50.0, 50.0)))
    assert sum(np.hypot(*np.diff(line, axis=0).T).sum() for line in found) > 80.0
    for line in found:
        # Half the drop lies at 3 + 0.2 north, the lip some metres before it.
        assert line[:, 0] - 0.2 * line[:, 1] == pytest.approx(-1.0, abs=3.5)
