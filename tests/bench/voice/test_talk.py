"""The lines of two games are read out of files made here as theirs are said to be."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion.voice.clips import read_clip
from tests.bench.voice import talk
from tests.bench.voice.talk import BETWEEN, SAMPLED, TALK, Shipped, queen, sky, unpacked

PLAIN = b"abcabcabcabcX"


class Packing:
    """Writes bits into words of 16, lowest first, and whole bytes after the word that is begun."""

    def __init__(self) -> None:
        self.out, self.word, self.used = bytearray(), 0, 16

    def bits(self, number: int, count: int) -> None:
        for n in range(count):
            if self.used == 16:
                self.word, self.used = len(self.out), 0
                self.out += b"\0\0"
            self.out[self.word + self.used // 8] |= (number >> n & 1) << self.used % 8
            self.used += 1


def packed() -> bytes:
    """Return `PLAIN` packed: three new bytes, nine from three back, one new byte."""
    to = Packing()
    to.bits(0, 2)
    for lengths in ((0, 1, 1), (0, 0, 1), (0, 0, 0, 1)):
        to.bits(len(lengths), 5)
        for length in lengths:
            to.bits(length, 4)
    to.bits(2, 16)  # pairs
    to.bits(1, 1), to.bits(1, 1)  # a number of two bits, the lower of which is set: 3
    to.out += b"abc"
    to.bits(0, 1), to.bits(0, 1)  # of two bits, the lower not set: 2, so 3 back
    to.bits(0, 1), to.bits(3, 2)  # of three bits, all set: 7, so 9 bytes
    to.bits(0, 1)  # of one bit: 1
    to.out += b"X"
    return b"RNC\1" + struct.pack(">I", len(PLAIN)) + bytes(10) + bytes(to.out)


def test_packed_bytes_are_unpacked():
    assert unpacked(packed()) == PLAIN


def test_the_lines_of_a_list_with_packed_sound(tmp_path: Path):
    line = bytes(22) + packed()
    data = bytes(64) + line + bytes(-len(line) % 16)
    in_steps = 0x800000 | len(data) // 16
    places = [(49_999, 0, 5), (50_000, 64, len(line)), (58_999, in_steps, len(line))]
    table = struct.pack("<I", len(places))
    for number, where, size in places:
        table += (
            number.to_bytes(2, "little")
            + where.to_bytes(3, "little")
            + size.to_bytes(3, "little")
        )
    (tmp_path / "sky.dnr").write_bytes(table)
    (tmp_path / "sky.dsk").write_bytes(data + line)
    lines = list(sky(tmp_path))
    assert len(lines) == 2
    assert all(one.tolist() == [(byte - 128) * 256 for byte in PLAIN] for one in lines)


def test_the_lines_of_a_table_with_mp3(tmp_path: Path):
    tone = 0.3 * np.sin(np.arange(SAMPLED) / 5)
    said = io.BytesIO()
    soundfile.write(said, tone, SAMPLED, format="MP3")
    names = [b"ONE.SB", b"ONE.PCX"]
    start = 15 + 21 * len(names)
    rows = [struct.pack(">12sxII", name, start, len(said.getvalue())) for name in names]
    (tmp_path / "queen.1c").write_bytes(
        bytes(13) + struct.pack(">H", len(names)) + b"".join(rows) + said.getvalue()
    )
    (line,) = queen(tmp_path)
    assert line.dtype == np.int16
    assert np.sqrt(np.mean(line.astype(float) ** 2)) == pytest.approx(
        0.3 / np.sqrt(2) * 32768, rel=0.1
    )


def test_talk_is_fetched_once_and_written_with_silence_between(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    fetched: list[str] = []
    tone = (3000 * np.sin(np.arange(SAMPLED) / 5)).astype(np.int16)
    monkeypatch.setattr(talk, "cache_folder", lambda: tmp_path)

    def run(folder: Path, *command: str) -> None:
        fetched.append(command[0])
        (folder / "unpacked").mkdir(exist_ok=True)

    monkeypatch.setattr(talk, "_run", run)
    said = Shipped("said", lambda _: iter([tone] * 101))
    monkeypatch.setitem(TALK, "choosing", ((said, slice(0, None, 2)),))
    monkeypatch.setitem(TALK, "reporting", ((said, slice(1, None, 2)),))
    choosing, (other,) = talk.talk("choosing"), talk.talk("reporting")
    assert choosing == talk.talk("choosing")
    assert other not in choosing
    assert fetched == ["apt-get", "dpkg-deb"]
    lasted = [len(read_clip(path)) / 16000 for path in [*choosing, other]]
    assert lasted == pytest.approx(
        [50 * (1 + BETWEEN), 1 + BETWEEN, 50 * (1 + BETWEEN)], abs=0.01
    )


def test_talk_for_choosing_is_not_reported() -> None:
    assert {shipped for shipped, _ in TALK["reporting"]} <= {
        shipped for shipped, _ in TALK["choosing"]
    }
    whole = range(101)
    for one, some in TALK["reporting"]:
        other = next(part for shipped, part in TALK["choosing"] if shipped == one)
        assert not set(whole[some]) & set(whole[other])
