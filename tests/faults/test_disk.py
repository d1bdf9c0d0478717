"""A disk that is full, read-only or lies: the trip goes on, says so once, and loses no event it can keep."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.events import Logged
from companion.record.logbook import Logbook


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of three megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(
            f"a small disk cannot be mounted here, which takes root: {done.stderr.strip()}"
        )
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass


def events_kept(folder: Path) -> list:
    with Logbook(folder / "logbook.db") as book:
        assert book.tables.faults() == []
        return book.events(book.trips()[-1].id)


@pytest.mark.usefixtures("talker")
def test_a_full_disk(launch, wire, tools, small_disk):
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)), folder=small_disk
    )
    boat.wait_for_text("ready")
    fill(small_disk / "filler")
    boat.wait_for_text("not recording: No space left on device")
    boat.wait_for_text("logbook not written: the disk is full")
    for n in range(20):
        boat.live.announce(f"said while it is full {n}")
    boat.wait_for_text("said while it is full 19")
    (small_disk / "filler").unlink()
    boat.wait_for_text("recording again")
    boat.live.announce("something more")
    boat.wait_for_text("logbook written again")
    assert (
        boat.texts().count("recording again")
        == boat.texts().count("logbook written again")
        == 2
    )
    live = boat.stop()
    told = boat.texts()
    assert (
        told.count("not recording: No space left on device") == 2
    )  # a notice, and said
    assert told.count("logbook not written: the disk is full") == 2
    assert events_kept(small_disk) == live
    (lines,) = small_disk.glob("recordings/*/*/sonar.nmea")
    recorded = lines.read_bytes()
    assert recorded.endswith(b"\r\n")
    assert all(line.startswith(b"\\s:") for line in recorded.split(b"\r\n")[:-1])


@pytest.mark.usefixtures("talker")
def test_a_disk_that_is_read_only_at_first(launch, wire, tools, small_disk):
    def remount(how: str) -> None:
        subprocess.run(["mount", "-o", f"remount,{how}", str(small_disk)], check=True)

    remount("ro")
    boat = launch(
        tools.config_text(tools.serial_text("sonar", wire.name)), folder=small_disk
    )
    boat.wait_for_text("ready")
    told = boat.texts()
    assert any(t.startswith("not recording: Read-only file system") for t in told)
    assert any(t.startswith("logbook not written") for t in told)
    remount("rw")
    boat.live._writer._try_again = 0.0  # not to wait for its twenty seconds
    boat.live.announce("hello")
    boat.wait_for_text("hello")
    time.sleep(3.0)
    boat.live.announce("hello again")
    boat.wait_for_text("logbook written again")
    live = boat.stop()
    assert events_kept(small_disk) == live


@pytest.mark.usefixtures("talker")
@pytest.mark.parametrize(
    "how", ["not a database", "torn in the middle", "half written"]
)
def test_a_damaged_logbook_is_moved_aside_and_a_new_one_begun(
    launch, wire, tools, tmp_path, how
):
    path = tmp_path / "logbook.db"
    with Logbook(path) as book:
        trip = book.begin_trip("2020-01-01 000000")
        for n in range(1, 200):
            trip.record(Logged(t=float(n), number=n, what="bite", detail="x" * 300))
        trip.flush()
    whole = path.read_bytes()
    middle = len(whole) // 8192 * 4096
    path.write_bytes(
        {
            "not a database": os.urandom(5000),
            "torn in the middle": whole[:middle] + bytes(4096) + whole[middle + 4096 :],
            "half written": whole[:middle],
        }[how]
    )
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("logbook damaged, new one begun")
    boat.wait_for_text("ready")
    live = boat.stop()
    assert events_kept(tmp_path) == live
    assert (tmp_path / "logbook-damaged-1.db").exists()


@pytest.mark.usefixtures("talker")
def test_a_logbook_that_is_damaged_during_the_trip(launch, wire, tools, tmp_path):
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("ready")
    path = tmp_path / "logbook.db"
    other = sqlite3.connect(path)  # its write makes the companion read its pages anew
    other.execute("UPDATE trips SET name = name || ''")
    other.commit()
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(path.stat().st_size - 4096))
    for n in range(40):
        boat.live.announce(f"remark {n}")
    boat.wait_for_text("logbook damaged, new one begun")
    boat.wait_for_text("remark 39")
    live = boat.stop()
    kept = events_kept(tmp_path)
    assert kept == live[-len(kept) :]
    assert any(getattr(e, "text", "") == "remark 39" for e in kept)
