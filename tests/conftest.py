"""What all tests have in common."""

from pathlib import Path

import pytest

import companion  # noqa: F401  (before any test imports numpy, which then keeps to one thread: see there)
from companion.voice.model import ModelError, speech_model


@pytest.fixture
def model() -> Path:
    """The folder of the speech model; skips where it is not here."""
    try:
        return speech_model()
    except ModelError as error:
        pytest.skip(f"not here: the speech model ({error})")
