r"""The networks in a recording: every message a line of its own, in the network's own text, stamped by us.

A line is a TAG block (NMEA 0183) with the source, the time and, as its text, the
network; then the message as it came:
``\s:gps,c:1764061200123,t:gpsd*hh\{"class":"TPV",...}``. Backslashes of the message
stand as ``^5C``, like those of a wire, so that no wire and no message can write such a
line.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from companion.sensing import gpsd, nmea2000, signalk
from companion.sensing.datum import Decoder, Network
from companion.sensing.fields import END_OF_TIME_MS, Values
from companion.sensing.framing import checksum
from companion.sensing.remarks import defused

LONGEST_MESSAGE = 16_384
"""Bytes of a network's message: a report of sixty satellites has 6,000."""
_LONGEST_LINE = LONGEST_MESSAGE * 3 + 128  # every byte of it a backslash
_NETWORK_LINE = re.compile(
    rb"^(\\s:[^\\,*\r\n]{1,40},c:\d{1,15},t:(?:nmea2000|signalk|gpsd)\*[0-9A-F]{2}\\[^\r\n]*\r?\n)",
    re.MULTILINE,
)
_UNFIT = re.compile(r"[^A-Za-z0-9 ._-]")
_PARTS = re.compile(
    rb"\\(s:([^\\,*]+),c:(\d+),t:(\w+))\*([0-9A-F]{2})\\(.*)", re.DOTALL
).match
_MAY_BECOME_ONE = re.compile(
    rb"\\(?:s(?::[^\\\r\n]{0,90}(?:,t:[^\\\r\n]{0,20}\\[^\n]*)?)?)?\Z", re.DOTALL
).match

DECODERS: dict[str, Callable[[Values, Counter[str]], Decoder]] = {
    "gpsd": gpsd.GpsdDecoder,
    "signalk": signalk.SignalKDecoder,
    "nmea2000": nmea2000.Nmea2000Decoder,
}
"""What reads the messages of each network."""
_IS_READ: dict[str, Callable[[bytes], bool]] = {
    "gpsd": gpsd.is_report,
    "signalk": signalk.is_read,
    "nmea2000": nmea2000.is_read,
}


_STARTS: Sequence[tuple[Network, re.Pattern[bytes]]] = (
    (
        "gpsd",
        re.compile(
            rb'^\{ ?"class" ?: ?"(?:VERSION|DEVICES|WATCH|TPV|SKY)"', re.MULTILINE
        ),
    ),
    ("signalk", re.compile(rb'^\{.*"(?:updates|roles)" ?:', re.MULTILINE)),
)
"""How a log of each network is known by one of its lines."""
_TIMES: dict[str, Callable[[bytes], int | None]] = {
    "gpsd": gpsd.ms_in,
    "signalk": signalk.ms_in,
    "nmea2000": nmea2000.ms_in,
}


def network_of(log: bytes) -> Network | None:
    """Return which network a log is of, from its first bytes; None: of NMEA 0183, or of nothing known."""
    if any(nmea2000.packet_in(line) for line in log.splitlines()[:20]):
        return "nmea2000"
    return next((network for network, start in _STARTS if start.search(log)), None)


class LoggedMessages:
    """Turns a log of others into a recording's lines, stamped by the times in its messages."""

    def __init__(self, source: str, network: Network) -> None:
        self._source = _UNFIT.sub("_", source)[:40]
        self._network = network
        self._ms = 0
        self._rest = b""

    def feed(self, data: bytes) -> bytes:
        """Return the lines that these bytes complete."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[: 2 * LONGEST_MESSAGE]
        return b"".join(self._stamped(line.rstrip(b"\r")) for line in lines)

    def _stamped(self, line: bytes) -> bytes:
        if len(line) > LONGEST_MESSAGE or not is_recorded(line, self._network):
            return b""
        told = _TIMES[self._network](line)
        if told is not None:
            self._ms = told
        return network_line(line, self._source, self._network, self._ms)


def is_recorded(message: bytes, network: Network) -> bool:
    """Return whether a message is of a kind that is read; a recording does without the others."""
    return _IS_READ[network](message)


def network_line(message: bytes, source: str, network: Network, ms: int) -> bytes:
    """Return a message as it stands in a recording, stamped with its source and UTC, ms."""
    block = f"s:{source},c:{ms},t:{network}".encode()
    return b"\\%s*%02X\\%s\r\n" % (block, checksum(block), defused(message))


_NAMES = {name.encode(): name for name in DECODERS}


class Message(NamedTuple):
    """A message taken out of a recording: UTC in ms, source, network, and its text as it came."""

    ms: int
    source: str
    network: str
    payload: bytes


def message_in(line: bytes, dropped: Counter[str]) -> Message | None:
    """Return the message in a network's line; None, and counted, when its TAG block is not right."""
    parts = _PARTS(line)
    if parts is None:
        return None
    block, source, ms, network, given, payload = parts.groups()
    stamp, name = int(ms), _NAMES.get(network)
    if int(given, 16) != checksum(block) or stamp >= END_OF_TIME_MS or name is None:
        dropped["wrong tag checksum"] += 1
        return None
    text = payload.rstrip(b"\r\n")
    if b"^5C" in text:
        text = text.replace(b"^5C", b"\\")
    return Message(stamp, source.decode("ascii", "replace"), name, text)


class NetworkLines:
    """Takes the lines of networks out of a recording's bytes, however these are cut."""

    def __init__(self) -> None:
        self._held = b""
        self._amid = False  # the last byte let through was within a line

    def feed(self, data: bytes) -> Iterator[tuple[bool, bytes]]:
        """Yield these bytes in order, in pieces: whether one is a network's line, and the piece."""
        data, self._held = self._held + data, b""
        first = 0
        if self._amid:
            first = data.find(b"\n") + 1 or len(data)
        last = max(first, data.rfind(b"\n") + 1)
        tail = data[last:]
        if tail and len(tail) <= _LONGEST_LINE and _MAY_BECOME_ONE(tail):
            self._held, end = tail, last
        else:
            end = len(data)
        if end:
            self._amid = not data.endswith(b"\n", 0, end)
        pieces = data[first:last]
        parted = _NETWORK_LINE.split(pieces) if b",t:" in pieces else [pieces]
        for n, piece in enumerate((data[:first], *parted, data[last:end])):
            if piece:
                yield n % 2 == 0 and 0 < n <= len(parted), piece

    def finish(self) -> bytes:
        """Return what is held: the unfinished last line of a stream that is over."""
        held, self._held = self._held, b""
        return held
