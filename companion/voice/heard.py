"""What was heard in an utterance, as the recogniser hands it on and the record keeps it."""

from __future__ import annotations

from typing import Literal, NamedTuple

from companion.events import Heard

Ended = Literal["phrase", "pause", "time", "sound"]
"""What ended the listening: a phrase that can go no further, a pause, too long a time, the sound's end."""

UNKNOWN_WORD = "[unk]"
"""What stands in a text for sounds that are no word offered."""
NO_QUIET_BEFORE = "no quiet before it"
"""Why a phrase that was cut out of talk is refused."""
NO_WORDS, NO_PHRASE = "no words made out", "not one of the phrases"
"""Why what was heard is no command, though nothing was refused."""
MOST_WORDS, SHORTEST_S, LONGEST_S = 4, 0.4, 2.5
"""How many words, and how long, s, what may have been meant for the companion is."""


class Hearing(NamedTuple):
    """The result of listening to an utterance.

    Attributes:
        text: a listed phrase where one was meant, else the likeliest words.
        alternatives: what else it may have been, likeliest first.
        refused: why a listed phrase that was heard, the first of the alternatives, does
            not count.
        check: what the second hearing made of it; None when there was none.
        fit: the phrase that words and sounds together spoke for, where the first words
            were another's.
        ended: what ended the listening.
        seconds: how much of the sound was listened to, s.
        spoke: when the words began and ended, s since the sound's first sample; None
            where that is not known.
        doubt: a phrase with another value that may have been spoken as well; None where
            there is none.
        amid_talk: people had just been talking, so a phrase had to fit better.
    """

    text: str
    alternatives: tuple[str, ...] = ()
    refused: str | None = None
    check: str | None = None
    fit: str | None = None
    ended: Ended = "sound"
    seconds: float = 0.0
    spoke: tuple[float, float] | None = None
    doubt: str | None = None
    amid_talk: bool = False

    @property
    def is_like_a_command(self) -> bool:
        """Return whether a few words were spoken alone, which may have been meant for the companion."""
        if self.spoke is None or self.refused == NO_QUIET_BEFORE or self.is_long:
            return False
        words = any(word != UNKNOWN_WORD for word in self._said)
        return words and self.spoke[1] - self.spoke[0] >= SHORTEST_S

    @property
    def is_long(self) -> bool:
        """Return whether more was said than what most commands are."""
        spoke = self.spoke or (0.0, 0.0)
        too_long = spoke[1] - spoke[0] > LONGEST_S or self.ended == "time"
        return too_long or len(self._said) > MOST_WORDS

    @property
    def _said(self) -> list[str]:
        if self.refused and self.alternatives:
            return self.alternatives[0].split()
        return self.text.split()


def hearing_told(event: Heard) -> Hearing:
    """Return the hearing that a `heard` event tells of.

    A phrase that was refused has left its place to `UNKNOWN_WORD` and stands among the
    alternatives. Other reasons are the trip's own, and follow from the words again.
    """
    refused = None
    if event.text == UNKNOWN_WORD and event.reason != NO_WORDS:
        refused = event.reason
    return Hearing(
        event.text,
        event.alternatives,
        refused,
        event.check,
        event.fit,
        event.ended or "sound",
        spoke=event.spoke,
        doubt=event.doubt,
    )


def hearing_of(words: str | Hearing) -> Hearing:
    """Return words that came as bare text as a hearing."""
    return words if isinstance(words, Hearing) else Hearing(words)
