"""A hearing taken from the logbook, as a trip that is gone on with takes it."""

from companion.events import Heard
from companion.voice.heard import hearing_told


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
