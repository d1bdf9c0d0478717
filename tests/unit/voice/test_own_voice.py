"""What phrases read aloud teach of a voice: no more than helps phrases that it was not learned from."""

from pathlib import Path
from typing import cast

import numpy as np
import pytest

from companion.voice.heard import Hearing
from companion.voice.judging import LOWEST_SHIFT
from companion.voice.own_voice import (
    FEWEST_READ,
    SHIFTS,
    Outcome,
    OwnVoice,
    OwnVoiceError,
    VoiceLesson,
    forget,
    keep,
    learned,
    outcomes,
    shift_for,
)
from companion.voice.recogniser import Recogniser
from companion.voice.sound import Samples

ALWAYS: tuple[Outcome, ...] = ("right", "right", "right", "right")
LOW: tuple[Outcome, ...] = ("none", "none", "right", "right")
LOWEST: tuple[Outcome, ...] = ("none", "none", "none", "right")
NEVER: tuple[Outcome, ...] = ("none", "none", "none", "none")
SPOILT: tuple[Outcome, ...] = ("right", "right", "right", "wrong")
VOICE = OwnVoice(
    utc="2026-01-01T00:00:00Z",
    microphone="hw:1",
    shift=SHIFTS[1],
    read=20,
    understood=15,
    then=18,
)


def test_who_is_understood_learns_nothing():
    assert learned([ALWAYS] * 20) == VoiceLesson(0.0, 20, 20, 20)
    assert learned([ALWAYS] * 15 + [NEVER] * 5) == VoiceLesson(0.0, 20, 15, 15)


def test_the_least_shift_that_helps_most_is_learned():
    assert learned([ALWAYS] * 15 + [LOW] * 5) == VoiceLesson(SHIFTS[2], 20, 15, 20)
    assert learned([ALWAYS] * 15 + [LOW] * 3 + [LOWEST] * 2) == VoiceLesson(
        SHIFTS[3], 20, 15, 20
    )


def test_a_single_phrase_that_would_gain_by_itself_teaches_nothing():
    """It is judged with what the others teach, and these teach no shift."""
    assert learned([ALWAYS] * 19 + [LOW]) == VoiceLesson(0.0, 20, 19, 19)


def test_a_phrase_taken_for_another_outweighs_one_that_is_understood():
    assert learned([ALWAYS] * 16 + [LOWEST] * 2 + [SPOILT] * 2) == VoiceLesson(
        0.0, 20, 18, 18
    )


class Stub:
    """Hears, whatever it is given, what has a score above its threshold."""

    phrase_scorer = None
    phrases = frozenset(("log bite", "log fish"))

    def __init__(self, text: str, needs: float, shift: float = 0.0):
        self.text, self.needs, self.shift = text, needs, shift

    def for_voice(self, shift: float) -> "Stub":
        return Stub(self.text, self.needs, shift)

    def hear(self, _samples: Samples) -> Hearing:
        return Hearing(self.text if self.shift <= self.needs else "[unk]")


@pytest.mark.parametrize(
    ("said", "text", "outcome"),
    [
        ("log bite", "log bite", ("none", "none", "right", "right")),
        ("log fish", "log bite", ("none", "none", "wrong", "wrong")),
        (None, "log bite", ("right", "right", "wrong", "wrong")),
    ],
)
def test_each_shift_is_tried_and_talk_is_right_left_alone(said, text, outcome):
    stub = cast("Recogniser", Stub(text, needs=SHIFTS[2]))
    assert outcomes(stub, said, np.zeros(9, np.int16)) == outcome


def test_few_phrases_teach_nothing():
    assert learned([LOW] * (FEWEST_READ - 1)).shift == 0.0
    assert learned([LOW] * FEWEST_READ) == VoiceLesson(
        SHIFTS[2], FEWEST_READ, 0, FEWEST_READ
    )


def test_what_was_learned_is_kept_for_its_microphone_until_it_is_forgotten(
    tmp_path: Path,
):
    assert shift_for("hw:1", tmp_path) == 0.0
    keep(VOICE, tmp_path)
    assert (shift_for("hw:1", tmp_path), shift_for("hw:2", tmp_path)) == (
        SHIFTS[1],
        0.0,
    )
    assert forget(tmp_path)
    assert shift_for("hw:1", tmp_path) == 0.0
    assert not forget(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", '{"shift": -0.2}', "\xff"])
def test_a_file_that_holds_something_else_is_named(tmp_path: Path, text: str):
    (tmp_path / "own-voice.json").write_text(text, encoding="latin-1")
    with pytest.raises(
        OwnVoiceError, match=r"own-voice\.json: .* companion listen --test"
    ):
        shift_for("hw:1", tmp_path)


@pytest.mark.parametrize("shift", [LOWEST_SHIFT - 0.1, 0.1])
def test_no_shift_beyond_the_bounds_is_believed(tmp_path: Path, shift: float):
    keep(
        OwnVoice(utc="", microphone="hw:1", shift=shift, read=20, understood=1, then=2),
        tmp_path,
    )
    with pytest.raises(OwnVoiceError):
        shift_for("hw:1", tmp_path)
