"""A push-to-talk button or foot switch between a GPIO line of the board and ground."""

from __future__ import annotations

import errno
import math
import re
from collections import deque
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion.clock import LiveClock

if TYPE_CHECKING:
    import gpiod

DEVICE_FOLDER = Path("/dev")
DEBOUNCE_S = 0.02
KEPT_CHANGES = 64
"""How many changes of the button are kept: more than fit into the longest that the ears lag."""
GET_IN = "join the group gpio: sudo usermod -aG gpio $USER, then log in again (see hardware/set-up.md)"


class ButtonError(Exception):
    """The button cannot be used: what is wrong, and what to do about it."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"button: {what}; {remedy}")
        self.what = what
        self.remedy = remedy


def push_to_talk(pin: int) -> Callable[[float], bool]:
    """Return a function that tells whether the button between this line and ground was held so many s ago.

    Line 17 is the one named "GPIO17", on whichever chip that is; on a board that does
    not name its lines so, it is line 17 of the first chip. The board pulls it up.

    Raises:
        ButtonError: the driver or the line is missing, is in use or may not be used.
    """
    try:
        import gpiod  # noqa: PLC0415  (to be told apart from a wrong pin when it is missing)
    except ImportError as error:
        raise ButtonError(
            f"its driver, the Python package gpiod, cannot be used ({error})",
            "run hardware/install.sh again, in the way you did first",
        ) from error
    try:
        chip, offset = _find_line(pin)
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.INPUT,
            bias=gpiod.line.Bias.PULL_UP,
            active_low=True,
            edge_detection=gpiod.line.Edge.BOTH,
            debounce_period=timedelta(seconds=DEBOUNCE_S),
        )
        request = gpiod.request_lines(
            str(chip),
            {offset: settings},
            consumer="companion",
            event_buffer_size=KEPT_CHANGES,
        )
    except OSError as error:
        raise _refusal(pin, error) from error
    return _Line(request, offset).was_held


class _Line:
    """A line at each moment lately: the kernel dates its changes, whoever is busy meanwhile."""

    def __init__(self, request: gpiod.LineRequest, offset: int) -> None:
        from gpiod.line import Value  # noqa: PLC0415  (as above)

        is_held = request.get_value(offset) is Value.ACTIVE
        self._request = request
        self._changes = deque([(-math.inf, is_held)], KEPT_CHANGES)

    def was_held(self, ago: float) -> bool:
        """Tell whether the line was grounded so many s ago."""
        t = LiveClock().now() - ago
        self._read()
        for changed, is_held in reversed(self._changes):
            if changed <= t:
                return is_held
        return self._changes[0][1]

    def _read(self) -> None:
        while self._request.wait_edge_events(timedelta(0)):
            for event in self._request.read_edge_events():
                is_held = event.event_type is event.Type.RISING_EDGE
                self._changes.append((1e-9 * event.timestamp_ns, is_held))


def _find_line(pin: int) -> tuple[Path, int]:
    """Return the device of the chip that has the line, and the line's place on it."""
    chips = _lines_of_chips()
    if not chips:
        raise ButtonError(
            "this computer has no GPIO pins", "take `button` out of the config"
        )
    for path, names in chips.items():
        if f"GPIO{pin}" in names:
            return path, names.index(f"GPIO{pin}")
    path, names = next(iter(chips.items()))
    are_named = any(
        re.fullmatch(r"GPIO\d+", name) for names in chips.values() for name in names
    )
    if are_named or not 0 <= pin < len(names):
        raise ButtonError(
            f"the board has no GPIO {pin}",
            "set `button` to the number after GPIO, not to the place on the header (GPIO 17 is place 11)",
        )
    return path, pin


def _lines_of_chips() -> dict[Path, list[str]]:
    """Return the names of the lines of each GPIO chip, in order, "" where a line has none."""
    import gpiod  # noqa: PLC0415

    chips = {}
    for path in sorted(DEVICE_FOLDER.glob("gpiochip*")):
        with gpiod.Chip(str(path)) as chip:
            lines = range(chip.get_info().num_lines)
            chips[path] = [chip.get_line_info(line).name or "" for line in lines]
    return chips


def _refusal(pin: int, error: OSError) -> ButtonError:
    if error.errno in {errno.EACCES, errno.EPERM}:
        return ButtonError(
            f"{error.filename or 'the GPIO chip'} may not be opened", GET_IN
        )
    if error.errno == errno.EBUSY:
        return ButtonError(
            f"something else uses GPIO {pin}", "choose another GPIO for `button`"
        )
    return ButtonError(
        f"GPIO {pin}: {error.strerror or error}", "choose another GPIO for `button`"
    )
