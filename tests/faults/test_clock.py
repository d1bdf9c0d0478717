"""The computer's clock is not set, wrong by years, or jumps: the stamps run on, and events have GPS time."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from companion.events import Said


@pytest.mark.usefixtures("talker")
@pytest.mark.parametrize(
    ("wall", "told"),
    [
        (datetime(1970, 1, 1, 0, 2, tzinfo=UTC), "clock not set"),
        (datetime(2061, 5, 1, tzinfo=UTC), "clock is wrong, GPS time is used"),
        (datetime(2025, 2, 1, tzinfo=UTC), "clock is wrong, GPS time is used"),
    ],
)
def test_a_wrong_clock_is_said_once_and_gps_time_used(launch, wire, tools, wall, told):
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)), wall=lambda: wall
    )
    boat.wait_for_text(told)
    boat.live.announce("afterwards")
    boat.wait_for_text("afterwards")
    live = boat.stop()
    assert sum(isinstance(e, Said) and e.text == told for e in live) == 1
    last = datetime.fromisoformat(live[-1].utc)
    assert abs(last - datetime.now(UTC)) < timedelta(seconds=10)


@pytest.mark.usefixtures("talker")
def test_a_clock_that_jumps_during_the_trip_changes_no_stamp(
    launch, wire, tools, tmp_path
):
    now = [datetime.now(UTC)]
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)), wall=lambda: now[0]
    )
    boat.wait_for_text("ready")
    for years in (12, -40, 3):
        now[0] += timedelta(days=365 * years)
        boat.live.announce(f"jumped {years}")
        boat.wait_for_text(f"jumped {years}")
    live = boat.stop()
    assert [e.t for e in live] == sorted(e.t for e in live)
    assert live[-1].t < 60
    (lines,) = tmp_path.glob("recordings/*/*/sonar.nmea")
    stamps = [int(c) for c in re.findall(rb"c:(\d+)", lines.read_bytes())]
    assert stamps == sorted(stamps)
    assert stamps[-1] - stamps[0] < 60_000
