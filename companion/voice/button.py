"""A push-to-talk button or foot switch on the board's pins (the extra `[pi]`)."""

from __future__ import annotations

from collections.abc import Callable


class ButtonError(Exception):
    """The button cannot be used; the message says what to do."""


def push_to_talk(pin: int) -> Callable[[], bool]:
    """Return what tells whether the button between this GPIO pin and ground is held.

    Raises:
        ButtonError: gpiozero is not installed, or the board has no such pin.
    """
    try:
        from gpiozero import Button  # noqa: PLC0415  (needed on boards with pins only)
        from gpiozero.exc import GPIOZeroError  # noqa: PLC0415
    except ImportError:
        raise ButtonError("button: gpiozero is not installed; pip install 'companion[pi]'") from None
    try:
        button = Button(pin, bounce_time=0.02)
    except (GPIOZeroError, OSError, RuntimeError) as error:
        raise ButtonError(f"button on GPIO {pin}: {error}; check the number in the config") from error
    return lambda: bool(button.is_pressed)
