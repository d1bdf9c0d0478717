"""An invented trip of a few minutes, written into a real logbook and read back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from companion.events import Fix, Heard, Logged, RodTaken, Said, TripBegan, TripEnded
from companion.record.logbook import Logbook
from companion.report.day import read_day
from companion.report.findings import findings
from companion.report.rods import rod_stories
from companion.units import Units

START = datetime(2026, 10, 3, 14, tzinfo=UTC)
LAT, LON = -47.2, -126.4
METRE = 1.0 / 111_190.0
RODS = {"rod 1": "deep dorrow on 12 lb", "rod 2": "deep dorrow on 20 lb"}


def utc(t):
    return (
        (START + timedelta(seconds=t))
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


def at(east, north, radius=3.0):
    return Fix(LAT + north * METRE, LON + east * METRE / 0.6794, radius)


class Script:
    """Events in the order they are told, with the boat at rest and the bow to the north."""

    def __init__(self):
        self.number = 0
        self.events = [
            TripBegan(t=0.0, utc=utc(0.0), name="a_short_day", rods=RODS),
            RodTaken(
                t=0.0,
                utc=utc(0.0),
                rod="rod 1",
                lure="deep dorrow",
                line="12 lb",
                reach=5.5,
            ),
        ]

    def log(self, t, what, **more):
        self.number += 1
        clip = f"clip{self.number}.flac"
        given = {
            "boat": at(0.0, 0.0),
            "heading": 0.0,
            "bottom": 6.0,
            "rod": "rod 1",
        } | more
        line = RODS[given["rod"]].partition(" on ")[2] if given["rod"] else None
        heard = Heard(t=t, utc=utc(t), text=f"log {what}", clip=clip, command=what)
        logged = Logged(
            t=t,
            utc=utc(t),
            number=self.number,
            what=what,
            lure="deep dorrow",
            line=line,
            clip=clip,
            **given,
        )
        self.events += [
            heard,
            logged,
            Said(t=t, utc=utc(t), text="noted", about="answer"),
        ]
        return logged

    def cast(self, t, *, bite=False, rod="rod 1", hour="twelve", **more):
        """A cast of half a minute over the bow; give its number back."""
        detail = None if hour is None else f"{hour} o'clock"
        number = self.log(t, "cast", rod=rod, detail=detail, **more).number
        if bite:
            self.log(
                t + 12.0, "bite", rod=rod, lure_depth=4.8, lure_at=at(0.0, 20.0, 5.0)
            )
        self.log(t + 30.0, "reeled in", rod=rod)
        return number


@pytest.fixture
def place():
    """Give a place m east and north of the boat."""
    return at


@pytest.fixture
def sounded():
    """The readings that a trip has unless told otherwise."""
    return list(_sounded())


@pytest.fixture
def script():
    return Script()


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "book.db") as opened:
        yield opened


def _sounded():
    """Readings of a boat that goes up and down over a bottom that falls from 5 m to 7 m to the north."""
    for t in range(600):
        lane, along = divmod(t, 60)
        north = -30.0 + (along if lane % 2 == 0 else 60 - along) * 1.2
        yield float(t), at(-20.0 + 4.0 * lane, north), round(6.0 + north / 40.0, 2)


@pytest.fixture
def kept(book):
    """Write a script into the logbook; give the trip's number back."""

    def write(script, readings=None):
        with book.begin_trip(
            "a_short_day", recording="a_short_day", replace=True
        ) as trip:
            for event in [
                *script.events,
                TripEnded(t=600.0, utc=utc(600.0), sentences=9, dropped={}),
            ]:
                trip.record(event)
            for t, fix, depth in _sounded() if readings is None else readings:
                trip.reading(
                    t, START + timedelta(seconds=t), fix, depth, water_temperature=17.0
                )
        return trip.id

    return write


@pytest.fixture
def found(book, kept):
    """Write a script and work it out."""

    def work_out(script, readings=None, units="feet", **more):
        day = read_day(book, kept(script, readings), **more)
        return findings(day, rod_stories(day, book), Units(units))

    return work_out
