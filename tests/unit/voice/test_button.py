"""The push-to-talk button: which line it is on, and what is said when it cannot be used.

The chips are stand-ins for `gpiod.Chip` and `gpiod.request_lines`, with the names that
real boards give their lines; `tests/board` presses a button on a chip of the kernel's.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import gpiod
import pytest
from gpiod.line import Bias, Edge, Value

from companion.voice import button
from companion.voice.button import KEPT_CHANGES, ButtonError, push_to_talk

NAMED = ["ID_SDA", "ID_SCL", *(f"GPIO{n}" for n in range(2, 28))]
"""A header as boards with 40 pins name its lines."""


class Board:
    """GPIO chips as files of a scratch /dev; lines are pulled up, except the `grounded`, by (chip, line)."""

    def __init__(self, devices: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.names: dict[str, list[str]] = {}
        self.refused: dict[str, int] = {}
        self.grounded: set[tuple[str, int]] = set()
        self.changes: list[SimpleNamespace] = []
        self.devices = devices
        monkeypatch.setattr(button, "DEVICE_FOLDER", devices)
        monkeypatch.setattr(gpiod, "Chip", self.open)
        monkeypatch.setattr(gpiod, "request_lines", self.request)

    def add(self, chip: str, names: list[str]) -> None:
        (self.devices / chip).touch()
        self.names[chip] = names

    def open(self, path: str) -> Board.Chip:
        if code := self.refused.get("open"):
            raise OSError(code, os.strerror(code), path)
        return Board.Chip(self.names[Path(path).name])

    class Chip:
        def __init__(self, names: list[str]) -> None:
            self.names = names

        def __enter__(self) -> Board.Chip:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def get_info(self) -> SimpleNamespace:
            return SimpleNamespace(num_lines=len(self.names))

        def get_line_info(self, line: int) -> SimpleNamespace:
            # As the real one: a line without a name has None, whatever its types say.
            return SimpleNamespace(name=self.names[line] or None)

    def request(
        self,
        path: str,
        config: dict[int, gpiod.LineSettings],
        consumer: str,
        event_buffer_size: int,
    ) -> SimpleNamespace:
        ((line, settings),) = config.items()
        if code := self.refused.get("request"):
            raise OSError(code, os.strerror(code))
        assert settings.bias is Bias.PULL_UP
        assert settings.active_low
        assert consumer == "companion"
        assert settings.edge_detection is Edge.BOTH
        assert event_buffer_size == KEPT_CHANGES
        place = (Path(path).name, line)
        return SimpleNamespace(
            get_value=lambda n: (
                Value.ACTIVE if n == line and place in self.grounded else Value.INACTIVE
            ),
            wait_edge_events=lambda _: bool(self.changes),
            read_edge_events=self.read,
        )

    def ground(self, chip: str, line: int, t: float | None = None) -> None:
        """Ground a line at t, s; now if left out."""
        self.grounded.add((chip, line))
        self._change(gpiod.EdgeEvent.Type.RISING_EDGE, t)

    def let_go(self, chip: str, line: int, t: float | None = None) -> None:
        """Let a line go at t, s; now if left out."""
        self.grounded.discard((chip, line))
        self._change(gpiod.EdgeEvent.Type.FALLING_EDGE, t)

    def _change(self, what: gpiod.EdgeEvent.Type, t: float | None) -> None:
        t = time.monotonic() if t is None else t
        self.changes.append(
            SimpleNamespace(
                event_type=what, timestamp_ns=int(1e9 * t), Type=gpiod.EdgeEvent.Type
            )
        )

    def read(self) -> list[SimpleNamespace]:
        """Return what changed since the last time."""
        changes, self.changes = self.changes, []
        return changes


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Board:
    return Board(tmp_path, monkeypatch)


def test_a_line_is_found_by_its_name_on_any_chip(board: Board) -> None:
    board.add("gpiochip0", ["WL_ON", "", "PWR_LED"])
    board.add("gpiochip4", NAMED)
    held = push_to_talk(17)
    assert not held(0.0)
    board.ground("gpiochip4", 17)
    assert held(0.0)
    board.let_go("gpiochip4", 17)
    assert not held(0.0)


def test_the_kernel_tells_when_it_was_held(board: Board) -> None:
    board.add("gpiochip0", NAMED)
    held = push_to_talk(17)
    now = time.monotonic()
    board.ground("gpiochip0", 17, now - 3.0)
    board.let_go("gpiochip0", 17, now - 2.0)
    assert [held(ago) for ago in (9.0, 3.5, 2.5, 1.0, 0.0)] == [False, False, True, False, False]  # fmt: skip


def test_of_many_changes_the_latest_are_kept(board: Board) -> None:
    board.add("gpiochip0", NAMED)
    held = push_to_talk(17)
    now = time.monotonic()
    for n in range(200, 0, -2):
        board.ground("gpiochip0", 17, now - n)
        board.let_go("gpiochip0", 17, now - n + 1.0)
    assert held(1.5)
    assert not held(0.5)


def test_the_name_counts_and_not_the_place(board: Board) -> None:
    board.add("gpiochip0", ["", *NAMED])
    board.grounded.add(("gpiochip0", 18))
    assert push_to_talk(17)(0.0)


def test_where_lines_have_no_names_it_is_the_first_chip(board: Board) -> None:
    board.add("gpiochip0", [""] * 8)
    board.add("gpiochip1", [""] * 32)
    board.grounded.add(("gpiochip0", 5))
    assert push_to_talk(5)(0.0)


@pytest.mark.parametrize(
    ("names", "pin"), [(NAMED, 99), (NAMED, 0), ([""] * 8, 17), ([""] * 8, -1)]
)
def test_a_wrong_pin(board: Board, names: list[str], pin: int) -> None:
    board.add("gpiochip0", names)
    with pytest.raises(ButtonError) as refusal:
        push_to_talk(pin)
    assert refusal.value.what == f"the board has no GPIO {pin}"
    assert "number after GPIO" in refusal.value.remedy


def test_a_missing_driver_is_no_wrong_pin(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    board.add("gpiochip0", NAMED)
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(
        ButtonError, match="driver, the Python package gpiod"
    ) as refusal:
        push_to_talk(17)
    assert "install.sh" in refusal.value.remedy


@pytest.mark.usefixtures("board")
def test_no_pins_at_all() -> None:
    with pytest.raises(ButtonError, match="has no GPIO pins; take `button` out"):
        push_to_talk(17)


@pytest.mark.parametrize(
    ("step", "code", "what", "remedy"),
    [
        ("open", errno.EACCES, "may not be opened", "group gpio"),
        ("request", errno.EBUSY, "something else uses GPIO 17", "another GPIO"),
        ("request", errno.EINVAL, "GPIO 17: Invalid argument", "another GPIO"),
    ],
)
def test_a_refusal_of_the_system(
    board: Board, step: str, code: int, what: str, remedy: str
) -> None:
    board.add("gpiochip0", NAMED)
    board.refused[step] = code
    with pytest.raises(ButtonError) as refusal:
        push_to_talk(17)
    assert what in refusal.value.what
    assert remedy in refusal.value.remedy
