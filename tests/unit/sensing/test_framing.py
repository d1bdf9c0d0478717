"""Framing: what is in the bytes comes out, what is not does not, however they are cut."""

import functools
import itertools
import operator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.sensing.framing import (
    LONGEST_LINE,
    Framer,
    bears_checksums,
    checksum,
)

DEPTH = b"$SDDPT,5.4,0.2*54\r\n"
TAGGED = b"\\s:sonar,c:1764061200123*6C\\$SDDPT,5.4,0.2*54\r\n"
PIECES = [
    DEPTH,
    TAGGED,
    b"$GPRMC,045532,A,3806.967,N,12137.454,W,0.0,247.1,151102,15.2,E*50\r\n",
    b"$INMTW,17.9,C*1B\n",
    b"$SDDPT,5.4,0.2*55\r\n",
    b"\\s:sonar,c:1764061200123*00\\$SDDPT,5.4,0.2*54\r\n",
    b"18:37:07.003 $INDPT,2.3,0.0*46\r\n",
    b"# comment\n",
    b"\0" * 300,
    b"$GPGGA,1$",
    b"!AIVDM,1,1,,A,13M@ah0025QdPDTCOl`K6`nV00Sv,0*52",
    b"\\\\",
    b"*",
    b"\r",
    b"x" * 600,
]


def frame(data: bytes, cuts: list[int], **options: bool) -> tuple[list, dict[str, int]]:
    framer = Framer(**options)
    sentences = []
    edges = [0, *sorted(min(c, len(data)) for c in cuts), len(data)]
    for begin, end in itertools.pairwise(edges):
        sentences += framer.feed(data[begin:end])
    sentences += framer.finish()
    return sentences, +framer.dropped


def bodies(data: bytes, **options: bool) -> list[str]:
    return [",".join(s.fields) for s in frame(data, [], **options)[0]]


@given(st.binary(max_size=700))
def test_the_checksum_is_the_xor_of_all_bytes(data):
    assert checksum(data) == functools.reduce(operator.xor, data, 0)


@given(
    st.one_of(
        st.binary(max_size=2000),
        st.lists(
            st.one_of(st.sampled_from(PIECES), st.binary(max_size=8)), max_size=30
        ).map(b"".join),
        st.text(alphabet="\\$!*,\r\n05DPT", max_size=1500).map(str.encode),
    ),
    st.lists(st.integers(0, 3000), max_size=12),
    st.booleans(),
)
def test_cuts_do_not_matter(data, cuts, need_checksum):
    whole = frame(data, [], need_checksum=need_checksum)
    assert frame(data, cuts, need_checksum=need_checksum) == whole
    assert frame(data, list(range(len(data))), need_checksum=need_checksum) == whole


@given(st.lists(st.sampled_from(PIECES[:4]), max_size=8).map(b"".join), st.data())
def test_a_damaged_byte_costs_no_more_than_the_sentences_it_touches(data, draw):
    """Mutation: one byte changed, removed or doubled. No sentence appears that was not sent."""
    sent = bodies(data)
    if not data:
        return
    at = draw.draw(st.integers(0, len(data) - 1))
    new = draw.draw(st.one_of(st.just(b""), st.binary(min_size=1, max_size=3)))
    got = bodies(data[:at] + new + data[at + 1 :])
    assert len(got) >= len(sent) - 2
    # An XOR over one changed byte always shows; over two or three it may not, one time
    # in 256.
    if len(new) <= 1:
        strangers = [body for body in got if body not in sent]
        assert len(strangers) <= (0 if new else 1)


@given(st.binary(max_size=5000))
def test_little_is_held_back(data):
    framer = Framer()
    for i in range(0, len(data), 7):
        list(framer.feed(data[i : i + 7]))
        assert len(framer._rest) < LONGEST_LINE


def test_a_stream_may_begin_and_end_in_mid_sentence():
    assert bodies(b"T,3.3,0.2*11\r\n" + DEPTH + b"$SDDP") == ["SDDPT,5.4,0.2"]


def test_a_last_line_without_an_end_is_taken_when_the_stream_is_over():
    framer = Framer()
    assert list(framer.feed(DEPTH.strip())) == []
    assert [s.fields[1] for s in framer.finish()] == ["5.4"]


def test_lost_newlines_and_prefixes():
    assert bodies(DEPTH.strip() * 3 + b"\r\n") == ["SDDPT,5.4,0.2"] * 3
    assert bodies(b"00:00:33.645;A;" + DEPTH) == ["SDDPT,5.4,0.2"]


def test_newlines_lost_for_good():
    """Sentences come out before the memory fills, none twice, and at most one in `LONGEST_LINE` is lost."""
    sentences, dropped = frame(DEPTH.strip() * 1000, [])
    assert len(sentences) == 1000
    assert dropped == {}


def test_a_line_without_end_is_counted_and_does_not_swallow_what_follows():
    sentences, dropped = frame(b"z" * 5000 + DEPTH + b"y" * 700 + b"\n" + DEPTH, [])
    assert [s.fields[1] for s in sentences] == ["5.4", "5.4"]
    assert dropped["line without end"] > 1


def test_a_sentence_inside_another_is_kept_and_the_outer_counted():
    sentences, dropped = frame(
        b"$GPRMC,045532,A,3806.967,N,12137.$SDDPT,5.4,0.2*54\r\n", []
    )
    assert [s.fields[0] for s in sentences] == ["SDDPT"]
    assert dropped == {"cut short": 1}


def test_padding_with_nuls():
    padded = DEPTH[:9] + b"\0" * 700 + DEPTH[9:]
    assert bodies(padded) == ["SDDPT,5.4,0.2"]
    assert bodies(padded.replace(b"*54", b""), need_checksum=False) == []


@pytest.mark.parametrize("noise", [b"\x01", b"\x80", b"\xff", b"\x1b", b"\x7f"])
def test_what_is_not_printable_is_in_no_sentence(noise):
    body = b"SDDPT," + noise + b"5"
    line = b"$" + body + b"*%02X\r\n" % functools.reduce(operator.xor, body)
    assert frame(line, []) == ([], {"cut short": 1})


def test_checksums():
    assert bodies(b"$INMTW,17.9,C*1b\r\n") == ["INMTW,17.9,C"]  # lower case is seen too
    assert frame(b"$SDDPT,5.4,0.2*55\r\n", [])[1] == {"wrong checksum": 1}
    assert frame(b"$SDDPT,5.4,0.2\r\n", []) == ([], {"no checksum": 1})
    assert frame(b"$SDDPT,5.4,0.2*5\r\n", []) == ([], {"cut short": 1})
    assert bodies(b"$SDDPT,5.4,0.2\r\n", need_checksum=False) == ["SDDPT,5.4,0.2"]
    assert (
        bodies(b"$SDDPT,5.4,0.2*55\r\n", need_checksum=False) == []
    )  # a wrong one is still wrong


def test_tag_blocks(tagged):
    def tags(data: bytes) -> tuple:
        (sentence,), _ = frame(data, [])
        return sentence.tag_time, sentence.tag_source

    assert tags(tagged(1764061200123, "SDDPT,5.4,0.2", "sonar")) == (
        1764061200123,
        "sonar",
    )
    assert tags(tagged(1764061200, "SDDPT,5.4,0.2", "sonar")) == (
        1764061200000,
        "sonar",
    )
    assert tags(b"\\s:sonar,c:1764061200123*00\\" + DEPTH) == (None, None)
    assert tags(b"\\c:soon*%02X\\" % checksum(b"c:soon") + DEPTH) == (None, None)


def test_where_a_sentence_ended_is_told_in_bytes_of_the_stream():
    sentences, _ = frame(b"junk\r\n" + DEPTH + TAGGED, [3, 9, 30])
    assert [s.end for s in sentences] == [6 + 17, 6 + 19 + len(TAGGED) - 2]


@settings(max_examples=20)
@given(
    st.integers(LONGEST_LINE - 4, LONGEST_LINE + 4),
    st.sampled_from([b"\n", b"\r\n", b"\r"]),
)
def test_lines_of_just_the_longest_length(length, end):
    data = (b"z" * (length - 17) + DEPTH.strip() + end) * 2 + DEPTH
    assert frame(data, list(range(len(data)))) == frame(data, [])
    assert len(bodies(data)) == 3


@pytest.mark.parametrize(
    ("head", "bears"),
    [
        (b"$SDDPT,5.0,0.0\r\n$GPGLL,1,N,2,E\r\n", False),
        (b"$SDDPT,5.0,0.0*\r\n", False),
        (b"10:00:05 $SDDPT,5.0,0.0\n", False),
        (b"$SDDPT,5.0,0.0*" + b"%02X\r\n$SDDPT,5" % checksum(b"SDDPT,5.0,0.0"), True),
        (b"no sentence at all\r\n", True),
        (b"", True),
    ],
)
def test_a_recording_bears_checksums_unless_no_sentence_has_one(head, bears):
    assert bears_checksums(head) is bears


def test_an_asterisk_without_a_checksum_is_none():
    framer = Framer(need_checksum=False)
    (found,) = framer.feed(b"$SDDPT,5.0,0.0*\r\n")
    assert found.fields == ["SDDPT", "5.0", "0.0"]
    strict = Framer()
    assert not list(strict.feed(b"$SDDPT,5.0,0.0*\r\n"))
    assert strict.dropped == {"no checksum": 1}
