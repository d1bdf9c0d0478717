"""When words that are no command are taken for one misheard, and when they are not."""

import json
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from companion.voice import endpointing
from companion.voice.endpointing import UNKNOWN_WORD, Attempt, _decided
from companion.voice.heard import Hearing
from companion.voice.judging import THRESHOLDS, Words
from companion.voice.phrase_scorer import NO_SCORES, Fit, NoiseNetScores, PhraseScores
from companion.voice.recogniser import REPEATS_PER_COMMAND, Recogniser, _weighted
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES

PHRASES = frozenset(
    [
        "log bite",
        "rod two",
        "line seventeen",
        "mark a ledge",
        "how deep is it",
        "how deep does it go",
    ]
)


@pytest.mark.parametrize(
    ("texts", "taken"),
    [
        (["log bite", "rod two"], "log bite"),
        (["how deep is hot", "how deep is it"], "how deep is it"),
        (["how is it", "how deep is it"], "how deep is it"),
        (["deep does it go", "how foot", "how deep does it go"], "how deep does it go"),
    ],
    ids=["listed", "one word changed", "one word lost", "first word lost"],
)
def test_taken(texts: list[str], taken: str):
    heard = _decided(texts, PHRASES)
    assert heard.text == taken
    assert sorted([heard.text, *heard.alternatives]) == sorted(texts)


@pytest.mark.parametrize(
    "texts",
    [
        ["rod you", "rod two"],
        ["now how deep is it", "how deep is it"],
        ["[unk] deep is it", "how deep is it"],
        ["how that is hot", "how deep is it"],
        ["mark the ledge"],
        [""],
    ],
    ids=[
        "two words",
        "a word too many",
        "no word",
        "two words changed",
        "not among the others",
        "nothing",
    ],
)
def test_not_taken(texts: list[str]):
    assert _decided(texts, PHRASES) == Hearing(texts[0], tuple(texts[1:]))


def test_two_phrases_as_near_are_neither():
    phrases = frozenset(["water up two feet", "water up three feet"])
    texts = ["water up the feet", "water up two feet", "water up three feet"]
    assert _decided(texts, phrases).text == "water up the feet"


def test_commands_count_the_same_and_share_that_among_their_phrases():
    many = [
        f"line {tens} {ones}"
        for tens in ("twenty", "thirty")
        for ones in ("one", "two", "three")
    ]
    marks = ["mark a ledge", "mark a point", "mark this spot"]
    meanings = (
        {"log bite": "bite"}
        | dict.fromkeys(many, "line")
        | dict.fromkeys(marks, "mark")
    )
    counts = Counter(_weighted(meanings))
    assert counts["log bite"] == REPEATS_PER_COMMAND
    assert sum(counts[phrase] for phrase in many) == pytest.approx(
        REPEATS_PER_COMMAND, rel=0.05
    )
    assert sum(counts[phrase] for phrase in marks) == pytest.approx(
        REPEATS_PER_COMMAND, rel=0.05
    )
    assert counts["mark a ledge"] == counts["mark a point"] < counts["mark this spot"]


def test_of_a_crowd_only_so_many_are_offered_that_every_pair_of_words_is():
    numbers = (
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
    )
    crowd = [f"mark {a} {b} {c}" for a in numbers for b in numbers for c in numbers]
    offered = set(_weighted(dict.fromkeys(crowd, "mark")))
    assert len(offered) < len(crowd) / 4
    assert {pair for p in offered for pair in pairwise(p.split())} == {
        pair for p in crowd for pair in pairwise(p.split())
    }


SPOKEN = 2.0
"""When the words end in what `misheard` listens to, s."""


class _Deaf:
    """A decoder that makes wrong words out of the beginning, and hears a pause then."""

    def __init__(self, words: str, pause: float) -> None:
        self.fed, self.words, self.pause = 0, words, round(pause * SAMPLE_RATE_HZ)

    def accept(self, sound: bytes) -> bool:
        self.fed += len(sound) // 2
        return self.fed >= self.pause

    def partial(self) -> str:
        return json.dumps({"partial": self.words} if self.fed < self.pause else {})

    def result(self) -> str:
        return json.dumps({"alternatives": [{"text": self.words}]})

    def final(self) -> str:
        return self.result() if self.fed < self.pause else json.dumps({})


class _Fits:
    """What says which phrase the sounds fit, so badly: one until all is spoken, another from then on."""

    beginnings = frozenset({"mark a ledge"})

    def __init__(self, first: str, at_last: str, ends: float, behind: float) -> None:
        self.first, self.at_last, self.ends, self.behind = first, at_last, ends, behind

    def score_with_noise_net(self, _samples: np.ndarray) -> NoiseNetScores:
        return NoiseNetScores(np.zeros((1, 40), np.float32), np.zeros(1, np.float32))

    def noise_net_fits(self, own: NoiseNetScores) -> tuple[np.ndarray, np.ndarray]:
        return np.array([10]), own.nodes

    def score_phrases(
        self, samples: np.ndarray, clean: np.ndarray, own: NoiseNetScores | None = None
    ) -> PhraseScores:
        assert len(clean) == len(samples)
        assert own is None or len(own.nodes)
        since = len(samples) / SAMPLE_RATE_HZ - self.ends
        phrase = self.first if since < 0.0 else self.at_last
        return NO_SCORES._replace(
            fits=[self._fit(phrase)] if phrase else [], quiet=max(since, 0.0)
        )

    def _fit(self, phrase: str, behind: float = 0.0) -> Fit:
        return Fit(
            phrase, -12 * (self.behind + behind), -12 * (self.behind + behind), 9
        )

    def means(self, phrase: str) -> str | None:
        return phrase if phrase in ("log bite", self.first, self.at_last) else None

    def fit(self, scores: PhraseScores, phrase: str) -> Fit | None:
        best = scores.fits[0].phrase if scores.fits else None
        return (
            None
            if self.means(phrase) is None
            else self._fit(phrase, 0.0 if phrase == best else 9.0)
        )

    def has_score(self, scores: PhraseScores, phrase: str) -> bool:
        return self.fit(scores, phrase) is not None

    def fits(self, scores: PhraseScores, phrases: Iterable[str]) -> list[Fit]:
        return [
            one
            for one in (self.fit(scores, phrase) for phrase in phrases)
            if one is not None
        ]

    def others(self, *_: object) -> list[Fit]:
        return []


def misheard(
    monkeypatch: pytest.MonkeyPatch,
    fits: str,
    at_last: str,
    *,
    ends: float = SPOKEN,
    words: str = "mark atlanta",
    pause: float = 1.0,
    behind: float = 0.0,
) -> Hearing:
    """Return what is heard where sounds fit one phrase while words are spoken, and another at their end."""
    now = SimpleNamespace(count=0)
    monkeypatch.setattr(
        endpointing,
        "quiet",
        lambda _: max(0.0, now.count * SOUND_FRAME_SAMPLES / SAMPLE_RATE_HZ - ends),
    )
    attempt = Attempt(
        cast(
            "Recogniser",
            SimpleNamespace(
                phrases={fits, at_last, "log bite"},
                beginnings={"mark a ledge"},
                phrase_scorer=_Fits(fits, at_last, ends, behind),
                thresholds=THRESHOLDS,
                amid_talk=False,
                decoders=SimpleNamespace(
                    lend=lambda: _Deaf(words, pause), finish=_Deaf.final
                ),
                second_pass=lambda _: [Words(words, 90.0)],
            ),
        )
    )
    while now.count < 10 * SAMPLE_RATE_HZ // SOUND_FRAME_SAMPLES:
        now.count += 1
        heard: Any = attempt.accept_frame(np.zeros(SOUND_FRAME_SAMPLES, np.int16))
        if heard is not None:
            return cast("Hearing", heard)
    return attempt.finish()


def test_a_phrase_that_goes_on_is_not_taken_while_words_are_still_spoken(
    monkeypatch: pytest.MonkeyPatch,
):
    heard = misheard(monkeypatch, "mark a ledge", "mark a ledge forty yards")
    assert heard.text == "mark a ledge forty yards"
    assert SPOKEN < heard.seconds < SPOKEN + 0.5


def test_words_that_may_go_on_are_not_taken_while_something_is_spoken(
    monkeypatch: pytest.MonkeyPatch,
):
    """In noise the decoder may stand still at the beginning of a phrase while the rest is spoken."""
    heard = misheard(
        monkeypatch,
        "mark a ledge",
        "mark a ledge forty yards",
        words="mark a ledge",
        pause=9.0,
    )
    assert heard.text == "mark a ledge forty yards"
    assert SPOKEN < heard.seconds < SPOKEN + 0.5


def test_words_that_never_end_are_not_waited_for_too_long(
    monkeypatch: pytest.MonkeyPatch,
):
    heard = misheard(monkeypatch, "mark a ledge", "", ends=9.0)
    assert heard.text == "mark a ledge", "all that was waited for fits it"
    assert heard.seconds < 4.0


def test_words_that_the_sounds_belie_wait_for_what_fits(
    monkeypatch: pytest.MonkeyPatch,
):
    heard = misheard(
        monkeypatch, "mark a ledge", "mark a ledge forty yards", words="log bite"
    )
    assert heard.text == "mark a ledge forty yards"
    assert "log bite" in heard.alternatives
    assert heard.refused is None


def test_words_that_the_sounds_belie_are_not_taken(monkeypatch: pytest.MonkeyPatch):
    heard = misheard(
        monkeypatch, "mark a ledge", "mark a ledge", words="log bite", behind=3.0
    )
    assert (heard.text, heard.alternatives) == (UNKNOWN_WORD, ("log bite",))
    assert heard.refused == "words and sounds do not agree"
