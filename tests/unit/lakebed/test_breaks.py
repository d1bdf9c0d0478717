import numpy as np
import pytest

from companion.lakebed.breaks import breaks
from companion.lakebed.surface import BottomProfile


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
