"""What is on show now, and who follows it: the newest glance as a view, and its changes as messages."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

import msgspec

from companion.clock import Clock
from companion.events import AnyEvent
from companion.glance import Glance
from companion.page.view import News, View, make_view
from companion.units import LengthUnit

MOST_WAITING_NOTES = 1_000
"""How many events may wait to be noted."""
FRESH_S = 1.0
"""The age up to which a glance will do for who has just come to look, s."""
PATIENCE_S, ASK_EVERY_S = 0.6, 0.02
"""How long a fresh glance is waited for, s: the engine looks four times a second; and how often."""
_encoded = msgspec.json.Encoder().encode


class ShownView(NamedTuple):
    """A glance and when it came, s on the page's clock."""

    glance: Glance | None
    at: float


class Board:
    """The view on show. The engine's thread puts things in; everything else is the page's thread's.

    Args:
        unit: what depths are shown in.
        clock: how the newest glance gets old.

    Attributes:
        newest: the newest glance.
        asked: whether somebody who has just come waits for a newer one.
    """

    def __init__(self, unit: LengthUnit, clock: Clock) -> None:
        self._unit: LengthUnit = unit
        self._clock = clock
        self._news = News()
        # Both may be written by another thread: one assignment, and a deque's append,
        # are each done at once.
        self.newest = ShownView(None, clock.now())
        self.asked = False
        self.events: deque[AnyEvent] = deque(maxlen=MOST_WAITING_NOTES)
        self.number = 0
        self.view = self._made()
        self.followers: set[Follower] = set()
        self.closing = False
        self._messages: dict[int, bytes] = {}

    def show(self, glance: Glance) -> None:
        """Put a glance on show; in the engine's thread."""
        self.newest, self.asked = ShownView(glance, self._clock.now()), False

    async def freshen(self) -> None:
        """Have a glance of now made, and wait for it: while nobody looks none are made.

        Where the engine makes none any more, the last one stays.
        """
        self.note_events()
        now = self._clock.now()
        if self._news.ended or now - self.newest.at < FRESH_S:
            return
        until, self.asked = now + PATIENCE_S, True
        while self.asked and self._clock.now() < until:
            await asyncio.sleep(ASK_EVERY_S)

    def refresh(self) -> None:
        """Bring the view up to date, and wake who follows when it has changed."""
        self.note_events()
        view = self._made()
        if view != self.view:
            self.view, self.number, self._messages = view, self.number + 1, {}
            self.wake()

    def note_events(self) -> None:
        """Take in the events that wait."""
        while self.events:
            self._news.note_event(self.events.popleft())

    def wake(self) -> None:
        """Have every follower look again."""
        for follower in self.followers:
            follower.woken.set()

    def change(self, number: int, older: View) -> bytes:
        """Return the message with all that changed since an older view; made once for all who share it."""
        if number not in self._messages:
            changed = msgspec.to_builtins(self.view.since(older)) | {
                "number": self.number
            }
            self._messages[number] = _message(changed)
        return self._messages[number]

    @contextmanager
    def following(self) -> Iterator[Follower]:
        """Count one more follower for a while."""
        follower = Follower(self)
        self.followers.add(follower)
        try:
            yield follower
        finally:
            self.followers.discard(follower)

    def _made(self) -> View:
        glance, at = self.newest
        return make_view(glance, self._news, self._unit, self._clock.now() - at)


class Follower:
    """One page that follows: what it has been told."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._number, self._view = -1, board.view
        self.woken = asyncio.Event()

    def everything(self, first: dict[str, str]) -> bytes:
        """Return the message with the whole view, and some fields that come only once."""
        self._board.refresh()
        self._number, self._view = self._board.number, self._board.view
        return b"retry: 1000\n" + _message(
            msgspec.to_builtins(self._view) | first | {"number": self._number}
        )

    async def change(self, patience: float) -> bytes:
        """Wait for a change; return it, or after so many seconds a sign of life."""
        if self._number == self._board.number:
            self.woken.clear()
            try:
                await asyncio.wait_for(self.woken.wait(), patience)
            except TimeoutError:
                return b"event: beat\ndata: {}\n\n"
        if self._number == self._board.number:
            return b": \n\n"
        message = self._board.change(self._number, self._view)
        self._number, self._view = self._board.number, self._board.view
        return message


def _message(content: object) -> bytes:
    return b"event: change\ndata: " + _encoded(content) + b"\n\n"
