"""The page beside a command: what the engine does goes out to it, what is tapped comes in."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from queue import Full, Queue
from typing import Self

import click

from companion.cli.common import warn
from companion.config import Settings
from companion.events import AnyEvent
from companion.page import Page
from companion.trip.agenda import Utterance
from companion.trip.engine import Engine

MOST_WAITING_TAPS = 8
"""How many taps may wait for the engine."""


class Showing:
    """A page for the engine of this command.

    Args:
        settings: where the page is, who may read it, and the unit of depths.
        say: speaks a line.
        kept: the file that remembers paired devices, or None.

    Attributes:
        tapped: takes the words of a tapped button from another thread, and tells
            whether it did; unless it is set they are given to the engine that is looked
            at, as said now.
    """

    def __init__(
        self,
        settings: Settings,
        say: Callable[[str], None],
        kept: Path | None = None,
    ) -> None:
        self._taps: Queue[str] = Queue(MOST_WAITING_TAPS)
        self._say = say
        self._over = False
        self._open = False
        self.tapped: Callable[[str], bool] = self._wait
        self._page = Page(
            settings.page, settings.units, self._tap, self._announce, warn, kept
        )
        self.event: Callable[[AnyEvent], None] = self._page.event

    def __enter__(self) -> Self:
        """Begin to serve, and tell where.

        Raises:
            PageError: the address or the port cannot be had.
        """
        self._page.__enter__()
        self._open = True
        click.echo(f"page: {self._page.url}", err=True)
        return self

    def __exit__(self, *what: object) -> None:
        """Stop serving."""
        self._page.__exit__(None, None, None)

    def look(self, engine: Engine) -> None:
        """Hand in the taps that wait, and show how things stand if wanted; in the engine's thread."""
        while not self._taps.empty():
            words = partial(str, self._taps.get())
            engine.utterance(Utterance(engine.now, engine.now, words, tapped=True))
        if self._open and self._page.wants():
            self._page.show(engine.glance(engine.now))

    def stay(self) -> None:
        """Keep the page up until Ctrl-C; nothing can be tapped any more."""
        self._over = True
        click.echo("the day is over; the page stays until Ctrl-C", err=True)
        with suppress(KeyboardInterrupt):
            self._page.wait()

    def _tap(self, words: str) -> bool:
        return self.tapped(words)

    def _wait(self, words: str) -> bool:
        if self._over:
            return False
        try:
            self._taps.put_nowait(words)
        except Full:
            return False
        return True

    def _announce(self, code: str) -> None:
        click.echo(f"page: the pairing code is {code}", err=True)
        self._say(f"code {' '.join(code)}")
