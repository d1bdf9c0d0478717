"""Which phrase was spoken, when the words made out and the sounds spoken are weighed together.

The decoder (`companion.voice.recogniser`) knows how people speak and strings words together pair by pair; the
verifier (`companion.voice.verifier`) lays whole phrases over the sounds, by two networks. Each errs where the
others do not, so what they say is added up as points, and a phrase is taken that has enough of them.

What each part is worth was found by logistic regression (`tests/training/points.py`) over 5,135 moments at
which an utterance had to be judged: 672 commands by synthesized voices (quiet and at 5 dB), 357 short
sentences by people that were listed as commands (quiet, 10 and 5 dB), and 8.6 hours of actors' talk (quiet
and at 10 dB), all of it for choosing; then rounded. At `TAKEN` .992, 1.000 and .983 of the sentences are
understood, .991 and .920 of the commands by voices, and 0 and 1 of the talk taken for a command in 4.3 hours
each. At 1.2 .992, 1.000 and .992, .991 and .946, 0 and 3; at 2.4 .992, 1.000 and .950, .982 and .890, 0 and
1. How far a phrase is behind by its words, and ahead by the sum of both networks, was weighed too and added
nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from companion.voice.verifier import Fit, Laid, OwnScores, Verifier


class Points(NamedTuple):
    """What speaks for a phrase, each within bounds; or how many points one of it is worth.

    Attributes:
        model, here, after: how it fits by the speech model's network, by our own, and by the model's when
            each sound is judged by the one before it, a sound, with three more (`WORST` at worst).
        ahead: how far it is ahead of what means another, by the last of these, likewise (within `LEAD`).
        hearings: how many made it out.
        length: how many sounds it has, up to `LONG`.
        talk: how far it is ahead, by words and sounds, of words that are no phrase (within `TALK_LEAD`).
    """

    model: float
    here: float
    after: float
    ahead: float
    hearings: float
    length: float
    talk: float


POINTS = Points(0.65, 1.3, 0.75, 1.2, 0.6, 0.5, 0.04)
"""What one of each is worth; found by `tests/training/points.py`."""
WORST, WORST_AFTER = -6.0, -5.0
LEAD, TALK_LEAD, LONG = (-1.0, 3.0), (-20.0, 20.0), 10
TAKEN = 1.8
"""Points for which a phrase is taken, of two hearings."""
AT_ONCE = 2.8
"""Points for which it is taken at the first hearing: .92 of the commands by voices in quiet, .85 of the
sentences by people at 5 dB, and none of the talk that would not be taken of two hearings."""
UNHEARD, OTHER_HEARD, FIRST_ONLY = 12.0, 8.0, 6.0
"""What a phrase is taken to be behind by its words (natural log) that the second hearing does not name; where
what it made out is another phrase; and where the first hearing made it out."""
SHORTEST = 5
"""Sounds that a phrase needs to be taken by one hearing: in noise "youtube" has the sounds of "no two"."""
CLEARLY = 3.0
"""How much better it has to fit, to be taken at the first hearing, than any that means something else."""
AMID = 0.3
"""How long nothing is spoken before a command, s. What begins sooner was cut out of talk that went on: "I
didn't | do that". In noise (5 dB) not one command of 336 seemed to begin sooner."""
DOUBTFUL = 10.0
"""How little better than another value a phrase fits where the other may have been spoken (natural log). Of
94 commands by voices at 5 dB (for choosing) 3 are doubtful by it, the middle one is better by 40."""
NEAR = 15.0
"""Another wording so little behind, by its sounds, may be the one that was spoken."""


class Words(NamedTuple):
    """Words that a decoder made out, and the natural log of their likelihood up to a constant."""

    text: str
    logs: float


class Weighed(NamedTuple):
    """A phrase that may have been spoken.

    Attributes:
        fit: how it fits the sounds; by the one before each, as the best of its wordings does.
        hearings: how many of the two hearings made it out.
        ahead: how much better its sounds fit than those of any that means another, each judged by the one
            before it.
        beside_talk: how much likelier it is, by words and sounds, than words that are no phrase.
    """

    fit: Fit
    hearings: int
    ahead: float
    beside_talk: float = 0.0

    @property
    def parts(self) -> Points:
        """What speaks for it, part by part."""
        size = self.fit.sounds + 3
        return Points(
            max(WORST, self.fit.model / size),
            max(WORST, self.fit.here / size),
            max(WORST_AFTER, self.fit.after / size),
            _within(LEAD, self.ahead / size),
            self.hearings,
            min(self.fit.sounds, LONG),
            _within(TALK_LEAD, self.beside_talk),
        )

    @property
    def points(self) -> float:
        """What speaks for it in all."""
        return sum(worth * part for worth, part in zip(POINTS, self.parts, strict=True))


def _within(bounds: tuple[float, float], value: float) -> float:
    return min(max(value, bounds[0]), bounds[1])


def weighed(words: Sequence[Words], first: str, laid: Laid, verifier: Verifier) -> Weighed | None:
    """Return the likeliest phrase by words and sounds, of those that either names; None where none does.

    Args:
        words: what a decoder made out that had other words to choose from too, the likeliest first.
        first: what was made out at the first hearing.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    best = max((one.logs for one in words), default=0.0)
    behind = {first: -FIRST_ONLY} | {one.text: one.logs - best for one in words}
    top = verifier.means(words[0].text) if words else None
    least = -(UNHEARD if top is None else OTHER_HEARD)
    fits = [*verifier.fits(laid, behind), *laid.fits]

    def by_words(fit: Fit) -> float:
        return max(behind.get(fit.phrase, least), least)

    if not fits:
        return None
    likeliest = max(fits, key=lambda fit: by_words(fit) + fit.ratio)
    meant = verifier.means(likeliest.phrase)
    hearings = (verifier.means(first) == meant) + (top == meant)
    talk = verifier.others(laid, [text for text in behind if verifier.means(text) is None])
    talked = max((behind[one.phrase] + one.ratio for one in talk), default=-math.inf)
    beside_talk = by_words(likeliest) + likeliest.ratio - talked
    leads = _leads(meant, fits, verifier)
    best_after = likeliest._replace(after=leads.after)
    return Weighed(best_after, hearings, leads.after_ahead, beside_talk)


class _Leads(NamedTuple):
    """How well the sounds fit a meaning, in any wording; and how much better than any other meaning."""

    after: float
    ahead: float
    after_ahead: float


def _leads(meant: object, fits: Iterable[Fit], verifier: Verifier) -> _Leads:
    by = {True: (-math.inf, -math.inf), False: (-math.inf, -math.inf)}
    for fit in fits:
        same = verifier.means(fit.phrase) == meant
        ratio, after = by[same]
        by[same] = max(ratio, fit.ratio), max(after, fit.after)
    (ratio, after), (other, other_after) = by[True], by[False]
    return _Leads(after, ratio - other, after - other_after)


def spoken(likeliest: Weighed | None) -> str | None:
    """Return the phrase that was spoken, if enough speaks for the likeliest."""
    if likeliest is None or likeliest.points < TAKEN:
        return None
    return likeliest.fit.phrase if long_enough(likeliest.fit, likeliest.hearings) else None


def clear(laid: Laid, verifier: Verifier) -> str | None:
    """Return the phrase, if any, whose sounds fit so well that to be heard once is enough.

    Args:
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    best = by_sounds(laid, verifier)
    return None if best is None or best.points < AT_ONCE else best.fit.phrase


def could_be_clear(own: OwnScores, verifier: Verifier) -> bool:
    """Tell whether any phrase can be `clear`, should all that is not known yet speak for it.

    It is a bound: no phrase is lost by it, and most talk is told by it from one network alone.
    """
    counts, fits = verifier.own_fits(own)
    best = POINTS.ahead * LEAD[1] + POINTS.hearings + POINTS.length * np.minimum(counts, LONG)
    return bool(np.any(POINTS.here * fits / (counts + 3) + best >= AT_ONCE))


def by_sounds(laid: Laid, verifier: Verifier) -> Weighed | None:
    """Return the phrase that fits the sounds best as it weighs should the first hearing have made it out.

    None where it has few sounds, or another fits nearly as well.

    Args:
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    if not laid.fits:
        return None
    best = laid.fits[0]
    leads = _leads(verifier.means(best.phrase), laid.fits, verifier)
    if leads.ahead < CLEARLY or best.sounds < SHORTEST:
        return None
    return Weighed(best._replace(after=leads.after), 1, leads.after_ahead)


def agree(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether the sounds fit a phrase that the words are, and no other as well: no more is to be asked.

    Args:
        phrase: what the words are.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    fits = clear(laid, verifier)
    return fits is not None and verifier.means(fits) == verifier.means(phrase)


def could_be(first: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether a second hearing could make anything enough of what fits the sounds.

    Args:
        first: what was made out at the first hearing.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
    """
    meant, own = verifier.means(first), verifier.fit(laid, first)
    fits = laid.fits if own is None else [own, *laid.fits]
    return any(
        spoken(Weighed(fit, 1 + (verifier.means(fit.phrase) == meant), math.inf, math.inf)) is not None
        for fit in fits
    )


def doubt(phrase: str, laid: Laid, verifier: Verifier, check: str | None = None) -> str | None:
    """Return the phrase of the same command with another value that may have been spoken as well.

    It is the one that the second hearing made out, or one whose sounds fit nearly as well; None where there
    is none.

    Args:
        phrase: what was taken.
        laid: how the phrases fit the sounds.
        verifier: what laid them.
        check: what the second hearing made out.
    """
    meant = verifier.means(phrase)
    others = {one.phrase: one for one in laid.fits if _is_other_value(verifier.means(one.phrase), meant)}
    if check is not None and _is_other_value(verifier.means(check), meant):
        return check
    own = [_by_sounds(one) for one in laid.fits if verifier.means(one.phrase) == meant]
    best = max(others.values(), key=_by_sounds, default=None)
    return best.phrase if best is not None and own and max(own) - _by_sounds(best) < DOUBTFUL else None


def _is_other_value(meaning: object, meant: object) -> bool:
    return type(meaning) is type(meant) and meaning != meant


def _by_sounds(fit: Fit) -> float:
    return fit.ratio + fit.after


def long_enough(fit: Fit, hearings: int) -> bool:
    """Tell whether a phrase has so many sounds that it can be taken by so many hearings."""
    return fit.sounds >= SHORTEST or hearings > 1


def amid_talk(laid: Laid) -> bool:
    """Tell whether an utterance begins amid talk: it was cut out of it, and is no command."""
    return laid.began < AMID


def may_go_on(phrase: str, laid: Laid, verifier: Verifier) -> bool:
    """Tell whether more may follow a phrase: it, or a wording of the same that may be it, begins another."""
    meant = verifier.means(phrase)
    return phrase in verifier.beginnings or any(
        fit.phrase in verifier.beginnings
        and verifier.means(fit.phrase) == meant
        and fit.ratio > laid.fits[0].ratio - NEAR
        for fit in laid.fits
    )
