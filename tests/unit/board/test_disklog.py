"""A log of a disk's writes, read and cut, as the power-cut bench does it; the log is written here by hand."""

import os
import random
from pathlib import Path

import pytest

from tests.board.disklog import (
    DISCARD,
    ENTRY,
    FLUSH,
    FUA,
    HEADER,
    MAGIC,
    UNIT,
    Disk,
    Write,
    read_log,
    survivors,
)

SECTORS = 64


def log_of(path: Path, entries: list[tuple[int, bytes, int]]) -> Path:
    """Write a log: for each entry its first sector, its data, its flags."""
    text = HEADER.pack(MAGIC, 1, len(entries), UNIT).ljust(UNIT, b"\0")
    for first, data, flags in entries:
        text += ENTRY.pack(first, len(data) // UNIT, flags, 0).ljust(UNIT, b"\0") + data
    path.write_bytes(text)
    return path


def block(letter: str, sectors: int = 1) -> bytes:
    return letter.encode() * UNIT * sectors


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    path = tmp_path / "disk"
    path.write_bytes(bytes(SECTORS * UNIT))
    return path


def test_what_a_flush_came_after_is_on_the_disk_and_the_rest_is_not(
    tmp_path: Path, disk: Path
) -> None:
    log = log_of(
        tmp_path / "log",
        [
            (1, block("a"), 0),
            (2, block("b", 2), 0),
            (0, b"", FLUSH),
            (5, block("c"), 0),
        ],
    )
    writes = list(read_log(log))
    assert [(w.at // UNIT, w.size // UNIT) for w in writes] == [
        (1, 1),
        (2, 2),
        (0, 0),
        (5, 1),
    ]
    assert writes[-1].end == log.stat().st_size
    cut = Disk(log, disk, 0)
    assert [w.at // UNIT for w in cut.go_to(writes[1].end)] == [1, 2]
    assert disk.read_bytes() == bytes(SECTORS * UNIT)
    assert [w.at // UNIT for w in cut.go_to(writes[3].end)] == [5]
    assert disk.read_bytes()[UNIT : 5 * UNIT] == block("a") + block("b", 2) + bytes(
        UNIT
    )
    cut.close()


def test_the_later_of_two_writes_stands_also_when_a_flush_comes_between(
    tmp_path: Path, disk: Path
) -> None:
    log = log_of(
        tmp_path / "log",
        [(1, block("a"), 0), (1, block("b"), FUA), (1, block("c"), 0), (0, b"", FLUSH)],
    )
    cut = Disk(log, disk, 0)
    assert cut.go_to(log.stat().st_size) == []
    assert disk.read_bytes()[UNIT : 2 * UNIT] == block("c")
    cut.close()


def test_half_an_entry_is_none(tmp_path: Path) -> None:
    log = log_of(tmp_path / "log", [(1, block("a"), 0), (2, block("b", 4), 0)])
    log.write_bytes(log.read_bytes()[: -2 * UNIT])
    assert len(list(read_log(log))) == 1


def test_something_else_is_no_log(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(b"x" * 4096)
    with pytest.raises(ValueError, match="no log of writes"):
        list(read_log(tmp_path / "log"))


def test_a_part_of_a_disk_takes_what_is_written_there_and_nothing_else(
    tmp_path: Path, disk: Path
) -> None:
    log = log_of(
        tmp_path / "log",
        [(101, block("a"), 0), (0, b"", FLUSH), (3, block("b"), 0), (0, b"", FLUSH)],
    )
    cut = Disk(log, disk, 100 * UNIT)
    cut.go_to(list(read_log(log))[1].end)
    assert disk.read_bytes()[UNIT : 2 * UNIT] == block("a")
    with pytest.raises(ValueError, match="outside"):
        cut.go_to(log.stat().st_size)
    cut.close()


def test_a_discard_holds_no_data(tmp_path: Path) -> None:
    log = log_of(tmp_path / "log", [(1, block("a"), 0)])
    with log.open("ab") as file:
        file.write(ENTRY.pack(8, 16, DISCARD, 0).ljust(UNIT, b"\0"))
        file.write(ENTRY.pack(3, 1, 0, 0).ljust(UNIT, b"\0") + block("b"))
    assert [(w.at // UNIT, w.flags) for w in read_log(log)] == [
        (1, 0),
        (8, DISCARD),
        (3, 0),
    ]


def test_a_cut_leaves_any_part_of_what_was_not_flushed_and_all_that_was_forced() -> (
    None
):
    waiting = [Write(0, n * UNIT, FUA if n == 3 else 0, 0, 4 * UNIT) for n in range(6)]
    chance, seen = random.Random(1), set()
    for _ in range(500):
        kept = survivors(waiting, chance)
        assert (waiting[3], 4 * UNIT) in kept
        assert [w.at for w, _ in kept] == sorted(w.at for w, _ in kept)
        assert all(size % UNIT == 0 and size <= w.size for w, size in kept)
        seen.add(tuple((w.at // UNIT, size // UNIT) for w, size in kept))
    assert tuple((n, 4) for n in range(6)) in seen
    assert ((3, 4),) in seen
    assert len(seen) > 50
    assert any(size < 4 for kept in seen for _, size in kept)


def test_a_torn_write_puts_its_first_bytes_only(tmp_path: Path, disk: Path) -> None:
    log = log_of(tmp_path / "log", [(1, block("a", 4), 0)])
    cut = Disk(log, disk, 0)
    [write] = cut.go_to(log.stat().st_size)
    file = os.open(disk, os.O_WRONLY)
    cut.put(file, write, 2 * UNIT)
    os.close(file)
    cut.close()
    assert disk.read_bytes()[UNIT : 5 * UNIT] == block("a", 2) + bytes(2 * UNIT)
