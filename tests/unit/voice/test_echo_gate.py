"""How the companion knows its own voice, who talks over it, and what level it complains of."""

from __future__ import annotations

import numpy as np
import pytest

from companion.voice.echo_gate import (
    BARGE_IN_FRAMES,
    BARGE_IN_ONSET_FRAMES,
    BARGE_IN_RATIO,
    BARGE_IN_WINDOW_FRAMES,
    BEGAN_WITHIN,
    ECHO_LEARNING_FRAMES,
    ECHO_LEARNING_RATIO,
    GETS_USED,
    ROOM_RINGS,
    WORDS_APART,
    EchoGate,
)
from companion.voice.listening import CLIPPED_SAMPLE, IN_A_ROW, WEAK_LEVEL, LevelWatch
from companion.voice.microphone import LOUD_FRAMES
from companion.voice.sound import FRAMES_A_SECOND, SOUND_FRAME_SAMPLES, Samples

RING = round(ROOM_RINGS * FRAMES_A_SECOND)
OWN = 1000.0


def frame(loud: float) -> Samples:
    return np.full(SOUND_FRAME_SAMPLES, loud, np.int16)


class Room:
    """A gate, and the companion's voice in front of it."""

    def __init__(self) -> None:
        self.speaks = False
        self.hushed = 0
        self.gate = EchoGate(lambda: self.speaks, self._hush)

    def _hush(self) -> None:
        self.hushed += 1

    def say(self, *levels: float, utterance_open: bool = False) -> list[bool]:
        """Play a line of frames of these levels; return when it was open."""
        self.speaks = True
        return [self.gate.is_open(frame(loud), utterance_open) for loud in levels]

    def fall_silent(self, *levels: float) -> list[bool]:
        """End the line; frames of these levels follow."""
        self.speaks = False
        return [self.gate.is_open(frame(loud)) for loud in levels]

    def line(self, loud: float, frames: int = 60) -> None:
        """Play a whole line of one level, and let the room ring out."""
        assert not any(self.say(*[loud] * frames))
        assert self.fall_silent(*[0.0] * RING, 0.0) == [*[False] * RING, True]

    def knows(self) -> float:
        """Return how loud it takes its own voice for: by which level is the first to talk over it."""
        low, high = 0, 32_000
        while high - low > 1:
            middle = (low + high) // 2
            if self._is_talked_over_by(middle):
                high = middle
            else:
                low = middle
        return low / BARGE_IN_RATIO

    def _is_talked_over_by(self, loud: float) -> bool:
        trial = Room()
        trial.gate._own = self.gate._own
        trial.say(*[loud] * BARGE_IN_FRAMES)
        return trial.hushed > 0


@pytest.fixture
def room() -> Room:
    made = Room()
    made.line(OWN)
    return made


def test_it_is_deaf_while_it_speaks_and_until_the_room_has_rung_out():
    room = Room()
    assert room.fall_silent(0.0) == [True]
    assert room.say(OWN, OWN) == [False] * 2
    assert room.fall_silent(*[0.0] * (RING + 2)) == [*[False] * RING, True, True]


def test_a_line_that_begins_while_the_room_rings_is_the_same_line():
    room = Room()
    room.say(OWN)
    room.fall_silent(*[0.0] * (RING - 1))
    room.say(OWN)
    assert room.fall_silent(*[0.0] * (RING + 1)) == [*[False] * RING, True]


def test_its_level_is_learned_from_a_line_without_the_ring_after_it(room):
    assert room.knows() == pytest.approx(OWN, abs=1.0)
    room.say(*[200.0] * RING, *[OWN * 1.2] * 60)
    room.fall_silent(*[200.0] * RING, 0.0)
    assert room.knows() == pytest.approx(OWN * 1.1, abs=1.0)


def test_a_tone_is_too_short_to_learn_from():
    room = Room()
    room.line(OWN, ECHO_LEARNING_FRAMES - RING - 1)
    assert room.gate._own is None
    room.line(OWN, ECHO_LEARNING_FRAMES - RING)
    assert room.gate._own == pytest.approx(OWN)


@pytest.mark.parametrize(
    ("loud", "known"),
    [
        (OWN * 1.2, OWN * 1.1),
        (OWN * 1.45, OWN * (1.0 + ECHO_LEARNING_RATIO) / 2.0),
        (OWN * 0.8, OWN * 0.9),
        (OWN * 0.1, OWN * (1.0 + 1.0 / ECHO_LEARNING_RATIO) / 2.0),
    ],
    ids=["louder", "much louder", "softer", "much softer"],
)
def test_another_line_moves_it_halfway_within_three_decibels(room, loud, known):
    room.line(loud)
    assert room.knows() == pytest.approx(known, abs=1.0)


def test_eight_loud_frames_of_fifteen_talk_over_it(room):
    over = OWN * BARGE_IN_RATIO + 1.0
    room.say(*[over] * (BARGE_IN_FRAMES - 1))
    assert room.hushed == 0
    assert room.say(over, 0.0) == [False, False], "until the line has come to its end"
    assert room.hushed == 1
    assert room.fall_silent(0.0) == [True], "and no longer"


def test_as_loud_as_it_may_be_itself_is_nobody_talking_over_it(room):
    assert not any(room.say(*[OWN * BARGE_IN_RATIO] * 60))
    assert room.hushed == 0


def test_loud_frames_that_lie_too_far_apart_do_not(room):
    spread = [9000.0, 0.0] * BARGE_IN_FRAMES
    assert len(spread) - 1 == BARGE_IN_WINDOW_FRAMES
    room.say(*spread)
    assert room.hushed == 1
    other = Room()
    other.line(OWN)
    other.say(*[9000.0, 0.0, 0.0] * 20)
    assert other.hushed == 0


def test_who_talked_over_it_makes_it_take_itself_for_louder(room):
    room.say(*[9000.0] * BARGE_IN_FRAMES)
    room.fall_silent(0.0)
    assert room.knows() == pytest.approx(OWN * ECHO_LEARNING_RATIO**0.5, abs=1.0)


def test_a_line_that_was_talked_over_teaches_nothing(room):
    room.say(*[OWN] * 60, *[1600.0] * BARGE_IN_FRAMES)
    known = room.gate._own
    room.fall_silent(0.0)
    assert room.gate._own == known


def test_a_line_into_which_somebody_spoke_from_the_first_teaches_nothing():
    room = Room()
    room.say(OWN, utterance_open=True)
    assert room.hushed == 1
    room.say(*[OWN] * 60)
    room.fall_silent(*[0.0] * RING, 0.0)
    assert room.gate._own is None


def test_it_gives_way_at_once_only_while_it_is_not_used_to_itself():
    for heard, gives_way in ((GETS_USED - 1, True), (GETS_USED, False)):
        room = Room()
        room.say(*[OWN] * heard)
        assert room.say(OWN, utterance_open=True) == [gives_way]
        assert room.hushed == int(gives_way)
        room.say(OWN, utterance_open=True)
        assert room.hushed == int(gives_way)


def test_in_its_first_line_it_goes_by_the_loudest_frame_so_far():
    room = Room()
    room.say(*[OWN] * (GETS_USED - 1))
    room.say(*[9000.0] * 31)
    assert room.hushed == 0, "the line itself was that loud"
    room = Room()
    room.say(*[OWN] * GETS_USED)
    room.say(*[OWN * BARGE_IN_RATIO + 1.0] * BARGE_IN_FRAMES)
    assert room.hushed == 1
    assert room.gate._own is None


def since(room: Room, *ringing: float) -> int:
    """Return how many frames ago somebody began to speak, after a line and these frames of the room."""
    room.say(*[OWN] * 30)
    return since_it_rang(room, *ringing)


def since_it_rang(room: Room, *ringing: float) -> int:
    still = [0.0] * (RING - len(ringing))
    assert room.fall_silent(*ringing, *still, 0.0)[-1]
    return max(len(room.gate.words) - BARGE_IN_ONSET_FRAMES, 0)


def test_nobody_spoke_into_the_line(room):
    assert since(room) == 0
    assert room.gate.words == []


def test_words_that_begin_while_the_room_rings_are_counted_from_their_first_frame(room):
    loud = [9000.0] * LOUD_FRAMES
    assert since(room, 0.0, 0.0, *loud) == RING - 2
    assert since(room, *loud[1:]) == 0, "too few to be words"


@pytest.mark.parametrize("apart", [WORDS_APART, WORDS_APART + 1])
def test_words_lie_no_further_apart_than_a_soft_stretch_between_them(room, apart):
    words = [9000.0] * LOUD_FRAMES
    room.say(*[OWN] * 30, 9000.0, *[0.0] * (apart - 1))
    belongs = apart if apart == WORDS_APART else 0
    assert since_it_rang(room, *words) == RING + belongs


def test_who_talks_over_it_began_at_the_first_loud_frame(room):
    room.say(*[OWN] * 30, *[9000.0] * BARGE_IN_FRAMES)
    assert room.fall_silent(0.0) == [True]
    assert len(room.gate.words) == BARGE_IN_FRAMES + BARGE_IN_ONSET_FRAMES


def test_nobody_began_before_what_is_remembered(room):
    room.say(*[9000.0, *[0.0] * 9] * 9)
    assert since_it_rang(room, *[9000.0] * LOUD_FRAMES) <= BEGAN_WITHIN


def test_a_new_line_forgets_who_spoke_into_the_last(room):
    assert since(room, *[9000.0] * LOUD_FRAMES) > 0
    assert since(room) == 0


def test_a_line_into_which_somebody_spoke_does_not_teach_how_loud_it_is(room):
    known = room.gate._own
    room.say(*[OWN * 1.3] * 60)
    assert since_it_rang(room, *[9000.0] * LOUD_FRAMES) > 0
    assert room.gate._own == known


class Watched:
    """A watch of the level, and what it complained of."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.watch = LevelWatch(self.told.append)

    def take(self, *, loudest: float = 3000.0, clipped: int = 0, peak: int = 0) -> None:
        samples = np.zeros(SOUND_FRAME_SAMPLES, np.int16)
        samples[:clipped] = peak or round(CLIPPED_SAMPLE)
        self.watch.accept_sound(samples, loudest)


def test_three_quiet_utterances_in_a_row_are_complained_of_once():
    watched = Watched()
    for loudest in (249.0, 249.0, WEAK_LEVEL, 249.0, 249.0):
        watched.take(loudest=loudest)
    assert watched.told == []
    for _ in range(IN_A_ROW):
        watched.take(loudest=249.0)
    assert watched.told == ["microphone is quiet"]


@pytest.mark.parametrize("peak", [round(CLIPPED_SAMPLE), -round(CLIPPED_SAMPLE)])
def test_three_clipped_utterances_in_a_row_are_complained_of_once(peak):
    watched = Watched()
    for clipped in (21, 21, 20, 21, 21):
        watched.take(clipped=clipped, peak=peak)
    assert watched.told == []
    for _ in range(IN_A_ROW):
        watched.take(clipped=21, peak=peak)
    assert watched.told == ["microphone is too loud"]


def test_samples_just_below_the_limit_are_not_clipped():
    watched = Watched()
    for _ in range(2 * IN_A_ROW):
        watched.take(clipped=300, peak=round(CLIPPED_SAMPLE) - 1)
    assert watched.told == []


def test_a_microphone_can_be_told_to_be_both():
    watched = Watched()
    for _ in range(IN_A_ROW):
        watched.take(loudest=249.0)
    for _ in range(IN_A_ROW):
        watched.take(clipped=21)
    assert watched.told == ["microphone is quiet", "microphone is too loud"]
