"""Utterance to words: vosk, narrowed to the command phrases, with decoys for all other talk.

An `Attempt` takes the frames of one utterance as they come and decides as soon as it can. Live and from a
clip the same frames go the same way from a fresh beginning, so the same clip gives the same words. What
is heard is decided so:

- words count only if the whole of them is one listed phrase (or a slip away from one, see `_decided`);
- a phrase whose sounds fit what was spoken ends it as soon as a moment of quiet follows;
- a phrase is taken once it has stood unchanged for a while and nothing more is spoken, one that may go on
  later than one that is not the beginning of others; what is no phrase is ended by a pause;
- what never ends is cut off;
- a phrase counts at once where its sounds fit what was spoken, and no other's do;
- else the utterance is heard a second time, among thousands of other words, and every phrase is weighed by
  both hearings and the sounds (`companion.voice.judging`): that may bear it out, find another one, or none;
- what begins without quiet before it was cut out of talk, and is none.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Container, Iterable, Mapping
from functools import cache, lru_cache
from hashlib import sha256
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import numpy as np

from companion.events import MarkKind
from companion.voice.acoustics import acoustics
from companion.voice.biphones import biphones
from companion.voice.grammar import ONES, TENS, Grammar
from companion.voice.heard import Ended, Hearing
from companion.voice.judging import (
    Words,
    agree,
    amid_talk,
    clear,
    could_be,
    could_be_clear,
    may_go_on,
    spoken,
    weighed,
)
from companion.voice.model import COMMON, COMMON_COUNT, ModelError
from companion.voice.sound import FRAME, FRAMES_A_SECOND, RATE, Samples, frames_of
from companion.voice.suppressor import Suppressor
from companion.voice.verifier import NOTHING, Laid, OwnScores, Verifier, quiet
from companion.voice.vocabulary import common_words

UNKNOWN = "[unk]"
"""What stands in a text for sounds that are no word offered."""
ALTERNATIVES, AGAIN = 3, 15
"""How many likeliest texts are asked for, at the first hearing and at the second."""
SHARE = 300
"""How often the phrases of a command are offered together. Found by trial."""
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

_NUMBERS = frozenset([*ONES, *TENS])
_KINDS = get_args(MarkKind)


class EngineError(ModelError):
    """The speech engine, or a library of the system that it needs, cannot be loaded."""

    remedy = "run hardware/install.sh again: it installs what is missing"

    def __init__(self, error: Exception) -> None:
        reason = str(error).partition(".  Additionally")[0]  # cffi looks in a second place, in vain
        self.what = f"the speech engine cannot be loaded: {reason}"
        super().__init__(f"{self.what}; {self.remedy}")


@cache
def _engine() -> Any:  # noqa: ANN401  (vosk has no types)
    """Return the speech engine; it is imported only where something is to be heard.

    Raises:
        EngineError: it cannot be loaded.
    """
    try:
        import vosk  # noqa: PLC0415
    except (ImportError, OSError) as error:
        raise EngineError(error) from error
    vosk.SetLogLevel(-1)
    return vosk


def decoys() -> list[str]:
    """Return the common words offered beside the commands, so that talk is not forced into a command."""
    lines = files("companion.voice").joinpath("decoys.txt").read_text(encoding="utf-8").splitlines()
    return sorted({word for line in lines if not line.startswith("#") for word in line.split()})


@lru_cache(maxsize=1)
def _model(folder: Path) -> Any:  # noqa: ANN401
    """Return the model of a folder; it takes half a second and 130 MB, so it is loaded once."""
    engine = _engine()
    try:
        return engine.Model(str(folder))
    except Exception as error:  # vosk raises nothing more precise
        raise ModelError(f"{folder}: vosk cannot load this model; fetch it again or name another") from error


class Recogniser:
    """Hears one utterance at a time; what it heard before never changes what it hears next."""

    def __init__(
        self,
        model: Path,
        phrases: Iterable[str] | Mapping[str, str],
        others: Iterable[str] | None = None,
        means: Callable[[str], object] | None = None,
    ) -> None:
        """Prepare to hear the phrases.

        Args:
            model: the folder of the speech model.
            phrases: every phrase that can be meant; as a mapping, each with the command it stands for.
            others: words of talk to be told from the phrases; None for `decoys()`. Those that are a
                whole phrase, or that the model does not know, are left out.
            means: gives what a phrase means, equal for wordings of the same, and None for what is none;
                with it the sounds are weighed too. Without it, or with a model whose network is laid out
                otherwise than that of the one fetched, the words alone count.

        Raises:
            ModelError: the model cannot be loaded, or does not know a word of the phrases.
        """
        self._model = _model(model)
        wanted = dict(phrases) if isinstance(phrases, Mapping) else {phrase: phrase for phrase in phrases}
        missing = sorted({word for phrase in wanted for word in phrase.split() if not self._knows(word)})
        if missing:
            raise ModelError(
                f"{model}: the speech model does not know {', '.join(missing)}; change the wording"
            )
        self.phrases = frozenset(wanted)
        self.beginnings = frozenset(
            " ".join(words[:n]) for words in map(str.split, wanted) for n in range(1, len(words))
        )
        self.verifier = _verifier(model, self.phrases, means) if means else None
        self._first = self._grammar(wanted, decoys() if others is None else others)
        self._second = self._grammar(wanted, _common(model)) if self.verifier else ""

    def _grammar(self, wanted: Mapping[str, str], others: Iterable[str]) -> str:
        offered = [word for word in others if word not in self.phrases and self._knows(word)]
        return json.dumps([*_weighted(wanted), *offered, UNKNOWN])

    def _knows(self, word: str) -> bool:
        return bool(self._model.vosk_model_find_word(word) >= 0)

    def begin(self) -> Attempt:
        """Return what takes the frames of one utterance."""
        return Attempt(self)

    def hear(self, samples: Samples) -> Hearing:
        """Return what is heard in one utterance; the text is empty when nothing was said."""
        attempt = self.begin()
        for frame in frames_of(samples):
            heard = attempt.take(frame)
            if heard is not None:
                return heard
        return attempt.finish()

    def decoder(self) -> Any:  # noqa: ANN401  (vosk has no types)
        """Return a fresh decoder for a first hearing."""
        decoder = _engine().KaldiRecognizer(self._model, RATE, self._first)
        decoder.SetMaxAlternatives(ALTERNATIVES)
        return decoder

    def again(self, clean: Samples) -> list[Words]:
        """Return what is heard in suppressed sound when thousands of other words are offered too."""
        decoder = _engine().KaldiRecognizer(self._model, RATE, self._second)
        decoder.SetMaxAlternatives(AGAIN)
        for start in range(0, len(clean), CHUNK * FRAME):
            decoder.AcceptWaveform(clean[start : start + CHUNK * FRAME].tobytes())
        found = json.loads(decoder.FinalResult()).get("alternatives", [])
        return [Words(str(one["text"]).strip(), float(one["confidence"])) for one in found]


def _verifier(model: Path, phrases: Iterable[str], means: Callable[[str], object]) -> Verifier | None:
    """Return what lays the phrases over the sounds; None for a model that is laid out otherwise."""
    network, pairs = acoustics(model), biphones(model)
    return Verifier(phrases, means, network, pairs) if network and pairs else None


def for_grammar(model: Path, grammar: Grammar) -> Recogniser:
    """Return a recogniser for all that can be said aboard.

    Raises:
        ModelError: the model cannot be loaded, or does not know a word of the grammar.
    """
    return Recogniser(model, grammar.meanings, means=grammar.parse)


class Attempt:
    """One utterance being listened to."""

    def __init__(self, recogniser: Recogniser) -> None:
        self._of = recogniser
        self._decoder = recogniser.decoder()
        self._suppressor = Suppressor()
        self._raw: list[Samples] = []
        self._before: list[Samples] = []
        self._clean: list[Samples] = []
        self._fed = 0
        self._count = 0
        self._spans: list[list[str]] = []
        self._steady = 0
        self._said = ""
        self._laid_at: tuple[int, Laid] = 0, NOTHING
        self._late: tuple[Hearing, int] | None = None
        self._asked = 0
        self._quiet_at: tuple[int, float] = -2 * CHUNK, 0.0
        self._next_pause = QUIET
        self.partial = ""

    @property
    def wordless(self) -> bool:
        """Whether no word has been made out so far."""
        return not self._spans and not self.partial.replace(UNKNOWN, "").strip()

    @property
    def still(self) -> float:
        """Since when nothing is spoken, s: of the last second, as far as the sounds tell."""
        return self._quiet() if self._of.verifier is not None and self._raw else 0.0

    @property
    def still_lately(self) -> float:
        """The same as it was looked at within the last 0.2 s: cheaper."""
        at, was = self._quiet_at
        fresh = self._raw and self._count - at <= 2 * CHUNK
        return was + (self._count - at) / FRAMES_A_SECOND if fresh and was else self.still

    @property
    def _seconds(self) -> float:
        """How long the utterance is so far."""
        return self._count / FRAMES_A_SECOND

    def take(self, frame: Samples) -> Hearing | None:
        """Take a frame of `FRAME` samples; return what was heard once that is decided."""
        self._count += 1
        self._raw.append(frame)
        if self._late is not None:
            self._clean.append(self._suppressor.clean(frame))
            return None if self._count % CHUNK else self._waited(*self._late)
        if self._count < RUN_IN:
            self._before.append(frame)
            return None
        if self._count == RUN_IN:
            self._run_in([*self._before, frame])
        else:
            self._clean.append(self._suppressor.clean(frame))
        if self._count >= LONGEST * FRAMES_A_SECOND:
            return self.finish("time")
        return self._decode() if len(self._clean) - self._fed >= CHUNK else None

    def _waited(self, heard: Hearing, until: int) -> Hearing | None:
        """Return what was heard once it is quiet or waited for long: the phrase that fits, else as it was."""
        still = self._quiet()
        last = still >= OVER or self._count >= until
        self._asked = self._asked if still >= QUIET else 0
        if not last and still < (QUIET, CALM, OVER)[self._asked]:
            return None
        self._asked = 1 if still < CALM else 2
        judged = self._judged(heard, whole=last)._replace(seconds=self._seconds)
        return judged if last or judged.text in self._of.phrases else None

    def finish(self, ended: Ended = "sound") -> Hearing:
        """Return what was heard up to here."""
        if self._late is not None:
            return self._judged(self._late[0], whole=True)._replace(seconds=self._seconds)
        if self._count < RUN_IN:
            self._run_in(self._before)
        self._accept()
        return self._judged(self._words(ended), whole=True)

    def _run_in(self, frames: list[Samples]) -> None:
        """Let the suppressor learn the noise from the first frames, then clean these."""
        for frame in frames:
            self._suppressor.clean(frame)
        self._clean = [self._suppressor.clean(frame) for frame in frames]

    def _decode(self) -> Hearing | None:
        """Give the decoder what it has not got yet; return what was heard where that ends the utterance."""
        while len(self._clean) - self._fed >= CHUNK:
            if self._accept(CHUNK):
                texts = _texts(self._decoder.Result())
                if texts[0].replace(UNKNOWN, "").strip():
                    self._spans.append(texts)
            ended = self._ends()
            if ended is not None:
                words = self._words(ended)
                return self._or_later(words, self._judged(words, whole=False))
        return None

    def _or_later(self, words: Hearing, judged: Hearing) -> Hearing | None:
        """Return a phrase; what is none waits for more sounds, for the words may have ended too early."""
        if self._of.verifier is not None and judged.text not in self._of.phrases:
            self._late = words, self._count + LATE * CHUNK
            return None
        return judged

    def _accept(self, count: int | None = None) -> bool:
        """Give the decoder the next frames; tell whether with them a pause has ended words."""
        frames = self._clean[self._fed : None if count is None else self._fed + count]
        self._fed += len(frames)
        return bool(frames and self._decoder.AcceptWaveform(np.concatenate(frames).tobytes()))

    def _ends(self) -> Ended | None:
        """Tell what, if anything, ends the utterance with the chunk just taken."""
        self.partial = str(json.loads(self._decoder.PartialResult()).get("partial", "")).strip()
        said = " ".join([*(texts[0] for texts in self._spans), self.partial]).strip()
        self._steady = self._steady + 1 if said == self._said else 0
        self._said = said
        goes_on = said in self._of.beginnings
        if self._spans and not self.partial and not goes_on:
            return "pause"
        if said in self._of.phrases and self._steady >= (GOES_ON if goes_on else STEADY):
            waits = self._steady < GOES_ON + LATE and self._sounding()
            return None if waits else "pause" if goes_on else "phrase"
        return self._ends_by_sound() if said else None

    def _quiet(self) -> float:
        """Return since when nothing is spoken, s, by the last second.

        While somebody speaks it is looked at every second chunk only: in one the quiet cannot become as
        long as any that matters.
        """
        at, was = self._quiet_at
        if self._count == at or (was == 0.0 and self._count - at <= CHUNK):
            return was
        now = quiet(np.concatenate(self._raw[-FRAMES_A_SECOND:]))
        self._quiet_at = self._count, now
        return now

    def _sounding(self) -> bool:
        """Tell whether something is spoken, though the decoder may make no words of it."""
        return self._of.verifier is not None and self._quiet() < QUIET

    def _ends_by_sound(self) -> Ended | None:
        """Tell whether the sounds so far fit a phrase that is over."""
        if self._of.verifier is None:
            return None
        still = self._quiet()
        if still < QUIET:
            self._next_pause = QUIET
        if still < self._next_pause:
            return None
        self._next_pause = next((longer for longer in (CALM, OVER) if longer > still), math.inf)
        own = self._of.verifier.score(np.concatenate(self._raw))
        if own is None or not could_be_clear(own, self._of.verifier):
            return None
        fits = clear(self._laid(own), self._of.verifier)
        return "phrase" if fits is not None and self._is_over(fits) else None

    def _words(self, ended: Ended) -> Hearing:
        """Return what the words are that were made out."""
        self._spans.append(_texts(self._decoder.FinalResult()))
        heard = _decided(_joined([texts for texts in self._spans if texts[0]]), self._of.phrases)
        return heard._replace(ended=ended, seconds=self._seconds)

    def _judged(self, heard: Hearing, whole: bool) -> Hearing:
        """Return what was heard when the sounds are weighed with the words.

        Unless the whole utterance is there, a phrase has to be over: its beginning may be another.
        """
        verifier = self._of.verifier
        if verifier is None:
            return heard
        heard = heard._replace(spoke=self._laid().spoke)
        if amid_talk(self._laid()):
            return self._refused(heard, "no quiet before it")
        return self._by_both(heard, whole, verifier, self._laid())

    def _by_both(self, heard: Hearing, whole: bool, verifier: Verifier, laid: Laid) -> Hearing:
        listed = heard.text in self._of.phrases
        if listed and (whole or self._is_over(heard.text)) and agree(heard.text, laid, verifier):
            return heard
        if not whole and laid.quiet < QUIET:
            return self._refused(heard, "it may go on")
        unsounded = listed and not verifier.is_laid(laid, heard.text)
        if not unsounded and not could_be(heard.text, laid, verifier):
            return self._refused(heard, "the sounds do not fit")
        words = self._of.again(np.concatenate(self._clean))
        heard = heard._replace(check=words[0].text if words else "")
        if unsounded and verifier.means(heard.check or "") == verifier.means(heard.text):
            return heard
        return self._weighed(heard, spoken(weighed(words, heard.text, laid, verifier)), verifier, whole)

    def _weighed(self, heard: Hearing, found: str | None, verifier: Verifier, whole: bool) -> Hearing:
        """Return what was heard once words and sounds together have found a phrase, or none."""
        if found is None or not (whole or self._is_over(found)):
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

    def _is_over(self, phrase: str) -> bool:
        """Tell whether a phrase has been spoken to its end, by how long nothing is spoken."""
        verifier = self._of.verifier
        goes_on = verifier is not None and may_go_on(phrase, self._laid(), verifier)
        return self._laid().quiet >= (OVER if goes_on else QUIET)

    def _laid(self, own: OwnScores | None = None) -> Laid:
        """Return how the phrases fit the sounds so far; asked twice of the same sound, they are laid once."""
        if self._of.verifier is not None and self._laid_at[0] != self._count:
            self._laid_at = (
                self._count,
                self._of.verifier.lay(np.concatenate(self._raw), np.concatenate(self._clean), own=own),
            )
        return self._laid_at[1]


def _common(model: Path) -> list[str]:
    """Return the model's commonest words: those written beside it when it was fetched, else from itself."""
    written = model / COMMON
    if written.is_file():
        return written.read_text(encoding="utf-8").split()
    return common_words(model, COMMON_COUNT)


def _weighted(phrases: Mapping[str, str]) -> list[str]:
    """Return the phrases, each as many times as it is to count, by the command that each stands for.

    vosk makes word-pair probabilities from the phrases it is given. Undone, the two hundred weights of a
    fish would make "log" the likeliest word of all, and "rod two" would be heard as "log two". Every
    command therefore counts the same; its wordings share that, and phrases that differ only in numbers, or
    in what is marked, share the wording's. Of these only so many are given that every pair of words
    in them occurs: the others would add nothing but weight.
    """
    pairs: set[tuple[str, str, str]] = set()
    given: list[tuple[str, str, str]] = []
    for phrase in _shuffled(phrases):
        shape, words = _shape(phrase), phrase.split()
        new = {(shape, a, b) for a, b in pairwise(["", *words, ""])} - pairs
        pairs |= new
        given += [(phrases[phrase], shape, phrase)] if new else []
    alike = Counter((command, shape) for command, shape, _ in given)
    wordings = Counter(command for command, _ in alike)
    return [
        phrase
        for command, shape, phrase in given
        for _ in range(max(1, round(SHARE / wordings[command] / alike[command, shape])))
    ]


def _shuffled(phrases: Iterable[str]) -> list[str]:
    """Return phrases in an order that is no order, but always the same."""
    return sorted(phrases, key=lambda phrase: sha256(phrase.encode()).digest())


def _shape(phrase: str) -> str:
    """Return a phrase without what can be exchanged in it: its numbers, and what is marked."""
    kind = next((kind for kind in _KINDS if kind in phrase), "")
    rest = phrase.replace(kind, "@") if kind and phrase.startswith("mark ") else phrase
    return " ".join("#" if word in _NUMBERS else word for word in rest.split())


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
