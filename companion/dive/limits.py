"""The ranges the dive's inputs must lie in, and the one kind of error for what lies outside."""

from __future__ import annotations

import math


class DiveError(ValueError):
    """An input outside the range the model is made for, or a solve that found no answer."""


def within(what: str, value: float, low: float, high: float, unit: str) -> None:
    """Check that a value is a number from low to high.

    Raises:
        DiveError: it is not; the message names the quantity, the value, the range and
            the unit.
    """
    if not (math.isfinite(value) and low <= value <= high):
        raise DiveError(
            f"{what} is {value:g} {unit}, expected {low:g} to {high:g} {unit}"
        )
