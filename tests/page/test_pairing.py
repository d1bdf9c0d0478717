"""Pairing: a code heard in the boat lets a device in, guessing does not, and a tap is words."""

from __future__ import annotations

import errno
import os
import stat

import pytest

from companion import config
from companion.page.pairing import (
    BETWEEN_CODES,
    BETWEEN_TRIES,
    CODE_DIGITS,
    CODE_LIFE,
    CODE_TRIES,
    CODES_IN_ALL,
    DEAD_CODES,
    MOST_PAIRED_DEVICES,
    Pairing,
)
from companion.page.taps import spoken
from companion.voice.commands import (
    Cast,
    LogBite,
    LogFish,
    MarkPlace,
    TakeRod,
    Touched,
    UndoThat,
)
from companion.voice.grammar import Grammar, aboard
from tests.clocks import MovedClock


class Bench:
    """A pairing with its clock, and the codes that were spoken."""

    def __init__(self, kept=None):
        self.clock = MovedClock(1000.0)
        self.codes = []
        self.pairing = Pairing(self.clock, self.codes.append, kept)

    def later(self, seconds):
        self.clock.move_to(self.clock.now() + seconds)

    def ask(self):
        self.later(BETWEEN_CODES)
        return self.pairing.ask()

    def guess(self, code):
        self.later(BETWEEN_TRIES)
        return self.pairing.attempt(code)

    def wrong(self):
        return f"{(int(self.codes[-1]) + 1) % 10**CODE_DIGITS:0{CODE_DIGITS}d}"


def test_the_code_that_was_heard_pairs_once():
    bench = Bench()
    assert bench.ask() == "spoken"
    tried, token = bench.guess(bench.codes[0])
    assert tried == "paired"
    assert bench.pairing.paired(token)
    assert not bench.pairing.paired(token + "x")
    assert not bench.pairing.paired(None)
    assert bench.guess(bench.codes[0]) == ("no code", None)


def test_a_code_gets_old():
    bench = Bench()
    bench.ask()
    bench.later(CODE_LIFE + 0.1)
    assert bench.guess(bench.codes[0])[0] == "no code"


def test_tries_and_codes_are_limited_in_pace():
    bench = Bench()
    bench.ask()
    assert bench.pairing.ask() == "too soon"
    assert bench.guess(bench.wrong())[0] == "wrong"
    assert bench.pairing.attempt(bench.codes[0])[0] == "too soon"
    assert len(bench.codes) == 1


def test_guessing_kills_codes_and_then_locks():
    bench = Bench()
    tries = 0
    while not bench.pairing.locked:
        bench.ask()
        for _ in range(CODE_TRIES):
            assert bench.guess(bench.wrong())[0] in ("wrong", "locked")
            tries += 1
        assert bench.guess(bench.codes[-1])[0] in ("no code", "locked")
    assert tries == CODE_TRIES * DEAD_CODES
    assert bench.ask() == "locked"
    assert bench.guess(bench.codes[-1]) == ("locked", None)
    # All the guesses a guesser gets, against the codes there are: under two in ten
    # thousand.
    assert tries / 10**CODE_DIGITS < 2e-4


def test_nobody_makes_it_speak_codes_for_ever():
    bench = Bench()
    asked = [bench.ask() for _ in range(CODES_IN_ALL + 5)]
    assert asked.count("spoken") == CODES_IN_ALL
    assert asked[-1] == "locked"


def test_paired_devices_are_remembered_by_hash_only(tmp_path):
    kept = tmp_path / "data" / "paired"
    bench = Bench(kept)
    bench.ask()
    _, token = bench.guess(bench.codes[0])
    assert token not in kept.read_text()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert Bench(kept).pairing.paired(token)
    kept.unlink()
    assert not bench.pairing.paired(token)
    assert not Bench(kept).pairing.paired(token)


def test_a_full_disk_forgets_nobody_and_pairs_until_the_end(tmp_path, monkeypatch):
    def refuse(_file):
        raise OSError(errno.ENOSPC, "No space left on device")

    kept = tmp_path / "paired"
    first, second = Bench(kept), Bench(tmp_path / "none yet")
    first.ask()
    _, before = first.guess(first.codes[0])
    monkeypatch.setattr(os, "fsync", refuse)
    for bench in (first, second):
        bench.ask()
        tried, token = bench.guess(bench.codes[-1])
        assert tried == "paired"
        assert bench.pairing.paired(token)
    assert Bench(kept).pairing.paired(before)


def test_the_oldest_device_gives_way():
    bench = Bench()
    tokens = []
    for _ in range(MOST_PAIRED_DEVICES + 1):
        bench.ask()
        tokens.append(bench.guess(bench.codes[-1])[1])
    assert [bench.pairing.paired(token) for token in tokens] == [False] + [
        True
    ] * MOST_PAIRED_DEVICES


@pytest.mark.parametrize(
    ("button", "command"),
    [
        ("bite", LogBite()),
        ("touch", Touched()),
        ("undo", UndoThat()),
        ("rod 3", TakeRod(3)),
        ("cast", Cast()),
        ("fish", LogFish()),
        ("mark", MarkPlace(kind="spot")),
    ],
)
def test_a_tap_is_words_that_mean_the_same(button, command):
    grammar = Grammar(aboard(config.parse(config.example_text())))
    assert grammar.parse(spoken(button)) == command


@pytest.mark.parametrize(
    "button",
    ["", "snag", "rod", "rod 0", "rod 100", "rod -1", "bite ", "log bite", "rod 1\n"],
)
def test_what_is_no_button_is_no_words(button):
    assert spoken(button) is None
