"""The tokens of the second decoder, and how it adds up what it finds likely."""

import numpy as np
import pytest

from tests.bench.voice.second_decoder import SecondDecoder, _log_softmax, _texts


def test_tokens_are_read_with_their_lengths_in_one_byte_or_two():
    long = b"x" * 300
    data = b"\x02ab\x00\x01c" + bytes([128 + 300 % 128, 300 // 128]) + long
    assert list(_texts(data)) == [b"ab", b"", b"c", long]


def test_neighbours_are_joined_from_the_lowest_number_on():
    decoder = SecondDecoder.__new__(SecondDecoder)
    space = "\N{LOWER ONE EIGHTH BLOCK}".encode()
    texts = [space, b"a", b"b", b"c", b"bc", b"ab", space + b"a"]
    decoder._tokens = {text: n for n, text in enumerate(texts)}
    assert decoder.tokens("abc") == [6, 4]


def test_a_step_adds_up_to_one():
    logs = _log_softmax(np.array([[1.0, 2.0, 700.0], [0.0, 0.0, 0.0]], np.float32))
    assert np.exp(logs).sum(axis=1) == pytest.approx(1.0)
    assert logs[1] == pytest.approx(-np.log(3.0))
