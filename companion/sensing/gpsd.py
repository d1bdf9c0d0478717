"""gpsd's JSON (man page gpsd_json(5)): position, motion, time from TPV, the dilution of precision from SKY.

`mode` says whether there is a fix, `status` how it was made: dead reckoning (5) and
simulation (8) are no place to log a fish at, as with GGA 6 and 8. TPV's depth is not
read: the page itself says only that it is "probably" below the keel.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import msgspec

from companion.sensing.datum import Datum, json_as
from companion.sensing.fields import Values, ms_written
from companion.sensing.position import FASTEST_KN, Told
from companion.units import KNOT

GPSD_PORT = 2947
"""The TCP port gpsd listens on (IANA)."""
WATCH = b'?WATCH={"enable":true,"json":true};\n'
"""Asks for reports as JSON lines."""
MOST_RECEIVERS = 16
"""Receivers of one server whose dilution of precision is kept."""
_NO_PLACE = frozenset((5, 8))
_REPORT = re.compile(rb'"class" ?: ?"(?:TPV|SKY)"').search


class _Report(msgspec.Struct):
    """TPV and SKY, as far as they are read."""

    kind: str = msgspec.field(default="", name="class")
    device: str = ""
    mode: int = 0
    status: int = 1
    time: str | float | None = None
    lat: float | None = None
    lon: float | None = None
    speed: float | None = None
    track: float | None = None
    magvar: float | None = None
    hdop: float | None = None


_TIME = re.compile(rb'"time" ?: ?"([^"]{1,40})"').search
_DECODER = msgspec.json.Decoder(_Report)


def is_report(line: bytes) -> bool:
    """Return whether a line is one of those that are read; the server tells of itself in others."""
    return _REPORT(line) is not None


def ms_in(line: bytes) -> int | None:
    """Return the instant that a report tells, ms of UTC."""
    return ms_written(_TIME(line))


class GpsdDecoder:
    """Reads one server's reports."""

    def __init__(self, values: Values, counts: Counter[str]) -> None:
        self._values = values
        self._counts = counts
        self._hdop: dict[str, float] = {}

    def decode(self, _ms: int, payload: bytes) -> Sequence[Datum]:
        """Return the fix in a TPV; a SKY is kept for the next one of its receiver."""
        report = json_as(_DECODER, payload, self._values, "gpsd report")
        if report is None or report.kind not in ("TPV", "SKY"):
            return ()
        self._counts[report.kind] += 1
        if report.kind == "TPV":
            return (Datum(report.device, "TPV", "fix", self._fix(report)),)
        hdop = self._values.real(report.hdop, "hdop", 0.01, 99.0)
        if hdop is None:
            self._hdop.pop(report.device, None)
        elif report.device in self._hdop or len(self._hdop) < MOST_RECEIVERS:
            self._hdop[report.device] = hdop
        return ()

    def _fix(self, report: _Report) -> Told:
        values = self._values
        day, time = values.instant(report.time)
        if report.mode < 2 or report.status in _NO_PLACE:
            values.dropped["position void"] += 1
            return Told(False, time, day)
        return Told(
            True,
            time,
            day,
            values.degrees(report.lat, report.lon),
            values.real(report.speed, "speed", 0.0, FASTEST_KN * KNOT),
            values.real(report.track, "course", 0.0, 360.0),
            values.real(report.magvar, "variation", -180.0, 180.0),
            self._hdop.get(report.device),
        )
