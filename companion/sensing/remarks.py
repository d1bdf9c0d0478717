r"""The companion's own words in a recording, so that a replay tells and says them too.

They are TXT sentences (NMEA 0183: text transmission; total, number, identifier, text)
of the talker U0, which the standard leaves to the user, each a line of its own in a TAG
block whose source is `OWN_SOURCE`.

No wire can speak so. Live, own words travel as chunks marked `own`, and a wire's bytes
are never marked. In a recording every backslash of a wire stands as ``^5C``
(`defused`), so that a line that begins with a TAG block of `OWN_SOURCE` was written by
the companion, and `own_apart` finds those lines again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from companion.sensing.fields import Values
from companion.sensing.readings import Remark
from companion.sensing.settings import Chunk

OWN_SOURCE = "companion"
"""The TAG block source of the companion's own sentences."""
MOST_REMARK_CHARACTERS = 160
"""Characters of a remark; a sentence has 82 by the standard, but a reason that is cut short helps nobody."""
REMARK_TIME_PASSED, REMARK_NOTED, REMARK_SPOKEN, REMARK_TAPPED = "00", "01", "02", "03"
"""Identifiers: time has passed; for whoever reads the log; said aloud; the words of a tapped button."""
FINDS_LATER, FOUND = "04", "05"
"""Identifiers: the planner's answers come when they are found; one is."""
SOLVES_LATER, SOLVED = "06", "07"
"""Identifiers: what has to be solved comes later; the first that waited has."""
_WITHOUT_TEXT = (REMARK_TIME_PASSED, FINDS_LATER, FOUND, SOLVES_LATER, SOLVED)
_RESERVED = re.compile(r"[!$*,\\^~]")
_NO_TEXT = re.compile(r"[^ -~]")
_ESCAPED = re.compile(r"\^([0-9A-F]{2})")
_OWN_MARK = b"\\s:companion,"
_OWN_LINE = re.compile(
    rb"^(\\s:companion,c:\d{1,15}\*[0-9A-F]{2}\\\$U0TXT,[^$!*\\\x00-\x1f\x7f-\xff]{0,600}\*[0-9A-F]{2}\r?\n)",
    re.MULTILINE,
)
_LONGEST_OWN = 700


def txt(fields: list[str], values: Values) -> Remark:
    """Return the remark in a TXT sentence."""
    del values
    text = _ESCAPED.sub(lambda match: chr(int(match[1], 16)), fields[4])
    text = _NO_TEXT.sub("", text)[:MOST_REMARK_CHARACTERS]
    kind = fields[3]
    if kind in _WITHOUT_TEXT:
        return Remark(
            None,
            finds_later=kind == FINDS_LATER,
            found=kind == FOUND,
            solves_later=kind == SOLVES_LATER,
            solved=kind == SOLVED,
        )
    return Remark(
        text or None, aloud=kind == REMARK_SPOKEN, tapped=kind == REMARK_TAPPED
    )


def txt_body(text: str | None, *, aloud: bool = False, tapped: bool = False) -> str:
    """Return the sentence, without its start and checksum, that holds a remark.

    Reserved characters are written as ^ and two hexadecimal digits (NMEA 0183), all
    that is not ASCII as ?; control characters are left out.

    >>> txt_body("ready, no sonar", aloud=True)
    'U0TXT,01,01,02,ready^2C no sonar'
    """
    if text is None:
        return signal_body(REMARK_TIME_PASSED)
    kind = REMARK_NOTED
    if tapped:
        kind = REMARK_TAPPED
    elif aloud:
        kind = REMARK_SPOKEN
    plain = _NO_TEXT.sub("", text.encode("ascii", "replace").decode())[
        :MOST_REMARK_CHARACTERS
    ]
    return f"U0TXT,01,01,{kind},{_RESERVED.sub(lambda match: f'^{ord(match[0]):02X}', plain)}"


def signal_body(kind: str) -> str:
    """Return the sentence, without its start and checksum, that has no words: one of the identifiers.

    >>> signal_body(FOUND)
    'U0TXT,01,01,05,'
    """
    return f"U0TXT,01,01,{kind},"


def defused(line: bytes) -> bytes:
    r"""Return a wire's line without a TAG block: each backslash, which begins or ends one, as ``^5C``."""
    return line.replace(b"\\", b"^5C")


def own_apart(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    """Yield a recording's bytes again, the lines that hold the companion's own words marked as `own`."""
    held, amid = b"", False
    chunk = Chunk(0.0, "", b"")
    for chunk in chunks:
        data = held + chunk.data
        first = 0
        if amid:
            # The beginning of a line longer than any own one has been let through: its
            # end comes before the others.
            first = data.find(b"\n") + 1 or len(data)
        amid = amid and not data.endswith(b"\n", 0, first)
        last = max(first, data.rfind(b"\n") + 1)
        if len(data) - last > _LONGEST_OWN:
            pieces, rest, held, amid = data[first:last], data[last:], b"", True
        else:
            pieces, rest, held = data[first:last], b"", data[last:]
        parted = _OWN_LINE.split(pieces) if _OWN_MARK in pieces else [pieces]
        for n, piece in enumerate((data[:first], *parted, rest)):
            if piece:
                yield chunk._replace(
                    data=piece, own=n % 2 == 0 and 0 < n <= len(parted)
                )
    if held:
        yield chunk._replace(data=held)
