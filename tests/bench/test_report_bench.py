"""How long the report of a ten-hour day takes to build.

    .venv/bin/pytest -s --benchmark-enable tests/bench/test_report_bench.py

The readings come from the bench's long day (10 Hz fixes, kept once a second), with a
cast every minute and a half, bites, fish, touches and marks among them. The promise is
5 s of a core, from the logbook to the file, and under 1 MB without sound. Its peer is
reading the same trip from the logbook. Without --benchmark-enable half an hour is built
once, to see that the bench still works.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np

from companion.events import Fix, Heard, Logged, Match, RodTaken, TripBegan
from companion.record.logbook import Logbook
from companion.report.day import read_day
from companion.report.findings import findings
from companion.report.page import page
from companion.report.rods import rod_stories
from companion.simulate.lake import Lake
from companion.units import Units

START = datetime(2026, 10, 3, 5, tzinfo=UTC)
LINES = (
    "12 lb fluorocarbon",
    "14 lb fluorocarbon",
    "17 lb fluorocarbon",
    "20 lb nylon",
)


def fished(path, hours, seed=1):
    """Write a day of fishing into a logbook; give the trip's number back."""
    rng, lake = np.random.default_rng(seed), Lake(seed)
    t = np.arange(0.0, hours * 3600.0)
    x, y = 150.0 * np.sin(0.01 * t), 110.0 * np.sin(0.0084 * t)
    depth = lake.bottom(x, y) + rng.normal(0.0, 0.15, len(t))
    lat, lon = lake.plane.to_degrees(x, y)
    with Logbook(path) as book:
        book.tables._db.execute("PRAGMA synchronous = off")
        trip = book.begin_trip("a long day")
        rods = {f"rod {i}": f"deep dorrow on {line}" for i, line in enumerate(LINES, 1)}
        trip.record(TripBegan(t=0.0, name="a long day", rods=rods))
        for i, one in enumerate(t):
            fix = Fix(float(lat[i]), float(lon[i]), 3.0)
            trip.reading(
                one,
                START + timedelta(seconds=one),
                fix,
                float(depth[i]),
                heading=float(i % 360),
            )
            if i % 90 == 0:
                for event in _a_cast(rng, i, fix, float(depth[i])):
                    trip._events.append(event)
        trip.close()
        return trip.id


def _a_cast(rng, i, fix, depth):
    rod = i // 90 % 4
    number = i // 90 * 4
    carries = {"rod": f"rod {rod + 1}", "lure": "deep dorrow", "line": LINES[rod]}
    utc = (
        (START + timedelta(seconds=i))
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )
    yield RodTaken(t=float(i), utc=utc, reach=5.5 - 0.4 * rod, **carries)
    yield Match(
        t=float(i),
        utc=utc,
        rod=f"rod {rod + 1}",
        state="short",
        by=1.0,
        depth=depth,
        reach=5.0,
    )
    told = [("cast", 0.0, {"detail": "two o'clock", "heading": float(i % 360)})]
    if rng.random() < 0.2:
        told.append(("bite", 15.0, {"lure_depth": 4.0, "lure_at": fix}))
    if rng.random() < 0.3:
        told.append(("touch", 20.0, {"lure_depth": 4.5, "lure_at": fix}))
    told.append(("reeled in", 40.0, {}))
    for what, after, more in told:
        number += 1
        clip = f"{i}-{what}.flac"
        yield Heard(t=i + after, utc=utc, text=f"log {what}", clip=clip, command=what)
        where = {"boat": fix, "bottom": depth, "clip": clip}
        yield Logged(
            t=i + after, utc=utc, number=number, what=what, **carries, **where, **more
        )


def ours(path, trip):
    with Logbook(path) as book:
        day = read_day(book, trip)
        text = page(findings(day, rod_stories(day, book), Units()))
    path.with_suffix(".html").write_text(text)
    return len(text)


def parsing(path, trip):
    """A peer: the same trip's readings and events read from the logbook, and written as JSON."""
    with Logbook(path) as book:
        day = read_day(book, trip)
    return len(msgspec.json.encode([day.events, day.readings]))


def test_the_report_of_ten_hours(tmp_path, benchmark, request):
    whole = request.config.getoption("benchmark_enable")
    path = tmp_path / "day.db"
    trip = fished(path, 10.0 if whole else 0.5)
    began = time.process_time()
    parsing(path, trip)
    peer = time.process_time() - began
    took = []

    def once():
        began = time.process_time()
        size = ours(path, trip)
        took.append(time.process_time() - began)
        return size

    size = benchmark.pedantic(once, rounds=1)
    print(
        f"\n{'10 h' if whole else 'half an hour'}: {took[0]:.2f} s of a core, {size / 1e6:.2f} MB; ",
        end="",
    )
    print(f"reading the trip alone {peer:.2f} s")
    assert size < 1_000_000
