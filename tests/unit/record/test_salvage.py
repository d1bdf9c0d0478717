"""Files damaged in earnest, at every page: what was not on the damaged page comes over, and nothing false."""

from __future__ import annotations

import random
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
import sqlite_utils
from click.testing import CliRunner

from companion.cli import commands
from companion.dive.evidence import Belief, Estimate, Stated
from companion.dive.rig import Line, Lure, Retrieve
from companion.events import Fix, Logged, Said, TripBegan, Undone
from companion.lakebed.bed import Bed
from companion.record.amendments import Amendment
from companion.record.backup import BackupError
from companion.record.lakes import Lakes, LearnedFile
from companion.record.logbook import Logbook
from companion.record.pages import Pages
from companion.record.salvage import salvage
from companion.record.schema import RADII_STEP, SHARES, steps
from companion.sensing.localplane import LocalPlane

SIZE = 4096
WATERS = ((35.0, -140.0), (-47.2, -126.4))  # in open ocean: invented
SAMENESS = {  # what tells a row from every other, whatever number it has in the file it is in
    "trips": "name, recording",
    "events": "payload, undone",
    "readings": "utc, lat, depth",
    "calibrations": "subject, name, posterior",
    "amendments": "payload, clip",
    "lakes": "lat, lon, state",
    "lake_tiles": "east, north, cells",
    "lake_marks": "number, note, top",
    "lake_learned": "digest, soundings",
}
MARKERS = {  # text or bytes that stand in a row, and in no other row
    "trips": "name",
    "events": "payload",
    "readings": "utc",
    "calibrations": "posterior",
    "amendments": "payload",
    "lakes": "state",
    "lake_tiles": "cells",
    "lake_marks": "note",
    "lake_learned": "digest",
}


def belief(pieces: int) -> Belief:
    line = Line(0.4e-3)
    stated = Stated(Lure(0.0015), line, Retrieve(cast=40.0), 5.0 + pieces / 7.0)
    one = Estimate(1.0, 0.9, 1.1)
    return Belief(stated, (), (), one, one, {})


def write_trip(book: Logbook, n: int) -> None:
    with book.begin_trip(
        f"2026-10-{n + 1:02} 081500", recording=f"day {n}" if n == 2 else None
    ) as trip:
        trip.record(
            TripBegan(
                t=0.0, name=f"2026-10-{n + 1:02} 081500", rods={"one": "deep dorrow"}
            )
        )
        for i in range(1, 151):
            utc = f"2026-10-{n + 1:02}T08:{i // 60:02}:{i % 60:02}.000Z"
            trip._readings.append(
                (
                    trip.id,
                    float(i),
                    utc,
                    35.0 + i / 1e5,
                    -140.0,
                    3.0,
                    5.0,
                    90.0,
                    1.0,
                    18.5,
                )
            )
            trip.record(
                Logged(
                    t=float(i),
                    number=i,
                    what="bite",
                    clip=f"{n}-{i}.flac",
                    boat=Fix(35.0, -140.0),
                )
            )
            trip.record(
                Said(t=float(i), text=f"trip {n} bite {i} " + "x" * 120, about="answer")
            )
        trip.record(Undone(t=41.0, number=3, what="bite"))
        for name in ("deep dorrow", "short stop"):
            trip.believe(f"{name} {n}", belief(n))
        number = trip.id
    for i in range(1, 41):
        book.corrections.add(
            number, Amendment(number=i, note=f"trip {n} note {i} " + "y" * 60)
        )


def write_lakes(book: Logbook) -> None:
    lakes = Lakes(book)
    bed = Bed(lakes.areas())
    chance = random.Random(5)
    for lat, lon in WATERS:
        plane = LocalPlane(lat, lon)
        for _ in range(2500):
            x, y = chance.uniform(0.0, 160.0), chance.uniform(0.0, 160.0)
            bed.add(*plane.to_latlon(x, y), chance.uniform(3.0, 9.0))
        for n in range(40):
            utc = f"2026-10-03T14:15:{n:02}.250Z"
            bed.mark(
                "ledge",
                *plane.to_latlon(3.0 * n, 5.0),
                depth=4.0,
                note=f"{lat} ledge {n}",
                utc=utc,
            )
    lakes.save(bed, LearnedFile("a" * 64, "chart.csv", 5000, 0, True))
    for n in range(50):
        lakes.save(bed, LearnedFile(f"{n:064}", f"chart {n}.csv", n, 0, True))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("whole") / "whole.db"
    with Logbook(path) as book:
        for n in range(3):
            write_trip(book, n)
        book.keep_calibration("lure", "deep dorrow 0", None)
        book.keep_calibration("rod", "one", {"cast": 31.25})
        write_lakes(book)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("PRAGMA journal_mode = delete")
        db.execute("VACUUM")  # else parts of rows stand about where they were before
    return path


def rows(path: Path) -> dict[str, Counter[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as db:
        return {
            table: Counter(db.execute(f"SELECT {what} FROM {table}"))
            for table, what in SAMENESS.items()
        }


def on_page(whole: Path) -> dict[str, dict[tuple[object, ...], set[int]]]:
    """For each row the pages with what only it has, by looking for those bytes in the file."""
    data, found = whole.read_bytes(), {}
    with closing(sqlite3.connect(whole)) as db:
        for table, what in SAMENESS.items():
            of_table = found.setdefault(table, {})
            for marker, *row in db.execute(
                f"SELECT {MARKERS[table]}, {what} FROM {table}"
            ):
                sought = (
                    b""
                    if marker is None
                    else marker.encode()
                    if isinstance(marker, str)
                    else marker
                )
                places = (
                    set(range(len(data) // SIZE))
                    if len(sought) < 6
                    else pages_of(data, sought)
                )
                of_table[tuple(row)] = places
    return found


def pages_of(data: bytes, sought: bytes) -> set[int]:
    """The pages a row's bytes stand on; its beginning when it runs over, and then all that follow."""
    at, found = data.find(sought), set()
    if at < 0:  # it runs over several pages
        parts = [sought[i : i + 64] for i in range(0, len(sought) - 64, 64)]
        return {data.find(part) // SIZE for part in parts if part in data}
    while at >= 0:
        found |= set(range((at - 20) // SIZE, (at + len(sought)) // SIZE + 1))
        at = data.find(sought, at + 1)
    return found


def damaged(whole: Path, at: int, length: int, folder: Path) -> Path:
    data = bytearray(whole.read_bytes())
    data[at : at + length] = random.Random(at).randbytes(min(length, len(data) - at))
    path = folder / f"damaged-{at}.db"
    path.write_bytes(data)
    return path


def unharmed(
    where: dict[str, dict[tuple[object, ...], set[int]]], hit: set[int]
) -> dict[str, set[object]]:
    return {
        table: {row for row, pages in of.items() if not pages & hit}
        for table, of in where.items()
    }


def check(
    target: Path,
    want: dict[str, set[object]],
    before: dict[str, Counter[tuple[object, ...]]],
) -> None:
    got = rows(target)
    lake_lost = len(got["lakes"]) < len(before["lakes"])
    for table, expected in want.items():
        if table not in ("lake_tiles", "lake_marks") or not lake_lost:
            assert not expected - set(got[table]), f"{table}: unharmed rows missing"
        assert not got[table] - before[table] or table == "trips", (
            f"{table}: rows that never were"
        )
    with Logbook(target) as book:
        assert book.tables.faults() == []
        assert len(book.trips()) == 3
        for trip in book.trips():
            (
                book.events(trip.id),
                list(book.readings(trip.id)),
                book.corrections.corrected(trip.id),
            )
        assert all(isinstance(one, Belief) for one in book.beliefs().values())
        lakes = Lakes(book)
        for area in lakes.areas():
            assert area.surface.cells > 0
            assert all(mark.kind == "ledge" for mark in area.marks)
        assert lakes.problems == []


def test_a_sound_logbook_comes_over_row_for_row(whole: Path, tmp_path: Path):
    found = salvage(whole, tmp_path / "new.db")
    assert found.lost == {}
    assert rows(tmp_path / "new.db") == rows(whole)
    assert found.taken == {table: sum(of.values()) for table, of in rows(whole).items()}
    with (
        closing(sqlite3.connect(whole)) as old,
        closing(sqlite3.connect(tmp_path / "new.db")) as new,
    ):
        for table in ("events", "readings", "calibrations", "amendments", "lake_marks"):
            everything = f"SELECT * FROM {table}"
            assert (
                new.execute(everything).fetchall() == old.execute(everything).fetchall()
            )


def test_every_table_of_the_schema_is_tried(whole: Path, tmp_path: Path):
    with closing(sqlite3.connect(whole)) as db:
        names = {
            row[0]
            for row in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        }
    assert set(SAMENESS) == names - {steps.migrations_table, *SHARES}
    assert set(salvage(whole, tmp_path / "new.db").taken) == set(SAMENESS)
    assert all(of for of in rows(whole).values())


@pytest.mark.slow
def test_noise_on_any_page_costs_that_page(whole: Path, tmp_path: Path):
    where, before = on_page(whole), rows(whole)
    for page in range(whole.stat().st_size // SIZE):
        target = tmp_path / f"new-{page}.db"
        found = salvage(damaged(whole, page * SIZE, SIZE, tmp_path), target)
        check(target, unharmed(where, {page}), before)
        missing = {table for table in before if before[table] - rows(target)[table]} - {
            "trips"
        }
        assert missing <= set(found.lost), f"page {page}: what is missing was not told"


def test_the_rows_told_lost_are_those_missing(whole: Path, tmp_path: Path):
    """Where a leaf in the middle of the events is gone, its rows are counted by the numbers around it."""
    with closing(Pages(whole)) as pages:
        leaf = pages.trees["events"].leaves[3]
        gone = len(list(pages.rows(leaf)))
    path = damaged(whole, (leaf.page - 1) * SIZE, SIZE, tmp_path)
    found = salvage(path, tmp_path / "new.db")
    assert found.lost["events"] == (gone, False)
    assert found.taken["events"] == sum(rows(whole)["events"].values()) - gone


def test_what_is_missing_is_counted_too_where_the_tables_root_is_lost(
    whole: Path, tmp_path: Path
):
    """Its leaves are found by themselves, and the numbers of those before and after tell what is missing."""
    with closing(Pages(whole)) as pages:
        leaf = pages.trees["readings"].leaves[1]
        gone = len(list(pages.rows(leaf)))
    with closing(sqlite3.connect(whole)) as db:
        root = db.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'readings'"
        ).fetchone()[0]
    once = damaged(whole, (root - 1) * SIZE, SIZE, tmp_path)
    found = salvage(
        damaged(once, (leaf.page - 1) * SIZE, SIZE, tmp_path), tmp_path / "new.db"
    )
    assert found.lost["readings"] == (gone, True)
    assert found.taken["readings"] == 450 - gone


def test_noise_shorter_than_a_page_at_any_place(whole: Path, tmp_path: Path):
    where, before = on_page(whole), rows(whole)
    del (
        before["readings"],
        before["lake_marks"],
    )  # numbers in them may be noise, and look like numbers
    chance = random.Random(11)
    for at in [chance.randrange(whole.stat().st_size) for _ in range(40)]:
        target = tmp_path / f"new-{at}.db"
        salvage(damaged(whole, at, 300, tmp_path), target)
        want = unharmed(where, {at // SIZE, (at + 299) // SIZE})
        check(target, {table: want[table] for table in before}, before)


def test_a_file_cut_short_gives_what_is_left(whole: Path, tmp_path: Path):
    where, before = on_page(whole), rows(whole)
    pages = whole.stat().st_size // SIZE
    for left in range(12, pages, 7):
        path = tmp_path / "cut.db"
        path.write_bytes(whole.read_bytes()[: left * SIZE + 100])
        target = tmp_path / f"new-{left}.db"
        try:
            salvage(path, target)
        except BackupError:
            continue
        want, got = unharmed(where, set(range(left, pages))), rows(target)
        for table in ("events", "readings", "amendments", "calibrations"):
            assert not want[table] - set(got[table])
            assert not got[table] - before[table]


def test_what_stands_only_in_the_log_comes_over_too(tmp_path: Path):
    path, copy = tmp_path / "live.db", tmp_path / "copy.db"
    with Logbook(path) as book:
        book.tables._db.execute("PRAGMA wal_autocheckpoint = 0")
        write_trip(book, 0)
        for end in ("", "-wal"):
            (tmp_path / f"copy.db{end}").write_bytes(
                (tmp_path / f"live.db{end}").read_bytes()
            )
    assert (tmp_path / "copy.db-wal").stat().st_size > 0
    copy.write_bytes(b"\xa5" * 3 * SIZE)  # all that was in the file itself
    kept = copy.read_bytes(), (tmp_path / "copy.db-wal").read_bytes()
    salvage(copy, tmp_path / "new.db")
    assert rows(tmp_path / "new.db") == rows(path)
    assert kept == (copy.read_bytes(), (tmp_path / "copy.db-wal").read_bytes()), (
        "the damaged one was changed"
    )


def test_rows_that_were_deleted_do_not_come_back(tmp_path: Path):
    path = tmp_path / "old.db"
    with Logbook(path) as book:
        write_trip(book, 0)
        write_trip(book, 1)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA foreign_keys = on")
        with db:
            db.execute("DELETE FROM trips WHERE id = 1")
        root = db.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'events'"
        ).fetchone()[0]
    before = rows(path)
    found = salvage(
        damaged(path, (root - 1) * SIZE, SIZE, tmp_path), tmp_path / "new.db"
    )
    assert found.taken["events"] == sum(before["events"].values()), (
        "the leaves below the root are whole"
    )
    assert rows(tmp_path / "new.db")["events"] == before["events"]


def test_salvaging_twice_takes_nothing_twice(whole: Path, tmp_path: Path):
    target = tmp_path / "new.db"
    salvage(whole, target)
    before = rows(target)
    again = salvage(whole, target)
    assert (
        again.taken["events"]
        == again.taken["trips"]
        == again.taken["calibrations"]
        == 0
    )
    assert rows(target) == before


def test_a_trip_whose_row_is_lost_keeps_its_name(whole: Path, tmp_path: Path):
    with closing(Pages(whole)) as pages:
        root = pages.trees["trips"].leaves[0].page
    path = damaged(whole, (root - 1) * SIZE, SIZE, tmp_path)
    for _ in range(2):
        salvage(path, tmp_path / "new.db")
        with Logbook(tmp_path / "new.db") as book:
            assert [trip.name for trip in book.trips()] == [
                f"2026-10-{n:02} 081500" for n in (1, 2, 3)
            ]


def test_the_new_logbooks_own_trips_and_lakes_stay(whole: Path, tmp_path: Path):
    """A boat that found its logbook damaged began another, and has sounded the same water in it since."""
    target = tmp_path / "new.db"
    plane = LocalPlane(*WATERS[0])
    with Logbook(target) as book:
        with book.begin_trip("2026-11-01 090000") as trip:
            trip.record(Logged(t=1.0, number=1, what="bite"))
        bed = Bed()
        for x in range(60):
            bed.add(*plane.to_latlon(float(x), 400.0), 20.0)
        Lakes(book).save(bed)
    salvage(whole, target)
    with Logbook(target) as book:
        assert book.tables.faults() == []
        assert [trip.name[:7] for trip in book.trips()] == ["2026-11", *["2026-10"] * 3]
        areas = Lakes(book).areas()
        assert len(areas) == 2, "one water twice"
        bed = Bed(areas)
        for area in areas:
            bed.open_area(area.plane.lat, area.plane.lon)
        assert bed.about(*plane.to_latlon(30.0, 400.0), 3.0) == pytest.approx(
            20.0, abs=0.1
        )
        assert bed.about(*plane.to_latlon(80.0, 80.0), 5.0) == pytest.approx(
            6.0, abs=3.1
        )
        assert [len(area.marks) for area in areas] == [40, 40]


def test_no_logbook_at_all_gives_nothing(tmp_path: Path):
    for n, data in enumerate(
        (b"not a database" * 1000, b"", random.Random(1).randbytes(50_000))
    ):
        (tmp_path / f"x{n}.db").write_bytes(data)
        with pytest.raises(BackupError, match="replay the recordings"):
            salvage(tmp_path / f"x{n}.db", tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()


def test_the_command_tells_what_was_taken_and_what_not(whole: Path, tmp_path: Path):
    with closing(Pages(whole)) as pages:
        leaf = pages.trees["amendments"].leaves[1]
        gone = len(list(pages.rows(leaf)))
    path = damaged(whole, (leaf.page - 1) * SIZE, SIZE, tmp_path)
    done = CliRunner().invoke(
        commands, ["restore", "--salvage", str(path), "--data", str(tmp_path / "data")]
    )
    assert done.exit_code == 0, done.output
    assert f"{120 - gone} corrections" in done.output
    assert f"not taken, as they cannot be read: up to {gone} corrections" in done.output
    assert "80 marks" in done.output


def test_radii_of_an_older_logbook_come_over_as_they_are_meant_now(
    tmp_path: Path,
) -> None:
    older = tmp_path / "older.db"
    db = sqlite_utils.Database(older)
    steps.apply(db, stop_before=RADII_STEP)
    db.execute("INSERT INTO trips (name, closed) VALUES ('old day', 1)")
    db.execute(
        "INSERT INTO readings (trip, t, lat, lon, radius) VALUES (1, 3.0, 35.0, -140.0, 3.0)"
    )
    db.conn.commit()
    db.close()
    for source, other in (("older.db", "once.db"), ("once.db", "twice.db")):
        salvage(tmp_path / source, tmp_path / other)
        with Logbook(tmp_path / other) as book:
            assert book.tables.rows("SELECT radius FROM readings") == [{"radius": 6.4}]


def test_files_learned_before_shares_were_kept_come_over(tmp_path: Path) -> None:
    older = tmp_path / "older.db"
    db = sqlite_utils.Database(older)
    steps.apply(db, stop_before="0006 shares of files")
    db.execute("INSERT INTO lake_learned VALUES ('ab', 'day.nmea', 400, 0, 1)")
    db.conn.commit()
    db.close()
    with Logbook(older) as book:  # it is brought up to date, its rows are as they were
        assert not Lakes(book).learned()[0].apart
    salvage(older, tmp_path / "new.db")
    with Logbook(tmp_path / "new.db") as book:
        assert Lakes(book).learned() == [LearnedFile("ab", "day.nmea", 400, 0, True)]
