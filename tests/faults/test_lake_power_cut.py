"""The power goes while the lake is saved: whatever part of the write-ahead log reached
the disk, the lake is readable, and holds exactly what had been sounded by one of the
saves: no tile of a later one beside it.

Sizes in bytes of the log's parts: SQLite's documentation, "Database File Format",
sections 4.1 and 4.2.
"""

import random
from pathlib import Path

import pytest

from companion.lakebed.bed import Bed
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.sensing.localplane import LocalPlane

SAVES = 5
PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water
WAL_HEADER, FRAME = 32, 24 + 4096


def sound(bed, minute):
    """A minute on the water, over ground sounded before and new: every depth tells the minute."""
    for i in range(120):
        bed.add(*PLANE.to_latlon(0.8 * i, 12.0 * minute + 0.4 * i), 5.0 + minute)
    bed.mark("tree top", PLANE.lat, PLANE.lon, depth=1.0 + minute)


def content(bed):
    """All that a bed holds, to be compared."""
    if not bed.areas:
        return None
    area = bed.areas[0]
    cells = sorted(
        tuple(row) for tile in area.surface._cells.everything() for row in tile.tolist()
    )
    return cells, list(area.marks), area.surface.state()


@pytest.fixture(scope="module")
def cut(tmp_path_factory):
    """Database, log, and (size of the log, content of the lake) after each save."""
    path = tmp_path_factory.mktemp("cut") / "live.db"
    with Logbook(path) as book:
        lakes, bed, saved = Lakes(book), Bed(), []
        wal = path.with_name("live.db-wal")
        saved.append((wal.stat().st_size, None))
        for minute in range(SAVES):
            sound(bed, minute)
            lakes.save(bed)
            saved.append((wal.stat().st_size, content(bed)))
        return path.read_bytes(), wal.read_bytes(), saved


def reopened(folder: Path, database: bytes, log: bytes):
    path = folder / "cut.db"
    path.write_bytes(database)
    path.with_name("cut.db-wal").write_bytes(log)
    path.with_name("cut.db-shm").unlink(missing_ok=True)
    return Logbook(path)


def offsets(log):
    """Every edge of a frame and a byte beside it, and some anywhere."""
    edges = range(WAL_HEADER, len(log) + 1, FRAME)
    near = {edge + step for edge in edges for step in (-1, 0, 12)}
    return sorted(near.union(random.Random(6).sample(range(len(log)), 40)))


def expected(cut, log):
    _, whole, saved = cut
    return [found for size, found in saved if log[:size] == whole[:size]][-1:] or [None]


def check(cut, folder, log):
    with reopened(folder, cut[0], log) as book:
        assert book.tables.faults() == []
        lakes = Lakes(book)
        bed = Bed(lakes.areas())
        assert [content(bed)] == expected(cut, log)
        assert lakes.problems == []
        sound(bed, 20)
        lakes.save(bed)
        assert content(Bed(lakes.areas())) == content(bed)


def test_a_log_cut_anywhere(cut, tmp_path):
    found = offsets(cut[1])
    assert len(found) > 100
    for size in found:
        check(cut, tmp_path, cut[1][:size])


def test_a_log_whose_end_is_noise_or_was_never_written(cut, tmp_path):
    noise = random.Random(7)
    for size in offsets(cut[1])[::9]:
        rest = len(cut[1]) - size
        check(cut, tmp_path, cut[1][:size] + noise.randbytes(rest))
        check(cut, tmp_path, cut[1][:size] + bytes(rest))
