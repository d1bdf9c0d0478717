"""The page aboard, and a browser to look at it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location(
    "scenes", Path(__file__).with_name("scenes.py")
)
_scenes = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_scenes)


@pytest.fixture(scope="session")
def scenes():
    """Invented glances and what serves them."""
    return _scenes


@pytest.fixture
def aboard():
    """A page that is served, open to read, showing an invented instant."""
    with _scenes.Aboard() as served:
        served.page.show(_scenes.glance())
        yield served


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium."""
    with _scenes.browser() as opened:
        yield opened
