r"""Bytes to sentences: NMEA 0183 framing of a stream that may start, stop and be cut anywhere.

What is met on real wires, and what is done:

* a stream begins or breaks off in mid-line, noise with the top bit set: what is not
  printable ASCII cannot be inside a sentence;
* runs of NULs, hundreds long: in one log each lies within a sentence whose checksum is
  right without it, so they are padding and are taken out; not where checksums are not
  asked for, as nothing would show that digits were lost with them;
* a lost newline joins two sentences; a multiplexer starts one sentence inside another:
  every ``$`` or ``!`` begins anew, the sentence it interrupts is lost and counted, the
  inner one is kept;
* loggers put the time or a channel before the ``$``: text before a sentence is skipped;
* newlines lost altogether: no more than `LONGEST_LINE` bytes are ever held;
* TAG blocks (``\s:sonar,c:1764061200123*hh\``), also two in a row: each is checked by
  itself, and one with a wrong checksum is dropped without its sentence, since the
  sentence has a checksum of its own.

The result does not depend on how the bytes were cut into chunks.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Generator, Iterator
from itertools import product
from typing import NamedTuple

from companion.sensing.fields import END_OF_TIME_MS

LONGEST_LINE = 512
"""Bytes of a line without an end after which what is complete in it is taken out."""
LONGEST_SENTENCE = 256
"""Bytes kept of such a line: a sentence of 82 characters with its TAG block, and room for long dialects."""

_SENTENCE = re.compile(
    rb"((?:\\[^\\\x00-\x1f\x7f-\xff]*\\)*)[$!]([^$!*\\\x00-\x1f\x7f-\xff]+)\*([0-9A-Fa-f]{2})"
)
_UNCHECKED = re.compile(
    rb"((?:\\[^\\\x00-\x1f\x7f-\xff]*\\)*)[$!]([^$!*\\\x00-\x1f\x7f-\xff]+)\*?\s*\Z"
)
_HEX = {
    bytes(pair): int(bytes(pair), 16)
    for pair in product(b"0123456789abcdefABCDEF", repeat=2)
}
_START = re.compile(rb"[$!]")
_ENDS = (0x0A, 0x0D)
_MILLISECONDS_FROM = (
    100_000_000_000  # as seconds the year 5138, as milliseconds March 1973
)


class Sentence(NamedTuple):
    """One sentence: fields (the first is the address), TAG time (ms UTC) and source, and where it ended.

    ``end`` counts bytes from the beginning of the stream to the end of the sentence,
    padding left out.
    """

    fields: list[str]
    tag_time: int | None
    tag_source: str | None
    end: int


def sentence(body: str) -> bytes:
    """Return a sentence, without its line's end, from what stands between its start and its checksum."""
    raw = body.encode()
    return b"$%s*%02X" % (raw, checksum(raw))


def checksum(data: bytes) -> int:
    """Return the XOR of all bytes (NMEA 0183, the two hexadecimal digits after ``*``).

    Folding one big integer in halves takes a fifth of the time of a loop over the
    bytes.
    """
    x = int.from_bytes(data, "little")
    if len(data) > 128:
        while x >> 1024:
            x = (x >> 1024) ^ (x & ((1 << 1024) - 1))
    x ^= x >> 512
    x ^= x >> 256
    x ^= x >> 128
    x ^= x >> 64
    x ^= x >> 32
    x ^= x >> 16
    x ^= x >> 8
    return x & 0xFF


def bears_checksums(head: bytes) -> bool:
    """Return whether the sentences at the head of a recording have checksums, or there are none.

    Some recorders leave off all of them, and some instruments have none.
    """
    if _SENTENCE.search(head):
        return True
    return not any(_UNCHECKED.search(line) for line in head.splitlines())


class Framer:
    """Takes bytes, gives sentences; keeps at most `LONGEST_LINE` bytes between calls.

    `dropped` counts what was thrown away, by reason: "cut short", "wrong checksum", "no
    checksum", "wrong tag checksum", "malformed tag time", "line without end", "line
    without a sentence".
    """

    def __init__(
        self, *, need_checksum: bool = True, dropped: Counter[str] | None = None
    ) -> None:
        self.dropped: Counter[str] = Counter() if dropped is None else dropped
        self._need_checksum = need_checksum
        self._rest = b""
        self._offset = 0  # of the beginning of _rest in the stream

    def feed(self, data: bytes) -> Iterator[Sentence]:
        """Yield the sentences that these bytes complete."""
        if self._need_checksum and b"\0" in data:
            data = data.replace(b"\0", b"")
        if self._rest:
            data = self._rest + data
        lines = data.splitlines(keepends=True)
        self._rest = lines.pop() if lines and lines[-1][-1] not in _ENDS else b""
        for line in lines:
            length = len(line)
            if length > LONGEST_LINE:
                line = yield from self._shorten(line)  # noqa: PLW2901
                length = len(line)
            match = _SENTENCE.match(line)
            # Nearly always a line is one sentence and its end, and no more.
            if (
                match is not None
                and length - match.end() <= 2
                and line[match.end() :].isspace()
            ):
                sentence = self._checked(match, self._offset)
                if sentence is not None:
                    yield sentence
            elif length > 2 or not line.isspace():
                yield from self._untangle(line)
            self._offset += length
        if len(self._rest) >= LONGEST_LINE:
            self._rest = yield from self._shorten(self._rest)

    def finish(self) -> Iterator[Sentence]:
        """Yield what an unfinished last line holds; the stream is over."""
        yield from self.feed(b"\n")

    def _shorten(self, line: bytes) -> Generator[Sentence, None, bytes]:
        """Take complete sentences off the front of an endless line and return what is still to come.

        This happens at the very byte at which the line gets too long, however the bytes
        arrived.
        """
        content = len(line.rstrip(b"\r\n"))
        begin = 0
        while content - begin >= LONGEST_LINE:
            piece = line[begin : begin + LONGEST_LINE]
            done = 0
            for match in _SENTENCE.finditer(piece):
                sentence = self._checked(match, self._offset + begin)
                if sentence is not None:
                    yield sentence
                done = match.end()
            keep = max(done, LONGEST_LINE - LONGEST_SENTENCE)
            self.dropped["line without end"] += keep > done
            begin += keep
        self._offset += begin
        return line[begin:]

    def _untangle(self, line: bytes) -> Iterator[Sentence]:
        """Find the sentences in a line that is not simply one; count what is lost."""
        found = 0
        last = 0
        for match in _SENTENCE.finditer(line):
            sentence = self._checked(match, self._offset)
            if sentence is not None:
                yield sentence
            found += 1
            last = match.end()
        unchecked = _UNCHECKED.search(line, last)
        if unchecked is not None:
            found += 1
            if self._need_checksum:
                self.dropped["no checksum"] += 1
            else:
                yield self._sentence(
                    unchecked[1], unchecked[2], self._offset + unchecked.end(2)
                )
        starts = len(_START.findall(line))
        if starts > found:
            self.dropped["cut short"] += starts - found
        elif not starts and not line.isspace():
            self.dropped["line without a sentence"] += 1

    def _checked(self, match: re.Match[bytes], offset: int) -> Sentence | None:
        tags, body, given = match.groups()
        if checksum(body) != _HEX[given]:
            self.dropped["wrong checksum"] += 1
            return None
        if tags:
            return self._sentence(tags, body, offset + match.end())
        return Sentence(
            body.decode("ascii").split(","), None, None, offset + match.end()
        )

    def _sentence(self, tags: bytes, body: bytes, end: int) -> Sentence:
        time: int | None = None
        source: str | None = None
        for block in tags.split(b"\\")[1::2]:
            if block[-3:-2] != b"*" or _HEX.get(block[-2:]) != checksum(block[:-3]):
                self.dropped["wrong tag checksum"] += 1
                continue
            for field in block[:-3].decode("ascii").split(","):
                if field.startswith("c:"):
                    time = self._tag_time(field[2:])
                elif field.startswith("s:"):
                    source = field[2:]
        return Sentence(body.decode("ascii").split(","), time, source, end)

    def _tag_time(self, text: str) -> int | None:
        """Return a TAG block's ``c``, UTC in ms; senders write whole seconds or milliseconds."""
        if text.isdecimal() and len(text) <= 15:
            value = int(text)
            if value < _MILLISECONDS_FROM:
                value *= 1000
            if value < END_OF_TIME_MS:
                return value
        self.dropped["malformed tag time"] += 1
        return None
