"""The page of a live trip, which is loaded when the trip is under way: depth comes first."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from companion.cli.common import warn
from companion.config import Settings
from companion.events import AnyEvent
from companion.trip.engine import Engine

if TYPE_CHECKING:
    from companion.cli.showing import Showing


class LatePage:
    """A page that opens some time after it was asked for, and then shows all that was told meanwhile.

    Args:
        settings: whether there is one, where it is, and who may read it.
        say: speaks a line.
        kept: the file that remembers paired devices.

    Attributes:
        tapped: takes the words of a tapped button from the page's thread, and tells
            whether it did.
    """

    def __init__(
        self, settings: Settings, say: Callable[[str], None], kept: Path
    ) -> None:
        self.tapped: Callable[[str], bool] = lambda _: False
        self._settings, self._say, self._kept = settings, say, kept
        self._told: list[AnyEvent] | None = [] if settings.page.on else None
        self._showing: Showing | None = None
        self._lock = threading.Lock()
        self._loading = threading.Thread(
            target=self._load, name="loading page", daemon=True
        )

    def __enter__(self) -> Self:
        """Begin with a page that is not there yet."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the page if it was opened."""
        if self._loading.ident is not None:
            self._loading.join()
        if self._showing is not None:
            self._showing.__exit__(kind, error, trace)

    def begin(self) -> None:
        """Begin to load it, in a thread of its own."""
        if self._settings.page.on:
            self._loading.start()

    def event(self, event: AnyEvent) -> None:
        """Show an event, now or when the page has been opened."""
        with self._lock:
            if self._showing is not None:
                self._showing.event(event)
            elif self._told is not None:
                self._told.append(event)

    def look(self, engine: Engine) -> None:
        """Show how things stand if the page is there and wants it; in the engine's thread."""
        if self._showing is not None:
            self._showing.look(engine)

    def _load(self) -> None:
        from companion.cli.showing import Showing  # noqa: PLC0415  (a web server: a third of all there is to load)
        from companion.page import PageError  # noqa: PLC0415

        try:
            showing = Showing(self._settings, self._say, self._kept)
            showing.tapped = self.tapped
            showing.__enter__()
        except (PageError, OSError) as error:  # a trip goes on without one
            warn(str(error))
            with self._lock:
                self._told = None
            return
        with self._lock:
            for event in self._told or ():
                showing.event(event)
            self._told = None
            self._showing = showing
