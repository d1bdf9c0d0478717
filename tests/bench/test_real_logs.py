"""The bench of real logs judges as it says, on bottoms and lines made up for it."""

from __future__ import annotations

import pytest

from tests.bench.real_logs import (
    Line,
    Replayed,
    changes,
    judge,
    measured,
    row,
    spoken_lines,
)
from tests.bench.reference_bottom import (
    LOGS,
    Ping,
    Place,
    Reference,
    Track,
    longest_chain,
    read,
)


def log(depths, step=1.0, speed=0.0):
    """A boat that goes east at `speed` m/s and pings every `step` s."""
    pings = [Ping(i * step, depth) for i, depth in enumerate(depths)]
    track = Track([Place(p.t, speed * p.t, 0.0) for p in pings])
    return Reference("made up", pings, track, len(depths) * step)


def line(t, touch, text="touch", depth=None):
    return Line(t, text, "match", touch, depth, in_range=False)


@pytest.mark.parametrize(
    "burst", [[46.6], [46.6, 33.4, 39.9, 39.9], [43.8] * 4, [1.9] * 5]
)
def test_a_burst_of_false_echoes_is_false_and_the_bottom_is_not(burst):
    depths = [12.0] * 20 + burst + [12.1] * 20
    assert [not true for true in log(depths).true] == [z in burst for z in depths]


def test_a_cliff_is_no_false_echo():
    assert all(log([6.0] * 20 + [11.0] * 20).true)


def test_a_slope_is_no_false_echo_and_a_small_oddity_is_not_judged():
    depths = [5.0 + 0.3 * i for i in range(40)]
    assert all(log(depths, speed=1.0).true)
    depths[20] += 1.3
    assert log(depths).true[20] is not False


def test_the_chain_of_nothing_is_nothing():
    assert longest_chain([], []) == set()


def test_a_change_is_one_that_lasts_beyond_the_band_at_low_speed():
    there_and_back = [5.0] * 20 + [7.0] * 20 + [5.0] * 20
    assert changes(log(there_and_back), 6.0) == [(20.0, False), (40.0, True)]
    assert changes(log(there_and_back, speed=3.0), 6.0) == []
    assert changes(log([5.0] * 20 + [7.0] * 8 + [5.0] * 20), 6.0) == [(28.0, True)]
    assert changes(log([5.9, 6.1] * 30), 6.0) == []


def test_silence_and_late_words_do_not_count_as_told():
    bottom = log([5.0] * 20 + [7.0] * 20)

    def told(*lines):
        tally = judge(bottom, Replayed(list(lines), [], 6.0))
        return tally.told, tally.changes

    assert told() == (0, 1)
    assert told(line(0.0, True)) == (0, 1)
    assert told(line(0.0, True), line(25.0, False)) == (0, 1)
    assert told(line(0.0, True), line(23.0, False)) == (1, 1)


def test_what_is_contradicted_is_counted():
    bottom = log([12.0] * 60)

    def contradicted(*lines):
        return judge(bottom, Replayed(list(lines), [], 6.0)).contradicted

    assert contradicted(line(1.0, True), line(9.0, False)) == 1
    assert contradicted(line(1.0, True), line(12.0, False)) == 0
    assert contradicted(line(1.0, False), line(9.0, False)) == 0
    assert (
        contradicted(
            line(1, False, "short by 140 feet"), line(9, False, "short by 20 feet")
        )
        == 1
    )
    lost = Line(1.0, "depth lost", "depth", None, None, in_range=False)
    assert (
        contradicted(lost, lost._replace(t=5.0, text="depth back, 39 feet", depth=12.0))
        == 1
    )


def test_lines_on_false_depths_and_at_travelling_speed_are_counted():
    bottom = log([12.0] * 20 + [40.0] * 3 + [12.0] * 20, speed=3.0)
    tally = judge(
        bottom,
        Replayed(
            [line(21.0, False, depth=40.0), line(30.0, False, depth=12.1)], [], 6.0
        ),
    )
    assert (tally.false, tally.travelling) == (1, 2)


def test_pings_believed_and_refused():
    bottom = log([12.0] * 20 + [40.0] * 3 + [12.0] * 20)
    everything = [(p.t, p.depth) for p in bottom.pings]
    tally = judge(bottom, Replayed([], everything, 6.0))
    assert (tally.believed, tally.false_pings, tally.refused, tally.true_pings) == (
        3,
        3,
        0,
        40,
    )
    tally = judge(
        bottom, Replayed([], [(t, z) for t, z in everything if t < 10.0], 6.0)
    )
    assert (tally.believed, tally.refused) == (0, 29)


def test_a_line_is_judged_by_the_match_of_its_instant():
    match = {
        "event": "match",
        "t": 3.0,
        "state": "short",
        "depth": 9.0,
        "where": "in range",
    }
    said = {"event": "said", "t": 3.0, "text": "short by 5 feet", "about": "match"}
    assert spoken_lines([match, said]) == [
        Line(3.0, "short by 5 feet", "match", False, 9.0, in_range=True)
    ]
    assert spoken_lines([match, said | {"t": 4.0, "text": "touch"}])[0].touch is True
    assert (
        spoken_lines([said | {"text": "tree now", "about": "outlook"}])[0].touch is None
    )


@pytest.mark.skipif(
    not LOGS.is_dir(),
    reason="the recorded logs of others (shared/data/logs) are not here",
)
class TestLogs:
    def test_the_bursts_of_the_bay_are_false(self):
        """By the log's description 134 jumps of over 5 m, in bursts; its true bottom is 10 to 19 m."""
        bay = read("bay_spikes.nmea")
        false = [
            p.depth
            for p, true in zip(bay.pings, bay.true, strict=True)
            if true is False
        ]
        assert 140 <= len(false) <= 155
        assert min(false) > 12.0
        assert all(10.0 < z < 19.5 for z in bay.bottom(0.0, bay.seconds))

    def test_a_log_is_measured(self, tmp_path):
        tally = measured("moored_dbt.log", tmp_path)
        assert tally.hours == pytest.approx(3 * 242 / 3600, rel=0.02)
        assert tally.true_pings == 3 * 122
        assert row("moored", tally).startswith("moored ")
