"""When an utterance is over: pauses, limits, what is asked again, and what is refused with which reason."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest

from companion.voice import endpointing
from companion.voice.endpointing import (
    CHUNK_FRAMES,
    LEAST_SPEECH_LEVEL,
    LONG_PAUSE_S,
    MOST_GAIN,
    PAUSE_S,
    PENDING_CHUNKS,
    SHORT_PAUSE_S,
    SPEECH_EDGE_S,
    STABLE_CHUNKS,
    STABLE_PREFIX_CHUNKS,
    STEADY_SPEECH_S,
    UNKNOWN_WORD,
    UTTERANCE_LIMIT_S,
    WARM_UP_FRAMES,
    Attempt,
    Decoding,
    FirstPass,
    Judge,
    UtteranceSound,
    Waiting,
    _a_slip,
    _joined,
)
from companion.voice.heard import NO_QUIET_BEFORE, Hearing
from companion.voice.judging import Words
from companion.voice.phrase_scorer import NO_SCORES, PhraseScores
from companion.voice.sound import FRAMES_A_SECOND, SOUND_FRAME_SAMPLES

FRAME = np.zeros(SOUND_FRAME_SAMPLES, np.int16)
BITE, MARK, MARK_FAR = "log bite", "mark a ledge", "mark a ledge forty yards"
THRESHOLDS = object()


class TestUtteranceSound:
    """The frames of an utterance, and the silence at its end."""

    @pytest.fixture
    def asked(self, monkeypatch) -> list[int]:
        """What was measured: the number of samples, each time."""
        asked: list[int] = []

        def quiet(samples: np.ndarray) -> float:
            asked.append(len(samples))
            return 0.3 if samples.any() else 0.0

        monkeypatch.setattr(endpointing, "quiet", quiet)
        return asked

    def fed(self, count: int, frame=FRAME) -> UtteranceSound:
        sound = UtteranceSound()
        for _ in range(count):
            sound.accept_frame(frame)
        return sound

    def test_it_is_cleaned_once_the_noise_is_known(self):
        assert self.fed(WARM_UP_FRAMES - 1).clean == []
        assert len(self.fed(WARM_UP_FRAMES).clean) == WARM_UP_FRAMES
        sound = self.fed(WARM_UP_FRAMES + 3)
        assert len(sound.clean) == len(sound.raw) == WARM_UP_FRAMES + 3
        assert sound.seconds == (WARM_UP_FRAMES + 3) / FRAMES_A_SECOND

    def test_the_silence_is_of_the_last_second_and_measured_from_the_first_frame(
        self, asked
    ):
        assert self.fed(1).quiet == 0.0
        assert asked == [SOUND_FRAME_SAMPLES]
        _ = self.fed(3 * FRAMES_A_SECOND).quiet
        assert asked[1:] == [FRAMES_A_SECOND * SOUND_FRAME_SAMPLES]

    def test_while_somebody_speaks_it_is_measured_at_every_second_chunk(self, asked):
        sound = UtteranceSound()
        for _ in range(6 * CHUNK_FRAMES):
            sound.accept_frame(FRAME)
            if len(sound.raw) % CHUNK_FRAMES == 0:
                _ = sound.quiet
        assert len(asked) == 3

    @pytest.mark.parametrize(
        ("silence", "times"),
        [(0.0, 3), (STEADY_SPEECH_S, 3), (STEADY_SPEECH_S + 0.02, 6)],
    )
    def test_the_steps_after_a_words_last_sound_are_no_silence(
        self, monkeypatch, silence, times
    ):
        asked = []
        monkeypatch.setattr(endpointing, "quiet", lambda _: asked.append(1) or silence)
        sound = UtteranceSound()
        for _ in range(6 * CHUNK_FRAMES):
            sound.accept_frame(FRAME)
            if len(sound.raw) % CHUNK_FRAMES == 0:
                assert sound.quiet == silence
        assert len(asked) == times

    def test_amid_speech_a_late_measurement_holds_as_long(self, monkeypatch):
        asked = []
        monkeypatch.setattr(endpointing, "quiet", lambda _: asked.append(1) or 0.0)
        sound = self.fed(4)
        for _ in range(2 * CHUNK_FRAMES + 1):
            assert sound.quiet_lately == 0.0
            sound.accept_frame(FRAME)
        assert len(asked) == 1
        _ = sound.quiet_lately
        assert len(asked) == 2

    def test_once_it_is_quiet_every_frame_is_measured_and_none_twice(self, asked):
        sound = self.fed(4, FRAME + 1)
        for _ in range(3):
            sound.accept_frame(FRAME + 1)
            assert sound.quiet == sound.quiet == 0.3
        assert len(asked) == 3

    def test_lately_counts_on_from_a_measurement_of_the_last_fifth_of_a_second(
        self, asked
    ):
        sound = self.fed(4, FRAME + 1)
        assert sound.quiet_lately == 0.3
        for _ in range(2 * CHUNK_FRAMES):
            sound.accept_frame(FRAME + 1)
        assert sound.quiet_lately == pytest.approx(0.3 + 0.2)
        assert len(asked) == 1
        sound.accept_frame(FRAME + 1)
        assert sound.quiet_lately == 0.3
        assert len(asked) == 2

    def test_what_is_measured_for_who_listens_live_changes_nothing(self, monkeypatch):
        """Else a clip would be decided otherwise when it is heard again, with nobody asking."""
        monkeypatch.setattr(endpointing, "quiet", lambda some: 0.0 + some[-1, 0] / 100)
        monkeypatch.setattr(endpointing.np, "concatenate", np.vstack)
        told = []
        for asks in (False, True):
            sound, told_here = UtteranceSound(), []
            for n in range(60):
                sound.accept_frame(FRAME + n)
                if asks and n % 7 == 3:
                    _ = sound.quiet_lately
                if n % CHUNK_FRAMES == 0:
                    told_here.append((sound.has_speech(), sound.quiet))
            told.append(told_here)
        assert told[0] == told[1]

    def test_speech_is_looked_for_at_every_second_chunk_until_there_was_some(
        self, monkeypatch
    ):
        asked: list[int] = []

        def silence(samples: np.ndarray) -> float:
            """Return all but an edge of what has a one in it nowhere, and a pause after what has."""
            asked.append(len(samples))
            length = len(samples) / SOUND_FRAME_SAMPLES / FRAMES_A_SECOND
            return 0.3 if samples.any() else length - SPEECH_EDGE_S

        monkeypatch.setattr(endpointing, "quiet", silence)
        sound = UtteranceSound()
        for _ in range(30 * CHUNK_FRAMES + 1):
            sound.accept_frame(FRAME)
            assert not sound.has_speech()
        assert len(asked) == 16
        sound.accept_frame(FRAME + 1)
        assert not sound.has_speech()
        assert sound.has_speech(to_the_end=True)
        asked.clear()
        for _ in range(2 * FRAMES_A_SECOND):
            sound.accept_frame(FRAME)
            assert sound.has_speech()
        assert asked == []

    def test_faint_speech_is_made_louder_from_its_beginning_and_loud_speech_is_not(
        self, monkeypatch
    ):
        def silence(samples: np.ndarray) -> float:
            return 0.0 if np.abs(samples).max() > 50 else 1.0

        monkeypatch.setattr(endpointing, "quiet", silence)
        monkeypatch.setattr(endpointing.Suppressor, "clean", lambda _, frame: frame)
        for loud, gain in ((100, LEAST_SPEECH_LEVEL / 100), (2000, 1.0)):
            sound = self.fed(2 * WARM_UP_FRAMES, FRAME + 10)
            assert not sound.has_speech(to_the_end=True)
            assert np.concatenate(sound.clean).max() == 10
            sound.accept_frame(FRAME + loud)
            assert sound.has_speech(to_the_end=True)
            sound.accept_frame(FRAME - loud)
            *before, first, last = sound.clean
            assert {int(frame[0]) for frame in before} == {round(10 * gain)}
            assert first[0] == -last[0] == loud * gain

    def test_what_is_loud_after_all_is_never_made_louder(self, monkeypatch):
        """Exact silence may look like speech: the words after it are as loud as they are."""
        monkeypatch.setattr(endpointing, "quiet", lambda _: 0.0)
        monkeypatch.setattr(endpointing.Suppressor, "clean", lambda _, frame: frame)
        sound = self.fed(2 * WARM_UP_FRAMES, FRAME)
        assert sound.has_speech(to_the_end=True)
        for loud, heard in ((10, 10 * MOST_GAIN), (200, 500), (2000, 2000), (10, 10)):
            sound.accept_frame(FRAME + loud)
            assert sound.clean[-1][0] == heard

    def test_of_no_sound_there_is_no_speech(self):
        assert not UtteranceSound().has_speech()
        assert not UtteranceSound().has_speech(to_the_end=True)

    def test_speech_is_noticed_by_whoever_asks_for_the_silence(self, asked):
        sound = self.fed(FRAMES_A_SECOND, FRAME + 1)
        _ = sound.quiet
        assert sound.has_speech()
        assert len(asked) == 1


class Decoder:
    """A decoder that makes out the words it is given, chunk by chunk; "|" ends them by a pause."""

    def __init__(self, *chunks: str) -> None:
        self.chunks = list(chunks)
        self.fed: list[int] = []
        self.now = ""

    def accept(self, sound: bytes) -> bool:
        self.fed.append(len(sound) // 2 // SOUND_FRAME_SAMPLES)
        self.now = self.chunks.pop(0) if self.chunks else self.now
        return self.now.endswith("|")

    def partial(self) -> str:
        return json.dumps({"partial": "" if self.now.endswith("|") else self.now})

    def result(self) -> str:
        texts = self.now.rstrip("|").split(" or ")
        return json.dumps({"alternatives": [{"text": f" {text} "} for text in texts]})

    def final(self) -> str:
        return "{}" if self.now.endswith("|") else self.result()


def first_pass(*chunks: str, phrases=frozenset()) -> tuple[FirstPass, Decoder]:
    decoder = Decoder(*chunks)
    decoders = SimpleNamespace(lend=lambda: decoder, finish=Decoder.final)
    words = FirstPass(SimpleNamespace(decoders=decoders, phrases=phrases))
    clean = [FRAME] * (CHUNK_FRAMES * len(chunks))
    for _ in chunks:
        words.decode(clean)
    return words, decoder


class TestFirstPass:
    """The words as the decoder makes them out."""

    def test_it_is_given_chunks_and_at_the_end_the_rest(self):
        words, decoder = first_pass("log", BITE)
        assert decoder.fed == [CHUNK_FRAMES] * 2
        words.finish([FRAME] * (2 * CHUNK_FRAMES + 3))
        assert decoder.fed[2:] == [3]
        assert words.hearing(frozenset()).text == BITE

    def test_words_that_stand_are_counted_from_their_first_change(self):
        assert first_pass("", "")[0].stable == 2
        assert first_pass("log", BITE, BITE, BITE)[0].stable == 2
        assert first_pass(BITE, BITE, "log")[0].stable == 0

    def test_words_before_a_pause_stay_and_are_joined_by_a_space(self):
        words, _ = first_pass("mark|", "a ledge")
        assert (words.said, words.partial, words.paused) == (MARK, "a ledge", True)
        assert words.hearing(frozenset()).text == MARK

    def test_a_pause_after_no_word_is_none(self):
        for nothing in ("|", f"{UNKNOWN_WORD}|", f"{UNKNOWN_WORD} {UNKNOWN_WORD}|"):
            assert not first_pass(nothing)[0].paused

    def test_other_texts_differ_in_one_stretch_at_a_time(self):
        assert _joined([["a", "b", "c"], ["d"], ["e", "f"]]) == [
            "a d e",
            "b d e",
            "c d e",
            "a d f",
        ]


@pytest.mark.parametrize(
    ("heard", "phrase", "slip"),
    [
        ("mark the ledge", MARK, True),
        ("mark ledge", MARK, True),
        ("mark a", MARK, True),
        ("mark a led", MARK, True),
        ("a ledge", MARK, True),
        ("mark the cliff", MARK, False),
        ("mark", MARK, False),
        ("mark a ledge now", MARK, False),
        ("log fight", BITE, False),
    ],
)
def test_a_slip_is_one_word_of_three_or_more_changed_or_lost(heard, phrase, slip):
    assert _a_slip(heard, phrase) is slip


class Scorer:
    """Scores of the phrases as a test sets them; a phrase means itself, and its "again" too."""

    beginnings = frozenset({MARK})

    def __init__(self) -> None:
        self.scores = NO_SCORES._replace(quiet=1.0, began=1.0, spoke=(0.5, 1.0))
        self.asked: list[tuple[int, int, object]] = []
        self.own: object = "own"
        self.scored = True

    def score_phrases(self, raw, clean, own=None) -> PhraseScores:
        self.asked.append((len(raw), len(clean), own))
        return self.scores

    def score_with_noise_net(self, raw) -> object:
        self.asked.append((len(raw), 0, "alone"))
        return self.own

    def means(self, phrase: str) -> str | None:
        return phrase.removesuffix(" again") or None

    def has_score(self, scores: PhraseScores, phrase: str) -> bool:
        return self.scored and scores is self.scores and phrase != ""


class Bench:
    """A judge whose weighing of words and sounds a test decides, and all that it is asked with."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.scorer: Scorer | None = Scorer()
        self.agree = self.worth = self.early = True
        self.amid_talk = False
        self.found: str | None = BITE
        self.early_fits: str | None = BITE
        self.candidate = SimpleNamespace(passes=1)
        self.words = [Words(BITE, 90.0)]
        self.passes: list[int] = []
        self.asked: dict[str, tuple[object, ...]] = {}
        self.sound = SimpleNamespace(raw=[FRAME] * 3, clean=[FRAME] * 3)
        for name, answer in (
            ("sounds_agree", lambda: self.agree),
            ("worth_second_pass", lambda: self.worth),
            ("may_be_accepted_early", lambda: self.early),
            ("accepted_early", lambda: self.early_fits),
            ("best_candidate", lambda: self.candidate),
            ("accepted_phrase", lambda: self.found),
            ("doubt", lambda: "log fish"),
        ):
            monkeypatch.setattr(endpointing, name, self._asked(name, answer))
        monkeypatch.setattr(
            endpointing, "lacks_leading_silence", lambda scores: scores.began == 0.0
        )
        monkeypatch.setattr(endpointing, "may_go_on", lambda phrase, *_: phrase == MARK)

    def _asked(self, name, answer):
        def ask(*given: object) -> object:
            self.asked[name] = given
            return answer()

        return ask

    @property
    def judge(self) -> Judge:
        return Judge(
            SimpleNamespace(
                phrases={BITE, MARK, MARK_FAR},
                phrase_scorer=self.scorer,
                thresholds=THRESHOLDS,
                amid_talk=self.amid_talk,
                second_pass=self._second_pass,
            ),
            self.sound,
        )

    def _second_pass(self, sound: np.ndarray) -> list[Words]:
        self.passes.append(len(sound))
        return self.words

    def still(self, seconds: float) -> None:
        self.scorer.scores = self.scorer.scores._replace(quiet=seconds)

    def hear(self, text: str, *others: str, whole: bool = True) -> Hearing:
        return self.judge.judge(Hearing(text, others), whole=whole)


@pytest.fixture
def bench(monkeypatch) -> Bench:
    return Bench(monkeypatch)


class TestJudge:
    """What becomes of words once the sounds are weighed with them."""

    def test_a_phrase_that_the_sounds_accept_is_taken_without_a_second_pass(
        self, bench
    ):
        heard = bench.hear(BITE)
        assert (heard.text, heard.spoke, heard.doubt) == (BITE, (0.5, 1.0), "log fish")
        assert heard.refused is heard.fit is heard.check is None
        assert bench.passes == []
        scores, scorer = bench.scorer.scores, bench.scorer
        assert bench.asked["sounds_agree"] == (BITE, scores, scorer, THRESHOLDS)
        assert bench.asked["doubt"] == (BITE, scores, scorer, None)
        assert bench.scorer.asked == [(960, 960, None)]

    def test_without_a_scorer_the_words_stand(self, bench):
        bench.scorer = None
        assert bench.hear("anything") == Hearing("anything")
        assert not bench.judge.is_clear()

    def test_what_was_cut_out_of_talk_is_refused(self, bench):
        bench.scorer.scores = bench.scorer.scores._replace(began=0.0)
        heard = bench.hear(BITE, "log fish")
        assert (heard.text, heard.refused) == (UNKNOWN_WORD, NO_QUIET_BEFORE)
        assert heard.alternatives == (BITE, "log fish")
        assert heard.spoke == (0.5, 1.0)

    def test_what_is_no_phrase_is_not_doubted_nor_refused(self, bench):
        bench.found = None
        heard = bench.hear("anything")
        assert (heard.text, heard.refused, heard.doubt) == ("anything", None, None)

    def test_one_that_may_go_on_is_taken_only_after_a_long_pause(self, bench):
        bench.agree = True
        bench.still(LONG_PAUSE_S - 0.01)
        bench.found = MARK
        heard = bench.hear(MARK, whole=False)
        assert heard.refused == "words and sounds do not agree"
        bench.still(LONG_PAUSE_S)
        assert bench.hear(MARK, whole=False).text == MARK
        assert len(bench.passes) == 1

    def test_one_that_can_go_no_further_is_taken_after_a_short_pause(self, bench):
        bench.still(SHORT_PAUSE_S)
        assert bench.hear(BITE, whole=False).text == BITE
        bench.agree = False
        assert bench.hear(BITE, whole=False).text == BITE
        assert len(bench.passes) == 1

    def test_without_a_pause_it_is_not_judged_unless_it_is_all_there_is(self, bench):
        bench.still(SHORT_PAUSE_S - 0.01)
        heard = bench.hear(BITE, whole=False)
        assert (heard.refused, bench.passes) == ("it may go on", [])
        bench.agree = False
        assert bench.hear(BITE, whole=True).text == BITE
        assert bench.passes == [960]

    def test_what_is_refused_amid_talk_is_refused_for_that(self, bench):
        bench.agree, bench.amid_talk = False, True
        bench.candidate = None
        why = "words and sounds do not agree well enough amid talk"
        assert bench.hear(BITE).refused == why
        bench.worth = False
        assert bench.hear(BITE).refused == "the sounds do not fit well enough amid talk"

    def test_what_no_second_pass_could_lift_is_refused_without_one(self, bench):
        bench.agree = bench.worth = False
        heard = bench.hear(BITE)
        assert (heard.text, heard.refused) == (UNKNOWN_WORD, "the sounds do not fit")
        assert bench.passes == []
        assert bench.asked["worth_second_pass"] == (
            BITE,
            bench.scorer.scores,
            bench.scorer,
            THRESHOLDS,
        )

    def test_the_second_pass_hears_the_clean_sound_and_is_told_of(self, bench):
        bench.agree, bench.sound.clean = False, [FRAME] * 2
        bench.found = MARK_FAR
        bench.words = [Words(MARK_FAR, 90.0), Words(BITE, 80.0)]
        heard = bench.hear(BITE, "log fish")
        assert bench.passes == [640]
        assert (heard.text, heard.fit, heard.check) == (MARK_FAR, MARK_FAR, MARK_FAR)
        assert heard.alternatives == (BITE, "log fish")
        given = (bench.words, BITE, bench.scorer.scores, bench.scorer)
        assert bench.asked["best_candidate"] == given
        assert bench.asked["accepted_phrase"] == (bench.candidate, THRESHOLDS)
        assert bench.asked["doubt"][-1] == MARK_FAR

    def test_a_second_pass_of_no_words_is_told_as_none(self, bench):
        bench.agree, bench.words, bench.found = False, [], None
        heard = bench.hear(BITE)
        assert (heard.check, heard.refused) == ("", "words and sounds do not agree")

    def test_what_was_found_is_not_among_what_else_it_may_have_been(self, bench):
        bench.agree, bench.found = False, MARK_FAR
        assert bench.hear("", MARK_FAR, BITE).alternatives == (BITE,)

    def test_another_wording_of_the_same_stands_as_it_was_heard(self, bench):
        bench.agree, bench.found = False, f"{BITE} again"
        heard = bench.hear(BITE)
        assert (heard.text, heard.fit) == (BITE, None)

    def test_what_was_found_must_be_over_as_well(self, bench):
        bench.agree, bench.found = False, MARK
        bench.still(SHORT_PAUSE_S)
        heard = bench.hear(BITE, whole=False)
        assert heard.refused == "words and sounds do not agree"
        assert bench.hear(BITE, whole=True).text == MARK

    @pytest.mark.parametrize("passes", [0, 1])
    def test_what_the_sounds_alone_found_is_over_after_a_longer_pause(
        self, bench, passes
    ):
        bench.agree, bench.found = False, MARK_FAR
        bench.candidate = SimpleNamespace(passes=passes)
        bench.still(SHORT_PAUSE_S)
        assert (bench.hear(BITE, whole=False).text == MARK_FAR) is (passes > 0)
        bench.still(PAUSE_S)
        assert bench.hear(BITE, whole=False).text == MARK_FAR

    def test_a_phrase_whose_sounds_cannot_be_scored_needs_the_second_pass_to_agree(
        self, bench
    ):
        bench.agree = bench.worth = bench.scorer.scored = False
        bench.found = None
        bench.words = [Words(f"{BITE} again", 90.0)]
        assert bench.hear(BITE).text == BITE
        bench.words = [Words("log fish", 90.0)]
        assert bench.hear(BITE).refused == "words and sounds do not agree"
        bench.words = []
        assert bench.hear(BITE).refused == "words and sounds do not agree"

    def test_the_sounds_alone_may_say_that_a_phrase_is_over(self, bench):
        judge = bench.judge
        assert judge.is_clear()
        scores, scorer = bench.scorer.scores, bench.scorer
        assert bench.asked["may_be_accepted_early"] == ("own", scorer, THRESHOLDS)
        assert bench.asked["accepted_early"] == (scores, scorer, THRESHOLDS)
        assert bench.scorer.asked == [(960, 0, "alone"), (960, 960, "own")]

    @pytest.mark.parametrize("less", ["own", "early", "early_fits", "quiet"])
    def test_and_do_not_where_one_thing_is_wanting(self, bench, less):
        if less == "own":
            bench.scorer.own = None
        elif less == "quiet":
            bench.still(0.0)
        else:
            setattr(bench, less, None)
        assert not bench.judge.is_clear()

    def test_a_phrase_that_may_go_on_is_not_clear_before_a_long_pause(self, bench):
        bench.early_fits = MARK
        bench.still(LONG_PAUSE_S - 0.01)
        assert not bench.judge.is_clear()

    def test_the_same_sound_is_scored_once(self, bench):
        judge = bench.judge
        for _ in range(2):
            judge.judge(Hearing(BITE), whole=True)
        assert len(bench.scorer.asked) == 1
        bench.sound.raw = [FRAME] * 4
        judge.judge(Hearing(BITE), whole=True)
        assert len(bench.scorer.asked) == 2

    def test_a_single_frame_is_scored_too(self, bench):
        bench.sound.raw = [FRAME]
        bench.hear(BITE)
        assert len(bench.scorer.asked) == 1


class Heard:
    """An attempt whose words, pauses and judge a test decides."""

    def __init__(self, *, scorer: object | None = "scorer") -> None:
        self.words = SimpleNamespace(
            said="", partial="", stable=0, paused=False, fed=0, decode=self._decode
        )
        self.words.hearing = lambda _phrases: Hearing(self.words.said, (), None)
        self.words.finish = lambda clean: self.calls.append(("rest", len(clean)))
        self.spoken = True
        self.sound = SimpleNamespace(clean=[], raw=[], quiet=0.0, seconds=1.5)
        self.sound.has_speech = self._has_speech
        self.judge = SimpleNamespace(judge=self._judge, is_clear=self._is_clear)
        self.recogniser = SimpleNamespace(
            phrases={BITE, MARK, MARK_FAR},
            beginnings={MARK},
            phrase_scorer=scorer,
        )
        self.clear, self.judged = False, None
        self.calls: list[object] = []

    def _has_speech(self, *, to_the_end: bool = False) -> bool:
        self.to_the_end = to_the_end
        return self.spoken

    def _decode(self, _clean: list[object]) -> None:
        self.words.fed += CHUNK_FRAMES
        self.calls.append("chunk")

    def _judge(self, heard: Hearing, *, whole: bool) -> Hearing:
        self.calls.append((heard.text, whole))
        return heard if self.judged is None else heard._replace(text=self.judged)

    def _is_clear(self) -> bool:
        self.calls.append("clear?")
        return self.clear


class TestDecoding:
    """What ends the words."""

    @pytest.fixture
    def heard(self) -> Heard:
        return Heard()

    def after(self, heard: Heard, said: str, stable: int, quiet: float = 1.0):
        heard.words.said = heard.words.partial = said
        heard.words.stable, heard.sound.quiet = stable, quiet
        heard.sound.clean = [FRAME] * (heard.words.fed + CHUNK_FRAMES)
        return Decoding(heard).after_frame()

    def test_nothing_is_decoded_before_a_chunk_is_full(self, heard):
        heard.sound.clean = [FRAME] * (CHUNK_FRAMES - 1)
        assert Decoding(heard).after_frame() is None
        assert heard.calls == []

    def test_all_chunks_that_wait_are_decoded(self, heard):
        heard.sound.clean = [FRAME] * 3 * CHUNK_FRAMES
        assert Decoding(heard).after_frame() is None
        assert heard.calls == ["chunk"] * 3

    def test_noise_is_not_decoded_until_something_is_spoken(self, heard):
        heard.spoken, heard.sound.clean = False, [FRAME] * 3 * CHUNK_FRAMES
        assert Decoding(heard).after_frame() is None
        assert heard.calls == []
        assert not heard.to_the_end
        given = Decoding(heard).finish("sound")
        assert (given.text, given.ended, given.seconds) == ("", "sound", 1.5)
        assert heard.calls == []
        assert heard.to_the_end
        heard.spoken = True
        assert Decoding(heard).after_frame() is None
        assert heard.calls == ["chunk"] * 3

    def test_without_the_sounds_noise_is_decoded_too(self):
        heard = Heard(scorer=None)
        heard.spoken, heard.sound.clean = False, [FRAME] * CHUNK_FRAMES
        assert Decoding(heard).after_frame() is None
        assert heard.calls == ["chunk"]

    def test_a_phrase_that_stands_for_three_chunks_is_over(self, heard):
        assert self.after(heard, BITE, STABLE_CHUNKS - 1) is None
        given = self.after(heard, BITE, STABLE_CHUNKS)
        assert (given.text, given.ended, given.seconds) == (BITE, "phrase", 1.5)
        assert heard.calls[-1] == (BITE, False)

    def test_the_beginning_of_another_has_to_stand_for_longer(self, heard):
        assert self.after(heard, MARK, STABLE_PREFIX_CHUNKS - 1) is None
        assert self.after(heard, MARK, STABLE_PREFIX_CHUNKS).ended == "pause"

    def test_what_is_no_phrase_does_not_end_by_standing(self, heard):
        assert self.after(heard, "mark atlanta", 99) is None

    def test_a_phrase_is_not_over_while_somebody_speaks_but_not_for_ever(self, heard):
        limit = STABLE_PREFIX_CHUNKS + PENDING_CHUNKS
        assert self.after(heard, BITE, STABLE_CHUNKS, quiet=0.0) is None
        assert self.after(heard, BITE, limit - 1, quiet=SHORT_PAUSE_S - 0.01) is None
        assert self.after(heard, BITE, limit, quiet=0.0).text == BITE
        assert self.after(heard, BITE, STABLE_CHUNKS, quiet=SHORT_PAUSE_S).text == BITE

    def test_without_the_sounds_nobody_is_known_to_speak(self):
        heard = Heard(scorer=None)
        assert self.after(heard, BITE, STABLE_CHUNKS, quiet=0.0).text == BITE

    def test_a_pause_ends_the_words_unless_they_begin_a_longer_phrase(self, heard):
        heard.words.paused = True
        heard.words.partial, heard.words.said = "", "mark atlanta"
        heard.sound.clean = [FRAME] * CHUNK_FRAMES
        given = Decoding(heard).after_frame()
        assert isinstance(given, Waiting)
        assert given._heard.ended == "pause"
        heard.sound.clean *= 2
        heard.words.said = MARK
        assert Decoding(heard).after_frame() is None
        heard.sound.clean = [FRAME] * 3 * CHUNK_FRAMES
        heard.words.said = heard.words.partial = "log"
        assert Decoding(heard).after_frame() is None

    def test_words_that_stand_are_not_over_without_the_pause(self, heard):
        assert self.after(heard, "anything", 0) is None

    def test_what_the_judge_does_not_take_waits_and_without_sounds_it_is_given(self):
        heard = Heard()
        heard.judged = UNKNOWN_WORD
        assert isinstance(self.after(heard, BITE, STABLE_CHUNKS), Waiting)
        heard = Heard(scorer=None)
        heard.judged = UNKNOWN_WORD
        assert self.after(heard, BITE, STABLE_CHUNKS).text == UNKNOWN_WORD

    def test_sounds_that_are_clear_end_words_that_are_no_phrase_yet(self, heard):
        heard.clear = True
        given = self.after(heard, "mark atlanta", 0, quiet=SHORT_PAUSE_S)
        assert given._heard.ended == "phrase"
        assert self.after(Heard(), "mark atlanta", 0, quiet=SHORT_PAUSE_S) is None

    def test_before_a_word_the_sounds_are_not_asked(self, heard):
        heard.clear = True
        assert self.after(heard, "", 0) is None
        assert "clear?" not in heard.calls

    def test_the_sounds_are_asked_three_times_in_a_pause_and_anew_in_the_next(
        self, heard
    ):
        decoding, asked = Decoding(heard), []
        heard.words.said = heard.words.partial = "mark atlanta"
        pause = (0.0, 0.13, SHORT_PAUSE_S, 0.2, PAUSE_S, 0.3, LONG_PAUSE_S, 0.6, 0.9)
        for still in (*pause, *pause):
            heard.sound.quiet = still
            heard.sound.clean += [FRAME] * CHUNK_FRAMES
            heard.calls.clear()
            assert decoding.after_frame() is None
            if "clear?" in heard.calls:
                asked.append(still)
        assert asked == [SHORT_PAUSE_S, PAUSE_S, LONG_PAUSE_S] * 2

    def test_a_longer_pause_at_once_is_asked_in_once(self, heard):
        decoding, asked = Decoding(heard), []
        heard.words.said = heard.words.partial = "mark atlanta"
        for still in (PAUSE_S, PAUSE_S + 0.01, LONG_PAUSE_S):
            heard.sound.quiet = still
            heard.sound.clean += [FRAME] * CHUNK_FRAMES
            heard.calls.clear()
            decoding.after_frame()
            asked.append("clear?" in heard.calls)
        assert asked == [True, False, True]

    def test_without_the_sounds_they_are_not_asked(self):
        heard = Heard(scorer=None)
        heard.clear = True
        assert self.after(heard, "mark atlanta", 0) is None
        assert "clear?" not in heard.calls

    def test_at_the_end_all_is_decoded_and_judged_as_a_whole(self, heard):
        heard.words.said, heard.sound.clean = BITE, [FRAME] * 7
        given = Decoding(heard).finish("time")
        assert heard.calls == [("rest", 7), (BITE, True)]
        assert (given.text, given.ended, given.seconds) == (BITE, "time", 1.5)


class TestWaiting:
    """A pending decision, at every pause asked again."""

    def waits(self, heard: Heard, stills: list[float]) -> list[tuple[float, bool]]:
        """Return in which pauses, chunk by chunk, the judge was asked, and whether as a whole."""
        waiting, asked = Waiting(heard, Hearing("mark atlanta")), []
        for still in stills:
            heard.sound.quiet = still
            heard.sound.raw = [FRAME] * (len(heard.sound.raw) + CHUNK_FRAMES)
            heard.calls.clear()
            given = waiting.after_frame()
            asked += [(still, whole) for _, whole in heard.calls]
            if given is not None:
                return [*asked, given.text]
        return asked

    def test_it_is_asked_at_each_of_three_pauses_and_given_at_the_last(self):
        stills = [0.0, 0.1, SHORT_PAUSE_S, 0.2, PAUSE_S, 0.3, LONG_PAUSE_S]
        assert self.waits(Heard(), stills) == [
            (SHORT_PAUSE_S, False),
            (PAUSE_S, False),
            (LONG_PAUSE_S, True),
            "mark atlanta",
        ]

    def test_who_speaks_again_begins_the_pauses_anew(self):
        stills = [SHORT_PAUSE_S, 0.0, SHORT_PAUSE_S, PAUSE_S, 0.0, SHORT_PAUSE_S]
        asked = [still for still, _ in self.waits(Heard(), stills)]
        assert asked == [SHORT_PAUSE_S, SHORT_PAUSE_S, PAUSE_S, SHORT_PAUSE_S]

    def test_a_longer_pause_at_once_counts_for_both(self):
        assert self.waits(Heard(), [PAUSE_S, PAUSE_S + 0.1]) == [(PAUSE_S, False)]

    def test_a_phrase_that_fits_now_is_given_at_once(self):
        heard = Heard()
        heard.judged = MARK_FAR
        assert self.waits(heard, [SHORT_PAUSE_S]) == [(SHORT_PAUSE_S, False), MARK_FAR]

    def test_without_a_pause_it_waits_two_seconds_and_no_longer(self):
        asked = self.waits(Heard(), [0.0] * 2 * PENDING_CHUNKS)
        assert asked == [(0.0, True), "mark atlanta"]
        assert self.waits(Heard(), [0.0] * (PENDING_CHUNKS - 1)) == []

    def test_between_chunks_nothing_is_asked(self):
        heard = Heard()
        heard.sound.raw, heard.sound.quiet = [FRAME] * (CHUNK_FRAMES + 1), 9.0
        assert Waiting(heard, Hearing("x")).after_frame() is None

    def test_at_the_end_it_is_judged_as_a_whole(self):
        heard = Heard()
        given = Waiting(heard, Hearing("mark atlanta")).finish("sound")
        assert heard.calls == [("mark atlanta", True)]
        assert given.seconds == 1.5


class TestAttempt:
    """One utterance, frame by frame."""

    def attempt(self, *chunks: str, scorer: object | None = None) -> Attempt:
        decoder = Decoder(*chunks)
        recogniser = SimpleNamespace(
            decoders=SimpleNamespace(lend=lambda: decoder, finish=Decoder.final),
            phrases={BITE},
            beginnings=frozenset(),
            phrase_scorer=scorer,
        )
        made = Attempt(recogniser)
        made.decoder = decoder
        return made

    def feed(self, attempt: Attempt, count: int) -> Hearing | None:
        for _ in range(count):
            heard = attempt.accept_frame(FRAME)
            if heard is not None:
                return heard
        return None

    def test_six_seconds_are_the_longest(self):
        attempt = self.attempt("anything")
        limit = round(UTTERANCE_LIMIT_S * FRAMES_A_SECOND)
        assert self.feed(attempt, limit - 1) is None
        heard = self.feed(attempt, 1)
        assert (heard.text, heard.ended) == ("anything", "time")

    def test_a_short_sound_is_cleaned_and_decoded_at_its_end(self):
        attempt = self.attempt(BITE)
        assert self.feed(attempt, WARM_UP_FRAMES - 1) is None
        assert attempt.decoder.fed == []
        heard = attempt.finish()
        assert attempt.decoder.fed == [WARM_UP_FRAMES - 1]
        assert (heard.text, heard.ended) == (BITE, "sound")

    def test_what_was_cleaned_is_not_cleaned_again(self):
        attempt = self.attempt("anything")
        self.feed(attempt, WARM_UP_FRAMES + 2)
        attempt.finish()
        assert sum(attempt.decoder.fed) == WARM_UP_FRAMES + 2

    def test_no_word_has_been_made_out_until_one_is(self):
        for words, wordless in (("", True), (UNKNOWN_WORD, True), ("anything", False)):
            attempt = self.attempt(words)
            self.feed(attempt, WARM_UP_FRAMES)
            assert attempt.wordless is wordless
            assert attempt.partial == words

    def test_without_the_sounds_no_silence_is_known(self):
        attempt = self.attempt("anything")
        self.feed(attempt, 3)
        assert attempt.still == attempt.still_lately == 0.0

    def test_before_the_first_frame_there_is_no_silence(self):
        attempt = self.attempt("anything", scorer=Scorer())
        assert attempt.still == attempt.still_lately == 0.0
