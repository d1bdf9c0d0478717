"""What is answered: the page, its stream of changes, the pairing, and the buttons."""

from __future__ import annotations

import asyncio
import hashlib
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from html import escape
from importlib.resources import files
from string import Template
from typing import NamedTuple
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from companion import docs
from companion.clock import Clock
from companion.page.board import Board
from companion.page.guard import BODY_BYTES, MOST_FOLLOWERS, REQUEST_TIME, Refusals, who
from companion.page.pairing import Pairing
from companion.page.reading import reading
from companion.page.side import SIDE_HEIGHT, SIDE_WIDTH
from companion.page.taps import spoken
from companion.page.view import View
from companion.pictures.drawing import hatches
from companion.pictures.palette import sheet, variables

FOLLOW_BEAT_S = 1.0
"""How often a page that follows hears something, s."""
STREAM_TIME = 3600.0
"""How long a page follows before it has to ask again, s."""
COOKIE_LIFE = 400 * 86_400
"""How long a device stays paired unless others push it out, s."""
MOST_TAPS, MOST_TAPS_WITHIN_S = 10, 10.0
"""How many taps are taken in how many seconds."""
_KINDS = {
    "glance.css": "text/css",
    "glance.js": "text/javascript",
    "mark.svg": "image/svg+xml",
}

TAP_ANSWERS = {
    "sent": "Sent.",
    "not-sent": "NOT SENT: the companion is busy. Say it instead.",
    "too-many": "NOT SENT: too many taps at once.",
    "no-such": "There is no such button.",
    "unpaired": "Pair this device first.",
    "spoken": "A code was spoken, and shown once at the companion. Type it in within two minutes.",
    "wait": "Too soon: wait a few seconds.",
    "locked": "Pairing is locked: too many wrong codes. Start the companion again to unlock it.",
    "paired": "This device is paired.",
    "wrong": "That is not the code.",
    "no-code": "There is no code now: have one spoken.",
    "too-long": "Refused: that is too long, or took too long.",
}
"""Every answer to a tap, by its name; a page without scripts is sent to it by name."""
_PAIRING = {"spoken", "wait", "locked", "wrong", "no-code"}
_CODES = {
    "not-sent": 503,
    "too-many": 429,
    "no-such": 400,
    "unpaired": 403,
    "wait": 429,
    "locked": 403,
}
_CODES |= {"wrong": 403, "no-code": 403, "too-long": 413}
_YES_OR_NO = {True: "yes", False: "no"}
_ASKED = {"spoken": "spoken", "too soon": "wait", "locked": "locked"}
_TRIED = {
    "paired": "paired",
    "wrong": "wrong",
    "no code": "no-code",
    "too soon": "wait",
    "locked": "locked",
}


class Access(NamedTuple):
    """The rights of those who look, and where taps go.

    Attributes:
        pairing: knows the paired devices.
        reading_needs_pairing: whether only paired devices may look.
        tapped: called with the words of a tapped button; False when they could not be
            taken.
        cookie: the name the token goes by, another for each port, because cookies know
            no ports.
    """

    pairing: Pairing
    reading_needs_pairing: bool
    tapped: Callable[[str], bool]
    cookie: str


def _key() -> str:
    """Return what the lines and hatchings of the picture mean."""
    rows = (
        ("way of the lure", '<path class="path" d="M1 8H33"/>'),
        ("nine in ten", '<path class="band" d="M1 3H33V13H1Z"/>'),
        ("on the bottom", '<path class="touching" d="M4 8H30"/>'),
        (
            "bottom, nine in ten",
            '<path class="seam" fill="url(#hatch)" d="M1 3H33V13H1Z"/>',
        ),
        ("not known", '<path fill="url(#unknown)" d="M1 1H33V15H1Z"/>'),
    )
    drawn = (
        f'<span><svg class="drawing" viewBox="0 0 34 16">{line}</svg>{words}</span>'
        for words, line in rows
    )
    return f'<svg class="drawing shared">{hatches()}</svg>{"".join(drawn)}'


_KEY = _key()


class _Form(Template):
    idpattern = r"[a-z][a-z0-9-]*"


class Site:
    """Answers requests that the guard let through. Runs in the page's own thread."""

    def __init__(
        self, board: Board, access: Access, refusals: Refusals, clock: Clock
    ) -> None:
        folder = files("companion.page")
        self._texts: dict[str, str] = {
            name: folder.joinpath(name).read_text(encoding="utf-8")
            for name in ("page.html", "rod.html", "pairing.html", "door.html", *_KINDS)
        }
        self._texts["glance.css"] = variables() + sheet() + self._texts["glance.css"]
        self.build = hashlib.sha256("".join(self._texts.values()).encode()).hexdigest()[
            :12
        ]
        self._board = board
        self._access = access
        self._refusals = refusals
        self._clock = clock
        self._taps: deque[float] = deque(maxlen=MOST_TAPS)

    def app(self) -> Starlette:
        """Return the app."""
        routes = [
            Route("/", self._page),
            Route("/stream", _Stream(self._stream)),
            Route("/ask", self._ask, methods=["POST"]),
            Route("/pair", self._pair, methods=["POST"]),
            Route("/do", self._do, methods=["POST"]),
            Route("/read", self._read),
            Route("/read/{name}", self._read),
            Route("/read/pictures/{name}", self._picture),
            *(
                Route(f"/{name}", self._file(name, kind))
                for name, kind in _KINDS.items()
            ),
        ]
        return Starlette(
            routes=routes, exception_handlers={404: self._nothing, 405: self._nothing}
        )

    async def _nothing(self, request: Request, _: Exception) -> Response:
        self._refusals.note_refusal(
            "a request for what is not here", who(request.scope)
        )
        return Response("There is nothing here.\n", 404, media_type="text/plain")

    def _file(self, name: str, kind: str) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            headers = {"Cache-Control": "no-cache", "ETag": f'"{self.build}"'}
            if request.headers.get("if-none-match") == headers["ETag"]:
                return Response(status_code=304, headers=headers)
            return Response(self._texts[name], media_type=kind, headers=headers)

        return answer

    async def _read(self, request: Request) -> Response:
        text = reading(request.path_params.get("name", "index"))
        if text is None:
            return await self._nothing(request, KeyError())
        return HTMLResponse(text)

    async def _picture(self, request: Request) -> Response:
        drawn = docs.picture(request.path_params["name"])
        if drawn is None:
            return await self._nothing(request, KeyError())
        return Response(drawn, media_type="image/svg+xml")

    def _is_paired(self, request: Request) -> bool:
        return self._access.pairing.paired(request.cookies.get(self._access.cookie))

    def _may_read(self, request: Request) -> bool:
        return not self._access.reading_needs_pairing or self._is_paired(request)

    async def _page(self, request: Request) -> Response:
        name = request.query_params.get("told", "")
        told = TAP_ANSWERS.get(name, "")
        fields = {"build": self.build, "pairing": self._texts["pairing.html"]}
        fields |= {"told": told, "pair-told": ""}
        if name in _PAIRING:
            fields |= {"told": "", "pair-told": told}
        if self._may_read(request):
            await self._board.freshen()
            self._board.refresh()
            paired = self._is_paired(request)
            fields |= {"paired": _YES_OR_NO[paired], "disabled": ""}
            if not paired:
                fields["disabled"] = " disabled"
            html = self._rendered(self._board.view, fields)
        else:
            html = _Form(self._texts["door.html"]).substitute(fields)
        return Response(
            html, media_type="text/html", headers={"Cache-Control": "no-store"}
        )

    def _rendered(self, view: View, fields: Mapping[str, str]) -> str:
        shown = {part: escape(text) for part, text in view.text.items()}
        shown |= {f"state-{part}": escape(state) for part, state in view.state.items()}
        rows = "".join(
            self._row(number, shown, fields["disabled"])
            for number in view.state["rods"].split()
        )
        size = {"width": str(SIDE_WIDTH), "height": str(SIDE_HEIGHT), "key": _KEY}
        # The picture is markup of our own making; everything else is text.
        return _Form(self._texts["page.html"]).substitute(
            shown, **{"picture": view.picture, "rod-rows": rows}, **size, **fields
        )

    def _row(self, number: str, shown: Mapping[str, str], disabled: str) -> str:
        fields = {
            part: shown[f"rod-{number}-{part}"]
            for part in ("name", "carries", "reach", "match")
        }
        fields |= {
            "number": number,
            "state": shown[f"state-rod-{number}"],
            "disabled": disabled,
        }
        return _Form(self._texts["rod.html"]).substitute(fields)

    async def _ask(self, request: Request) -> Response:
        await _body(request)
        asked = _ASKED[self._access.pairing.ask()]
        return self._told(request, asked)

    async def _pair(self, request: Request) -> Response:
        form = await _body(request)
        if form is None:
            return self._told(request, "too-long")
        tried, token = self._access.pairing.attempt(form.get("code", "").strip())
        answer = self._told(request, _TRIED[tried], paired=token is not None)
        if token is not None:
            name = self._access.cookie
            answer.set_cookie(
                name, token, max_age=COOKIE_LIFE, httponly=True, samesite="strict"
            )
        return answer

    async def _do(self, request: Request) -> Response:
        if not self._is_paired(request):
            return self._told(request, "unpaired")
        form = await _body(request)
        if form is None:
            return self._told(request, "too-long")
        words = spoken(form.get("button", ""))
        if words is None:
            return self._told(request, "no-such")
        now = self._clock.now()
        if len(self._taps) == MOST_TAPS and now - self._taps[0] < MOST_TAPS_WITHIN_S:
            return self._told(request, "too-many")
        self._taps.append(now)
        if not self._access.tapped(words):
            return self._told(request, "not-sent")
        return self._told(request, "sent", words=words)

    def _told(
        self, request: Request, name: str, *, words: str = "", paired: bool = False
    ) -> Response:
        """Answer a tap: in JSON to a script, by sending a page without scripts back to the page."""
        code = _CODES.get(name, 200)
        if name in ("wrong", "locked", "unpaired", "too-long", "too-many", "no-such"):
            self._refusals.note_refusal(
                f"a tap or a code: {TAP_ANSWERS[name].rstrip('.').lower()}",
                who(request.scope),
            )
        # What was not read to its end must not be waited for, nor taken for the next
        # request.
        headers = {}
        if name == "too-long":
            headers["Connection"] = "close"
        if request.headers.get("accept") != "application/json":
            return RedirectResponse(f"/?told={name}", 303, headers)
        text = TAP_ANSWERS[name]
        if words:
            text = f'Sent: "{words}".'
        yes = paired or self._is_paired(request)
        return JSONResponse({"told": text, "paired": _YES_OR_NO[yes]}, code, headers)

    async def _stream(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        if not self._may_read(request):
            await Response(status_code=403)(scope, receive, send)
        elif len(self._board.followers) >= MOST_FOLLOWERS:
            self._refusals.note_refusal("one page too many that follows", who(scope))
            await Response(status_code=503, headers={"Retry-After": "10"})(
                scope, receive, send
            )
        else:
            first = {
                "build": self.build,
                "paired": _YES_OR_NO[self._is_paired(request)],
            }
            await self._follow(first, receive, send)

    async def _follow(
        self, first: dict[str, str], receive: Receive, send: Send
    ) -> None:
        """Send the whole view, then what changes, until the other side leaves, dawdles, or time is up."""

        async def tell(message: bytes) -> None:
            body = {"type": "http.response.body", "body": message, "more_body": True}
            await asyncio.wait_for(send(body), REQUEST_TIME)

        headers = [
            (b"content-type", b"text/event-stream"),
            (b"cache-control", b"no-store"),
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await self._board.freshen()
        gone = asyncio.ensure_future(_left(receive))
        until = self._clock.now() + STREAM_TIME
        try:
            with self._board.following() as follower:
                await tell(follower.everything(first))
                while (
                    not gone.done()
                    and not self._board.closing
                    and self._clock.now() < until
                ):
                    await tell(await follower.change(FOLLOW_BEAT_S))
        except (TimeoutError, OSError):
            pass  # it does not read: it may ask again
        finally:
            gone.cancel()
        await send({"type": "http.response.body", "body": b"", "more_body": False})


class _Stream:
    """An ASGI app made of a method: starlette hands it the connection itself."""

    def __init__(
        self, answer: Callable[[Scope, Receive, Send], Awaitable[None]]
    ) -> None:
        self._answer = answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._answer(scope, receive, send)


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _body(request: Request) -> dict[str, str] | None:
    """Return the fields of a form; None when it is too long, took too long, or is no form."""
    body = b""
    try:
        async with asyncio.timeout(REQUEST_TIME):
            async for piece in request.stream():
                body += piece
                if len(body) > BODY_BYTES:
                    return None
        fields = parse_qs(body.decode("ascii"), max_num_fields=4)
    except (TimeoutError, ClientDisconnect, ValueError):
        return None
    return {name: values[-1] for name, values in fields.items()}
