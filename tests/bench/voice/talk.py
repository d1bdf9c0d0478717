"""People's talk out of packages of Debian, for counting what of it is taken for a command: none of it is one.

Two games have the voices of their actors with them. apt-get fetches their packages once
into the user's cache; they are unpacked there and not installed. Both are sampled
11,025 times a second, so what is above 5.5 kHz is missing.
"""

from __future__ import annotations

import io
import struct
import subprocess
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from companion.voice.sound import Samples
from tests.bench.voice.noises import Make
from tests.bench.voice.synthesizers import cache_folder
from tests.bench.voice.voices import SPEECH_LEVEL, active_level

SAMPLED = 11_025
"""Samples a second in both games."""
BETWEEN = 0.7
"""Silence between one line and the next, s."""
A_FILE = 50
"""Lines in a file: some two and a half minutes."""


def sky(folder: Path) -> Iterator[Samples]:
    """Yield the lines of beneath-a-steel-sky: 8 bits a sample, packed, after 22 bytes of header.

    sky.dnr lists the parts of sky.dsk: their count (32 bits), then of each its number
    (16 bits), where it begins (24 bits; in steps of 16 where the highest is set) and
    its size (the lower 22 of 24 bits), lowest byte first. Those with numbers from
    50,000 to 58,999 are lines.
    """
    table, data = (folder / "sky.dnr").read_bytes(), (folder / "sky.dsk").read_bytes()
    for at in range(4, 4 + 8 * int.from_bytes(table[:4], "little"), 8):
        number, begins, size = (
            int.from_bytes(table[at + a : at + b], "little") for a, b in _FIELDS
        )
        start = (begins & 0x7FFFFF) * (16 if begins & 0x800000 else 1)
        if number in _LINES:
            line = unpacked(data[start + 22 : start + (size & 0x3FFFFF)])
            yield (np.frombuffer(line, np.uint8).astype(np.int16) - 128) * 256


_LINES = range(50_000, 59_000)
_FIELDS = ((0, 2), (2, 5), (5, 8))


def unpacked(packed: bytes) -> bytes:
    """Return what was packed: by turns bytes as they are and bytes that were there before, in chunks.

    After 18 bytes of header (with the size, 32 bits, at the fifth), each chunk has
    three tables of Huffman codes, for the counts of new bytes, for how far back old
    ones lie and for how many of them there are; then how many pairs of new and old
    follow (16 bits). New bytes stand amid the words of 16 bits that hold the bits of
    the codes, lowest first. The last pair has no old ones.
    """
    size, out, bits = int.from_bytes(packed[4:8], "big"), bytearray(), Bits(packed, 18)
    bits.take(2)
    while len(out) < size:
        fresh, back, old = Codes(bits), Codes(bits), Codes(bits)
        for left in reversed(range(bits.take(16))):
            out += bits.whole(fresh.take(bits))
            if left:
                far, count = back.take(bits) + 1, old.take(bits) + 2
                for _ in range(count):
                    out.append(out[-far])
    return bytes(out)


class Bits:
    """Takes bits out of words of 16, lowest first, and whole bytes from between these words."""

    def __init__(self, packed: bytes, at: int) -> None:
        self._packed, self._at, self._held, self._count = packed, at, 0, 0

    def take(self, count: int) -> int:
        """Return so many bits as a number."""
        while self._count < count:
            self._held |= int.from_bytes(self.whole(2), "little") << self._count
            self._count += 16
        taken = self._held & ((1 << count) - 1)
        self._held >>= count
        self._count -= count
        return taken

    def whole(self, count: int) -> bytes:
        """Return the bytes after the last word that bits were taken of."""
        self._at += count
        return self._packed[self._at - count : self._at]


class Codes:
    """Canonical Huffman codes of numbers by their count of bits, from a table of the codes' lengths."""

    def __init__(self, bits: Bits) -> None:
        lengths = [bits.take(4) for _ in range(bits.take(5))]
        code, self._sizes = 0, dict[tuple[int, int], int]()
        for length in range(1, 17):
            code <<= 1
            for size in (size for size, its in enumerate(lengths) if its == length):
                self._sizes[length, code] = size
                code += 1

    def take(self, bits: Bits) -> int:
        """Return the next number: a code tells how many bits it has, its highest bit is not written."""
        length = code = 0
        while (length, code) not in self._sizes:
            if length > 16:
                raise ValueError("packed sound has a code that its table has not")
            length, code = length + 1, code << 1 | bits.take(1)
        size = self._sizes[length, code]
        return size if size < 2 else 1 << size - 1 | bits.take(size - 1)


def queen(folder: Path) -> Iterator[Samples]:
    """Yield the lines of flight-of-the-amazon-queen: MP3.

    queen.1c begins with a table: after 13 bytes the count of its parts (16 bits), then
    of each its name (12 bytes), one byte, where it begins and its size (32 bits each),
    highest byte first. Those with names that end in .SB are lines.
    """
    data = (folder / "queen.1c").read_bytes()
    (count,) = struct.unpack_from(">H", data, 13)
    for name, start, size in struct.iter_unpack(">12sxII", data[15 : 15 + 21 * count]):
        if name.rstrip(b"\0").endswith(b".SB"):
            yield soundfile.read(io.BytesIO(data[start : start + size]), dtype="int16")[
                0
            ]


class Shipped(NamedTuple):
    """A package that ships talk, in a folder of its name, and what reads the lines."""

    package: str
    lines: Callable[[Path], Iterator[Samples]]


SKY = Shipped("beneath-a-steel-sky", sky)
QUEEN = Shipped("flight-of-the-amazon-queen", queen)
TALK: dict[Make, tuple[tuple[Shipped, slice], ...]] = {
    "choosing": ((SKY, slice(None)), (QUEEN, slice(0, None, 2))),
    "reporting": ((QUEEN, slice(1, None, 2)),),
}
"""The talk that settings were chosen with, and the talk that figures are reported with:
which files of what packages."""


def talk(make: Make) -> list[Path]:
    """Return files of talk, which are made where they are not there yet.

    Raises:
        subprocess.CalledProcessError: a package could not be fetched.
    """
    return [path for shipped, some in TALK[make] for path in files(shipped)[some]]


def files(shipped: Shipped) -> list[Path]:
    """Return all files of a package's talk, which are made where they are not there yet.

    Raises:
        subprocess.CalledProcessError: the package could not be fetched.
    """
    folder = cache_folder() / shipped.package
    made = folder / f"talk-{A_FILE}"
    if not made.is_dir():
        part = folder / "part"
        part.mkdir(parents=True, exist_ok=True)
        _write(shipped.lines(unpacked_at(shipped)), part)
        part.rename(made)
    return sorted(made.glob("*.flac"))


def unpacked_at(shipped: Shipped) -> Path:
    """Return where a package's files are, which is fetched where it is not there yet.

    Raises:
        subprocess.CalledProcessError: the package could not be fetched.
    """
    folder = cache_folder() / shipped.package
    inside = folder / "unpacked"
    if not inside.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        _run(folder, "apt-get", "download", "-qq", shipped.package)
        _run(
            folder,
            "dpkg-deb",
            "-x",
            *(str(path) for path in folder.glob("*.deb")),
            inside.name,
        )
    return inside / "usr/share/scummvm" / shipped.package


def _run(folder: Path, *command: str) -> None:
    subprocess.run(command, cwd=folder, check=True)


def _write(lines: Iterator[Samples], folder: Path) -> None:
    """Write lines to files, so many in each, with silence after every one."""
    silence = np.zeros(round(BETWEEN * SAMPLED), np.int16)
    number = 0
    while some := list(islice(lines, A_FILE)):
        sound = np.concatenate(
            [part for line in some for part in (line, silence)]
        ).astype(float)
        sound *= SPEECH_LEVEL / active_level(sound)
        soundfile.write(
            folder / f"{number:03}.flac",
            np.clip(np.rint(sound), -32768, 32767).astype(np.int16),
            SAMPLED,
        )
        number += 1
