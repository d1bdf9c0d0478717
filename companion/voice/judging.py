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
from collections.abc import Sequence
from difflib import SequenceMatcher
from typing import NamedTuple

from companion.voice.verifier import CLEARLY, NEVER, SHORTEST, Laid, Verifier

UNHEARD, NO_WORDS, OTHER_HEARD = 6.0, 11.0, 8.0
"""What a phrase is taken to be behind by its words that the decoder does not even name (natural log); where
it makes out no word at all; and where the likeliest words are another phrase. In an hour of people's talk all
four sounds that were taken for a phrase at 6 were no words. Of what was heard the same twice while another's
sounds fitted better, 12 of 14 were right where these were ahead by less than 10, and 18 of 20 wrong else."""
NEAR = 15.0
"""Another wording so little behind, by its sounds, may be the one that was spoken."""
UNFIT = 30.0
"""No phrase is further behind than this by its sounds: one sound left out in noise costs so much."""
BEHIND, BEHIND_A_SOUND = 10.0, 0.6
"""How far behind a phrase may be by both: so much, and so much more for each of its sounds."""
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


def weighed(words: Sequence[Words], laid: Laid, verifier: Verifier) -> list[Weighed]:
    """Return what each of the phrases named by either means, the likeliest first.

    Args:
        words: what a decoder made out that had other words to choose from too, the likeliest first.
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
        if meant is None or ratio is None:
            continue
        one = Weighed(phrase, max(by_words.get(phrase, least), least), ratio, verifier.count(phrase))
        found[meant] = _likelier(found.get(meant), one)
    return sorted(found.values(), key=lambda one: -one.both)


def _unnamed(likeliest: str, verifier: Verifier) -> float:
    """Return how far behind a phrase is that the decoder does not name, by what it names first."""
    if not likeliest:
        return NO_WORDS
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


def borne_out(phrase: str, again: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether a phrase that the words are is left standing by a second hearing and by the sounds.

    The second hearing has to be the same, or has to have half of its words and to be no other phrase: talk
    taken for a command hardly ever has a word of it the second time, a command in noise often has one word
    wrong. The sounds may speak for another, but not by far: people's fit badly what was learned from
    synthesized speech.

    Args:
        phrase: what the words are.
        again: what was heard the second time.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    return _much_the_same(phrase, again, verifier) and not _belied(phrase, laid, verifier)


def _much_the_same(phrase: str, again: str, verifier: Verifier) -> bool:
    if again == phrase or verifier.means(again) is not None:
        return verifier.means(again) == verifier.means(phrase)
    words = phrase.split()
    blocks = SequenceMatcher(a=words, b=again.split(), autojunk=False).get_matching_blocks()
    return 2 * sum(block.size for block in blocks) >= len(words)


def _belied(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds fit another phrase far better; sounds that are not known tell nothing."""
    ratio, meant = verifier.ratio(laid, phrase), verifier.means(phrase)
    if ratio is None or not laid.fits:
        return False
    alike = (fit.ratio for fit in laid.fits if verifier.means(fit.phrase) == meant)
    behind = laid.fits[0].ratio - max(ratio, *alike, NEVER)
    return behind > (FAR if verifier.clear(laid) is None else FAR_FOR_ONE)


def agree(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds fit a phrase that the words are, and no other as well: no more is to be asked.

    Args:
        phrase: what the words are.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    if not laid.fits or verifier.means(laid.fits[0].phrase) != verifier.means(phrase):
        return False
    return could_be(laid) and verifier.ahead(laid) >= CLEARLY


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


def _likely(behind: float, sounds: int) -> bool:
    return sounds >= SHORTEST and behind >= -BEHIND - BEHIND_A_SOUND * sounds
