"""Every recorded log in the shared data is read to the end, and what is read agrees with independent counts.

The counts were made with separate scripts (a plain scan for ``$...*hh``, a sum of field
values), not with the code under test. Skipped, with the reason, where the data are not
at hand.
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from companion.sensing import (
    Chunk,
    Depth,
    Motion,
    Position,
    Sensing,
    Warned,
    range_and_bearing,
)

LOGS = Path(__file__).parents[2].parent / "shared" / "data" / "logs"

pytestmark = pytest.mark.skipif(not LOGS.is_dir(), reason=f"{LOGS} is not here")

# log: (good sentences, wrong checksums, soundings believed, shallowest, deepest below the transducer (m),
#       seconds, first day)
FACTS = {
    "adriatic_two_gps.dat": (31363, 2, 839, 1.04, 4.97, 28 * 60, date(2013, 6, 29)),
    "archip_dbt_2s.log": (116000, 0, 7250, 1.43, 38.05, 14845, None),
    "bay_spikes.nmea": (11537, 0, 1088, 9.9, 74.3, 1336, date(2010, 11, 3)),
    "digit_talkers.log": (541, 0, None, 0.50, 0.50, None, None),
    "dock_blank_offset.nmea": (2137, 0, 214, 4.8, 5.5, 460, date(2020, 2, 8)),
    "dock_rollover_2022.nmea": (2677, 0, 172, 2.4, 2.9, 171, date(2022, 7, 1)),
    "flat_lake.nmea": (66516, 0, 2021, 3.8, 4.0, 34 * 60, date(2016, 8, 15)),
    "harbour_survey_1.txt": (4934, 7604, 911, 8.02, 21.02, 980, date(2017, 12, 11)),
    "ijssel.log": (4999, 0, 149, 5.2, 6.7, 147, date(2018, 8, 20)),
    "moored_dbt.log": (244, 0, 122, 2.3, 2.5, 242, None),
    "ocean_false_bottom.nmea": (37699, 0, 986, 0.8, 3.4, 22 * 60, date(2010, 11, 21)),
    "river_nh.log": (1035, 0, 346, 1.3, 4.8, 341, date(2006, 9, 16)),
    "shallow_moored.log": (4675, 142, 142, 0.5, 0.6, 141, date(2014, 4, 16)),
}


class Day:
    """A log, read."""

    def __init__(self, name: str, step: int | None = None) -> None:
        data = (LOGS / name).read_bytes()
        step = step or len(data)
        self.sensing = Sensing({})
        self.readings = [
            item
            for i in range(0, len(data), step)
            for item in self.sensing.feed(Chunk(0.0, name, data[i : i + step]))
        ]
        self.readings += self.sensing.finish()

    def all(self, kind: type) -> list:
        return [r for _, r in self.readings if isinstance(r, kind)]

    @property
    def warnings(self) -> list[str]:
        return [w.text for w in self.all(Warned)]


def test_no_log_is_forgotten():
    assert {path.name for path in LOGS.iterdir()} - {"tagblock_vectors.txt"} == set(
        FACTS
    )


@pytest.mark.parametrize("name", FACTS)
def test_a_log_is_read_to_the_end(name):
    good, wrong, soundings, shallowest, deepest, seconds, day = FACTS[name]
    log = Day(name)
    sensing = log.sensing
    assert sum(sensing.counts.values()) == good
    assert sensing.dropped["wrong checksum"] == wrong
    times = [t for t, _ in log.readings]
    assert times == sorted(times)
    depths = [r for r in log.all(Depth) if r.below_transducer is not None]
    values = [r.below_transducer for r in depths]
    assert shallowest - 0.101 <= min(values)
    assert max(values) <= deepest + 0.001
    believed = Counter(r.origin.formatter for r in depths)
    if soundings is not None:
        assert believed.most_common(1)[0][1] == soundings
        assert (
            believed.total() - soundings <= 3
        )  # from the other sentence, at the start or in a silence
    if seconds is not None:
        assert sensing.now == pytest.approx(seconds, abs=max(5, 0.03 * seconds))
    utc = sensing.utc(0.0)
    assert (None if utc is None else utc.date()) == day
    for t in times[:: max(1, len(times) // 500)]:
        sensing.boat(t)


@pytest.mark.parametrize("name", FACTS)
def test_a_log_in_crumbs_is_the_same(name):
    whole = Day(name)
    small = (LOGS / name).stat().st_size < 100_000
    for step in (1, 7) if small else (97,):
        crumbs = Day(name, step)
        assert crumbs.readings == whole.readings
        assert crumbs.sensing.dropped == whole.sensing.dropped
        assert crumbs.sensing.counts == whole.sensing.counts


def test_lost_bottom_in_the_harbour_is_none_and_never_nought():
    """DBT n 981, of which 70 are 000.00, the last 36 in a row; feet and fathoms are always nought."""
    log = Day("harbour_survey_1.txt")
    assert len(log.all(Depth)) == 981
    assert log.sensing.dropped["depth lost"] == 70
    runs = "".join("-" if r.below_surface is None else "+" for r in log.all(Depth))
    assert max(map(len, re.findall("-+", runs))) == 36
    assert log.sensing.dropped["no checksum"] == 982


def test_two_receivers_22_m_apart_at_rest_are_one_boat():
    log = Day("adriatic_two_gps.dat")
    places = log.all(Position)
    assert {p.origin.talker for p in places} == {"GP"}
    steps = [
        range_and_bearing(a.lat, a.lon, b.lat, b.lon)[0] for a, b in pairwise(places)
    ]
    assert max(steps) < 15.0
    assert log.sensing.dropped["depth blank"] == 10
    assert log.sensing.dropped["no checksum"] == 231


def test_the_river_goes_on_when_its_clock_goes_back_12_s():
    log = Day("river_nh.log")
    assert log.sensing.dropped["clock set"] == 1
    assert len(log.warnings) == 1
    places = [p for p in log.all(Position) if p.lat is not None]
    steps = [
        range_and_bearing(a.lat, a.lon, b.lat, b.lon)[0] for a, b in pairwise(places)
    ]
    # The boat went on all the while: no step is longer than two seconds at its speed,
    # and the track is as long as speed and time make it.
    speeds = [m.speed for m in log.all(Motion) if m.speed is not None]
    assert max(steps) < 2.5 * max(speeds)
    assert sum(steps) == pytest.approx(
        sum(speeds) / len(speeds) * log.sensing.now, rel=0.02
    )


def test_the_dock_is_in_2022_and_its_frozen_position_is_not_used():
    log = Day("dock_rollover_2022.nmea")
    sensing = log.sensing
    start = sensing.utc(0.0)
    assert start is not None
    assert abs(start - datetime(2022, 7, 1, 5, 5, 30, tzinfo=UTC)) < timedelta(
        seconds=2
    )
    assert [w for w in log.warnings if "1024 weeks" in w] == log.warnings
    assert len(log.warnings) == 1
    # It comes first, and until another time runs nobody can know that it stands still.
    talkers = [p.origin.talker for p in log.all(Position)]
    assert talkers[:1] == ["AP"]
    assert set(talkers[1:]) == {"GP"}


def test_the_flat_lake_is_crossed_for_5_km():
    places = Day("flat_lake.nmea").all(Position)
    track = sum(
        range_and_bearing(a.lat, a.lon, b.lat, b.lon)[0] for a, b in pairwise(places)
    )
    assert track == pytest.approx(5000, rel=0.03)


def test_offsets_in_the_logs():
    assert {
        r.below_surface - r.below_transducer
        for r in Day("dock_blank_offset.nmea").all(Depth)
    } == {0.0}
    for r in Day("ijssel.log").all(Depth):
        assert r.below_surface == pytest.approx(r.below_transducer + 0.4)


def test_talkers_of_digits():
    """DBT 0.50 below the transducer beside DBS 0.58 below the surface."""
    log = Day("digit_talkers.log")
    assert {r.below_surface for r in log.all(Depth)} == {0.50, 0.58}
    assert log.sensing.counts["05DBT"] == 11
    assert log.sensing.counts["23DBS"] == 13


def test_a_gap_of_36_s_is_seen():
    log = Day("dock_blank_offset.nmea")
    times = [t for t, r in log.readings if isinstance(r, (Position, Motion))]
    gaps = [b - a for a, b in pairwise(times)]
    assert max(gaps) == pytest.approx(35.9, abs=1.0)
    assert sorted(gaps)[-2] < 5.0


def test_nulls_in_the_ocean_cost_nothing():
    log = Day("ocean_false_bottom.nmea")
    assert log.sensing.counts["IIRMC"] == 1094
    assert log.sensing.counts["IIDPT"] == 986
    assert +log.sensing.dropped == {}
