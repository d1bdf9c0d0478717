"""A glance is made for who looks, and for nobody else."""

from __future__ import annotations

import threading
from contextlib import contextmanager

import pytest

from companion.events import TripEnded
from companion.page import board


@pytest.fixture
def looking(aboard, scenes, monkeypatch):
    """Return what runs an engine that looks at the page until the block is over, and counts its glances."""
    monkeypatch.setattr(board, "FRESH_S", 0.0)
    made = []

    def look(over: threading.Event) -> None:
        while not over.wait(0.005):
            if aboard.page.wants():
                made.append(None)
                aboard.page.show(scenes.glance(t=1000.0 + len(made)))

    @contextmanager
    def run():
        over = threading.Event()
        engine = threading.Thread(target=look, args=(over,))
        engine.start()
        try:
            yield made
        finally:
            over.set()
            engine.join()

    return run


def test_who_comes_sees_what_is_so_now_and_each_time_one_glance_is_made(
    aboard, looking
):
    with looking() as made:
        for n in range(1, 4):
            _, _, text = aboard.request("GET", "/")
            assert len(made) == n
            assert f"{1000 + n}.000" in text


def test_while_nobody_looks_no_glance_is_wanted_but_the_last(aboard, scenes):
    page = aboard.page
    assert not page.wants()
    page.event(TripEnded(t=1.0, utc=None, sentences=0, dropped={}))
    assert page.wants()
    page.show(scenes.glance())
    assert not page.wants()


def test_who_comes_when_the_engine_stands_still_sees_the_last_glance(
    aboard, monkeypatch
):
    monkeypatch.setattr(board, "FRESH_S", 0.0)
    status, _, text = aboard.request("GET", "/")
    assert (status, "200.000" in text) == (200, True)
    assert aboard.page.wants()
