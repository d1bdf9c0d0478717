"""The companion's own words in a recording, so that a replay tells and says them too.

They are TXT sentences (NMEA 0183: text transmission; total, number, identifier, text) of the talker U0,
which the standard leaves to the user, in a TAG block whose source is `COMPANION`.
"""

from __future__ import annotations

import re

from companion.sensing.fields import Values
from companion.sensing.readings import Remark

COMPANION = "companion"
"""The TAG block source of the companion's own sentences; those of anybody else are passed over."""
LONGEST = 160
"""Characters of a remark; a sentence has 82 by the standard, but a reason that is cut short helps nobody."""
PASSED, NOTED, SPOKEN, TAPPED = "00", "01", "02", "03"
"""Identifiers: time has passed; for whoever reads the log; said aloud; the words of a tapped button."""
_RESERVED = re.compile(r"[!$*,\\^~\x00-\x1f\x7f]")
_ESCAPED = re.compile(r"\^([0-9A-F]{2})")


def txt(fields: list[str], values: Values) -> Remark:
    """Return the remark in a TXT sentence."""
    del values
    text = _ESCAPED.sub(lambda match: chr(int(match[1], 16)), fields[4])
    return Remark(text or None, aloud=fields[3] == SPOKEN, tapped=fields[3] == TAPPED)


def txt_body(text: str | None, *, aloud: bool = False, tapped: bool = False) -> str:
    """Return the sentence, without its start and checksum, that holds a remark.

    Reserved characters are written as ^ and two hexadecimal digits (NMEA 0183), all that is not ASCII as ?.

    >>> txt_body("ready, no sonar", aloud=True)
    'U0TXT,01,01,02,ready^2C no sonar'
    """
    kind = PASSED if text is None else TAPPED if tapped else SPOKEN if aloud else NOTED
    plain = (text or "").encode("ascii", "replace").decode()[:LONGEST]
    return f"U0TXT,01,01,{kind},{_RESERVED.sub(lambda match: f'^{ord(match[0]):02X}', plain)}"
