"""What was heard in an utterance, as the recogniser hands it on and the record keeps it."""

from __future__ import annotations

from typing import Literal, NamedTuple

from companion.events import Heard

Ended = Literal["phrase", "pause", "time", "sound"]
"""What ended the listening: a phrase that can go no further, a pause, too long a time, the sound's end."""


class Hearing(NamedTuple):
    """What was heard.

    Attributes:
        text: a listed phrase where one was meant, else the likeliest words.
        alternatives: what else it may have been, likeliest first.
        refused: why a listed phrase that was heard, the first of the alternatives, does not count.
        check: what the second hearing made of it; None when there was none.
        fit: the phrase that words and sounds together spoke for, where the first words were another's.
        ended: what ended the listening.
        seconds: how much of the sound was listened to, s.
        spoke: when the words began and ended, s since the sound's first sample; None where that is not known.
    """

    text: str
    alternatives: tuple[str, ...] = ()
    refused: str | None = None
    check: str | None = None
    fit: str | None = None
    ended: Ended = "sound"
    seconds: float = 0.0
    spoke: tuple[float, float] | None = None


def hearing_told(event: Heard) -> Hearing:
    """Return the hearing that a `heard` event tells of."""
    refused = event.reason if event.command is None and event.check is not None else None
    return Hearing(
        event.text,
        event.alternatives,
        refused,
        event.check,
        event.fit,
        event.ended or "sound",
        spoke=event.spoke,
    )


def hearing_of(words: str | Hearing) -> Hearing:
    """Return words that came as bare text as a hearing."""
    return words if isinstance(words, Hearing) else Hearing(words)
