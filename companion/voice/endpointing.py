"""When an utterance is over, and what it was.

An `Attempt` takes the frames of one utterance as they come and decides as soon as it can. It is in one of
two states. While it is `Decoding`, words are made out until a phrase, a pause, or too long a time ends them.
What is a phrase by then, and fits the sounds, is taken. What is none, or may go on, is `Waiting` for quiet,
at which it is judged anew: the words may have ended too early.
"""

from __future__ import annotations

import json
import math
from collections.abc import Container
from typing import TYPE_CHECKING, Any

import numpy as np

from companion.voice.heard import NO_QUIET_BEFORE, UNKNOWN, Ended, Hearing
from companion.voice.judging import (
    agree,
    amid_talk,
    clear,
    could_be,
    could_be_clear,
    doubt,
    may_go_on,
    spoken,
    weighed,
)
from companion.voice.sound import FRAMES_A_SECOND, Samples
from companion.voice.suppressor import Suppressor
from companion.voice.verifier import NOTHING, Laid, OwnScores, Verifier, quiet

if TYPE_CHECKING:
    from companion.voice.recogniser import Recogniser

CHUNK = 5
"""Frames the decoder is given at once: a tenth of a second."""
RUN_IN = 20
"""Frames at the beginning, before the first word, that the suppressor learns the noise from (0.4 s)."""
STEADY = 3
"""Chunks for which a phrase has to stand unchanged before it is taken."""
GOES_ON = 9
"""The same for a phrase that is the beginning of longer ones: "log fish ...". The words come late out of
the decoder: at 6 the invented day loses two marks whose depth was cut off, at 9 none."""
QUIET, CALM, OVER = 0.14, 0.24, 0.5
"""How long nothing may have been spoken, s, for a phrase to be over; for it to be judged anew, should it not
have been taken then; and for one to be over that may go on, or for all to be (a quarter of a second between a
phrase's parts looks like 0.44)."""
LATE = 20
"""Chunks that are waited at most for quiet where the words are no phrase, or one that may go on: misheard,
they may end too early, amid "mark a ledge forty yards"."""
LONGEST = 6.0
"""An utterance is cut here, s: no command takes that long, and in wind some would never end."""


class UtteranceSound:
    """The frames of an utterance, as they came and with their noise taken down.

    Attributes:
        raw: as they came.
        clean: the same with the noise taken down, once it is known.
    """

    def __init__(self) -> None:
        self.raw: list[Samples] = []
        self.clean: list[Samples] = []
        self._suppressor = Suppressor()
        self._quiet_at: tuple[int, float] = -2 * CHUNK, 0.0

    def accept_frame(self, frame: Samples) -> None:
        """Take the next frame."""
        self.raw.append(frame)
        if len(self.raw) == RUN_IN:
            self.run_in()
        elif len(self.raw) > RUN_IN:
            self.clean.append(self._suppressor.clean(frame))

    def run_in(self) -> None:
        """Let the suppressor learn the noise from the frames so far, then clean these."""
        for frame in self.raw:
            self._suppressor.clean(frame)
        self.clean = [self._suppressor.clean(frame) for frame in self.raw]

    @property
    def seconds(self) -> float:
        """How long it is, s."""
        return len(self.raw) / FRAMES_A_SECOND

    @property
    def quiet(self) -> float:
        """Since when nothing is spoken, s, by the last second.

        While somebody speaks it is looked at every second chunk only: in one the quiet cannot become as
        long as any that matters.
        """
        (at, was), now = self._quiet_at, len(self.raw)
        if now != at and (was > 0.0 or now - at > CHUNK):
            was = quiet(np.concatenate(self.raw[-FRAMES_A_SECOND:]))
            self._quiet_at = now, was
        return was

    @property
    def quiet_lately(self) -> float:
        """The same by what was looked at within the last 0.2 s: cheaper."""
        (at, was), now = self._quiet_at, len(self.raw)
        return was + (now - at) / FRAMES_A_SECOND if was and now - at <= 2 * CHUNK else self.quiet


class FirstPass:
    """Words made out as the sound comes, by a decoder that has little but the phrases to choose from.

    Attributes:
        fed: frames that the decoder has been given.
        partial: words since the last pause.
        said: all words so far.
        steady: chunks for which these have stood unchanged.
        paused: a pause has ended words.
    """

    def __init__(self, recogniser: Recogniser) -> None:
        self._decoder = recogniser.decoder()
        self._spans: list[list[str]] = []
        self.fed = self.steady = 0
        self.partial = self.said = ""

    @property
    def paused(self) -> bool:
        """Whether a pause has ended words."""
        return bool(self._spans)

    def decode(self, clean: list[Samples]) -> None:
        """Give the decoder the next chunk, and take note of the words."""
        if self._accept(clean[self.fed : self.fed + CHUNK]):
            texts = _texts(self._decoder.Result())
            if texts[0].replace(UNKNOWN, "").strip():
                self._spans.append(texts)
        self.partial = str(json.loads(self._decoder.PartialResult()).get("partial", "")).strip()
        said = " ".join([*(texts[0] for texts in self._spans), self.partial]).strip()
        self.steady = self.steady + 1 if said == self.said else 0
        self.said = said

    def finish(self, clean: list[Samples]) -> None:
        """Give the decoder all that it has not got yet."""
        self._accept(clean[self.fed :])

    def hearing(self, phrases: Container[str]) -> Hearing:
        """Return what was made out; no more can be given to the decoder."""
        self._spans.append(_texts(self._decoder.FinalResult()))
        return _decided(_joined([texts for texts in self._spans if texts[0]]), phrases)

    def _accept(self, frames: list[Samples]) -> bool:
        """Give the decoder some frames; tell whether with them a pause has ended words."""
        self.fed += len(frames)
        return bool(frames and self._decoder.AcceptWaveform(np.concatenate(frames).tobytes()))


class Judge:
    """Weighs words and sounds of an utterance."""

    def __init__(self, recogniser: Recogniser, sound: UtteranceSound) -> None:
        self._of = recogniser
        self._sound = sound
        self._laid_at: tuple[int, Laid] = 0, NOTHING

    def judge(self, heard: Hearing, *, whole: bool) -> Hearing:
        """Return what was heard when the sounds are weighed with the words.

        Unless the whole utterance is there, a phrase has to be over: its beginning may be another.
        """
        verifier = self._of.verifier
        if verifier is None:
            return heard
        laid = self.laid()
        heard = heard._replace(spoke=laid.spoke)
        if amid_talk(laid):
            return self._refused(heard, NO_QUIET_BEFORE)
        heard = self._by_both(heard, whole, verifier, laid)
        if heard.text not in self._of.phrases:
            return heard
        return heard._replace(doubt=doubt(heard.text, laid, verifier, heard.check))

    def is_clear(self) -> bool:
        """Tell whether the sounds so far fit a phrase that is over, and no other as well."""
        verifier = self._of.verifier
        own = None if verifier is None else verifier.score(np.concatenate(self._sound.raw))
        if verifier is None or own is None or not could_be_clear(own, verifier):
            return False
        fits = clear(self.laid(own), verifier)
        return fits is not None and self.is_over(fits)

    def _by_both(self, heard: Hearing, whole: bool, verifier: Verifier, laid: Laid) -> Hearing:
        listed = heard.text in self._of.phrases
        if listed and (whole or self.is_over(heard.text)) and agree(heard.text, laid, verifier):
            return heard
        if not whole and laid.quiet < QUIET:
            return self._refused(heard, "it may go on")
        unsounded = listed and not verifier.is_laid(laid, heard.text)
        if not unsounded and not could_be(heard.text, laid, verifier):
            return self._refused(heard, "the sounds do not fit")
        words = self._of.again(np.concatenate(self._sound.clean))
        heard = heard._replace(check=words[0].text if words else "")
        if unsounded and verifier.means(heard.check or "") == verifier.means(heard.text):
            return heard
        return self._weighed(heard, spoken(weighed(words, heard.text, laid, verifier)), verifier, whole)

    def _weighed(self, heard: Hearing, found: str | None, verifier: Verifier, whole: bool) -> Hearing:
        """Return what was heard once words and sounds together have found a phrase, or none."""
        if found is None or not (whole or self.is_over(found)):
            return self._refused(heard, "words and sounds do not agree")
        if verifier.means(found) == verifier.means(heard.text):
            return heard
        others = (text for text in (heard.text, *heard.alternatives) if text and text != found)
        return heard._replace(text=found, alternatives=tuple(others), fit=found)

    def _refused(self, heard: Hearing, why: str) -> Hearing:
        """Return what was heard with its phrase refused; where it is none, as it is."""
        if heard.text not in self._of.phrases:
            return heard
        return heard._replace(text=UNKNOWN, alternatives=(heard.text, *heard.alternatives), refused=why)

    def is_over(self, phrase: str) -> bool:
        """Tell whether a phrase has been spoken to its end, by how long nothing is spoken."""
        verifier = self._of.verifier
        goes_on = verifier is not None and may_go_on(phrase, self.laid(), verifier)
        return self.laid().quiet >= (OVER if goes_on else QUIET)

    def laid(self, own: OwnScores | None = None) -> Laid:
        """Return how the phrases fit the sounds so far; asked twice of the same sound, they are laid once."""
        verifier, count = self._of.verifier, len(self._sound.raw)
        if verifier is not None and self._laid_at[0] != count:
            raw, clean = np.concatenate(self._sound.raw), np.concatenate(self._sound.clean)
            self._laid_at = count, verifier.lay(raw, clean, own=own)
        return self._laid_at[1]


class Decoding:
    """Words are being made out."""

    def __init__(self, attempt: Attempt) -> None:
        self._of = attempt
        self._next_pause = QUIET

    def after_frame(self) -> Hearing | Waiting | None:
        """Return what was heard where words end; what is no phrase waits for more sounds."""
        words, sound, phrases = self._of.words, self._of.sound, self._of.recogniser.phrases
        while len(sound.clean) - words.fed >= CHUNK:
            words.decode(sound.clean)
            ended = self._ends()
            if ended is None:
                continue
            heard = words.hearing(phrases)._replace(ended=ended, seconds=sound.seconds)
            judged = self._of.judge.judge(heard, whole=False)
            later = self._of.recogniser.verifier is not None and judged.text not in phrases
            return Waiting(self._of, heard) if later else judged
        return None

    def finish(self, ended: Ended) -> Hearing:
        """Return what was heard up to here."""
        words, sound = self._of.words, self._of.sound
        words.finish(sound.clean)
        heard = words.hearing(self._of.recogniser.phrases)._replace(ended=ended, seconds=sound.seconds)
        return self._of.judge.judge(heard, whole=True)

    def _ends(self) -> Ended | None:
        """Tell what, if anything, ends the words with the chunk just taken."""
        words, recogniser = self._of.words, self._of.recogniser
        goes_on = words.said in recogniser.beginnings
        if words.paused and not words.partial and not goes_on:
            return "pause"
        if words.said in recogniser.phrases and words.steady >= (GOES_ON if goes_on else STEADY):
            waits = words.steady < GOES_ON + LATE and self._is_sounding()
            return None if waits else "pause" if goes_on else "phrase"
        return "phrase" if words.said and self._is_clear() else None

    def _is_sounding(self) -> bool:
        """Tell whether something is spoken, though the decoder may make no words of it."""
        return self._of.recogniser.verifier is not None and self._of.sound.quiet < QUIET

    def _is_clear(self) -> bool:
        """Tell whether the sounds fit a phrase that is over; asked three times in a pause."""
        if self._of.recogniser.verifier is None:
            return False
        still = self._of.sound.quiet
        if still < QUIET:
            self._next_pause = QUIET
        if still < self._next_pause:
            return False
        self._next_pause = next((longer for longer in (CALM, OVER) if longer > still), math.inf)
        return self._of.judge.is_clear()


class Waiting:
    """Words have ended that are no phrase, or may go on: waiting for quiet, or for `LATE` chunks."""

    def __init__(self, attempt: Attempt, heard: Hearing) -> None:
        self._of = attempt
        self._heard = heard
        self._until = len(attempt.sound.raw) + LATE * CHUNK
        self._asked = 0

    def after_frame(self) -> Hearing | None:
        """Return what was heard once it is quiet or waited for long: the phrase that fits, else as it was."""
        sound = self._of.sound
        if len(sound.raw) % CHUNK:
            return None
        still = sound.quiet
        last = still >= OVER or len(sound.raw) >= self._until
        self._asked = self._asked if still >= QUIET else 0
        if not last and still < (QUIET, CALM, OVER)[self._asked]:
            return None
        self._asked = 1 if still < CALM else 2
        judged = self._judged(whole=last)
        return judged if last or judged.text in self._of.recogniser.phrases else None

    def finish(self, _ended: Ended) -> Hearing:
        """Return what was heard up to here."""
        return self._judged(whole=True)

    def _judged(self, *, whole: bool) -> Hearing:
        return self._of.judge.judge(self._heard, whole=whole)._replace(seconds=self._of.sound.seconds)


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
        """Whether no word has been made out so far."""
        return not self.words.paused and not self.words.partial.replace(UNKNOWN, "").strip()

    @property
    def still(self) -> float:
        """Since when nothing is spoken, s: of the last second, as far as the sounds tell."""
        return self.sound.quiet if self.recogniser.verifier is not None and self.sound.raw else 0.0

    @property
    def still_lately(self) -> float:
        """The same by what was looked at within the last 0.2 s: cheaper."""
        known = self.recogniser.verifier is not None and self.sound.raw
        return self.sound.quiet_lately if known else 0.0

    def take(self, frame: Samples) -> Hearing | None:
        """Take a frame of `FRAME` samples; return what was heard once that is decided."""
        self.sound.accept_frame(frame)
        if not self.sound.clean:
            return None
        if isinstance(self._state, Decoding) and self.sound.seconds >= LONGEST:
            return self.finish("time")
        outcome = self._state.after_frame()
        if isinstance(outcome, Waiting):
            self._state = outcome
            return None
        return outcome

    def finish(self, ended: Ended = "sound") -> Hearing:
        """Return what was heard up to here."""
        if not self.sound.clean:
            self.sound.run_in()
        return self._state.finish(ended)


def _decided(texts: list[str], phrases: Container[str]) -> Hearing:
    """Return the likeliest text, unless it is a slip away from the one listed phrase among the others.

    Words that are no listed phrase, with a listed phrase one word away that sounded nearly the same, are
    that phrase misheard. Where sounds were no word at all, or two phrases are as near, nothing is taken.
    """
    best, *rest = texts
    near = [text for text in rest if text in phrases and _a_slip(best, text)]
    if best in phrases or UNKNOWN in best or len(near) != 1:
        return Hearing(best, tuple(rest))
    return Hearing(near[0], tuple(text for text in texts if text != near[0]))


def _a_slip(heard: str, phrase: str) -> bool:
    """Tell whether what was heard is a phrase of three words or more with one word changed or lost.

    A word too many is how talk around a command's words looks, so that is no slip.
    """
    a, b = heard.split(), phrase.split()
    if len(b) < 3 or len(a) > len(b):
        return False
    same = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    return a[same:] == b[same + 1 :] or a[same + 1 :] == b[same + 1 :]


def _texts(result: str) -> list[str]:
    """Return the texts in one of vosk's results, the likeliest first; never an empty list."""
    found: dict[str, Any] = json.loads(result)
    return [str(item["text"]).strip() for item in found.get("alternatives", [])] or [""]


def _joined(spans: list[list[str]]) -> list[str]:
    """Return texts of the whole utterance: the best of every span, then with another choice in one span."""
    best = [texts[0] for texts in spans]
    swapped = [[*best[:i], other, *best[i + 1 :]] for i, texts in enumerate(spans) for other in texts[1:]]
    return list(dict.fromkeys(" ".join(words) for words in [best, *swapped]))
