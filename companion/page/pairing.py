"""Who may use the buttons: devices that were paired with a code heard in the boat.

A device asks, the companion speaks and prints a short code once, and who types it in
gets a token. Codes live briefly and die after a few wrong tries; after some dead codes
nobody can pair until the companion is started again. Of tokens only their hashes are
kept. Neither codes nor tokens are ever logged.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from companion.clock import Clock
from companion.record.whole import write_whole

CODE_DIGITS = 5
CODE_LIFE = 120.0
"""How long a code can be used, s."""
CODE_TRIES = 5
"""The wrong try that a code dies of."""
BETWEEN_CODES = 15.0
"""The shortest time between two codes, s: nobody shall make it talk all day."""
BETWEEN_TRIES = 1.0
"""The shortest time between two tries, s, whoever makes them."""
DEAD_CODES = 3
"""How many codes may die of wrong tries before pairing is locked."""
CODES_IN_ALL = 30
"""How many codes are given out before pairing is locked."""
MOST_PAIRED_DEVICES = 12
"""How many devices stay paired; the oldest gives way."""

_LOG = logging.getLogger(__name__)

Asked = Literal["spoken", "too soon", "locked"]
Tried = Literal["paired", "wrong", "no code", "too soon", "locked"]


class Pairing:
    """Codes and tokens. Used from one thread.

    Args:
        clock: how codes get old.
        announce: called once with each code's digits, to be spoken and shown.
        kept: the file that remembers paired devices (hashes only); None remembers them
            until the end.
    """

    def __init__(
        self, clock: Clock, announce: Callable[[str], None], kept: Path | None = None
    ) -> None:
        self._clock = clock
        self._announce = announce
        self._kept = kept
        self._on_disk = kept is not None and kept.is_file()
        self._hashes = self._remembered()
        self._code: str | None = None
        self._made = float("-inf")
        self._tried = float("-inf")
        self._wrong = self._dead = self._given = 0

    @property
    def locked(self) -> bool:
        """Return whether nobody can pair any more."""
        return self._dead >= DEAD_CODES

    def ask(self) -> Asked:
        """Make a new code and have it spoken and shown; the one before it is void."""
        now = self._clock.now()
        if self.locked or self._given >= CODES_IN_ALL:
            return "locked"
        if now - self._made < BETWEEN_CODES:
            return "too soon"
        self._code = "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS))
        self._made, self._wrong = now, 0
        self._given += 1
        self._announce(self._code)
        return "spoken"

    def attempt(self, code: str) -> tuple[Tried, str | None]:
        """Try a code; return how it went, and the token for the device when it is paired now."""
        now = self._clock.now()
        if self.locked:
            return "locked", None
        if now - self._tried < BETWEEN_TRIES:
            return "too soon", None
        self._tried = now
        if self._code is None or now - self._made > CODE_LIFE:
            self._code = None
            return "no code", None
        if not hmac.compare_digest(code.encode(), self._code.encode()):
            return self._missed(), None
        self._code = None
        return "paired", self._token()

    def _missed(self) -> Tried:
        self._wrong += 1
        if self._wrong >= CODE_TRIES:
            self._code = None
            self._dead += 1
        if self.locked:
            return "locked"
        return "wrong"

    def paired(self, token: str | None) -> bool:
        """Return whether a token belongs to a paired device."""
        if not token:
            return False
        if self._on_disk and self._kept is not None and not self._kept.is_file():
            # Whoever deletes the file forgets all devices at once.
            self._hashes, self._on_disk = [], False
        given = _hash(token)
        return any(hmac.compare_digest(given, known) for known in self._hashes)

    def _token(self) -> str:
        token = secrets.token_urlsafe(32)
        self._hashes = [*self._hashes, _hash(token)][-MOST_PAIRED_DEVICES:]
        if self._kept is not None:
            self._keep(self._kept)
        return token

    def _keep(self, path: Path) -> None:
        """Write the hashes down; a disk that refuses keeps what it has, and who is new is paired for now."""
        text = "\n".join(self._hashes) + "\n"
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, text.encode("ascii"), mode=0o600)
            self._on_disk = True
        except OSError as error:
            _LOG.warning("%s: paired for now only: %s", path, error.strerror)

    def _remembered(self) -> list[str]:
        if self._kept is None or not self._on_disk:
            return []
        return self._kept.read_text(encoding="ascii", errors="replace").split()[
            -MOST_PAIRED_DEVICES:
        ]


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
