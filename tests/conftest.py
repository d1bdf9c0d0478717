"""What all tests have in common."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

import companion  # noqa: F401  (before any test imports numpy, which then keeps to one thread: see there)
from companion.trip.assembly import RAISE_VARIABLE
from companion.voice.model import ModelError, speech_model

os.environ[RAISE_VARIABLE] = (
    "1"  # an error of the program's own is raised in tests, also in those that run the program
)

settings.register_profile("companion", deadline=None)  # a busy machine is no failure
settings.load_profile("companion")


@pytest.fixture
def model() -> Path:
    """The folder of the speech model; skips where it is not here."""
    try:
        return speech_model()
    except ModelError as error:
        pytest.skip(f"not here: the speech model ({error})")
