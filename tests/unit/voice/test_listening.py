"""When the companion listens, when it is deaf to itself, what it complains of; with a stand-in recogniser."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from companion.voice import echo_gate
from companion.voice.echo_gate import BARGE_IN_ONSET_FRAMES, ROOM_RINGS, EchoGate
from companion.voice.heard import Hearing
from companion.voice.listening import (
    CLEAR_OF,
    HELD_AFTER,
    IN_A_ROW,
    LONGEST_BEGINNING_S,
    LONGEST_COMMAND_S,
    MOST_BEHIND_S,
    NO_WORD_S,
    NOTHING_MORE_S,
    PAUSE_AFTER_TALK_S,
    QUIET_BEFORE,
    SPEECH_ONSET_S,
    Listener,
    listened,
)
from companion.voice.microphone import PRE_ROLL, UTTERANCE_PAUSE_S
from companion.voice.sound import (
    FRAMES_A_SECOND,
    SAMPLE_RATE_HZ,
    SOUND_FRAME_SAMPLES,
    frames_of,
    level,
)


class Attempt:
    """Makes out "words" after `LATE` s of sound above `LOUD`, and decides after `long` s of it."""

    LOUD, LATE, LIKE_NONE = 1500.0, 0.0, False

    def __init__(self, long: float) -> None:
        self.partial, self.wordless = "", True
        self.begins_like_none = self.LIKE_NONE
        self.loud = 0
        self.given: list[np.ndarray] = []
        self.long = long

    @property
    def still(self) -> float:
        loud = [n for n, frame in enumerate(self.given, 1) if level(frame) > self.LOUD]
        return (len(self.given) - max(loud, default=0)) / FRAMES_A_SECOND

    @property
    def still_lately(self) -> float:
        return self.still

    def has_been_still(self, seconds: float) -> bool:
        return self.still >= seconds

    def accept_frame(self, frame: np.ndarray) -> Hearing | None:
        self.given.append(frame)
        if level(frame) > self.LOUD:
            self.loud += 1
            self.wordless = self.loud < self.LATE * FRAMES_A_SECOND
        return Hearing("words") if self.loud >= self.long * FRAMES_A_SECOND else None

    def finish(self) -> Hearing:
        return Hearing("" if self.wordless else "words")


class Recogniser:
    """Decides after `long` s of words; `phrases` and `beginnings` are those that are listed."""

    def __init__(self, long: float = 100.0, listed: str = "") -> None:
        self.long = long
        self.phrases = self.beginnings = frozenset({listed})
        self.attempts: list[Attempt] = []
        self.amid_talk: list[bool] = []

    def begin(self, *, amid_talk: bool = False) -> Attempt:
        self.amid_talk.append(amid_talk)
        self.attempts.append(Attempt(self.long))
        return self.attempts[-1]


def hiss(seconds: float, loud: float, seed: int = 0) -> np.ndarray:
    return (
        np.random.default_rng(seed)
        .normal(0, loud, round(seconds * SAMPLE_RATE_HZ))
        .astype(np.int16)
    )


def sound(*parts: tuple[float, float]) -> np.ndarray:
    return np.concatenate(
        [hiss(seconds, loud, n) for n, (seconds, loud) in enumerate(parts)]
    )


def hear(samples: np.ndarray, listener: Listener) -> list:
    return list(listened(frames_of(samples), listener))


def test_an_utterance_is_given_as_soon_as_it_is_decided():
    (heard,) = hear(
        sound((3, 50), (0.5, 3000), (0.3, 50)), Listener(Recogniser(long=0.5))
    )
    assert heard.ended == pytest.approx(3.5, abs=0.03)
    assert heard.began == pytest.approx(3.0 - PRE_ROLL, abs=0.1)
    assert heard.noise < 100
    assert heard.level > 2000


WORDS, WORDS_ENDED = (0.5, 3000), (1.5, 50)


@pytest.mark.parametrize(
    ("between", "listed", "amid"),
    [
        (1.5, "", [False, False, False, True]),
        (5.0, "", [False, False, False, False]),
        (1.5, "words", [False, False, False, False]),
    ],
)
def test_several_utterances_that_begin_like_no_phrase_are_talk(between, listed, amid):
    recogniser = Recogniser(0.5, listed)
    found = hear(sound((3, 50), *[WORDS, (between, 50)] * 4), Listener(recogniser))
    assert [one.hearing.amid_talk for one in found] == recogniser.amid_talk[:4] == amid


def test_one_long_utterance_is_talk_for_a_while(monkeypatch):
    long = Hearing("words", ended="time")
    monkeypatch.setattr(Attempt, "finish", lambda _: long)
    recogniser = Recogniser()
    parts = [WORDS, WORDS_ENDED, WORDS, (12, 50), WORDS, WORDS_ENDED]
    hear(sound((3, 50), *parts), Listener(recogniser))
    assert recogniser.amid_talk == [False, True, False]


def test_what_is_said_after_its_own_line_is_not_amid_talk():
    """Three utterances, a line of its own from 10 to 11 s, and an answer to that."""
    clock = itertools.count()
    speaks = range(10 * FRAMES_A_SECOND, 11 * FRAMES_A_SECOND)
    gate = EchoGate(lambda: next(clock) in speaks)
    recogniser = Recogniser(0.5)
    parts = [
        *[WORDS, WORDS_ENDED] * 3,
        (1.0, 50),
        (1.0, 1000),
        (1.0, 50),
        WORDS,
        WORDS_ENDED,
    ]
    found = hear(sound((3, 50), *parts), Listener(recogniser, gate))
    assert [one.began > 11.0 for one in found] == [False] * 3 + [True]
    assert not found[-1].hearing.amid_talk


def test_a_fault_under_a_line_costs_the_line_and_not_the_listening(monkeypatch):
    """Where the line cannot be taken out for an error, listening begins anew, without that line."""

    def fails(*_: object, **__: object) -> None:
        raise ValueError("shapes")

    monkeypatch.setattr(echo_gate, "without_echo", fails)
    clock, line = itertools.count(), hiss(1.0, 1000)
    gate = EchoGate(lambda: next(clock) in range(50, 100), played=lambda: line)
    listener = Listener(Recogniser(0.5), gate)
    with pytest.raises(ValueError, match="shapes"):
        hear(sound((1.0, 50), (1.0, 1000), (2, 50)), listener)
    listener.restart()
    (heard,) = hear(sound((3, 50), WORDS, WORDS_ENDED), listener)
    assert heard.hearing.text == "words"


def test_who_holds_the_button_does_not_talk_to_others():
    recogniser, held = Recogniser(0.5), iter([False] * 150 + [True] * 10_000)
    hear(
        sound((3, 50), *[WORDS, WORDS_ENDED] * 4),
        Listener(recogniser, held=lambda _: next(held)),
    )
    assert len(recogniser.amid_talk) >= 4
    assert not any(recogniser.amid_talk)


def test_without_a_decision_quiet_ends_it():
    (heard,) = hear(sound((3, 50), (0.6, 3000), (3, 50)), Listener(Recogniser()))
    assert heard.ended == pytest.approx(3.6 + UTTERANCE_PAUSE_S, abs=0.05)


def test_the_clip_is_what_the_recogniser_was_given():
    recogniser = Recogniser(long=0.5)
    first, second = hear(
        sound((3, 50), (0.5, 3000), (2, 50), (0.5, 3000), (2, 50)), Listener(recogniser)
    )
    for heard, attempt in zip((first, second), recogniser.attempts, strict=False):
        assert np.array_equal(heard.samples, np.concatenate(attempt.given))
    assert second.began >= first.ended


def test_a_command_right_after_another_does_not_begin_with_its_words():
    first, second = hear(
        sound((3, 50), (1.0, 3000), (1, 50)), Listener(Recogniser(long=0.5))
    )
    assert second.began >= first.ended


def test_quiet_after_talk_is_the_quiet_before_what_follows():
    """Talk has ended, and half a second later a command begins: it does not seem cut out of the talk."""
    recogniser = Recogniser()
    hear(
        sound(
            (2, 50), (0.6, 3000), (UTTERANCE_PAUSE_S + 0.1, 50), (0.6, 3000), (2, 50)
        ),
        Listener(recogniser),
    )
    _, second = recogniser.attempts
    quiet = [level(frame) < Attempt.LOUD for frame in second.given].index(
        False
    ) / FRAMES_A_SECOND
    assert UTTERANCE_PAUSE_S - CLEAR_OF <= quiet <= UTTERANCE_PAUSE_S + 0.1


def test_noise_without_words_is_given_up_and_listened_to_afresh():
    recogniser = Recogniser()
    assert hear(sound((3, 50), (9, 700)), Listener(recogniser)) == []
    assert len(recogniser.attempts) >= 3
    longest = (
        max(len(attempt.given) for attempt in recogniser.attempts) / FRAMES_A_SECOND
    )
    assert longest <= max(NO_WORD_S, PRE_ROLL + UTTERANCE_PAUSE_S) + 0.1


def test_after_words_noise_that_is_loud_all_the_time_does_not_keep_it_open():
    """A beginning of many phrases, "rod", waited for more until the next command was spoken into it."""
    recogniser = Recogniser()
    parts = [(3, 50), (0.6, 3000), (4, 700), (0.6, 3000), (2, 700)]
    first, second = hear(sound(*parts), Listener(recogniser))[:2]
    assert first.ended == pytest.approx(3.6 + NOTHING_MORE_S, abs=0.15)
    assert second.began >= first.ended


def test_speech_in_which_no_word_was_made_out_is_judged_by_its_sounds(monkeypatch):
    """It is given up after the longest time without a word; until then its sounds may yet be a phrase."""
    monkeypatch.setattr(Attempt, "LATE", 9.0)
    monkeypatch.setattr(Attempt, "finish", lambda _: Hearing("words"))
    recogniser = Recogniser()
    heard, *_ = hear(sound((3, 50), (0.6, 3000), (6, 700)), Listener(recogniser))
    assert heard.ended == pytest.approx(3.0 - PRE_ROLL + NO_WORD_S, abs=0.2)
    assert heard.hearing.text == "words"


@pytest.mark.parametrize(
    ("like_none", "longest"), [(False, LONGEST_COMMAND_S), (True, LONGEST_BEGINNING_S)]
)
def test_far_behind_its_sound_it_passes_over_talk_until_a_pause(
    like_none, longest, monkeypatch
):
    monkeypatch.setattr(Attempt, "LIKE_NONE", like_none)
    recogniser, complained = Recogniser(), []
    listener = Listener(recogniser, complain=complained.append)
    listener.behind = MOST_BEHIND_S + 0.1
    talk_and_pause = sound((3, 50), (9, 3000), (PAUSE_AFTER_TALK_S + 0.1, 50))
    for frame in frames_of(talk_and_pause):
        assert listener.accept_frame(frame) is None
    listener.behind = 0.0
    (words,) = hear(sound((0.6, 3000), (2, 50)), listener)
    talk, command = recogniser.attempts
    assert len(talk.given) / FRAMES_A_SECOND == pytest.approx(
        PRE_ROLL + longest, abs=0.1
    )
    assert words.began >= 12.0 - PRE_ROLL
    assert sum(level(frame) > 1000 for frame in command.given) >= 29
    assert complained == ["listening falls behind"]


@pytest.mark.parametrize(("behind", "held"), [(MOST_BEHIND_S - 0.1, None), (9.0, True)])
def test_in_time_or_while_the_button_is_held_nothing_is_passed_over(behind, held):
    recogniser, complained = Recogniser(), []
    listener = Listener(
        recogniser, held=held and (lambda _: True), complain=complained.append
    )
    listener.behind = behind
    hear(sound((3, 50), (9, 3000), (0.2, 50)), listener)
    assert max(len(one.given) for one in recogniser.attempts) > 9 * FRAMES_A_SECOND
    assert complained == []


@pytest.mark.parametrize("gust", [0.6, 0.8, 1.0, 1.2])
def test_listening_begun_by_noise_is_not_given_up_while_somebody_speaks(
    gust, monkeypatch
):
    monkeypatch.setattr(Attempt, "LATE", 0.7)
    recogniser = Recogniser(long=1.0)
    (heard,) = hear(
        sound((3, 50), (gust, 700), (1.0, 3000), (2, 50)), Listener(recogniser)
    )
    assert heard.began == pytest.approx(3.0 - PRE_ROLL, abs=0.1)


def test_its_own_voice_is_not_heard_nor_the_room_after_it():
    clock = itertools.count()
    speaks = range(round(3 * FRAMES_A_SECOND), round(5 * FRAMES_A_SECOND))
    gate = EchoGate(lambda: next(clock) in speaks)
    loud_room = sound(
        (3, 50), (2.0 + 0.8 * ROOM_RINGS, 3000), (2, 50), (0.6, 3000), (1, 50)
    )
    heard = hear(loud_room, Listener(Recogniser(), gate))
    assert len(heard) == 1
    assert heard[0].began > 5.0 + ROOM_RINGS


def test_an_utterance_begins_after_its_own_voice_not_in_it():
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) < round(2 * FRAMES_A_SECOND))
    samples = sound((2.0, 3000), (0.35, 50), (0.6, 3000), (2, 50))
    (heard,) = hear(samples, Listener(Recogniser(), gate))
    before = heard.samples[: round((2.35 - heard.began) * SAMPLE_RATE_HZ)]
    assert np.abs(before.astype(int)).max() < 500, (
        "quiet stands where its own voice was"
    )
    assert len(before) >= 0.35 * SAMPLE_RATE_HZ, (
        "enough of it: what begins without is taken for cut out of talk"
    )


@pytest.mark.parametrize("apart", [0.1, 0.34])
def test_words_that_begin_before_it_listens_again_are_whole(apart: float):
    """The first word comes while the room still rings, and is over before it is open."""
    speaks = range(round(1.0 * FRAMES_A_SECOND), round(2.0 * FRAMES_A_SECOND))
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) in speaks)
    samples = sound(
        (1.0, 20),
        (1.0, 1000),
        (0.15, 20),
        (0.1, 4000),
        (apart, 20),
        (0.5, 4000),
        (2, 20),
    )
    (heard,) = hear(samples, Listener(Recogniser(), gate))
    loud = [
        n for n, frame in enumerate(frames_of(heard.samples)) if level(frame) > 2000
    ]
    assert loud[0] / FRAMES_A_SECOND + heard.began == pytest.approx(2.15, abs=0.03)
    assert loud[0] >= 0.4 * FRAMES_A_SECOND, "after quiet"


def test_its_own_loudest_frames_are_not_taken_for_the_beginning_of_words():
    speaks = range(round(1.0 * FRAMES_A_SECOND), round(2.5 * FRAMES_A_SECOND))
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) in speaks)
    own = [(0.5, 1000), (0.04, 4000), (0.96, 1000)]
    (heard,) = hear(
        sound((1.0, 20), *own, (0.6, 20), (0.5, 4000), (2, 20)),
        Listener(Recogniser(), gate),
    )
    assert (
        np.abs(
            heard.samples[: round((3.1 - heard.began) * SAMPLE_RATE_HZ)].astype(int)
        ).max()
        < 500
    )


def test_talked_over_it_hushes_and_listens():
    hushed = []
    clock = itertools.count()
    gate = EchoGate(
        lambda: not hushed and next(clock) >= 0, lambda: hushed.append(True)
    )
    samples = sound((1.0, 400), (1.0, 4000), (2, 20))
    (heard,) = hear(samples, Listener(Recogniser(), gate))
    assert hushed == [True]
    assert heard.began < 1.0 + 0.1


def test_a_wave_that_slaps_does_not_talk_over_it():
    hushed = []
    gate = EchoGate(lambda: True, lambda: hushed.append(True))
    samples = sound((1.0, 400), (0.1, 4000), (1, 400), (0.1, 4000), (1, 400))
    assert hear(samples, Listener(Recogniser(), gate)) == []
    assert hushed == []


@pytest.mark.parametrize("behind", [0.0, 1.5])
def test_with_a_button_only_what_is_said_while_it_is_held_is_listened_to(behind):
    """It counts as it was when the sound was taken: a small board may be behind, an utterance took long."""
    now = behind
    listener = Listener(Recogniser(), held=lambda ago: 3.0 <= now - ago < 4.0)
    listener.behind = behind
    heard = []
    for frame in frames_of(sound((1, 50), (1, 3000), (1, 50), (1, 3000), (3, 50))):
        heard.append(listener.accept_frame(frame))
        now += 1 / FRAMES_A_SECOND
    (only,) = filter(None, heard)
    assert only.began == pytest.approx(3.0 - PRE_ROLL, abs=0.05)
    assert only.ended == pytest.approx(4.0 + HELD_AFTER, abs=0.05)


@pytest.mark.parametrize(
    ("loud", "complaint"),
    [
        (150.0, ["microphone is quiet"]),
        (30000.0, ["microphone is too loud"]),
        (3000.0, []),
    ],
)
def test_a_wrong_level_is_complained_of_once(
    loud: float, complaint: list[str], monkeypatch
):
    monkeypatch.setattr(Attempt, "LOUD", 100.0)
    told: list[str] = []
    parts = [(2.0, 10.0)] + [(0.6, loud), (2.0, 10.0)] * (2 * IN_A_ROW)
    heard = hear(sound(*parts), Listener(Recogniser(), complain=told.append))
    assert len(heard) == 2 * IN_A_ROW
    assert told == complaint


def test_frames_are_whole():
    assert [
        len(frame) for frame in frames_of(np.ones(SOUND_FRAME_SAMPLES + 1, np.int16))
    ] == [
        SOUND_FRAME_SAMPLES,
        SOUND_FRAME_SAMPLES,
    ]


class Floor:
    """Whom the floor belongs to: each time it is told, with the time, s, of the frame."""

    def __init__(
        self, recogniser: Recogniser | None = None, gate: EchoGate | None = None
    ) -> None:
        self.told: list[tuple[float, bool]] = []
        self.listener = Listener(recogniser or Recogniser(), gate, floor=self._tell)
        self.frames = 0

    def _tell(self, is_open: bool) -> None:
        self.told.append((self.frames / FRAMES_A_SECOND, is_open))

    def hear(self, samples: np.ndarray) -> None:
        for frame in frames_of(samples):
            self.frames += 1
            self.listener.accept_frame(frame)


def test_the_floor_is_told_once_when_speech_begins_and_once_when_it_is_over():
    floor = Floor()
    floor.hear(sound((3, 50), (1.5, 3000), (3, 50)))
    (began, is_open), (ended, is_still_open) = floor.told
    assert (is_open, is_still_open) == (True, False)
    assert began == pytest.approx(3.0, abs=0.1)
    assert 4.5 + QUIET_BEFORE - 0.1 <= ended <= 4.5 + UTTERANCE_PAUSE_S + 0.1


def test_the_floor_is_given_back_with_the_decision():
    floor = Floor(Recogniser(long=0.5))
    floor.hear(sound((3, 50), (0.5, 3000), (0.3, 50)))
    assert [is_open for _, is_open in floor.told] == [True, False]
    assert floor.told[1][0] == pytest.approx(3.5, abs=0.05)


def test_the_end_of_words_just_decided_does_not_take_the_floor():
    """The answer begins then: taken for somebody speaking, the end would cut it off."""
    floor = Floor(Recogniser(long=0.5))
    floor.hear(sound((3, 50), (0.6, 3000), (2, 50)))
    assert [is_open for _, is_open in floor.told] == [True, False]
    floor.hear(sound((0.5, 3000)))
    assert [is_open for _, is_open in floor.told] == [True, False, True, False]


def test_who_goes_on_to_speak_after_words_just_decided_gets_the_floor():
    floor = Floor(Recogniser(long=0.5))
    floor.hear(sound((3, 50), (0.97, 3000)))
    assert [is_open for _, is_open in floor.told] == [True, False, True]


def test_noise_without_speech_gives_the_floor_back_though_it_goes_on():
    """A gust begins an utterance; with nothing spoken in it for half a second, the floor is free."""
    floor = Floor()
    floor.hear(sound((3, 50), (1.4, 700)))
    assert [is_open for _, is_open in floor.told] == [True, False]
    assert floor.told[1][0] - floor.told[0][0] == pytest.approx(SPEECH_ONSET_S, abs=0.2)


def test_another_stream_begins_at_nought_and_takes_the_floor_back():
    floor = Floor()
    floor.hear(sound((3, 50), (0.6, 3000)))
    assert floor.listener.utterance_open
    floor.listener.restart()
    assert [is_open for _, is_open in floor.told] == [True, False]
    assert not floor.listener.utterance_open
    floor.listener.restart()
    assert len(floor.told) == 2
    (heard,) = hear(sound((3, 50), (0.5, 3000), (2, 50)), floor.listener)
    assert heard.began == pytest.approx(3.0 - PRE_ROLL, abs=0.1)


def test_who_is_speaking_when_a_line_begins_goes_on_being_heard():
    """The gate is told that an utterance is open: the companion gives way, and the words are whole."""
    hushed: list[bool] = []
    clock = itertools.count()
    gate = EchoGate(
        lambda: not hushed and next(clock) > 3.3 * FRAMES_A_SECOND,
        lambda: hushed.append(True),
    )
    floor = Floor(gate=gate)
    samples = sound((3, 50), (1.5, 3000), (2, 50))
    (heard,) = hear(samples, floor.listener)
    assert hushed == [True]
    assert heard.began == pytest.approx(3.0 - PRE_ROLL, abs=0.1)
    assert heard.hearing.text == "words"


def test_what_talks_over_a_line_is_heard_after_the_quiet_from_before_it():
    """Its own voice is left out of what the recogniser is given; the quiet before the line stands for it."""
    hushed: list[bool] = []
    clock = itertools.count()
    speaks = range(2 * FRAMES_A_SECOND, 9 * FRAMES_A_SECOND)
    gate = EchoGate(
        lambda: next(clock) in speaks and not hushed, lambda: hushed.append(True)
    )
    recogniser = Recogniser()
    (heard,) = hear(
        sound((2, 20), (1.5, 400), (1.0, 4000), (2, 20)), Listener(recogniser, gate)
    )
    assert hushed == [True]
    levels = [level(frame) for frame in frames_of(heard.samples)]
    first_loud = next(n for n, loud in enumerate(levels) if loud > 2000)
    assert first_loud > 0
    assert max(levels[: max(first_loud - round(BARGE_IN_ONSET_FRAMES), 1)]) < 100


def under_a_line(line: np.ndarray, words: np.ndarray, at: float) -> list[np.ndarray]:
    """Return the frames of utterances when a line is said twice, and words so long after the second began."""
    begun, late = (2.0, 6.0), 0.1
    speaks = [
        n
        for t in begun
        for n in range(round(50 * t), round(50 * t) + 15 + len(line) // 320)
    ]
    clock = itertools.count()
    lines = iter([line.astype(np.int16), line.astype(np.int16)])
    playing: list[np.ndarray] = []

    def is_speaking() -> bool:
        n = next(clock)
        if n in [round(50 * t) for t in begun]:
            playing[:] = [next(lines)]
        return n in speaks

    gate = EchoGate(is_speaking, played=lambda: playing[0])
    sound = 20.0 * np.random.default_rng(1).standard_normal(11 * SAMPLE_RATE_HZ)
    parts = [(0.5 * line, t + late) for t in begun] + [(words, begun[1] + at)]
    for what, begins in parts:
        first = round(begins * SAMPLE_RATE_HZ)
        sound[first : first + len(what)] += what
    heard = hear(np.rint(sound).astype(np.int16), Listener(Recogniser(), gate))
    return [list(frames_of(one.samples)) for one in heard]


def rushing(seconds: float, loud: float, seed: int) -> np.ndarray:
    """Return noise at a level: unlike a tone, it can be told from itself a moment later."""
    rng = np.random.default_rng(seed)
    return loud * rng.standard_normal(round(seconds * SAMPLE_RATE_HZ))


@pytest.mark.parametrize("at", [0.3, 1.6])
def test_words_spoken_into_a_line_are_heard_without_it(at: float):
    """With quiet before them, and nothing else."""
    (frames,) = under_a_line(rushing(2.0, 2000, 2), rushing(0.6, 2500, 3), at)
    loud = [n for n, frame in enumerate(frames) if level(frame) > 1500]
    assert loud[0] >= 0.4 * FRAMES_A_SECOND
    assert 0.5 * FRAMES_A_SECOND <= len(loud) <= 0.7 * FRAMES_A_SECOND
    assert max(level(frame) for frame in frames[: loud[0] - 1]) < 700


def test_a_line_into_which_nobody_speaks_is_no_utterance():
    assert under_a_line(rushing(2.0, 4000, 2), np.zeros(0), 0.5) == []


def _in_two(line: np.ndarray) -> np.ndarray:
    return np.concatenate([line[:16_000], np.zeros(900), line[16_000:]])


def _with_pieces_lost(line: np.ndarray) -> np.ndarray:
    kept = np.random.default_rng(5).random(len(line) // 800) > 0.25
    return line * np.repeat(kept, 800)


@pytest.mark.parametrize("played", [_in_two, _with_pieces_lost])
def test_a_line_that_its_player_spoils_is_no_utterance(played):
    """A busy computer's player stumbles, or loses pieces: not all of the line can be taken out."""
    line = rushing(2.0, 4000, 2)
    spoilt = played(line)
    begun = (100, 300)
    clock = itertools.count()
    lines = [line.astype(np.int16), line.astype(np.int16)]
    now = [0]

    def is_speaking() -> bool:
        now[0] = next(clock)
        return any(first <= now[0] < first + 115 for first in begun)

    gate = EchoGate(is_speaking, played=lambda: lines[now[0] >= begun[1]])
    samples = 20.0 * np.random.default_rng(1).standard_normal(10 * SAMPLE_RATE_HZ)
    samples[33_000 : 33_000 + len(line)] += 0.5 * line
    samples[97_000 : 97_000 + len(spoilt)] += 0.5 * spoilt
    assert hear(samples.astype(np.int16), Listener(Recogniser(), gate)) == []


def test_a_line_that_is_not_found_in_what_was_heard_is_no_utterance():
    """The loudspeaker plays it beyond recognition: what is louder than the line decides then."""
    speaks = range(100, 215)
    clock = itertools.count()
    played = rushing(2.0, 4000, 2).astype(np.int16)
    gate = EchoGate(lambda: next(clock) in speaks, played=lambda: played)
    samples = 20.0 * np.random.default_rng(1).standard_normal(7 * SAMPLE_RATE_HZ)
    samples[32_000:64_000] += rushing(2.0, 2000, 9)
    assert hear(samples.astype(np.int16), Listener(Recogniser(), gate)) == []


def test_what_was_said_last_is_given_when_the_sound_ends():
    (heard,) = hear(sound((3, 50), (0.6, 3000)), Listener(Recogniser()))
    assert heard.hearing.text == "words"
    assert heard.ended == pytest.approx(3.6, abs=0.03)
    assert Listener(Recogniser()).finish() is None


def test_with_a_button_an_utterance_ends_with_it_and_not_with_the_sound():
    now = 0.0
    listener = Listener(Recogniser(), held=lambda ago: 1.0 <= now - ago < 3.0)
    heard = []
    for frame in frames_of(
        sound((1, 50), (0.5, 3000), (1.2, 50), (0.3, 3000), (2, 3000))
    ):
        heard.append(listener.accept_frame(frame))
        now += 1 / FRAMES_A_SECOND
    (only,) = filter(None, heard)
    assert only.ended == pytest.approx(3.0 + HELD_AFTER, abs=0.05)


STILL, SPOKEN = 30, 3000


def even(*parts: tuple[int, int]) -> np.ndarray:
    """Return so many frames of each level, every one the same."""
    return np.concatenate(
        [np.full(count * SOUND_FRAME_SAMPLES, loud, np.int16) for count, loud in parts]
    )


def began(samples: np.ndarray) -> bool:
    recogniser = Recogniser()
    hear(samples, Listener(recogniser))
    return bool(recogniser.attempts)


def test_three_loud_frames_of_five_begin_an_utterance_and_fewer_do_not():
    gap = (1, STILL)
    loud = (1, SPOKEN)
    assert began(even((50, STILL), loud, gap, loud, gap, loud, (9, STILL)))
    assert not began(even((50, STILL), loud, gap, loud, gap, gap, loud, (9, STILL)))
    assert not began(even((50, STILL), loud, loud, (9, STILL)))


def test_words_at_the_very_beginning_of_a_stream_get_the_floor():
    floor = Floor()
    floor.hear(even((10, STILL), (10, SPOKEN)))
    assert [is_open for _, is_open in floor.told] == [True]
    other = Floor(Recogniser(long=0.1))
    other.hear(even((100, STILL), (5, SPOKEN), (20, STILL)))
    other.listener.restart()
    other.told.clear()
    other.hear(even((10, STILL), (4, SPOKEN)))
    assert [is_open for _, is_open in other.told] == [True]


def test_with_a_gate_that_never_closes_all_is_as_without_one():
    samples = sound((0.3, 50), (0.6, 3000), (2, 50))
    (plain,) = hear(samples, Listener(Recogniser()))
    (gated,) = hear(samples, Listener(Recogniser(), EchoGate(lambda: False)))
    assert np.array_equal(plain.samples, gated.samples)
    assert plain.began == gated.began


def test_the_quiet_that_stands_for_its_own_voice_is_that_from_before_the_line():
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) in range(100, 150))
    ring = round(ROOM_RINGS * FRAMES_A_SECOND)
    samples = even((60, STILL), (40, 40), (50, 900), (ring, 40), (5, 50), (40, SPOKEN))
    recogniser = Recogniser()
    hear(samples, Listener(recogniser, gate))
    given = [int(frame[0]) for frame in recogniser.attempts[0].given]
    assert 900 not in given
    assert 0 not in given
    assert given[: given.index(50)] == [40] * given.index(50)
    assert given.index(50) >= 0.6 * FRAMES_A_SECOND


def test_loud_frames_before_the_line_are_no_quiet():
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) in range(100, 150))
    samples = even((98, STILL), (2, 2000), (50, 900), (20, STILL), (40, SPOKEN))
    recogniser = Recogniser()
    hear(samples, Listener(recogniser, gate))
    given = [int(frame[0]) for frame in recogniser.attempts[0].given]
    assert set(given) == {STILL, SPOKEN}


def test_without_any_quiet_before_the_line_silence_stands_for_its_voice():
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) < 50)
    samples = even((50, 900), (20, STILL), (40, SPOKEN))
    recogniser = Recogniser()
    hear(samples, Listener(recogniser, gate))
    first = recogniser.attempts[0].given[0]
    assert not first.any()
    assert first.dtype == np.int16


def test_the_first_words_after_the_room_has_rung_out_are_not_cut():
    """Who begins while the room rings is heard from four frames before the first loud one."""
    clock = itertools.count()
    gate = EchoGate(lambda: next(clock) in range(50, 110))
    gate._own = 900.0
    ring = round(ROOM_RINGS * FRAMES_A_SECOND)
    begins = [(ring - 6, STILL), (1, 77), (1, 78), (1, 79), (1, 80), (2, SPOKEN)]
    samples = even((50, STILL), (60, 900), *begins, (40, SPOKEN))
    recogniser = Recogniser()
    hear(samples, Listener(recogniser, gate))
    given = [int(frame[0]) for frame in recogniser.attempts[0].given]
    assert 900 not in given
    if SPOKEN in given[:1]:
        raise AssertionError("no quiet before it")
    first = given.index(SPOKEN)
    assert given[first - 1] in (STILL, 80)
