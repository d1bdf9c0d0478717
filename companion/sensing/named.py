"""The fields of a sentence by their names, as the library pynmea2 knows and converts them.

Framing and checksum are done before; ranges and status are judged after. In between
stands what the library would take for a number and is none: "nan", "1e2", "1_0", " 7"
become "?", which it hands on as text. Its times, dates and places are not used;
`decisions/sentences.md` lists the case of each.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from pynmea2 import TalkerSentence

_UNUSUAL = re.compile(r"[^-+.,0-9A-HJ-Z]").search
_EXPONENT = re.compile(r"[0-9.]E").search
_FIGURES_OR_LETTER = re.compile(r"[-+.0-9]*|[A-Za-z]").fullmatch


def fields_of(formatter: str) -> Callable[[list[str]], Any]:
    """Return what gives the fields of a sentence, address first, as attributes; None: blank or not there."""
    kind = TalkerSentence.sentence_types[formatter]

    def read(fields: list[str]) -> Any:  # noqa: ANN401 (the library's own type)
        told = fields[1:]
        text = ",".join(told)
        if _UNUSUAL(text) or ("E" in text and _EXPONENT(text)):
            told = [field if _FIGURES_OR_LETTER(field) else "?" for field in told]
        return kind(fields[0][:2], formatter, told)

    return read
