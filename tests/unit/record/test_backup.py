"""A backup is whole or refused; a restore loses nothing; a damaged logbook gives what it can."""

from __future__ import annotations

import hashlib
import json
import os
import random
import zipfile
from pathlib import Path

import pytest

from companion.events import Fix, Logged, Said
from companion.record.backup import (
    BackupError,
    back_up,
    restore,
    set_aside,
    verified,
)
from companion.record.hold import HeldError, hold
from companion.record.logbook import Logbook


def fill(data: Path, name: str = "2026-10-03 141500", events: int = 20) -> None:
    with Logbook(data / "logbook.db") as book, book.begin_trip(name) as trip:
        for n in range(1, events + 1):
            trip.reading(float(n), None, Fix(35.0, -84.0), 5.0)
            trip.record(Logged(t=float(n), number=n, what="bite"))
            trip.record(Said(t=float(n), text=f"bite {n} " + "x" * 200, about="answer"))
    folder = data / "recordings" / name[:10] / name
    (folder / "clips").mkdir(parents=True)
    (folder / "sonar.nmea").write_bytes(b"$SDDPT,5.0,0.0*52\r\n" * 500)
    (folder / "clips" / "20261003T141505.000Z.flac").write_bytes(b"fLaC" + bytes(500))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    fill(folder)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    files = (p for p in folder.rglob("*") if p.is_file() and "recordings" in p.parts)
    return {str(p.relative_to(folder)): p.read_bytes() for p in files}


def numbers(path: Path) -> list[int]:
    with Logbook(path) as book:
        assert book.tables.faults() == []
        return [entry.event.number for entry in book.logged(book.trips()[-1].id)]


def test_everything_comes_back(data: Path, tmp_path: Path):
    config = tmp_path / "companion.toml"
    config.write_text('units = "metres"\n')
    backup = tmp_path / "backup.zip"
    entries = back_up(data, backup, config)
    assert [e.name for e in verified(backup)] == [e.name for e in entries]
    new, put = tmp_path / "new", tmp_path / "new.toml"
    done = restore(backup, new, put)
    assert (done.recordings, done.former, done.config) == (2, None, True)
    assert contents(new) == contents(data)
    assert numbers(new / "logbook.db") == list(range(1, 21))
    assert put.read_text() == config.read_text()


def test_without_audio(data: Path, tmp_path: Path):
    assert not any(
        e.name.endswith(".flac") for e in back_up(data, tmp_path / "b.zip", audio=False)
    )


def test_while_the_logbook_is_being_written(data: Path, tmp_path: Path):
    with Logbook(data / "logbook.db") as book, book.begin_trip("under way") as trip:
        trip.record(Logged(t=1.0, number=1, what="fish"))
        back_up(data, tmp_path / "b.zip")
        trip.record(Logged(t=2.0, number=2, what="fish"))
    restore(tmp_path / "b.zip", tmp_path / "new")
    assert numbers(tmp_path / "new" / "logbook.db") == [1]


def test_what_is_there_is_kept(data: Path, tmp_path: Path):
    back_up(data, tmp_path / "b.zip")
    with Logbook(data / "logbook.db") as book, book.begin_trip("later") as trip:
        trip.record(Logged(t=1.0, number=1, what="snag"))
    lines = next(data.rglob("sonar.nmea"))
    lines.write_bytes(b"longer than in the backup\r\n" * 9999)
    done = restore(tmp_path / "b.zip", data)
    assert done.former is not None
    assert numbers(done.former) == [1]
    assert numbers(data / "logbook.db") == list(range(1, 21))
    assert lines.read_bytes().startswith(b"longer")


def test_a_backup_changed_anywhere_is_refused_and_nothing_happens(
    data: Path, tmp_path: Path
):
    backup = tmp_path / "b.zip"
    back_up(data, backup)
    whole = backup.read_bytes()
    chance = random.Random(6)
    refused = 0
    for _ in range(60):
        at = chance.randrange(len(whole))
        backup.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        try:
            done = restore(backup, tmp_path / "new")
        except BackupError:
            refused += 1
            assert not (tmp_path / "new").exists()
        else:  # a bit of no meaning, such as a time stamp
            assert numbers(tmp_path / "new" / "logbook.db") == list(range(1, 21))
            whole_files = {
                n: d for n, d in contents(data).items() if n not in done.left_out
            }
            assert contents(tmp_path / "new") == whole_files
            import shutil

            shutil.rmtree(tmp_path / "new")
    assert refused > 40


@pytest.mark.parametrize("part", [0.0, 0.3, 0.9, 0.999])
def test_half_a_backup_is_refused(data: Path, tmp_path: Path, part: float):
    backup = tmp_path / "b.zip"
    back_up(data, backup)
    backup.write_bytes(backup.read_bytes()[: int(part * backup.stat().st_size)])
    with pytest.raises(BackupError, match=r"b\.zip"):
        restore(backup, tmp_path / "new")


def backup_of(names: list[str], backup: Path) -> Path:
    digest = hashlib.sha256(b"x").hexdigest()
    with zipfile.ZipFile(backup, "w") as archive:
        for name in names:
            archive.writestr(name, b"x")
        archive.writestr(
            "contents.json",
            json.dumps([{"name": n, "size": 1, "sha256": digest} for n in names]),
        )
    return backup


def test_names_that_lead_elsewhere_are_not_followed(tmp_path: Path):
    names = ["recordings/../../evil", "/etc/evil", "evil", "recordings/\x1b[31mevil"]
    restored = restore(backup_of(names, tmp_path / "b.zip"), tmp_path / "new")
    assert restored.recordings == 0
    assert list((tmp_path / "new").iterdir()) == []


@pytest.mark.parametrize(
    "names", [["recordings/a", "recordings/a/b"], ["recordings//a/b/c", "recordings/a"]]
)
def test_a_file_that_is_also_a_folder_is_refused_and_nothing_happens(
    names: list[str], tmp_path: Path
):
    with pytest.raises(BackupError, match="does not fit"):
        restore(
            backup_of([*names, "recordings/other"], tmp_path / "b.zip"),
            tmp_path / "new",
        )
    assert not (tmp_path / "new").exists()


def test_a_damaged_logbook_is_not_backed_up(data: Path, tmp_path: Path):
    damage(data / "logbook.db", 3)
    with pytest.raises(BackupError, match="companion check"):
        back_up(data, tmp_path / "b.zip")
    assert list(tmp_path.glob("b.zip*")) == []


def damage(path: Path, page: int, pages: int = 1) -> None:
    with path.open("r+b") as file:
        file.seek(page * 4096)
        file.write(b"\xa5" * 4096 * pages)


def test_set_aside_keeps_every_earlier_one(data: Path):
    first = set_aside(data / "logbook.db", "damaged")
    fill(data, "2026-10-04 080000")
    second = set_aside(data / "logbook.db", "damaged")
    assert first is not None
    assert second is not None
    assert first != second
    assert numbers(first) == numbers(second)
    assert set_aside(data / "logbook.db", "damaged") is None


def test_one_companion_at_a_time(tmp_path: Path):
    with (
        hold(tmp_path),
        pytest.raises(HeldError, match="another companion"),
        hold(tmp_path),
    ):
        pass
    with hold(tmp_path):
        pass


def test_a_damaged_clip_is_left_out_and_the_rest_comes_back(data: Path, tmp_path: Path):
    backup = tmp_path / "b.zip"
    entries = back_up(data, backup)
    clip = next(entry.name for entry in entries if entry.name.endswith(".flac"))
    with zipfile.ZipFile(backup) as archive:
        info = archive.getinfo(clip)
    changed = bytearray(backup.read_bytes())
    changed[info.header_offset + 30 + len(clip) + 40] ^= 0xFF
    backup.write_bytes(changed)
    done = restore(backup, tmp_path / "new")
    assert done.left_out == (clip,)
    assert not (tmp_path / "new" / clip).exists()
    assert numbers(tmp_path / "new" / "logbook.db") == list(range(1, 21))
    with pytest.raises(BackupError, match="use another backup"):
        verified(backup)


def test_what_is_made_by_hand_is_for_its_owner_alone(data: Path, tmp_path: Path):
    back_up(data, tmp_path / "b.zip")
    for path in (tmp_path / "b.zip", data / "logbook.db"):
        assert path.stat().st_mode & 0o777 == 0o600


def test_a_lock_file_of_another_account_is_locked_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Root can open everything, so the refusal is made here."""
    (tmp_path / ".in-use").touch()
    true = os.open

    def refused(path: Path, flags: int, *rest: int) -> int:
        if flags & os.O_RDWR:
            raise PermissionError(13, "Permission denied")
        return true(path, flags, *rest)

    monkeypatch.setattr(os, "open", refused)
    with (
        hold(tmp_path),
        pytest.raises(HeldError, match="another companion is running"),
        hold(tmp_path),
    ):
        pass
    monkeypatch.setattr(
        os,
        "open",
        lambda *_: (_ for _ in ()).throw(PermissionError(13, "Permission denied")),
    )
    with pytest.raises(HeldError, match="another account"), hold(tmp_path):
        pass
