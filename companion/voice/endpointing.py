"""Endpointing: when an utterance is over, and which words were recognised in it.

An `Attempt` takes the frames of one utterance as they come and decides as soon as it
can. It is in one of two states. While it is `Decoding`, the first pass recognises words
until a phrase, a pause or a time limit ends them. A phrase that fits the sounds is
accepted then. Anything else, and a phrase that may go on, is `Waiting` for a pause, at
which it is judged again: the words may have ended too early.
"""

from __future__ import annotations

import json
import math
from collections.abc import Container
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from companion.voice.heard import NO_QUIET_BEFORE, UNKNOWN_WORD, Ended, Hearing
from companion.voice.judging import (
    Candidate,
    accepted_early,
    accepted_phrase,
    best_candidate,
    doubt,
    lacks_leading_silence,
    may_be_accepted_early,
    may_go_on,
    sounds_agree,
    worth_second_pass,
)
from companion.voice.phrase_scorer import (
    NO_SCORES,
    NoiseNetScores,
    PhraseScorer,
    PhraseScores,
    quiet,
)
from companion.voice.sound import FRAMES_A_SECOND, Samples, level
from companion.voice.suppressor import Suppressor

if TYPE_CHECKING:
    from companion.voice.engine import WordDecoder
    from companion.voice.recogniser import Recogniser

CHUNK_FRAMES = 5
"""Frames given to the decoder at once: a tenth of a second."""
WARM_UP_FRAMES = 20
"""Frames before the first word from which the suppressor learns the noise (0.4 s)."""
STABLE_CHUNKS = 3
"""Chunks for which a phrase has to stand unchanged before it ends the words."""
STABLE_PREFIX_CHUNKS = 9
"""The same for a phrase that is the prefix of longer ones: "log fish ...". The
decoder's words come late: at 6 the invented day loses two marks whose depth was cut
off, at 9 none."""
SHORT_PAUSE_S, PAUSE_S, LONG_PAUSE_S = 0.14, 0.24, 0.5
"""The pause, s, after which a phrase is over; after which it is judged again if it was
not accepted; and after which a phrase that may go on, or anything, is over (a quarter
of a second within a phrase looks like 0.44)."""
PENDING_CHUNKS = 20
"""The longest wait for a pause, in chunks, where the words are no phrase, or one that
may go on: misheard, they may end too early, amid "mark a ledge forty yards"."""
STEADY_SPEECH_S = 0.05
"""The silence found at the end of sound that ends amid a word, s: two steps of the network at most."""
MOST_GAIN = 8.0
"""How many times louder faint speech is made at most: a card's hiss stays faint."""
LEAST_SPEECH_LEVEL = 500.0
"""The level, of 32768, that speech is brought up to for the decoder, by its loudest
frame so far: of 72 commands 30 dB softer than a lapel microphone gives them (choosing)
66 are understood, 61 as they come, and no more at twice and four times this level."""
SPEECH_EDGE_S = 0.05
"""Sound in which nothing is spoken is longer than its silence by at most so much, s: steps end before it."""
UTTERANCE_LIMIT_S = 6.0
"""The longest utterance, s: no command takes that long, and in wind some would never end."""


class UtteranceSound:
    """The frames of an utterance.

    Attributes:
        raw: the frames as they came.
        clean: the same with their noise suppressed, once the noise is known.
    """

    def __init__(self) -> None:
        self.raw: list[Samples] = []
        self.clean: list[Samples] = []
        self._suppressor = Suppressor()
        self._quiet_at: tuple[int, float] = -2 * CHUNK_FRAMES, 0.0
        self._asked_at = self._quiet_at
        self._has_speech = False
        self._gain = 1.0

    def accept_frame(self, frame: Samples) -> None:
        """Take the next frame."""
        self.raw.append(frame)
        self._keep_from_clipping(frame)
        if len(self.raw) == WARM_UP_FRAMES:
            self.warm_up()
        elif len(self.raw) > WARM_UP_FRAMES:
            self.clean.append(self._amplified(self._suppressor.clean(frame)))

    def warm_up(self) -> None:
        """Teach the suppressor the noise from the frames so far, then clean these."""
        for frame in self.raw:
            self._suppressor.clean(frame)
        self.clean = [self._suppressor.clean(frame) for frame in self.raw]

    @property
    def seconds(self) -> float:
        """Its length, s."""
        return len(self.raw) / FRAMES_A_SECOND

    @property
    def quiet(self) -> float:
        """The silence at its end, s, at most a second.

        While somebody speaks it is measured at every second chunk only: a pause is
        noticed a chunk later at most.
        """
        (at, was), now = self._quiet_at, len(self.raw)
        if now != at and (was > STEADY_SPEECH_S or now - at > CHUNK_FRAMES):
            was = self._quiet_now()
            self._quiet_at = now, was
            if was < min(self.seconds, 1.0) - SPEECH_EDGE_S and not self._has_speech:
                self._begin_speech()
        return was

    @property
    def quiet_lately(self) -> float:
        """The same, by a measurement of the last 0.2 s where there is one: cheaper.

        It is for who listens live. What is measured for it changes no decision, or the
        clip, of which nobody asks this, would be decided otherwise when heard again.
        """
        (at, was), now = max(self._quiet_at, self._asked_at), len(self.raw)
        if now - at > 2 * CHUNK_FRAMES:
            at, was = now, self._quiet_now()
            self._asked_at = at, was
        return was and was + (now - at) / FRAMES_A_SECOND

    def ask_quiet(self) -> float:
        """Return the same, measured to the end: a word may begin just now."""
        self._asked_at = len(self.raw), self._quiet_now()
        return self._asked_at[1]

    def _quiet_now(self) -> float:
        return quiet(np.concatenate(self.raw[-FRAMES_A_SECOND:]))

    def _begin_speech(self) -> None:
        """Note that there is speech, and make it as loud as the decoder wants it, from its beginning."""
        self._has_speech = True
        self._gain = MOST_GAIN
        for frame in self.raw:
            self._keep_from_clipping(frame)
        self.clean = list(map(self._amplified, self.clean))

    def _keep_from_clipping(self, frame: Samples) -> None:
        """Lower the gain to what a louder frame bears: what seemed faint speech may have been silence."""
        if self._gain > 1.0:
            here = max(level(frame), 1.0)
            self._gain = max(1.0, min(self._gain, LEAST_SPEECH_LEVEL / here))

    def _amplified(self, frame: Samples) -> Samples:
        if self._gain == 1.0:
            return frame
        louder = np.clip(np.rint(self._gain * frame), -32768, 32767)
        return np.asarray(louder, np.int16)

    def has_speech(self, *, to_the_end: bool = False) -> bool:
        """Tell whether anything has been spoken so far.

        Until it was, it is measured at every second chunk, and where the answer has to
        hold for all of the sound, to its end.
        """
        since = len(self.raw) - self._quiet_at[0]
        if not self.raw:
            return False
        if not self._has_speech and (to_the_end or since >= 2 * CHUNK_FRAMES):
            _ = self.quiet
        return self._has_speech


class FirstPass:
    """The first decoding pass: words recognised as the sound comes, from little but the phrases.

    Attributes:
        fed: the number of frames given to the decoder.
        partial: the words since the last pause.
        said: all words so far.
        stable: the number of chunks for which these have not changed.
    """

    def __init__(self, recogniser: Recogniser) -> None:
        self._of = recogniser
        self._spans: list[list[str]] = []
        self.fed = self.stable = 0
        self.partial = self.said = ""

    @cached_property
    def _decoder(self) -> WordDecoder:
        """The decoder, asked for with the first sound."""
        return self._of.decoders.lend()

    @property
    def paused(self) -> bool:
        """Tell whether a pause has ended words."""
        return bool(self._spans)

    def decode(self, clean: list[Samples]) -> None:
        """Give the decoder the next chunk, and update the words."""
        if self._accept(clean[self.fed : self.fed + CHUNK_FRAMES]):
            texts = _texts(self._decoder.result())
            if texts[0].replace(UNKNOWN_WORD, "").strip():
                self._spans.append(texts)
        self.partial = str(
            json.loads(self._decoder.partial()).get("partial", "")
        ).strip()
        said = " ".join([*(texts[0] for texts in self._spans), self.partial]).strip()
        self.stable = self.stable + 1 if said == self.said else 0
        self.said = said

    def finish(self, clean: list[Samples]) -> None:
        """Give the decoder the rest of the sound."""
        self._accept(clean[self.fed :])

    def hearing(self, phrases: Container[str]) -> Hearing:
        """Return the recognised words; the decoder takes no more sound after this."""
        self._spans.append(_texts(self._of.decoders.finish(self._decoder)))
        return _decided(_joined([texts for texts in self._spans if texts[0]]), phrases)

    def _accept(self, frames: list[Samples]) -> bool:
        """Give the decoder some frames; tell whether a pause has ended words in them."""
        self.fed += len(frames)
        return bool(frames and self._decoder.accept(np.concatenate(frames).tobytes()))


class Judge:
    """Decides an utterance by its words and its sounds."""

    def __init__(self, recogniser: Recogniser, sound: UtteranceSound) -> None:
        self._of = recogniser
        self._sound = sound
        self._scored_at: tuple[int, PhraseScores] = 0, NO_SCORES

    def judge(self, heard: Hearing, *, whole: bool) -> Hearing:
        """Return a hearing with its phrase accepted, replaced or refused.

        Unless the utterance is whole, a phrase has to be over: it may be the prefix of
        another.
        """
        scorer = self._of.phrase_scorer
        if scorer is None:
            return heard
        scores = self.phrase_scores()
        heard = heard._replace(spoke=scores.spoke)
        if lacks_leading_silence(scores):
            return self._refused(heard, NO_QUIET_BEFORE)
        heard = self._by_both(heard, whole, scorer, scores)
        if heard.text not in self._of.phrases:
            return heard
        return heard._replace(doubt=doubt(heard.text, scores, scorer, heard.check))

    def is_clear(self) -> bool:
        """Tell whether the sounds so far accept a phrase that is over by themselves."""
        scorer = self._of.phrase_scorer
        own = (
            None
            if scorer is None
            else scorer.score_with_noise_net(np.concatenate(self._sound.raw))
        )
        if (
            scorer is None
            or own is None
            or not may_be_accepted_early(own, scorer, self._of.thresholds)
        ):
            return False
        fits = accepted_early(self.phrase_scores(own), scorer, self._of.thresholds)
        return fits is not None and self.is_over(fits)

    def _by_both(
        self, heard: Hearing, whole: bool, scorer: PhraseScorer, scores: PhraseScores
    ) -> Hearing:
        listed = heard.text in self._of.phrases
        if (
            listed
            and (whole or self.is_over(heard.text))
            and sounds_agree(heard.text, scores, scorer, self._of.thresholds)
        ):
            return heard
        if not whole and scores.quiet < SHORT_PAUSE_S:
            return self._refused(heard, "it may go on")
        unsounded = listed and not scorer.has_score(scores, heard.text)
        if not unsounded and not worth_second_pass(
            heard.text, scores, scorer, self._of.thresholds
        ):
            return self._unfit(heard, "the sounds do not fit")
        words = self._of.second_pass(np.concatenate(self._sound.clean))
        heard = heard._replace(check=words[0].text if words else "")
        if unsounded and scorer.means(heard.check or "") == scorer.means(heard.text):
            return heard
        likeliest = best_candidate(words, heard.text, scores, scorer)
        return self._with_phrase(heard, likeliest, scorer, whole)

    def _with_phrase(
        self,
        heard: Hearing,
        likeliest: Candidate | None,
        scorer: PhraseScorer,
        whole: bool,
    ) -> Hearing:
        """Return a hearing with the phrase that words and sounds together found, or with its own refused."""
        found = accepted_phrase(likeliest, self._of.thresholds)
        if (
            likeliest is None
            or found is None
            or not (whole or self.is_over(found, named=likeliest.passes > 0))
        ):
            return self._unfit(heard, "words and sounds do not agree")
        if scorer.means(found) == scorer.means(heard.text):
            return heard
        others = (
            text for text in (heard.text, *heard.alternatives) if text and text != found
        )
        return heard._replace(text=found, alternatives=tuple(others), fit=found)

    def _unfit(self, heard: Hearing, why: str) -> Hearing:
        enough = " well enough amid talk" if self._of.amid_talk else ""
        return self._refused(heard, why + enough)

    def _refused(self, heard: Hearing, why: str) -> Hearing:
        """Return a hearing with its phrase refused; unchanged where its text is no phrase."""
        if heard.text not in self._of.phrases:
            return heard
        return heard._replace(
            text=UNKNOWN_WORD,
            alternatives=(heard.text, *heard.alternatives),
            refused=why,
        )

    def is_over(self, phrase: str, *, named: bool = True) -> bool:
        """Tell whether a phrase has been spoken to its end, by the pause after it.

        What no pass `named` may lack the word that is just beginning. In noise the "th"
        of "rod three" looks like a pause, after which "rod two" fits the sounds best:
        three of four commands that were taken for another were that.
        """
        scorer, scores = self._of.phrase_scorer, self.phrase_scores()
        if scorer is not None and may_go_on(phrase, scores, scorer):
            return scores.quiet >= LONG_PAUSE_S
        return scores.quiet >= (SHORT_PAUSE_S if named else PAUSE_S)

    def phrase_scores(self, own: NoiseNetScores | None = None) -> PhraseScores:
        """Return the scores of the phrases over the sounds so far; once for the same sound."""
        scorer, count = self._of.phrase_scorer, len(self._sound.raw)
        if scorer is not None and self._scored_at[0] != count:
            raw, clean = (
                np.concatenate(self._sound.raw),
                np.concatenate(self._sound.clean),
            )
            self._scored_at = count, scorer.score_phrases(raw, clean, own=own)
        return self._scored_at[1]


class Decoding:
    """The state in which the first pass recognises words."""

    def __init__(self, attempt: Attempt) -> None:
        self._of = attempt
        self._next_pause = SHORT_PAUSE_S

    def after_frame(self) -> Hearing | Waiting | None:
        """Return the hearing where words end, or the next state for what is no phrase; None to go on."""
        words, sound, phrases = (
            self._of.words,
            self._of.sound,
            self._of.recogniser.phrases,
        )
        if self._is_noise():
            return None
        while len(sound.clean) - words.fed >= CHUNK_FRAMES:
            words.decode(sound.clean)
            ended = self._ends()
            if ended is None:
                continue
            heard = words.hearing(phrases)._replace(ended=ended, seconds=sound.seconds)
            judged = self._of.judge.judge(heard, whole=False)
            later = (
                self._of.recogniser.phrase_scorer is not None
                and judged.text not in phrases
            )
            return Waiting(self._of, heard) if later else judged
        return None

    def finish(self, ended: Ended) -> Hearing:
        """Return the hearing of the sound so far."""
        words, sound = self._of.words, self._of.sound
        if self._is_noise(to_the_end=True):
            return Hearing("", ended=ended, seconds=sound.seconds)
        words.finish(sound.clean)
        heard = words.hearing(self._of.recogniser.phrases)._replace(
            ended=ended, seconds=sound.seconds
        )
        return self._of.judge.judge(heard, whole=True)

    def _is_noise(self, *, to_the_end: bool = False) -> bool:
        """Tell whether nothing was spoken so far: then there are no words to decode."""
        return (
            self._of.recogniser.phrase_scorer is not None
            and not self._of.sound.has_speech(to_the_end=to_the_end)
        )

    def _ends(self) -> Ended | None:
        """Return what ends the words with the last chunk; None where nothing does."""
        words, recogniser = self._of.words, self._of.recogniser
        goes_on = words.said in recogniser.beginnings
        if words.paused and not words.partial and not goes_on:
            return "pause"
        if words.said in recogniser.phrases and words.stable >= (
            STABLE_PREFIX_CHUNKS if goes_on else STABLE_CHUNKS
        ):
            waits = (
                words.stable < STABLE_PREFIX_CHUNKS + PENDING_CHUNKS
                and self._is_sounding()
            )
            return None if waits else "pause" if goes_on else "phrase"
        return "phrase" if words.said and self._is_clear() else None

    def _is_sounding(self) -> bool:
        """Tell whether somebody is speaking, though the decoder may recognise no words."""
        return (
            self._of.recogniser.phrase_scorer is not None
            and self._of.sound.quiet < SHORT_PAUSE_S
        )

    def _is_clear(self) -> bool:
        """Tell whether the sounds accept a phrase that is over; they are asked three times in a pause."""
        if self._of.recogniser.phrase_scorer is None:
            return False
        still = self._of.sound.quiet
        if still < SHORT_PAUSE_S:
            self._next_pause = SHORT_PAUSE_S
        if still < self._next_pause:
            return False
        self._next_pause = next(
            (longer for longer in (PAUSE_S, LONG_PAUSE_S) if longer > still), math.inf
        )
        return self._of.judge.is_clear()


class Waiting:
    """A pending decision: the words are no phrase, or may go on; it waits for a pause or `PENDING_CHUNKS`."""

    def __init__(self, attempt: Attempt, heard: Hearing) -> None:
        self._of = attempt
        self._heard = heard
        self._until = len(attempt.sound.raw) + PENDING_CHUNKS * CHUNK_FRAMES
        self._asked = 0

    def after_frame(self) -> Hearing | None:
        """Return the hearing after a pause or the longest wait, with the phrase that fits; None to go on."""
        sound = self._of.sound
        if len(sound.raw) % CHUNK_FRAMES:
            return None
        still = sound.quiet
        last = still >= LONG_PAUSE_S or len(sound.raw) >= self._until
        self._asked = self._asked if still >= SHORT_PAUSE_S else 0
        if not last and still < (SHORT_PAUSE_S, PAUSE_S, LONG_PAUSE_S)[self._asked]:
            return None
        self._asked = 1 if still < PAUSE_S else 2
        judged = self._judged(whole=last)
        return judged if last or judged.text in self._of.recogniser.phrases else None

    def finish(self, _ended: Ended) -> Hearing:
        """Return the hearing of the sound so far."""
        return self._judged(whole=True)

    def _judged(self, *, whole: bool) -> Hearing:
        return self._of.judge.judge(self._heard, whole=whole)._replace(
            seconds=self._of.sound.seconds
        )


class Attempt:
    """One utterance being listened to.

    Attributes:
        recogniser: whose phrases are listened for.
        sound, words, judge: its frames, the words made out, and what weighs both.
    """

    def __init__(self, recogniser: Recogniser, judge: type[Judge] = Judge) -> None:
        self.recogniser = recogniser
        self.sound = UtteranceSound()
        self.words = FirstPass(recogniser)
        self.judge = judge(recogniser, self.sound)
        self._state: Decoding | Waiting = Decoding(self)

    @property
    def partial(self) -> str:
        """The words since the last pause, so far."""
        return self.words.partial

    @property
    def wordless(self) -> bool:
        """Return whether no word has been made out so far."""
        return (
            not self.words.paused
            and not self.words.partial.replace(UNKNOWN_WORD, "").strip()
        )

    @property
    def begins_like_none(self) -> bool:
        """Tell whether the words made out so far are no listed phrase, and no beginning of one."""
        said = self.words.said
        listed = said in self.recogniser.beginnings or said in self.recogniser.phrases
        return bool(said) and not listed

    @property
    def still(self) -> float:
        """Since when nothing is spoken, s: of the last second, as far as the sounds tell."""
        return (
            self.sound.quiet
            if self.recogniser.phrase_scorer is not None and self.sound.raw
            else 0.0
        )

    @property
    def still_lately(self) -> float:
        """The same, by a measurement of the last 0.2 s where there is one: cheaper."""
        known = self.recogniser.phrase_scorer is not None and self.sound.raw
        return self.sound.quiet_lately if known else 0.0

    def has_been_still(self, seconds: float) -> bool:
        """Tell whether nothing was spoken for so long, s, at most a second, up to now."""
        return self.still_lately >= seconds and self.sound.ask_quiet() >= seconds

    def accept_frame(self, frame: Samples) -> Hearing | None:
        """Take a frame of `SOUND_FRAME_SAMPLES` samples; return what was heard once that is decided."""
        self.sound.accept_frame(frame)
        if not self.sound.clean:
            return None
        if (
            isinstance(self._state, Decoding)
            and self.sound.seconds >= UTTERANCE_LIMIT_S
        ):
            return self.finish("time")
        outcome = self._state.after_frame()
        if isinstance(outcome, Waiting):
            self._state = outcome
            return None
        return outcome

    def finish(self, ended: Ended = "sound") -> Hearing:
        """Return the hearing of the sound so far."""
        if not self.sound.clean:
            self.sound.warm_up()
        return self._state.finish(ended)


def _decided(texts: list[str], phrases: Container[str]) -> Hearing:
    """Return the likeliest text, unless it is a slip away from the one listed phrase among the others.

    Words that are no listed phrase, with a listed phrase one word away that sounded
    nearly the same, are that phrase misheard. Where sounds were no word at all, or two
    phrases are as near, nothing is taken.
    """
    best, *rest = texts
    near = [text for text in rest if text in phrases and _a_slip(best, text)]
    if best in phrases or UNKNOWN_WORD in best or len(near) != 1:
        return Hearing(best, tuple(rest))
    return Hearing(near[0], tuple(text for text in texts if text != near[0]))


def _a_slip(heard: str, phrase: str) -> bool:
    """Tell whether what was heard is a phrase of three words or more with one word changed or lost.

    A word too many is how talk around a command's words looks, so that is no slip.
    """
    a, b = heard.split(), phrase.split()
    if len(b) < 3 or len(a) > len(b):
        return False
    same = next(
        (i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a)
    )
    return a[same:] == b[same + 1 :] or a[same + 1 :] == b[same + 1 :]


def _texts(result: str) -> list[str]:
    """Return the texts in one of vosk's results, the likeliest first; never an empty list."""
    found: dict[str, Any] = json.loads(result)
    return [str(item["text"]).strip() for item in found.get("alternatives", [])] or [""]


def _joined(spans: list[list[str]]) -> list[str]:
    """Return texts of the whole utterance: the best of every span, then with another choice in one span."""
    best = [texts[0] for texts in spans]
    swapped = [
        [*best[:i], other, *best[i + 1 :]]
        for i, texts in enumerate(spans)
        for other in texts[1:]
    ]
    return list(dict.fromkeys(" ".join(words) for words in [best, *swapped]))
