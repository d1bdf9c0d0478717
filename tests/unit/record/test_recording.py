"""The raw recording: lines as they came, stamped; ends cut cleanly; room kept, audio first."""

from __future__ import annotations

import os
import random
from datetime import UTC, datetime
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.record.recording import (
    CLIPS_FOLDER,
    LINES_FILE,
    LineCutter,
    Recording,
    RecordingLimits,
    RecordingShelf,
    begun_at,
    clip_end,
    last_stamp,
    ms_of,
    stamped,
    trim,
    utc_of,
)
from companion.sensing.framing import LONGEST_LINE, Framer, sentence
from companion.voice.clips import ClipError, clip_began
from companion.voice.heard import Hearing
from companion.voice.hearing import clips_in

START = ms_of(datetime(2026, 10, 3, 14, 15, tzinfo=UTC))


def test_a_stamped_line_is_read_as_its_source_and_time():
    line = stamped(sentence("SDDPT,5.00,0.0"), "depth finder", START)
    block, body = b"s:depth finder,c:1791036900000", b"SDDPT,5.00,0.0"
    sums = (reduce(xor, block), reduce(xor, body))
    assert line == b"\\%s*%02X\\$%s*%02X\r\n" % (block, sums[0], body, sums[1])
    (read,) = Framer().feed(line)
    assert (read.fields[0], read.tag_time, read.tag_source) == (
        "SDDPT",
        START,
        "depth finder",
    )


def test_a_tag_block_that_a_line_brings_is_kept_as_text_and_ours_counts():
    theirs = stamped(sentence("SDDPT,5.00,0.0"), "theirs", 5_000_000).strip()
    line = stamped(theirs, "ours", START)
    assert theirs.split(b"$")[0].replace(b"\\", b"^5C") in line
    (read,) = Framer().feed(line)
    assert (read.tag_time, read.tag_source) == (START, "ours")


def test_every_sentence_on_a_line_is_stamped():
    line = stamped(
        b"12:30 " + sentence("SDDPT,5.00,0.0") * 3 + b"$GPGLL,45", "ours", START
    )
    read = list(Framer().feed(line))
    assert [(one.fields[0], one.tag_time, one.tag_source) for one in read] == [
        ("SDDPT", START, "ours")
    ] * 3


@given(st.lists(st.binary(max_size=60), max_size=4), st.integers(0, 2))
def test_the_only_tag_blocks_of_a_recorded_line_are_ours(pieces, sentences):
    theirs = b"\\s:theirs,c:1*5D\\" + sentence("SDDPT,5.00,0.0")
    line = b"".join([*pieces, *[theirs] * sentences])
    recorded = stamped(line.translate(None, b"\r\n"), "ours", START)
    block = stamped(b"", "ours", START).strip()
    assert b"\\" not in recorded.replace(block, b"")
    read = list(Framer().feed(recorded))
    assert len(read) >= sentences
    assert {one.tag_source for one in read} <= {"ours"}


@given(st.lists(st.binary(max_size=200), max_size=20), st.binary(max_size=3))
def test_no_byte_is_lost_and_lines_do_not_depend_on_the_cuts(pieces, extra):
    data = b"".join(pieces) + extra
    cutter, whole = LineCutter(), LineCutter()
    cut = [line for piece in (*pieces, extra) for line in cutter.feed(piece)] + list(
        cutter.feed(b"\n")
    )
    assert b"".join(cut) == data.replace(b"\r", b"").replace(b"\n", b"")
    if len(data) < LONGEST_LINE:
        assert cut == [*whole.feed(data), *whole.feed(b"\n")]


def test_a_line_without_end_is_cut_before_a_sentence():
    cutter = LineCutter()
    data = b"x" * 300 + b"$SDDPT,5.0,0.0*52" * 30
    lines = list(cutter.feed(data)) + list(cutter.feed(b"\n"))
    assert b"".join(lines) == data
    assert all(len(line) <= LONGEST_LINE for line in lines)
    assert all(line.startswith(b"$") for line in lines[1:])


def test_a_recording_cut_off_anywhere_is_whole_lines_again(tmp_path: Path):
    path = tmp_path / LINES_FILE
    lines = [
        stamped(sentence(f"SDDPT,{n}.0,0.0"), "sonar", START + n * 200)
        for n in range(1, 6)
    ]
    data = b"".join(lines)
    for size in range(len(data) + 1):
        for garbage in (b"", b"\0" * 5000):
            path.write_bytes(data[:size] + garbage)
            cut = trim(path)
            left = path.read_bytes()
            assert left == data[: data.rfind(b"\n", 0, size) + 1]
            assert cut == size + len(garbage) - len(left)
            assert last_stamp(path) == (
                START + left.count(b"\n") * 200 if left else None
            )


def test_a_long_hole_at_the_end_is_cut_too(tmp_path: Path):
    path = tmp_path / LINES_FILE
    path.write_bytes(b"$SDDPT,5.0,0.0*52\r\n" + bytes(300_000))
    trim(path)
    assert path.read_bytes() == b"$SDDPT,5.0,0.0*52\r\n"


def test_going_on_adds_to_what_is_there(tmp_path: Path):
    folder = tmp_path / "a" / "b"
    first = Recording(folder, "units = 'feet'\n")
    first.write(b"one\r\n")
    first.close()
    (folder / LINES_FILE).write_bytes(b"one\r\ntw")
    again = Recording(folder)
    again.write(b"three\r\n")
    again.sync()
    again.close()
    again.close()
    assert (folder / LINES_FILE).read_bytes() == b"one\r\nthree\r\n"
    assert (folder / "companion.toml").read_text() == "units = 'feet'\n"


def test_a_disk_that_takes_half_a_line_keeps_none_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    recording = Recording(tmp_path / "a" / "b")
    recording.write(b"one\r\n")
    real = os.write
    calls = []

    def half(file: int, data: bytes) -> int:
        calls.append(data)
        if len(calls) > 1:
            raise OSError(28, "No space left on device")
        return real(file, data[:3])

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(OSError, match="No space"):
        recording.write(b"two and more\r\n")
    monkeypatch.setattr(os, "write", real)
    recording.write(b"three\r\n")
    recording.close()
    assert (tmp_path / "a" / "b" / LINES_FILE).read_bytes() == b"one\r\nthree\r\n"


def test_a_clip_has_the_name_of_its_beginning_and_its_length(tmp_path: Path):
    recording = Recording(tmp_path / "a" / "b")
    samples = np.zeros(16_000, np.int16)
    name = recording.clip(START + 250, START + 1300, samples)
    recording.close()
    began = clip_began(name)
    assert began is not None
    assert ms_of(began) == START + 250
    assert clip_end(START, samples) == START + 1000
    assert [p.name for p in (tmp_path / "a" / "b" / CLIPS_FOLDER).iterdir()] == [name]
    (clip,) = clips_in(tmp_path / "a" / "b" / CLIPS_FOLDER)
    assert (ms_of(clip.began), ms_of(clip.decided)) == (START + 250, START + 1300)


def test_a_clip_that_cannot_be_written_leaves_nothing(tmp_path: Path):
    recording = Recording(tmp_path / "a" / "b")
    (tmp_path / "a" / "b" / CLIPS_FOLDER).rmdir()
    with pytest.raises(OSError, match="could not be written"):
        recording.clip(START, START + 1000, np.zeros(16_000, np.int16))
    recording.close()


def shelf_of(root: Path, trips: int, most: int) -> RecordingShelf:
    shelf = RecordingShelf(root, RecordingLimits(most, keep_free=0))
    for n in range(trips):
        folder = shelf.new_folder(START + n * 40_000_000)
        (folder / CLIPS_FOLDER).mkdir(parents=True)
        (folder / LINES_FILE).write_bytes(bytes(1000))
        for clip in range(5):
            (
                folder / CLIPS_FOLDER / f"2026100{3 + n}T14150{clip}.000Z.flac"
            ).write_bytes(bytes(1000))
    return shelf


def test_the_oldest_audio_goes_first_then_the_oldest_lines(tmp_path: Path):
    shelf = shelf_of(tmp_path / "recordings", trips=3, most=13_500)
    (tmp_path / "logbook.db").write_bytes(bytes(50_000))
    first, second, third = shelf.trips()
    assert shelf.make_room(third) == 0  # 18,000: five have to go
    assert [
        len(list((t / CLIPS_FOLDER).iterdir())) for t in (first, second, third)
    ] == [0, 5, 5]
    assert all((t / LINES_FILE).exists() for t in (first, second, third))
    shelf.limits = RecordingLimits(6_500, keep_free=0)
    assert (
        shelf.make_room(third) == 0
    )  # 13,000: the second's five, then the lines of both
    assert shelf.trips() == [third]
    assert len(list((third / CLIPS_FOLDER).iterdir())) == 5
    assert not first.exists()
    shelf.limits = RecordingLimits(500, keep_free=0)
    assert shelf.make_room(third) == 500  # its own lines stay
    assert (third / LINES_FILE).exists()
    assert list((third / CLIPS_FOLDER).iterdir()) == []
    assert (tmp_path / "logbook.db").stat().st_size == 50_000


def test_a_floor_of_free_space_is_kept_the_same_way(tmp_path: Path):
    shelf = shelf_of(tmp_path / "recordings", trips=2, most=10**9)
    shelf.limits = RecordingLimits(10**9, keep_free=1 << 62)
    first, second = shelf.trips()
    assert shelf.make_room(second) > 0
    assert shelf.trips() == [second]
    assert not first.exists()


def test_trips_of_one_second_have_names_of_their_own(tmp_path: Path):
    shelf = RecordingShelf(tmp_path)
    names = set()
    for _ in range(3):
        folder = shelf.new_folder(START)
        folder.mkdir(parents=True)
        names.add(folder.name)
        assert shelf.folder_of(folder.name) == folder
        assert begun_at(folder.name) == START
    assert len(names) == 3


def test_stamps_and_utc_are_each_others_inverse():
    chance = random.Random(8)
    for _ in range(200):
        ms = chance.randrange(2_000_000_000_000)
        assert ms_of(utc_of(ms)) == ms


def test_sound_is_forgotten_after_its_days_and_the_lines_stay(tmp_path: Path):
    shelf = shelf_of(tmp_path, trips=3, most=10**9)
    first, second, third = shelf.trips()
    shelf.forget_sound(utc_of(START + 50_000_000))
    assert [
        len(list((trip / CLIPS_FOLDER).iterdir())) for trip in (first, second, third)
    ] == [0, 0, 5]
    assert all((trip / LINES_FILE).exists() for trip in (first, second, third))


def test_of_talk_the_words_are_kept_and_read_again(tmp_path: Path):
    recording = Recording(tmp_path / "a" / "b")
    hearing = Hearing(
        "the weather", ("log bite",), refused="talk", check="x", spoke=(0.1, 0.9)
    )
    recording.words(START + 250, START + 1750, hearing)
    recording.close()
    (clip,) = clips_in(tmp_path / "a" / "b" / CLIPS_FOLDER)
    assert (ms_of(clip.began), ms_of(clip.decided)) == (START + 250, START + 1750)
    assert clip.words == hearing
    assert not clip.path.exists()
    clip.path.with_suffix(".json").write_bytes(b'{"decided": -5, "hearing": []}')
    with pytest.raises(ClipError, match="no words that were heard"):
        clips_in(tmp_path / "a" / "b" / CLIPS_FOLDER)
