"""Which phrase was spoken, when the words made out and the sounds spoken are weighed together.

The decoder (`companion.voice.recogniser`) knows how people speak and strings words together pair by pair;
the verifier (`companion.voice.verifier`) lays whole phrases over the sounds, and learned from synthesized
speech. Each errs where the other does not: of 114 utterances of 3,200 that were missed in noise (voices for
choosing) the sounds fitted what was said best in 87; of 12 taken for another command the two had named
different phrases in 7, and in 3 the decoder none. So where they do not name the same, every phrase is
weighed by both, against the likeliest words of any kind and the likeliest sounds of any kind.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from typing import NamedTuple

from companion.voice.verifier import CLEARLY, NEVER, SHORTEST, Fit, Laid, Verifier

UNHEARD, OTHER_HEARD = 12.0, 8.0
"""What a phrase is taken to be behind by its words that the decoder does not even name (natural log); and
where the likeliest words are another phrase. At 9 for the first, in three hours of people's talk (for
choosing) five words unknown to the decoder ("slash") were taken for "snagged" and the like. Of what was
heard the same twice while another's sounds fitted better, 12 of 14 were right where these were ahead by less
than 10, and 18 of 20 wrong else."""
FEW = 5
"""A phrase of so few sounds has to be named by the decoder: "snagged" is like too many words it knows not."""
TALK, TALK_TWICE, TALK_UNHEARD = 5.0, 6.0, 6.0
"""How far by both a phrase may be behind words that are no phrase; how much more these count where they were
heard at both hearings; and what it counts beside them that the phrase is not named. In two hours of people's
talk "what for" was twice taken for "rod four"; one in eighty commands in noise (voices for choosing, 5 dB) is
lost by this."""
HARDLY, HARDLY_ELSE = 7.0, 3.0
"""How far behind a phrase may be by its sounds, for each of them, that was heard twice; and that was heard
otherwise the second time. Of short sentences by people (n 116, quiet) none is behind by 6, one in eight by 3;
at 5 for the first, people lost one in thirty."""
AMID = 0.3
"""How long nothing is spoken before a command, s. What begins sooner was cut out of talk that went on: "I
didn't | do that". In noise (5 dB) not one command of 336 seemed to begin sooner."""
NEAR = 15.0
"""Another wording so little behind, by its sounds, may be the one that was spoken."""
UNFIT = 30.0
"""No phrase is further behind than this by its sounds: one sound left out in noise costs so much."""
BEHIND, BEHIND_A_SOUND = 10.0, 0.6
"""How far behind a phrase may be by both: so much, and so much more for each of its sounds."""
AGREE = 4.0
"""How far behind, likewise, a phrase may be by its sounds for no second hearing to be needed."""
FAR, FAR_FOR_ONE = 25.0, 10.0
"""How much better another phrase has to fit than the one that was heard twice, for this to be misheard; and
where the other fits very well: people's sounds hardly ever fit very well what was learned from synthesized
speech, and refusing what they are not the best fit for costs one of eight of their phrases."""
APART = 5.0
"""How far ahead of any that means something else it has to be by both."""


class Words(NamedTuple):
    """Words that a decoder made out, and the natural log of their likelihood up to a constant."""

    text: str
    logs: float


class Weighed(NamedTuple):
    """A phrase, how far behind the likeliest of any kind it is (words, sounds), and its count of sounds."""

    phrase: str
    words: float
    sounds: float
    length: int

    @property
    def both(self) -> float:
        """How far behind it is by both."""
        return self.words + max(self.sounds, -UNFIT)

    @property
    def beside_talk(self) -> float:
        """The same, beside words that are no phrase."""
        return max(self.words, -TALK_UNHEARD) + max(self.sounds, -UNFIT)


def weighed(words: Sequence[Words], first: str, laid: Laid, verifier: Verifier) -> list[Weighed]:
    """Return what each of the phrases named by either means, the likeliest first.

    What is far behind words that are no phrase, by words and sounds together, is left out: it was talk.

    Args:
        words: what a decoder made out that had other words to choose from too, the likeliest first.
        first: what was made out at the first hearing.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    best = max((one.logs for one in words), default=0.0)
    by_words = {one.text: one.logs - best for one in words}
    least = -_unnamed(words[0].text if words else "", verifier)
    named = [*by_words, *(fit.phrase for fit in laid.fits)]
    found: dict[object, Weighed] = {}
    for phrase in named:
        meant, ratio = verifier.means(phrase), verifier.ratio(laid, phrase)
        few = phrase not in by_words and phrase != first and verifier.count(phrase) <= FEW
        if meant is None or ratio is None or few:
            continue
        one = Weighed(phrase, max(by_words.get(phrase, least), least), ratio, verifier.count(phrase))
        found[meant] = _likelier(found.get(meant), one)
    talk = _talk(by_words, first, laid, verifier) - TALK
    return sorted((one for one in found.values() if one.beside_talk >= talk), key=lambda one: -one.both)


def _talk(by_words: Mapping[str, float], first: str, laid: Laid, verifier: Verifier) -> float:
    """Return how far behind the likeliest words that are no phrase are, by words and sounds."""
    behind = {text: logs for text, logs in by_words.items() if verifier.means(text) is None}
    if first == next(iter(by_words), None) and first in behind:
        behind[first] += TALK_TWICE
    fits = verifier.fitting(laid, [text for text in behind if text])
    return max((behind[text] + max(ratio, -UNFIT) for text, ratio in fits.items()), default=-math.inf)


def _unnamed(likeliest: str, verifier: Verifier) -> float:
    """Return how far behind a phrase is that the decoder does not name, by what it names first."""
    return UNHEARD if verifier.means(likeliest) is None else OTHER_HEARD


def _likelier(one: Weighed | None, other: Weighed) -> Weighed:
    """Return two wordings of the same as one: what is likelier of them, by the words and by the sounds."""
    if one is None:
        return other
    phrase = max(one, other, key=lambda w: w.both)
    return phrase._replace(words=max(one.words, other.words), sounds=max(one.sounds, other.sounds))


def spoken(candidates: Sequence[Weighed]) -> str | None:
    """Return the phrase that was spoken, if any is likely enough and well ahead of what means another."""
    if not candidates:
        return None
    best, *rest = candidates
    if not _likely(best.both, best.length):
        return None
    ahead = best.both - (rest[0].both if rest else -math.inf)
    return best.phrase if ahead >= APART else None


def borne_out(phrase: str, again: str, candidates: Sequence[Weighed], laid: Laid, verifier: Verifier) -> bool:
    """Tell whether a phrase that the words are is left standing by a second hearing and by the sounds.

    The second hearing has to be the same, or has to have half of its words and to be no other phrase: talk
    taken for a command hardly ever has a word of it the second time, a command in noise often has one word
    wrong. The sounds may speak for another, but not by far: people's fit badly what was learned from
    synthesized speech.

    Args:
        phrase: what the words are.
        again: what was heard the second time.
        candidates: what is not far behind talk.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    if not _much_the_same(phrase, again, verifier) or _belied(phrase, laid, verifier):
        return False
    meant = verifier.means(phrase)
    unknown = verifier.ratio(laid, phrase) is None
    return unknown or any(verifier.means(one.phrase) == meant for one in candidates)


def amid_talk(laid: Laid) -> bool:
    """Tell whether an utterance begins amid talk: it was cut out of it, and is no command."""
    return len(laid.logs) > 0 and laid.began < AMID


def _much_the_same(phrase: str, again: str, verifier: Verifier) -> bool:
    if again == phrase or verifier.means(again) is not None:
        return verifier.means(again) == verifier.means(phrase)
    words = phrase.split()
    blocks = SequenceMatcher(a=words, b=again.split(), autojunk=False).get_matching_blocks()
    return 2 * sum(block.size for block in blocks) >= len(words)


def _belied(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds fit another phrase far better; sounds that are not known tell nothing."""
    own = _own(phrase, laid, verifier)
    if own is None:
        return False
    return laid.fits[0].ratio - own.ratio > (FAR if verifier.clear(laid) is None else FAR_FOR_ONE)


def hardly_fits(phrase: str, again: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds hardly fit a phrase at all; sounds that are not known tell nothing.

    Args:
        phrase: what the words are.
        again: what was heard the second time.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    own, twice = _own(phrase, laid, verifier), verifier.means(again) == verifier.means(phrase)
    return own is not None and own.ratio < -(HARDLY if twice else HARDLY_ELSE) * own.sounds


def _own(phrase: str, laid: Laid, verifier: Verifier) -> Fit | None:
    """Return how a phrase fits, in that of its wordings that fits best; None where that is not known."""
    ratio, meant = verifier.ratio(laid, phrase), verifier.means(phrase)
    if ratio is None or not laid.fits:
        return None
    alike = [fit for fit in laid.fits if verifier.means(fit.phrase) == meant]
    return max([Fit(phrase, max(ratio, NEVER), verifier.count(phrase)), *alike], key=lambda fit: fit.ratio)


def agree(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds fit a phrase that the words are, and no other as well: no more is to be asked.

    Args:
        phrase: what the words are.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    if not laid.fits or verifier.means(laid.fits[0].phrase) != verifier.means(phrase):
        return False
    best = laid.fits[0]
    return _likely(best.ratio, best.sounds, AGREE) and verifier.ahead(laid) >= CLEARLY


def may_go_on(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether more may follow a phrase: it, or a wording of the same that may be it, begins another."""
    meant = verifier.means(phrase)
    return phrase in verifier.beginnings or any(
        fit.phrase in verifier.beginnings
        and verifier.means(fit.phrase) == meant
        and fit.ratio > laid.fits[0].ratio - NEAR
        for fit in laid.fits
    )


def could_be(laid: Laid) -> bool:
    """Tell whether the sounds are near enough to a phrase's to be worth a second hearing."""
    return bool(laid.fits) and _likely(laid.fits[0].ratio, laid.fits[0].sounds)


def _likely(behind: float, sounds: int, most: float = BEHIND) -> bool:
    return sounds >= SHORTEST and behind >= -most - BEHIND_A_SOUND * sounds
