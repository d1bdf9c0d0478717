"""What tests of the voice share."""

from pathlib import Path

import pytest

from companion.voice.model import ModelError, speech_model


@pytest.fixture
def model() -> Path:
    """The folder of the speech model; skips where it is not here."""
    try:
        return speech_model()
    except ModelError as error:
        pytest.skip(f"not here: the speech model ({error})")
