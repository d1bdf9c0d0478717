"""The page's server, in a thread of its own: the engine hands it what is to be seen and goes on."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import uvicorn

from companion.clock import Clock, LiveClock
from companion.config import GlancePage
from companion.events import AnyEvent, TripEnded
from companion.glance import Glance
from companion.page.app import Access, Site
from companion.page.board import Board
from companion.page.guard import HEADER_BYTES, Guard, Refusals, guarded_protocol
from companion.page.pairing import Pairing
from companion.units import LengthUnit

VIEW_INTERVAL_S = 0.1
"""The shortest time between two views, s."""
LOOK_AGAIN = 0.5
"""How often a view is renewed when nothing new comes, s: what it shows gets older."""
_LOG = logging.getLogger(__name__)


class PageError(Exception):
    """The page cannot be served; the message says why and what to do."""


class Page:
    """Serves the page while it is entered.

    Args:
        settings: where, and who may read.
        unit: what depths are shown in.
        tapped: called from the page's thread with the words a tapped button stands for;
            it must return at once, and False when they cannot be taken.
        announce: called from the page's thread with the figures of a new pairing code,
            to be spoken and shown, once.
        warn: called with a line about what was refused.
        kept: the file that remembers paired devices; None forgets them at the end.
    """

    def __init__(
        self,
        settings: GlancePage,
        unit: LengthUnit,
        tapped: Callable[[str], bool],
        announce: Callable[[str], None],
        warn: Callable[[str], None],
        kept: Path | None = None,
    ) -> None:
        self._settings = settings
        self._clock: Clock = LiveClock()
        self._pairing = Pairing(self._clock, announce, kept)
        self._tapped = tapped
        self._board = Board(unit, self._clock)
        self._refusals = Refusals(warn)
        self._port = settings.port
        self._wanted = True  # one to begin with
        self._told = False
        self._poked = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: uvicorn.Server | None = None
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def __enter__(self) -> Self:
        """Begin to serve.

        Raises:
            PageError: the address or the port cannot be had.
        """
        family = socket.AF_INET
        if ":" in self._settings.address:
            family = socket.AF_INET6
        where = (self._settings.address, self._settings.port)
        try:
            self._socket = socket.create_server(where, family=family)
        except OSError as error:
            raise PageError(
                f"the page cannot be served on {where[0]} port {where[1]}: {error.strerror}; "
                "choose another address or port under [page] in the config"
            ) from None
        self._port = self._socket.getsockname()[1]
        self._thread.start()
        self._up.wait()
        if self._loop is None:
            self.__exit__(None, None, None)
            raise PageError("the page cannot be served; the log says why")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop serving; whoever follows is told that it ends."""
        if self._server is not None:
            self._server.should_exit = True
        self._poke()
        self._thread.join()
        self._socket.close()

    @property
    def url(self) -> str:
        """Return where the page is, for a person to type in."""
        host = self._settings.address
        if host in ("0.0.0.0", "::"):
            host = socket.gethostname()
        if ":" in host:
            host = f"[{host}]"
        return f"http://{host}:{self._port}/"

    @property
    def watched(self) -> int:
        """Return how many pages follow now."""
        return len(self._board.followers)

    def wants(self) -> bool:
        """Return whether a new glance would be of use now; ask before making one.

        While nobody looks it is not: a glance costs as much as all that a boat's wires
        tell in a second. The first one is, and the last.
        """
        if self.watched:
            since = self._clock.now() - self._board.newest.at
            return self._told or since >= VIEW_INTERVAL_S
        return self._board.asked or self._wanted

    def show(self, glance: Glance) -> None:
        """Show a glance. Of several the newest wins; this never waits."""
        self._told = self._wanted = False
        self._board.show(glance)
        self._poke()

    def event(self, event: AnyEvent) -> None:
        """Note an event, and want a glance that shows what it changed. This never waits."""
        self._board.events.append(event)
        self._told = True
        if isinstance(event, TripEnded):
            self._wanted = True  # the last moment is wanted whoever looks
        self._poke()

    def wait(self) -> None:
        """Serve on until somebody interrupts."""
        while self._thread.is_alive():
            self._thread.join(0.5)

    def _poke(self) -> None:
        """Wake the page's thread, unless it was woken already and has not come to look yet."""
        if self._loop is not None and not self._poked:
            self._poked = True
            try:
                self._loop.call_soon_threadsafe(self._wake.set)
            except RuntimeError:
                self._loop = None  # it has ended

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception:  # whatever it is, the trip goes on
            _LOG.exception("the page failed")
        finally:
            self._up.set()

    async def _serve(self) -> None:
        self._wake = asyncio.Event()
        cookie = f"companion-{self._port}"
        access = Access(
            self._pairing, self._settings.reading == "paired", self._tapped, cookie
        )
        site = Site(self._board, access, self._refusals, self._clock)
        guard = Guard(site.app(), self._settings.address, self._port, self._refusals)
        self._server = uvicorn.Server(
            uvicorn.Config(
                guard,
                http=guarded_protocol(self._refusals),
                ws="none",
                loop="asyncio",
                lifespan="off",
                log_config=None,
                log_level="error",
                access_log=False,
                proxy_headers=False,
                server_header=False,
                timeout_graceful_shutdown=2,
                h11_max_incomplete_event_size=HEADER_BYTES,
            )
        )
        renewing = asyncio.create_task(self._renew())
        serving = asyncio.create_task(self._server.serve(sockets=[self._socket]))
        self._loop = asyncio.get_running_loop()
        self._up.set()
        await asyncio.wait({renewing, serving}, return_when=asyncio.FIRST_COMPLETED)
        self._board.closing = True
        self._board.wake()
        await serving
        await renewing

    async def _renew(self) -> None:
        """Renew the view when something came, and now and then when nothing did."""
        while self._server is None or not self._server.should_exit:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), LOOK_AGAIN)
            self._wake.clear()
            self._poked = False
            if self.watched:
                self._board.refresh()
                await asyncio.sleep(VIEW_INTERVAL_S)
            else:
                self._board.note_events()
