"""Corrections afterwards: the original stays, and they outlive a replay."""

from __future__ import annotations

import pytest

from companion.events import Fix, Logged, Undone
from companion.record.amendments import Amendment, corrected
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError

BITE = Logged(
    t=7.5, number=1, what="bite", rod="rod 1", lure="dorrow", line="12 lb", lure_depth=4.9,
    lure_at=Fix(35.5, -84.2, 6.0), lure_bottom=5.2, clip="a.flac",
)  # fmt: skip
TOUCH = Logged(
    t=20.0,
    number=2,
    what="touch",
    rod="rod 1",
    lure="dorrow",
    line="12 lb",
    clip="b.flac",
)
MARK = Logged(t=30.0, number=3, what="mark", detail="ledge")


@pytest.fixture
def book(tmp_path):
    with Logbook(tmp_path / "book.db") as opened:
        yield opened


def written(book, *events, recording="day"):
    with book.begin_trip("day", recording=recording, replace=True) as trip:
        for event in events:
            trip.record(event)
    return trip.id


def test_the_original_stays_and_the_correction_stands_beside_it(book):
    trip = written(book, BITE)
    book.corrections.add(
        trip,
        Amendment(
            number=1,
            what="fish",
            size=1.4,
            note="it came in",
            utc="2026-10-04T20:00:00Z",
        ),
    )
    (thing,) = book.corrections.corrected(trip)
    assert thing.original == BITE
    assert (thing.event.what, thing.event.size, thing.stands) == ("fish", 1.4, True)
    assert thing.event.lure_depth == 4.9
    assert thing.notes == ("it came in",)
    assert book.logged(trip)[0].event == BITE
    assert book.events(trip) == [BITE]
    assert book.tables.faults() == []


def test_the_last_correction_counts(book):
    trip = written(book, BITE)
    book.corrections.add(trip, Amendment(number=1, what="fish"))
    book.corrections.add(trip, Amendment(number=1, what="lost fish"))
    assert book.corrections.corrected(trip)[0].event.what == "lost fish"
    assert len(book.corrections.corrected(trip)[0].amendments) == 2


def test_a_fishs_weight_is_no_casts_length_and_is_there_again_for_a_fish():
    fish = Logged(t=9.0, number=4, what="fish", size=2.0)
    changes = [Amendment(number=4, what=what) for what in ("cast", "fish")]
    (cast,) = corrected([(fish, False)], changes[:1])
    assert (cast.event.what, cast.event.size) == ("cast", None)
    (again,) = corrected([(fish, False)], changes)
    assert again.event == fish
    (touch,) = corrected([(MARK, False)], [Amendment(number=3, what="touch")])
    assert touch.event.detail is None


def test_another_rod_takes_its_line_and_never_keeps_where_the_others_lure_was():
    change = Amendment(number=1, rod="rod 2", lure="dorrow", line="14 lb")
    (thing,) = corrected([(BITE, False)], [change])
    assert (thing.event.rod, thing.event.line) == ("rod 2", "14 lb")
    assert (thing.event.lure_depth, thing.event.lure_at, thing.event.lure_bottom) == (
        None,
        None,
        None,
    )


def test_another_rod_has_its_own_lure_and_the_logged_one_its_own_again():
    there = Fix(35.6, -84.3, 7.0)
    change = Amendment(
        number=1, rod="rod 2", lure_depth=4.1, lure_at=there, lure_bottom=6.0
    )
    (thing,) = corrected(
        [(BITE, False)], [change, Amendment(number=1, note="so it was")]
    )
    assert (thing.event.lure_depth, thing.event.lure_at, thing.event.lure_bottom) == (
        4.1,
        there,
        6.0,
    )
    assert thing.event.place == there
    (thing,) = corrected(
        [(BITE, False)],
        [change, Amendment(number=1, rod="rod 1", lure="dorrow", line="12 lb")],
    )
    assert thing.event == BITE


def test_taking_back_and_restoring(book):
    trip = written(book, BITE, Undone(t=9.0, number=1, what="bite"))
    assert [thing.stands for thing in book.corrections.corrected(trip)] == [False]
    book.corrections.add(trip, Amendment(number=1, taken_back=False))
    assert [thing.stands for thing in book.corrections.corrected(trip)] == [True]
    book.corrections.add(trip, Amendment(number=1, taken_back=True))
    assert [thing.stands for thing in book.corrections.corrected(trip)] == [False]


def test_a_correction_follows_its_clip_through_a_replay_that_numbers_anew(book):
    trip = written(book, BITE, TOUCH, MARK)
    book.corrections.add(trip, Amendment(number=2, note="on a stump"))
    book.corrections.add(trip, Amendment(number=3, size=4.0))
    again = written(
        book,
        Logged(t=20.0, number=1, what="touch", clip="b.flac"),
        Logged(t=30.2, number=2, what="mark", detail="ledge"),
    )
    assert [
        (one.number, one.note, one.size) for one in book.corrections.of_trip(again)
    ] == [
        (1, "on a stump", None),
        (2, None, 4.0),
    ]
    assert book.corrections.stray(again) == []


def test_a_correction_of_what_is_logged_no_longer_is_kept_apart(book):
    trip = written(book, BITE)
    book.corrections.add(trip, Amendment(number=1, note="big"))
    again = written(book, TOUCH)
    assert book.corrections.of_trip(again) == []
    assert [one.note for one in book.corrections.stray(again)] == ["big"]
    assert written(book, BITE) == again
    assert [one.note for one in book.corrections.of_trip(again)] == ["big"]


def test_only_what_was_logged_can_be_corrected(book):
    trip = written(book, BITE)
    with pytest.raises(LogbookError, match=f"trip {trip} has no number 9"):
        book.corrections.add(trip, Amendment(number=9, note="?"))
    assert book.corrections.of_trip(trip) == []


def test_an_empty_correction_says_so():
    assert Amendment(number=1, utc="2026-10-04T20:00:00Z").is_empty
    assert not Amendment(number=1, taken_back=False).is_empty
