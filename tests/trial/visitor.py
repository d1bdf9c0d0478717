"""A device at the companion's page, as a person has one: it is paired, and taps buttons."""

from __future__ import annotations

import json
import urllib.error
import urllib.parse
import urllib.request


class Visitor:
    """Posts to a page as its own buttons do, and keeps the cookie it is given.

    Attributes:
        page: the page's address, with a slash at its end.
    """

    def __init__(self, page: str = "") -> None:
        self.page = page
        self._cookie = ""

    def post(self, what: str, form: dict[str, str]) -> int:
        """Post a form; return the status of the answer.

        Raises:
            OSError: the page does not answer.
            ValueError: what it answers is no JSON.
        """
        headers = {
            "Accept": "application/json",
            "Cookie": self._cookie,
            "Origin": self.page.rstrip("/"),
        }
        data = urllib.parse.urlencode(form).encode()
        request = urllib.request.Request(self.page + what, data, headers)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                cookie = answer.headers.get("Set-Cookie") or self._cookie
                self._cookie = cookie.split(";")[0]
                json.load(answer)
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return error.code

    def tap(self, button: str) -> bool:
        """Tap a button of the page; tell whether it was taken."""
        return self.post("do", {"button": button}) == 200
