"""The bottom of a report: the best that is known of the water, as deep as it was that day."""

from __future__ import annotations

import numpy as np
import pytest

from companion.lakebed.bed import Bed
from companion.record.lakes import Lakes
from companion.report.day import read_day
from companion.report.ground import mapped

RISE = 0.8
"""How much higher the water stood on the day than when the lake was mapped, m."""


@pytest.fixture
def lake(book, place):
    """A lake of other days: the same slope, sounded as far as 45 m east of the day's lanes."""
    bed = Bed()
    for east in range(-20, 66, 3):
        for north in range(-30, 43, 3):
            fix = place(float(east), float(north))
            bed.add(fix.lat, fix.lon, 6.0 + north / 40.0 - RISE)
    Lakes(book).save(bed)
    return Lakes(book).areas()


@pytest.fixture
def day(script, book, kept):
    return read_day(book, kept(script))


def depth_at(ground, day, fix):
    east, north = day.xy(fix)
    return float(ground.depth_at(np.array([east]), np.array([north]))[0])


def test_what_other_days_have_sounded_is_on_the_map_at_this_days_level(
    lake, day, place
):
    alone, whole = mapped(day), mapped(day, lake)
    assert (alone.all_days, whole.all_days) == (False, True)
    beside = place(55.0, 0.0)
    assert np.isnan(depth_at(alone, day, beside))
    assert depth_at(whole, day, beside) == pytest.approx(6.0, abs=0.1)
    for spot in (place(0.0, -20.0), place(0.0, 20.0)):
        assert depth_at(whole, day, spot) == pytest.approx(
            depth_at(alone, day, spot), abs=0.1
        )


def test_a_lake_elsewhere_and_an_empty_one_leave_the_days_own_soundings(book, day):
    bed = Bed()
    bed.add(-40.0, -126.4, 3.0)
    Lakes(book).save(bed)
    assert not mapped(day, Lakes(book).areas()).all_days
    assert not mapped(day, Bed().areas).all_days


def test_a_day_without_a_place_has_no_bottom(script, book, kept):
    day = read_day(book, kept(script, [(float(t), None, 5.0) for t in range(20)]))
    assert mapped(day) is None
