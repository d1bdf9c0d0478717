"""The door: what is not let in, and what is said about it, once.

Every request passes `Guard` before anything answers it, and every connection is a
`GuardedProtocol`, which cuts off who opens one and then takes his time. Nothing refused
is logged twice for the same reason and address, and no header, body or cookie is ever
logged.
"""

from __future__ import annotations

import asyncio
import ipaddress
import re
import socket
from collections.abc import Callable
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 64
"""Open connections at a time; the next is closed unheard."""
CONNECTIONS_OF_ONE = 16
"""Open connections of one other device at a time, by its address: it cannot keep the others out."""
MOST_FOLLOWERS = 40
"""Pages that follow at a time."""
REQUEST_TIME = 5.0
"""How long a request may take to arrive, headers and body each, s."""
HEADER_BYTES = 8_192
"""The longest head of a request."""
BODY_BYTES = 256
"""The longest body of a request: a code or the name of a button."""
MOST_TOLD_REFUSALS = 200
"""How many refusals are told apart before all further ones are silent."""

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
"""What every answer carries. Without inline code, nothing that gets into a text can run."""

_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::(\d{1,5}))?")


class Refusals:
    """Tells each kind of refusal once, and counts them all."""

    def __init__(self, warn: Callable[[str], None]) -> None:
        self._warn = warn
        self._told: set[tuple[str, str]] = set()
        self.count = 0

    def note_refusal(self, reason: str, who: str) -> None:
        """Note that something from an address was refused."""
        self.count += 1
        if (reason, who) not in self._told and len(self._told) < MOST_TOLD_REFUSALS:
            self._told.add((reason, who))
            self._warn(f"page: refused {reason} from {who}; the same again is not told")


def who(scope: Scope) -> str:
    """Return the address a request came from."""
    return _address(scope.get("client"))


def _address(client: Any) -> str:  # noqa: ANN401 -- an address with its port, as any server keeps it
    if not client:
        return "an unknown address"
    return str(client[0])


class Guard:
    """Lets a request through to the app when it was meant for this page and made by it.

    Args:
        app: what answers.
        address: the address that is served on.
        port: the port that is served on.
        refusals: told of what is refused.
    """

    def __init__(
        self, app: ASGIApp, address: str, port: int, refusals: Refusals
    ) -> None:
        self._app = app
        self._port = port
        self._refusals = refusals
        self._only_here = ipaddress.ip_address(address).is_loopback
        name = socket.gethostname().lower()
        self._names = {"localhost"}
        if not self._only_here:
            self._names |= {name, f"{name}.local"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            return
        refused = self._refused(scope)
        if refused is not None:
            status, reason = refused
            self._refusals.note_refusal(reason, who(scope))
            answer = PlainTextResponse(
                f"Refused: {reason}.\n",
                status,
                SECURITY_HEADERS | {"Connection": "close"},
            )
            await answer(scope, receive, send)
            return
        await self._app(scope, receive, _with_headers(send))

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        if (
            len(scope["raw_path"]) + sum(len(k) + len(v) for k, v in scope["headers"])
            > HEADER_BYTES
        ):
            return 431, "a request with a long head"
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self.is_ours(hosts[0]):
            return 421, "a request for another host"
        origin, site = (
            headers.get("origin"),
            headers.get("sec-fetch-site", "same-origin"),
        )
        ours = origin == f"http://{hosts[0]}"
        if scope["method"] == "POST" and not (ours and site == "same-origin"):
            return 403, "a request made by another site"
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "a method that is not used here"
        followed_a_link = headers.get("sec-fetch-mode") == "navigate"
        if (origin is not None and not ours) or (
            site == "cross-site" and not followed_a_link
        ):
            return 403, "a request made by another site"
        return None

    def is_ours(self, host: str) -> bool:
        """Return whether a Host header names this page.

        Addresses written in figures are taken when the page is served to the boat's
        network: other sites get in by names of theirs that are made to lead here, and
        those are names.
        """
        found = _HOST.fullmatch(host.lower())
        if found is None or int(found[2] or 80) != self._port:
            return False
        if found[1] in self._names:
            return True
        try:
            address = ipaddress.ip_address(found[1].strip("[]"))
        except ValueError:
            return False
        return address.is_loopback or not self._only_here


def _with_headers(send: Send) -> Send:
    """Return a send that adds the headers every answer carries."""

    async def adding(message: Message) -> None:
        if message["type"] == "http.response.start":
            added = [
                (name.lower().encode(), value.encode())
                for name, value in SECURITY_HEADERS.items()
            ]
            message = {**message, "headers": [*message.get("headers", []), *added]}
        await send(message)

    return adding


def guarded_protocol(refusals: Refusals) -> type[asyncio.Protocol]:
    """Return the protocol for connections: few at a time, and none that dawdles."""

    class GuardedProtocol(H11Protocol):
        def __init__(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401
            super().__init__(*arguments, **named)
            self._hurry: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            if len(self.connections) > MOST_CONNECTIONS or self._is_greedy():
                refusals.note_refusal("one connection too many", self._peer())
                transport.abort()
                return
            self._hurry = self.loop.call_later(REQUEST_TIME, self._too_slow)

        def data_received(self, data: bytes) -> None:
            if self._hurry is None and (
                self.cycle is None or self.cycle.response_complete
            ):
                self._hurry = self.loop.call_later(REQUEST_TIME, self._too_slow)
            super().data_received(data)
            if self.cycle is not None and not self.cycle.response_complete:
                self._at_ease()

        def connection_lost(self, exc: Exception | None) -> None:
            self._at_ease()
            super().connection_lost(exc)

        def send_400_response(self, msg: str) -> None:
            refusals.note_refusal("what is no HTTP request", self._peer())
            if self.cycle is not None:
                # Its head was right and is being answered: that answer goes nowhere.
                self.cycle.disconnected = True
                self.cycle.message_event.set()
            super().send_400_response(msg)

        def _is_greedy(self) -> bool:
            """Return whether this address has more connections than another device needs."""
            if _is_this_computer(self._peer()):
                return False
            its = sum(
                1 for other in self.connections if _address_of(other) == self._peer()
            )
            return its > CONNECTIONS_OF_ONE

        def _at_ease(self) -> None:
            if self._hurry is not None:
                self._hurry.cancel()
                self._hurry = None

        def _too_slow(self) -> None:
            self._hurry = None
            refusals.note_refusal("a request that took too long", self._peer())
            self.transport.abort()

        def _peer(self) -> str:
            return _address_of(self)

    return GuardedProtocol


def _is_this_computer(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _address_of(connection: Any) -> str:  # noqa: ANN401 -- uvicorn keeps its protocols as Any
    return _address(getattr(connection, "client", None))
