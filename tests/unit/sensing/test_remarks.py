"""The companion's own words in a recording: written, read again, and never taken from a wire."""

from __future__ import annotations

import pytest

from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.sensing.readings import Remark
from companion.sensing.remarks import (
    FINDS_LATER,
    FOUND,
    MOST_REMARK_CHARACTERS,
    OWN_SOURCE,
    REMARK_TIME_PASSED,
    SOLVED,
    SOLVES_LATER,
    defused,
    own_apart,
    signal_body,
    txt,
    txt_body,
)

TEXT = "rod 2, line $5 100*! a\\b ~^"


def read(body: str) -> Remark:
    return txt(body.split(","), None)


@pytest.mark.parametrize(
    ("how", "told"),
    [
        ({}, Remark(TEXT)),
        ({"aloud": True}, Remark(TEXT, aloud=True)),
        ({"tapped": True}, Remark(TEXT, tapped=True)),
        ({"tapped": True, "aloud": True}, Remark(TEXT, tapped=True)),
    ],
)
def test_words_are_read_as_they_were_written(how, told):
    body = txt_body(TEXT, **how)
    assert read(body) == told
    assert not set(body.partition("U0TXT,01,01,")[2][3:]) & set("!$*,\\~")


def test_reserved_characters_are_written_as_the_standard_has_it():
    assert txt_body("a,b*") == "U0TXT,01,01,01,a^2Cb^2A"


def test_what_is_not_ascii_is_a_question_mark_and_control_characters_are_left_out():
    assert read(txt_body("tr\u00e9e\ttop\r\n")).text == "tr?etop"
    assert read("U0TXT,01,01,01,a^0Ab").text == "ab"


def test_a_long_remark_is_cut_when_written_and_when_read():
    assert read(txt_body("x" * 999)).text == "x" * MOST_REMARK_CHARACTERS
    assert read("U0TXT,01,01,01," + "x" * 999).text == "x" * MOST_REMARK_CHARACTERS


def test_words_without_a_letter_are_none():
    assert read("U0TXT,01,01,02,") == Remark(None, aloud=True)


def test_time_that_has_passed_is_no_words():
    assert txt_body(None) == signal_body(REMARK_TIME_PASSED)
    assert read(txt_body(None)) == Remark(None)


def test_signals_have_no_words():
    assert read(signal_body(FINDS_LATER)) == Remark(None, finds_later=True)
    assert read(signal_body(FOUND)) == Remark(None, found=True)
    assert read(signal_body(SOLVES_LATER)) == Remark(None, solves_later=True)
    assert read(signal_body(SOLVED)) == Remark(None, solved=True)
    assert read(f"U0TXT,01,01,{FOUND},words") == Remark(None, found=True)


OWN = b"\\s:companion,c:1791036900000*43\\" + sentence("U0TXT,01,01,02,ready") + b"\n"
WIRE = b"\\s:sonar,c:1791036900000*12\\$SDDPT,5.0,0.0*7A\r\n"


def parted(*pieces: bytes) -> list[tuple[bytes, bool]]:
    """Return the bytes of each kind, those that follow on each other put together."""
    together: list[tuple[bytes, bool]] = []
    for chunk in own_apart(Chunk(3.0, "recording", piece) for piece in pieces):
        assert (chunk.t, chunk.source) == (3.0, "recording")
        assert chunk.data
        if together and together[-1][1] == chunk.own:
            together[-1] = (together[-1][0] + chunk.data, chunk.own)
        else:
            together.append((chunk.data, chunk.own))
    return together


MIXED = WIRE + OWN + WIRE + WIRE + OWN + OWN + WIRE
APART = [
    (WIRE, False),
    (OWN, True),
    (WIRE + WIRE, False),
    (OWN + OWN, True),
    (WIRE, False),
]


def test_own_lines_are_told_from_those_of_wires():
    assert OWN_SOURCE.encode() in OWN
    assert parted(MIXED) == APART
    assert parted(OWN) == [(OWN, True)]
    assert parted(WIRE) == [(WIRE, False)]


@pytest.mark.parametrize("size", [1, 7, 50, 101])
def test_however_the_recording_is_cut(size):
    pieces = [MIXED[n : n + size] for n in range(0, len(MIXED), size)]
    assert parted(*pieces) == APART


def test_a_line_that_is_not_ended_is_given_at_the_end_as_a_wires():
    assert parted(WIRE + OWN[:-1]) == [(WIRE + OWN[:-1], False)]
    assert parted() == []


def test_what_follows_on_something_in_a_line_is_not_our_own():
    assert parted(b"x" + OWN + WIRE) == [(b"x" + OWN + WIRE, False)]
    assert parted(b"x", OWN, WIRE) == [(b"x" + OWN + WIRE, False)]


def test_a_wires_line_longer_than_any_own_passes_and_hides_none():
    long = b"y" * 5000
    for pieces in (
        (long + b"\n" + OWN,),
        (long, b"\n" + OWN),
        (long, long, b"\n", OWN),
        (WIRE + long, long + b"\n" + OWN),
    ):
        (passed, own), (last, is_own) = parted(*pieces)
        assert (own, is_own, last) == (False, True, OWN)
        assert passed + last == b"".join(pieces)
    assert parted(long, OWN) == [(long + OWN, False)]
    assert parted(long, OWN, OWN) == [(long + OWN, False), (OWN, True)]


def test_a_long_line_is_let_through_as_it_comes():
    given = own_apart(
        chunk for chunk in [Chunk(0.0, "x", b"y" * 701), Chunk(0.0, "x", b"\n")]
    )
    assert next(given).data == b"y" * 701
    held = own_apart([Chunk(0.0, "x", b"y" * 700), Chunk(1.0, "x", b"\n")])
    assert next(held) == Chunk(1.0, "x", b"y" * 700 + b"\n")


def test_a_wire_cannot_write_a_tag_block():
    line = defused(OWN)
    assert line == OWN.replace(b"\\", b"^5C")
    assert parted(line) == [(line, False)]
