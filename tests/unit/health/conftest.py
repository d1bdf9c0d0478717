"""A serial port that talks."""

from __future__ import annotations

import os
import pty
import threading
import tty
from collections.abc import Iterator

import pytest


@pytest.fixture
def port() -> Iterator[tuple[str, list[bytes]]]:
    """A serial port on which what is put into the list is repeated five times a second."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    lines: list[bytes] = []
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.2):
            for line in lines:
                try:
                    os.write(ours, line)
                except BlockingIOError:
                    continue

    thread = threading.Thread(target=talk)
    thread.start()
    yield os.ttyname(theirs), lines
    stop.set()
    thread.join()
    os.close(ours)
    os.close(theirs)
