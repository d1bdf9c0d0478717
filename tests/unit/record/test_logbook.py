"""The logbook: what goes in comes out, nothing twice, nothing deleted, and errors in one line."""

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from companion.events import (
    AnyEvent,
    DepthNews,
    Fix,
    Heard,
    Logged,
    Match,
    Notice,
    RodTaken,
    Said,
    TripBegan,
    TripEnded,
    Undone,
)
from companion.record import logbook as logbook_module
from companion.record.logbook import KeptReading, Logbook, StoredCalibration
from companion.record.schema import known_steps, steps
from companion.record.tables import LogbookError

NOON = datetime(2026, 10, 3, 12, tzinfo=UTC)
BITE = Logged(
    t=7.5,
    utc="2026-10-03T12:00:07.500Z",
    number=1,
    what="bite",
    boat=Fix(35.5, -84.25, 3.0),
    heading=90.0,
    speed=0.4,
    bottom=6.1,
    water_temperature=21.5,
    rod="two",
    lure="Deep One",
    line="14 lb",
    lure_depth=4.9,
    lure_at=Fix(35.5001, -84.2502, 6.0),
    clip="20261003T120006.250Z.flac",
)
EVERY_KIND: list[AnyEvent] = [
    TripBegan(t=0.0, name="invented day", rods={"two": "Deep One on 14 lb"}),
    Notice(t=0.5, text="no GPS yet"),
    DepthNews(t=1.0, state="back", depth=6.0),
    RodTaken(t=2.0, rod="two", lure="Deep One", line="14 lb", reach=5.1),
    Match(t=3.0, rod="two", state="clear", by=1.0, depth=6.1, reach=5.1),
    Heard(t=7.0, text="log bite", clip="20261003T120006.250Z.flac", command="LogBite"),
    BITE,
    Said(t=7.6, text="bite logged", about="answer"),
    Undone(t=9.0, number=1, what="bite"),
    TripEnded(t=10.0, sentences=40, dropped={"bad checksum": 1}),
]


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook(tmp_path / "new folder" / "logbook.db") as opened:
        yield opened


def reopened(book: Logbook) -> Logbook:
    book.close()
    return Logbook(book.path)


def test_every_kind_of_event_comes_back_as_it_went_in(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        for event in EVERY_KIND:
            trip.record(event)
    with reopened(book) as later:
        assert later.events(trip.id) == EVERY_KIND


def test_a_logged_thing_has_its_own_columns(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        trip.record(BITE)
    with sqlite3.connect(book.path) as plain:
        plain.row_factory = sqlite3.Row
        row = dict(plain.execute("SELECT * FROM events").fetchone())
    plain.close()
    del row["id"], row["payload"]
    assert row == {
        "trip": trip.id, "event": "logged", "t": 7.5, "utc": BITE.utc, "number": 1, "what": "bite",
        "lat": 35.5, "lon": -84.25, "radius": 3.0, "depth": 6.1,
        "rod": "two", "lure": "Deep One", "line": "14 lb",
        "lure_depth": 4.9, "lure_lat": 35.5001, "lure_lon": -84.2502, "lure_radius": 6.0,
        "clip": BITE.clip, "undone": 0,
    }  # fmt: skip


def test_undo_marks_and_deletes_nothing(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        trip.record(BITE)
        trip.record(Logged(t=8.0, number=2, what="touch"))
        said = Undone(t=9.0, number=1, what="bite")
        trip.record(said)
    with reopened(book) as later:
        assert [
            (entry.event.number, entry.undone) for entry in later.logged(trip.id)
        ] == [
            (1, True),
            (2, False),
        ]
        assert later.logged(trip.id)[0].event == BITE
        assert later.events(trip.id)[-1] == said
        assert later.trips()[0].logged == 1


def test_undo_is_for_its_own_trip_only(book: Logbook) -> None:
    with book.begin_trip("first") as first:
        first.record(BITE)
    with book.begin_trip("second") as second:
        second.record(BITE)
        second.record(Undone(t=9.0, number=1, what="bite"))
    assert [entry.undone for entry in book.logged(first.id)] == [False]
    assert [entry.undone for entry in book.logged(second.id)] == [True]


def test_a_wrong_number_is_refused_and_harms_nothing_else(book: Logbook) -> None:
    trip = book.begin_trip("invented day")
    trip.record(BITE)
    with pytest.raises(LogbookError, match="already has a number 1"):
        trip.record(BITE)
    with pytest.raises(LogbookError, match="has no number 7"):
        trip.record(Undone(t=9.0, number=7, what="bite"))
    trip.record(Logged(t=9.0, number=2, what="fish"))
    assert [entry.event.number for entry in book.logged(trip.id)] == [1, 2]


def test_a_match_waits_but_keeps_its_place(book: Logbook) -> None:
    trip = book.begin_trip("invented day")
    match, said = EVERY_KIND[4], EVERY_KIND[7]
    trip.record(match)
    with Logbook(book.path) as other:
        assert other.events(trip.id) == []
        trip.record(said)
        assert other.events(trip.id) == [match, said]


def test_a_long_row_of_matches_does_not_wait_for_ever(book: Logbook) -> None:
    trip = book.begin_trip("invented day")
    for _ in range(logbook_module.READINGS_PER_COMMIT):
        trip.record(EVERY_KIND[4])
    with Logbook(book.path) as other:
        assert len(other.events(trip.id)) == logbook_module.READINGS_PER_COMMIT


def test_readings_come_back(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        trip.reading(0.0, None, None, None)
        at = datetime(
            2026, 10, 3, 14, 0, 0, 250_400, tzinfo=timezone(timedelta(hours=2))
        )
        trip.reading(
            1.0,
            at,
            Fix(35.5, -84.25, 3.0),
            6.1,
            heading=90.0,
            speed=2.0,
            water_temperature=21.5,
        )
    with reopened(book) as later:
        assert list(later.readings(trip.id)) == [
            KeptReading(0.0, None, None, None, None, None, None),
            KeptReading(
                1.0,
                "2026-10-03T12:00:00.250Z",
                Fix(35.5, -84.25, 3.0),
                6.1,
                90.0,
                2.0,
                21.5,
            ),
        ]


HERE = Fix(35.0, -84.0)
METRES_NORTH = 1 / 111_195.0


@pytest.mark.parametrize(
    ("fix", "depth", "kept"),
    [
        (HERE, 5.0, False),
        (Fix(35.0 + 9.0 * METRES_NORTH, -84.0), 5.2, False),
        (Fix(35.0 + 11.0 * METRES_NORTH, -84.0), 5.0, True),
        (
            Fix(35.0, -84.0 + 11.0 * METRES_NORTH),
            5.0,
            False,
        ),  # a degree of longitude is shorter here
        (Fix(35.0, -84.0 + 13.0 * METRES_NORTH), 5.0, True),
        (HERE, 5.31, True),
        (HERE, 4.69, True),
        (None, 5.0, True),
        (HERE, None, True),
    ],
)
def test_within_a_second_only_news_is_kept(
    book: Logbook, fix: Fix | None, depth: float | None, kept: bool
) -> None:
    trip = book.begin_trip("invented day")
    trip.reading(10.0, NOON, HERE, 5.0)
    trip.reading(10.5, NOON, fix, depth)
    assert len(list(book.readings(trip.id))) == (2 if kept else 1)


def test_ten_readings_a_second_become_one(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        for tenth in range(600):
            trip.reading(tenth / 10, NOON, HERE, 5.0)
    assert [reading.t for reading in book.readings(trip.id)] == [
        float(second) for second in range(60)
    ]


def test_a_depth_that_comes_back_is_kept_at_once(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        for t, depth in [(0.0, 5.0), (0.2, None), (0.4, None), (0.6, 5.0)]:
            trip.reading(t, NOON, HERE, depth)
    assert [(r.t, r.depth) for r in book.readings(trip.id)] == [
        (0.0, 5.0),
        (0.2, None),
        (0.6, 5.0),
    ]


def test_an_event_takes_the_waiting_readings_with_it(book: Logbook) -> None:
    trip = book.begin_trip("invented day")
    trip.reading(0.0, NOON, HERE, 5.0)
    with Logbook(book.path) as other:
        assert list(other.readings(trip.id)) == []
        trip.record(BITE)
        assert len(list(other.readings(trip.id))) == 1


def test_a_batch_of_readings_is_committed(book: Logbook) -> None:
    trip = book.begin_trip("invented day")
    for second in range(logbook_module.READINGS_PER_COMMIT + 5):
        trip.reading(float(second), NOON, HERE, 5.0)
    with Logbook(book.path) as other:
        assert len(list(other.readings(trip.id))) == logbook_module.READINGS_PER_COMMIT


def test_trips_are_listed_with_what_they_hold(book: Logbook) -> None:
    with book.begin_trip("first") as first:
        first.record(BITE)
        first.reading(12.0, NOON + timedelta(seconds=12), HERE, 5.0)
    cut_off = book.begin_trip("second", recording="day one")
    with reopened(book) as later:
        one, two = later.trips()
    assert (one.id, one.name, one.recording, one.closed) == (
        first.id,
        "first",
        None,
        True,
    )
    assert (one.began, one.ended, one.seconds) == (
        BITE.utc,
        "2026-10-03T12:00:12.000Z",
        12.0,
    )
    assert (one.readings, one.logged) == (1, 1)
    assert (two.id, two.recording, two.closed, two.began, two.seconds) == (
        cut_off.id,
        "day one",
        False,
        None,
        0.0,
    )


def test_a_trip_left_by_an_error_keeps_what_it_had_and_is_not_closed(
    book: Logbook,
) -> None:
    def breaks() -> None:
        with book.begin_trip("invented day") as trip:
            trip.reading(0.0, NOON, HERE, 5.0)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        breaks()
    with reopened(book) as later:
        assert not later.trips()[0].closed
        assert later.trips()[0].readings == 1


def test_one_trip_at_a_time(book: Logbook) -> None:
    trip = book.begin_trip("first")
    with pytest.raises(LogbookError, match="still open"):
        book.begin_trip("second")
    trip.close()
    trip.close()
    book.begin_trip("second")
    assert [entry.name for entry in book.trips()] == ["first", "second"]


def test_a_recording_is_never_copied_in_twice_silently(book: Logbook) -> None:
    with book.begin_trip("invented day", recording="day one") as trip:
        trip.record(BITE)
    with pytest.raises(
        LogbookError, match=r"already holds a replay of day one \(trip 1\)"
    ):
        book.begin_trip("invented day", recording="day one")
    assert len(book.logged(trip.id)) == 1


def test_a_recording_can_be_replaced(book: Logbook) -> None:
    for name in ("live", "live"):
        book.begin_trip(name).close()
    with book.begin_trip("invented day", recording="day one") as old:
        old.record(BITE)
        old.reading(1.0, NOON, HERE, 5.0)
    book.keep_calibration("rod", "two", {"cast": 30.0}, trip=old.id)
    with book.begin_trip("invented day", recording="day one", replace=True) as new:
        new.record(EVERY_KIND[0])
    assert [entry.recording for entry in book.trips()] == [None, None, "day one"]
    assert book.events(new.id) == [EVERY_KIND[0]]
    assert list(book.readings(new.id)) == []
    assert book.calibrations("rod", "two") == []
    assert book.tables.faults() == []


def test_calibrations_keep_their_history(book: Logbook) -> None:
    with book.begin_trip("invented day") as trip:
        pass
    book.keep_calibration(
        "lure", "Deep One", {"lift_ratio": [0.4, 0.03]}, utc=NOON, trip=trip.id
    )
    book.keep_calibration("lure", "Deep One", {"lift_ratio": [0.38, 0.02]})
    book.keep_calibration("lure", "Deep One", None)
    book.keep_calibration("rod", "Deep One", {"cast": 30.0})
    with reopened(book) as later:
        assert later.calibrations("lure", "Deep One") == [
            StoredCalibration(
                {"lift_ratio": [0.4, 0.03]}, "2026-10-03T12:00:00.000Z", trip.id
            ),
            StoredCalibration({"lift_ratio": [0.38, 0.02]}, None, None),
            StoredCalibration(None, None, None),
        ]
        assert later.calibrations("lure", "Deep Two") == []


def test_the_disk_is_asked_to_keep_every_commit(book: Logbook) -> None:
    assert book.tables._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert book.tables._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL


# Migrations


def at_version(path: Path, version: int) -> None:
    """Make a logbook as the version with that many steps left it, with a trip in it if it could hold one."""
    import sqlite_utils

    db = sqlite_utils.Database(path)
    names = [step.name for step in steps.pending(db)]
    steps.apply(db, stop_before=names[version:])
    if version >= 1:
        db.execute("INSERT INTO trips (name, closed) VALUES ('old day', 1)")
        db.execute("INSERT INTO readings (trip, t, depth) VALUES (1, 3.0, 5.5)")
        payload = '{"event":"logged","t":4.0,"number":1,"what":"snag"}'
        row = "(1, 'logged', 4.0, 1, 'snag', 1, ?)"
        db.execute(
            f"INSERT INTO events (trip, event, t, number, what, undone, payload) VALUES {row}",
            [payload],
        )
    if version >= 2:
        db.execute(
            "INSERT INTO calibrations (subject, name, posterior) VALUES ('rod', 'two', '[1.5]')"
        )
    db.conn.commit()
    db.close()


@pytest.mark.parametrize("version", range(len(known_steps()) + 1))
def test_a_logbook_of_every_earlier_version_is_brought_up_to_date(
    tmp_path: Path, version: int
) -> None:
    path = tmp_path / "logbook.db"
    at_version(path, version)
    with Logbook(path) as book:
        assert not steps.pending(book.tables._db)
        assert book.tables.faults() == []
        if version >= 1:
            assert [
                (t.name, t.closed, t.readings, t.seconds) for t in book.trips()
            ] == [("old day", True, 1, 4.0)]
            (snag,) = book.logged(1)
            assert snag.undone
            assert snag.event == Logged(t=4.0, number=1, what="snag")
        if version >= 2:
            assert book.calibrations("rod", "two") == [
                StoredCalibration([1.5], None, None)
            ]
        with book.begin_trip("new day") as trip:
            trip.record(BITE)
        book.keep_calibration("rod", "two", [2.5], trip=trip.id)
        assert book.calibrations("rod", "two")[-1].posterior == [2.5]
    with Logbook(tmp_path / "fresh.db") as fresh, Logbook(path) as old:
        assert old.tables._db.schema == fresh.tables._db.schema


def test_a_radius_of_one_sigma_is_widened_once_wherever_it_stands(
    tmp_path: Path,
) -> None:
    import sqlite_utils

    path = tmp_path / "logbook.db"
    at_version(path, 4)
    db = sqlite_utils.Database(path)
    payload = '{"event":"logged","t":4.0,"number":1,"what":"snag","boat":{"lat":1.0,"lon":2.0,"radius":3.0}}'
    db.execute("UPDATE events SET payload = ?, lure_radius = 5.0", [payload])
    db.execute("UPDATE readings SET radius = 3.0")
    db.execute("INSERT INTO lakes (id, lat, lon, state) VALUES (1, 1.0, 2.0, '{}')")
    db.execute(
        "INSERT INTO lake_marks VALUES (1, 1, 'ledge', 0.0, 0.0, 10.0, NULL, '', NULL)"
    )
    db.conn.commit()
    db.close()
    for _ in range(2):
        with Logbook(path) as book:
            (snag,) = book.logged(1)
            assert snag.event.boat is not None
            assert snag.event.boat.radius == 6.4
            radii = book.tables.rows(
                "SELECT radius FROM readings UNION ALL SELECT lure_radius FROM events"
            )
            assert [row["radius"] for row in radii] == [6.4, 10.7]
            assert book.tables.rows("SELECT radius FROM lake_marks") == [
                {"radius": 21.5}
            ]


def test_the_steps_are_numbered_without_a_gap() -> None:
    assert [int(name.split()[0]) for name in sorted(known_steps())] == list(
        range(1, len(known_steps()) + 1)
    )


def test_a_step_that_fails_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "logbook.db"
    at_version(path, 1)

    def breaks(db: object) -> None:
        db.execute("CREATE TABLE calibrations (half INTEGER)")  # type: ignore[attr-defined]
        raise sqlite3.OperationalError("cut off")

    monkeypatch.setattr(steps._migrations[1], "fn", breaks)
    with pytest.raises(LogbookError, match="cut off"):
        Logbook(path)
    monkeypatch.undo()
    with Logbook(path) as book:
        assert book.trips()[0].name == "old day"
        assert book.calibrations("rod", "two") == []


# Errors: one line with the file, what is wrong, and what to do


def error_of(path: Path) -> str:
    with pytest.raises(LogbookError) as caught:
        Logbook(path)
    line = str(caught.value)
    assert line.startswith(f"logbook {path}: ")
    assert "\n" not in line
    assert caught.value.remedy
    return line


def test_a_locked_logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logbook_module, "LOCK_WAIT_S", 0.05)
    path = tmp_path / "logbook.db"
    with Logbook(path) as book:
        trip = book.begin_trip("invented day")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(
            LogbookError, match="another program is writing to it; close that program"
        ):
            trip.record(BITE)
        other.execute("ROLLBACK")
        other.close()
        trip.record(Logged(t=9.0, number=2, what="fish"))
        assert [entry.event.number for entry in book.logged(trip.id)] == [1, 2]


def test_a_logbook_locked_when_it_is_first_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logbook_module, "LOCK_WAIT_S", 0.05)
    path = tmp_path / "logbook.db"
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    assert "another program is writing to it" in error_of(path)
    other.close()


def test_a_full_disk_loses_nothing_that_fits_later(tmp_path: Path) -> None:
    with Logbook(tmp_path / "logbook.db") as book:
        trip = book.begin_trip("invented day")
        trip.record(BITE)
        pages = book.tables._db.execute("PRAGMA page_count").fetchone()[0]
        book.tables._db.execute(f"PRAGMA max_page_count = {pages}")
        long_text = Said(t=8.0, text="x" * 50_000, about="notice")
        with pytest.raises(LogbookError, match="the disk is full; free some space"):
            trip.record(long_text)
        book.tables._db.execute("PRAGMA max_page_count = 100000")
        trip.record(EVERY_KIND[1])
        assert book.events(trip.id) == [BITE, long_text, EVERY_KIND[1]]


def test_readings_held_while_the_disk_fails_are_bounded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logbook_module, "KEPT_WHILE_FAILING", 100)
    monkeypatch.setattr(logbook_module, "LOCK_WAIT_S", 0.01)
    path = tmp_path / "logbook.db"
    refused = 0
    with Logbook(path) as book:
        trip = book.begin_trip("invented day")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        for second in range(600):
            try:
                trip.reading(float(second), NOON, HERE, 5.0)
            except LogbookError:
                refused += 1
        other.close()
        kept = [reading.t for reading in book.readings(trip.id)]
    assert refused == 600 // logbook_module.READINGS_PER_COMMIT
    assert kept == [float(second) for second in range(500, 600)]


def test_a_file_that_is_no_database(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    path.write_bytes(b"these are not the bytes of a database file. " * 100)
    assert "it is damaged, or no logbook; move it aside" in error_of(path)


def test_a_damaged_logbook(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    with Logbook(path) as book, book.begin_trip("invented day") as trip:
        for number in range(1, 200):
            trip.record(Logged(t=1.0, number=number, what="bite", detail="x" * 500))
    data = bytearray(path.read_bytes())
    for page in range(4096 * 24, len(data), 4096):
        data[page : page + 200] = bytes(200)
    path.write_bytes(data)
    with Logbook(path) as book:
        assert book.tables.faults()
        with pytest.raises(LogbookError, match="it is damaged; move it aside"):
            book.events(trip.id)


def test_a_database_of_some_other_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE stamps (country TEXT)")
    other.close()
    before = path.read_bytes()
    assert "it is a database, but no logbook; give another file" in error_of(path)
    assert path.read_bytes() == before


def test_a_logbook_of_a_newer_version(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    with Logbook(path) as book:
        book.tables._db["_sqlite_migrations"].insert(
            {
                "migration_set": "logbook",
                "name": "0999 from the future",
                "applied_at": "2031",
            }
        )
    before = path.read_bytes()
    assert (
        "a newer version of the companion wrote it (it has had step '0999 from the future')"
        in error_of(path)
    )
    assert path.read_bytes() == before


def test_a_folder_in_place_of_the_file(tmp_path: Path) -> None:
    assert "it cannot be opened; give a file in a folder you may write to" in error_of(
        tmp_path
    )


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "give a file in a folder you may write to" in error_of(
        tmp_path / "file" / "logbook.db"
    )


AS_NOBODY = """
import os, sys
from pathlib import Path
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError
Logbook(Path(sys.argv[2])).close()  # so that all it imports is imported while that is allowed
if os.geteuid() == 0:
    os.setuid(65534)
try:
    Logbook(Path(sys.argv[1]))
except LogbookError as error:
    print(error)
"""


@pytest.mark.parametrize(
    ("folder_mode", "file_mode", "expected"),
    [
        (0o777, 0o444, "it is read-only; give a file you may write to"),
        (0o777, 0o000, "it cannot be opened"),
    ],
)
def test_a_logbook_that_may_not_be_written(
    tmp_path: Path, folder_mode: int, file_mode: int, expected: str
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "logbook.db"
        # Before its first step, as an installer might leave it.
        with sqlite3.connect(path) as empty:
            empty.execute("PRAGMA user_version = 1")
        empty.close()
        path.chmod(file_mode)
        os.chmod(folder, folder_mode)
        result = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(path), str(tmp_path / "first.db")],
            capture_output=True,
            text=True,
            check=True,
        )
    assert f"logbook {path}: {expected}" in result.stdout
