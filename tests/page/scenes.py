"""What the tests of the page share: invented glances, a page aboard with what it was told, a browser."""

from __future__ import annotations

import http.client
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlencode, urlsplit

import pytest

from companion.config import GlancePage
from companion.events import Fix
from companion.glance import BottomPoint, Glance, RodView, SideView
from companion.page import Page

CHROMIUM = shutil.which("chromium")
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def way(reach: float, cast: float = 40.0) -> tuple[tuple[float, float], ...]:
    """A lure's way that is steep where it lands and goes up to the rod: (distance, depth), m."""
    shares = [i / 24 for i in range(25)]
    return tuple(
        (cast * (1 - s), reach * min(1.0, 5.0 * s) * min(1.0, 2.6 * (1 - s)))
        for s in shares
    )


def side(
    reach: float = 5.5,
    lure: float | None = 0.4,
    *,
    mapped: bool = True,
    tops=((17.0, 4.4),),
) -> SideView:
    """A cast over a slope with a ledge; part of the bottom is not mapped."""
    path = way(reach)
    bottom = ()
    if mapped:
        bottom = tuple(
            BottomPoint(
                x,
                None if x >= 36 else 7.2 - 0.03 * x - (1.6 if x > 21 else 0.0),
                0.15 + 0.012 * x,
            )
            for x in range(0, 41, 2)
        )
    return SideView(
        bearing=81.0,
        under_way=lure is not None,
        path=path,
        shallow=way(reach - 0.7),
        deep=way(reach + 0.7),
        bottom=bottom,
        tops=tops,
        lure=None if lure is None else path[round(lure * 24)],
    )


def rods(depth: float | None, in_hand: int = 1) -> tuple[RodView, ...]:
    """Four rods of one lure, and how each stands against a depth, m."""
    made = []
    for number, (line, reach) in enumerate(
        [
            ("12 lb fluorocarbon", 5.5),
            ("14 lb fluorocarbon", 5.1),
            ("17 lb fluorocarbon", 4.5),
            ("20 lb nylon", 3.6),
        ],
        1,
    ):
        margin = None if depth is None else depth - reach
        state = (
            "unknown"
            if margin is None
            else "touch"
            if margin <= 0
            else "clear"
            if margin <= 1
            else "short"
        )
        made.append(
            RodView(
                number=number,
                name=f"rod {number}",
                lure="deep dorrow",
                line=line,
                in_hand=number == in_hand,
                reach=reach,
                low=reach - 0.6,
                high=reach + 0.6,
                state=state,
                margin=margin,
            )
        )
    return tuple(made)


def glance(
    t: float = 200.0, depth: float | None = 6.3, in_hand: int = 1, **changes
) -> Glance:
    """An instant of an invented day, with changes."""
    seen = {
        "t": t,
        "utc": "2026-10-03T14:18:20.064Z",
        "boat": Fix(-47.2, -126.4, 3.0),
        "heading": 81.0,
        "speed": 0.55,
        "depth": depth,
        "depth_at": t - 0.2,
        "water_temperature": 17.3,
        "rods": rods(depth, in_hand),
        "side": side(),
        "said": "clear by 3 feet",
        "said_at": t - 12.0,
        "heard": "rod number one",
        "heard_at": t - 40.0,
        "understood": "rod",
        "logged": 2,
    }
    return Glance(**(seen | changes))


class Aboard:
    """A page that is served, with what it handed back: taps, codes and warnings."""

    def __init__(
        self,
        *,
        reading: str = "open",
        port: int = 0,
        address: str = "127.0.0.1",
        kept=None,
    ) -> None:
        self.taps: list[str] = []
        self.codes: list[str] = []
        self.warned: list[str] = []
        self.busy = False
        settings = GlancePage(address=address, port=port, reading=reading)
        self.page = Page(
            settings, "feet", self._tapped, self.codes.append, self.warned.append, kept
        )

    def _tapped(self, words: str) -> bool:
        if not self.busy:
            self.taps.append(words)
        return not self.busy

    def __enter__(self) -> Aboard:
        self.page.__enter__()
        self.url = self.page.url
        self.host = urlsplit(self.url).netloc
        return self

    def __exit__(self, *what: object) -> None:
        self.page.__exit__(None, None, None)

    def request(self, method: str, path: str, body: str | None = None, **headers: str):
        """Ask for a path; return (status, headers, text). POSTs are as the page itself makes them."""
        own = {"Host": self.host, "Accept": "application/json"}
        if method == "POST":
            own |= {
                "Origin": self.url.rstrip("/"),
                "Content-Type": "application/x-www-form-urlencoded",
            }
        own |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection(self.host, timeout=600)
        try:
            connection.request(
                method,
                path,
                body,
                {name: value for name, value in own.items() if value},
            )
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()
        finally:
            connection.close()

    def post(self, path: str, cookie: str = "", **fields: str):
        """Send a form as the page does."""
        return self.request("POST", path, urlencode(fields), Cookie=cookie)

    def paired_cookie(self) -> str:
        """Pair, and return the cookie that a device then has."""
        self.post("/ask")
        status, headers, _ = self.post("/pair", code=self.codes[-1])
        assert status == 200
        return headers["Set-Cookie"].partition(";")[0]


@contextmanager
def browser() -> Iterator:
    """Debian's Chromium under playwright; skips where there is none to be had."""
    if CHROMIUM is None:
        pytest.skip(
            "chromium is not installed: bash hardware/install.sh --tests installs it"
        )
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield opened
        opened.close()
