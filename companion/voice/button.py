"""A push-to-talk button or foot switch between a GPIO line of the board and ground."""

from __future__ import annotations

import errno
import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

DEVICE_FOLDER = Path("/dev")
DEBOUNCE_S = 0.02
GET_IN = "join the group gpio: sudo usermod -aG gpio $USER, then log in again (see hardware/set-up.md)"


class ButtonError(Exception):
    """The button cannot be used: what is wrong, and what to do about it."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"button: {what}; {remedy}")
        self.what = what
        self.remedy = remedy


def push_to_talk(pin: int) -> Callable[[], bool]:
    """Return a function that tells whether the button between this GPIO line and ground is held.

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
            debounce_period=timedelta(seconds=DEBOUNCE_S),
        )
        request = gpiod.request_lines(
            str(chip), {offset: settings}, consumer="companion"
        )
    except OSError as error:
        raise _refusal(pin, error) from error
    return lambda: request.get_value(offset) is gpiod.line.Value.ACTIVE


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
