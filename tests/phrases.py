"""What the tests ask of a grammar: the phrases of a wording, and whether a spoken line holds a command."""

from __future__ import annotations

import re

from companion.voice.grammar import Grammar, _spelled_out, number_words


def spelled(grammar: Grammar, wording: str) -> list[str]:
    """Return every phrase that a wording of the table stands for on this boat."""
    return [phrase for phrase, _ in _spelled_out(wording, grammar._slots)]


def echoes(grammar: Grammar, text: str) -> bool:
    """Tell whether a line, spoken aloud, would have a listed phrase in it and could be taken for one."""
    heard = f" {_plain(text)} "
    return any(f" {phrase} " in heard for phrase in grammar.phrases)


def _plain(text: str) -> str:
    """Return a text as it would be heard: lower case, numbers in words, no punctuation."""
    tokens = re.findall(r"[a-z']+|\d+", text.lower())
    return " ".join(
        number_words(int(word)) if word.isdigit() and len(word) < 3 else word
        for word in tokens
    )
