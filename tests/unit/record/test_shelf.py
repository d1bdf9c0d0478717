"""Tables on disk: what is not whole is not used, what is too much goes, and nothing here ends a program."""

import os
from pathlib import Path

import numpy as np
import pytest

from companion.config import parse
from companion.dive import likelihood
from companion.dive.kept import keep_on, kept
from companion.record import shelf as shelves
from companion.record.shelf import TableShelf
from companion.tackle import calibrations, reaches

ONE = {"a": np.arange(6.0).reshape(2, 3)}


def counting(made: list[int]):
    def make():
        made.append(1)
        return ONE

    return make


@pytest.fixture
def folder(tmp_path: Path):
    keep_on(TableShelf(tmp_path / "tables"))
    yield tmp_path / "tables"
    keep_on(None)


def test_what_was_made_once_is_read_the_next_time_bit_for_bit(folder: Path) -> None:
    made: list[int] = []
    for _ in range(3):
        np.testing.assert_array_equal(
            kept("one", (1.5, "x"), counting(made))["a"], ONE["a"]
        )
    assert len(made) == 1
    kept("one", (1.5000000001, "x"), counting(made))
    assert len(made) == 2
    assert len(list(folder.iterdir())) == 2


@pytest.mark.parametrize(
    "spoil",
    [
        lambda content: content[: len(content) // 2],
        lambda content: content[:-1] + bytes([content[-1] ^ 1]),
        lambda _: b"",
        lambda _: b"x" * 500,
    ],
)
def test_a_torn_or_wrong_file_is_made_again(folder: Path, spoil) -> None:
    made: list[int] = []
    kept("one", 1, counting(made))
    (file,) = folder.iterdir()
    file.write_bytes(spoil(file.read_bytes()))
    for _ in range(2):
        np.testing.assert_array_equal(kept("one", 1, counting(made))["a"], ONE["a"])
    assert len(made) == 2


@pytest.mark.usefixtures("folder")
def test_tables_of_other_code_are_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []
    kept("one", 1, counting(made))
    monkeypatch.setattr(shelves, "_code_version", lambda: "another")
    kept("one", 1, counting(made))
    assert len(made) == 2


def test_the_oldest_go_when_there_are_too_many(tmp_path: Path) -> None:
    shelf = TableShelf(tmp_path, most_bytes=2_000)
    for number in range(8):
        shelf.save(f"t{number}", ONE)
        for path in tmp_path.glob(f"t{number}-*"):
            os.utime(path, (number, number))
    left = sorted(path.name.split("-")[0] for path in tmp_path.iterdir())
    assert 0 < len(left) < 8
    assert "t7" in left
    assert "t0" not in left
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 2_000


def test_a_place_that_cannot_be_written_to_costs_only_time(tmp_path: Path) -> None:
    (tmp_path / "tables").write_text("a file where the folder should be")
    keep_on(TableShelf(tmp_path / "tables"))
    try:
        made: list[int] = []
        for _ in range(2):
            assert kept("one", 1, counting(made))["a"].shape == (2, 3)
        assert len(made) == 2
    finally:
        keep_on(None)


def test_a_rod_read_from_disk_is_the_rod_computed(folder: Path) -> None:
    rods = parse(
        """
[[rods]]
number = 1
lure = "deep dorrow"
cast = "45 yd"
line = { material = "fluorocarbon", diameter = "0.285 mm" }
reel = { per_turn = "28 in" }
"""
    ).rods

    def found():
        likelihood.grid_of.cache_clear()
        likelihood._lift_logs.cache_clear()
        return reaches(rods, calibrations(rods))

    computed = found()
    assert len(list(folder.iterdir())) >= 2
    assert found() == computed
