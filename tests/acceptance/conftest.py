"""What several of these tests need: that the programs and the model that speech takes are here."""

from __future__ import annotations

import shutil

import pytest

from companion.voice.model import ModelError, speech_model


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip what is marked `speech` where something it takes is not here, and say what."""
    for mark in item.iter_markers("speech"):
        missing = [name for name in mark.args if shutil.which(name) is None]
        try:
            speech_model()
        except ModelError:
            missing.append("the speech model")
        if missing:
            pytest.skip(
                f"not here: {', '.join(missing)}; bash hardware/install.sh --tests brings it"
            )
