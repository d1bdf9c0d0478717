"""The companion's own words in a recording, so that a replay tells and says them too.

They are TXT sentences (NMEA 0183: text transmission; total, number, identifier, text) of the talker U0,
which the standard leaves to the user, in a TAG block whose source is `COMPANION`.
"""

from __future__ import annotations

from companion.sensing.fields import Values
from companion.sensing.readings import Remark

COMPANION = "companion"
"""The TAG block source of the companion's own sentences; those of anybody else are passed over."""
LONGEST = 60
"""Characters of a remark: a sentence has 82 (NMEA 0183)."""
PASSED, NOTED, SPOKEN = "00", "01", "02"
"""Identifiers: time has passed; for whoever reads the log; said aloud."""
_RESERVED = str.maketrans(dict.fromkeys("!$*,\\^~\r\n", " "))


def txt(fields: list[str], values: Values) -> Remark:
    """Return the remark in a TXT sentence."""
    del values
    return Remark(fields[4] or None, aloud=fields[3] == SPOKEN)


def txt_body(text: str | None, *, aloud: bool = False) -> str:
    """Return the sentence, without its start and checksum, that holds a remark; its text is cut to fit.

    >>> txt_body("sonar lost", aloud=True)
    'U0TXT,01,01,02,sonar lost'
    """
    kind = PASSED if text is None else SPOKEN if aloud else NOTED
    plain = (text or "").encode("ascii", "replace").decode().translate(_RESERVED)
    return f"U0TXT,01,01,{kind},{plain[:LONGEST]}"
