"""A tapped button as the words that could have been said instead.

A tap goes the way of speech from here on: through the grammar, into the record,
answered aloud. So it can mean only what can also be said.
"""

from __future__ import annotations

import re

from companion.voice.commands import (
    Cast,
    LogBite,
    LogFish,
    Spoken,
    TakeRod,
    Touched,
    UndoThat,
)
from companion.voice.grammar import FORMS, number_words

_BUTTONS: dict[str, type[Spoken]] = {
    "cast": Cast,
    "touch": Touched,
    "bite": LogBite,
    "fish": LogFish,
    "undo": UndoThat,
}
_MARK = "mark this spot"
_ROD = re.compile(r"rod ([1-9]\d?)")


def spoken(button: str) -> str | None:
    """Return the words for a button's value ("bite", "mark", "rod 2"); None for any other text.

    >>> spoken("rod 2"), spoken("cast"), spoken("snag")
    ('rod number two', 'cast now', None)
    """
    if button == "mark":
        return _MARK
    if command := _BUTTONS.get(button):
        return _taught(command)
    if rod := _ROD.fullmatch(button):
        return _taught(TakeRod).format(rod=number_words(int(rod[1])))
    return None


def _taught(command: type[Spoken]) -> str:
    return next(form.wordings[0] for form in FORMS if form.command is command)
