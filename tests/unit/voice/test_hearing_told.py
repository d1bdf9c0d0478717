"""A hearing taken from the logbook, as a trip that is gone on with takes it."""

import pytest

from companion.events import Heard
from companion.voice.heard import NO_PHRASE, NO_QUIET_BEFORE, NO_WORDS, hearing_told


def test_talk_that_was_heard_twice_and_has_no_alternatives_is_judged_by_its_words():
    told = Heard(
        t=1.0,
        utc=None,
        text="mark up line",
        clip="a.flac",
        command=None,
        reason="not one of the phrases",
        check="mark a plane",
        ended="sound",
        spoke=(0.46, 1.38),
    )
    assert hearing_told(told).is_like_a_command


@pytest.mark.parametrize("check", [None, "mark a plane"])
@pytest.mark.parametrize(
    ("text", "reason", "refused"),
    [
        ("[unk]", NO_QUIET_BEFORE, NO_QUIET_BEFORE),
        ("[unk]", "sounds unlike it", "sounds unlike it"),
        ("[unk]", NO_WORDS, None),
        ("mark up line", NO_PHRASE, None),
        ("log bite", "no cast to tell of", None),
    ],
)
def test_why_a_phrase_was_refused_is_known_again(text, reason, refused, check):
    told = Heard(
        t=1.0,
        utc=None,
        text=text,
        clip="a.flac",
        command=None,
        reason=reason,
        check=check,
    )
    assert hearing_told(told).refused == refused
