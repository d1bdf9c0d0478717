"""What came of trying a part of the companion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

Verdict = Literal["pass", "warn", "fail", "skipped"]


class Finding(msgspec.Struct, frozen=True):
    """The result of trying one part: its name, the verdict, what was seen, and what to do."""

    part: str
    verdict: Verdict
    seen: str
    remedy: str = ""


def summary(findings: Sequence[Finding]) -> str:
    """Return one line that counts the verdicts, and does not take what was not tried for good."""
    count = {
        v: sum(f.verdict == v for f in findings)
        for v in ("pass", "warn", "fail", "skipped")
    }
    line = f"{count['pass']} passed, {count['warn']} to look at, "
    line += f"{count['fail']} failed, {count['skipped']} skipped"
    if not count["skipped"]:
        return line
    return f"{line}; what was skipped is not known to work"
