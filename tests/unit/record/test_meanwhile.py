"""Gone back to an earlier version and on again: a second logbook meanwhile, and nothing lost."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from companion.events import Logged
from companion.record.logbook import Logbook
from companion.record.meanwhile import usable_logbook

FUTURE = "9999 a step of a version to come"


def sail(path: Path, name: str, bites: int) -> None:
    with Logbook(path) as book, book.begin_trip(name) as trip:
        for n in range(1, bites + 1):
            trip.record(Logged(t=float(n), number=n, what="bite"))


def change(path: Path, sql: str) -> None:
    db = sqlite3.connect(path)
    db.execute(sql)
    db.commit()
    db.close()


def test_back_and_on_again(tmp_path):
    path, told = tmp_path / "logbook.db", []
    assert usable_logbook(path, told.append) == path
    sail(path, "2026-11-27 100000", 3)
    columns = "migration_set, name, applied_at"
    change(
        path,
        f"INSERT INTO _sqlite_migrations ({columns}) VALUES ('logbook', '{FUTURE}', '')",
    )
    newer = path.read_bytes()
    second = usable_logbook(path, told.append)
    assert second != path
    for day, bites in (("2026-11-28 100000", 2), ("2026-11-29 100000", 1)):
        assert usable_logbook(path, told.append) == second
        sail(second, day, bites)
    assert path.read_bytes() == newer
    change(
        path, f"DELETE FROM _sqlite_migrations WHERE name = '{FUTURE}'"
    )  # the newer version is back
    assert usable_logbook(path, told.append) == path
    with Logbook(path) as book:
        assert book.tables.faults() == []
        assert [(trip.name, trip.logged) for trip in book.trips()] == [
            ("2026-11-27 100000", 3),
            ("2026-11-28 100000", 2),
            ("2026-11-29 100000", 1),
        ]
    assert not second.exists()
    assert (tmp_path / "logbook-meanwhile-merged-1.db").exists()
    assert told == ["logbook is of a newer version, a second one is used"] * 3 + [
        "second logbook taken over"
    ]
    assert usable_logbook(path, told.append) == path
    assert len(told) == 4


def test_a_damaged_second_one_is_left_and_told(tmp_path):
    path, told = tmp_path / "logbook.db", []
    second = tmp_path / "logbook-meanwhile.db"
    second.write_bytes(b"no logbook" * 1000)
    assert usable_logbook(path, told.append) == path
    assert second.exists()
    assert told[0].startswith("second logbook not taken over")
