"""The decision: which phrase was spoken, if any, from recognised words and phrase scores.

The decoder (`companion.voice.recogniser`) knows how people speak and strings words
together pair by pair. The phrase scorer (`companion.voice.phrase_scorer`) scores whole
phrases over the sounds, by two networks. Each errs where the others do not, so their
features are summed with weights, and a phrase is accepted above a threshold.

The weights come from a logistic regression (`tests/training/points.py`) over 5,135
moments at which an utterance had to be judged: commands by synthesized voices, short
sentences by people that were listed as commands, and hours of actors' talk, all of it
for choosing; they are rounded. Judged anew by every moment of 1,008 such commands and
354 sentences (quiet, 10 and 5 dB) and 8.6 hours of talk: at `ACCEPT_THRESHOLD` 937 and
340 are understood, 5 and 0 taken for another, and 6 times talk for a command. Most
talk, though, comes amid talk, where `AMID_TALK_SHIFT` makes that 2 times (and 883 and
327). Weights found anew, other features and other classifiers take as much talk where
they understand as much.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from companion.voice.phrase_scorer import (
    Fit,
    NoiseNetScores,
    PhraseScorer,
    PhraseScores,
)


class Features(NamedTuple):
    """The features of a phrase, each within bounds; or the weight of each.

    Attributes:
        acoustic_llr, noise_net_llr, biphone_llr: its log-likelihood ratios by the
            speech model's network, by our own, and by the model's biphones, per phone
            with three phones more (`LLR_FLOOR` at worst).
        lead: its biphone ratio less that of the best phrase of another meaning,
            likewise per phone (within `LEAD_BOUNDS`).
        passes: the number of decoding passes that named it.
        length: its number of phones, up to `MOST_PHONES`.
        talk: its lead, by words and sounds, over words that are no phrase (within
            `TALK_LEAD_BOUNDS`).
    """

    acoustic_llr: float
    noise_net_llr: float
    biphone_llr: float
    lead: float
    passes: float
    length: float
    talk: float


WEIGHTS = Features(0.65, 1.3, 0.75, 1.2, 0.6, 0.5, 0.04)
"""The weight of each feature, found by `tests/training/points.py`."""
LLR_FLOOR, BIPHONE_LLR_FLOOR = -6.0, -5.0
LEAD_BOUNDS, TALK_LEAD_BOUNDS, MOST_PHONES = (-1.0, 3.0), (-20.0, 20.0), 10
ACCEPT_THRESHOLD = 0.9
"""The score from which a phrase said alone is accepted after two passes."""
EARLY_ACCEPT_THRESHOLD = 1.9
"""The score from which it is accepted after the first pass: of what two passes would refuse nothing is."""
AMID_TALK_SHIFT = 1.5
"""How much higher the thresholds are where people have just been talking."""
LOWEST_SHIFT = -0.6
"""How far below these one person's thresholds may lie: there twice as much talk is taken."""
UNNAMED_PENALTY, OTHER_NAMED_PENALTY, FIRST_PASS_ONLY_PENALTY = 12.0, 8.0, 6.0
"""Log-likelihoods (natural log) a phrase loses by its words: one that the second pass
does not name; one where that pass names another phrase; one that only the first pass
named."""
FEWEST_PHONES = 5
"""Phones a phrase needs to be accepted after one pass: in noise "youtube" has the phones of "no two"."""
CLEAR_MARGIN = 3.0
"""The lead over any other meaning (natural log) it needs to be accepted after the first pass."""
LEADING_SILENCE_S = 0.3
"""The silence before a command, s. Speech that begins sooner was cut out of talk: "I didn't | do that". In
noise (5 dB) not one command of 336 seemed to begin sooner."""
DOUBT_MARGIN = 10.0
"""The lead over another value of the same command (natural log) below which either may
have been spoken. Of 94 commands by voices at 5 dB (choosing) 3 are below it; the middle
lead is 40."""
NEAR_MARGIN = 15.0
"""A wording behind by less than this (natural log) may be the one that was spoken."""


class Thresholds(NamedTuple):
    """The scores from which a phrase is accepted: after two passes, and early, after the first."""

    accept: float = ACCEPT_THRESHOLD
    early: float = EARLY_ACCEPT_THRESHOLD

    def shifted(self, by: float) -> Thresholds:
        """Return thresholds that lie so much higher, as one person's voice wants."""
        return Thresholds(self.accept + by, self.early + by)


THRESHOLDS = Thresholds()
"""The thresholds for everybody."""


class Words(NamedTuple):
    """Recognised words, and the natural log of their likelihood up to a constant."""

    text: str
    logs: float


class Candidate(NamedTuple):
    """A phrase that may have been spoken.

    Attributes:
        fit: its scores; the biphone ratio is that of the best wording of its meaning.
        passes: the number of the two decoding passes that named it.
        lead: its biphone ratio less that of the best phrase of another meaning.
        beside_talk: its log-likelihood, by words and sounds, less that of words that
            are no phrase.
    """

    fit: Fit
    passes: int
    lead: float
    beside_talk: float = 0.0

    @property
    def features(self) -> Features:
        """Its features."""
        size = self.fit.sounds + 3
        return Features(
            max(LLR_FLOOR, self.fit.acoustic_llr / size),
            max(LLR_FLOOR, self.fit.noise_net_llr / size),
            max(BIPHONE_LLR_FLOOR, self.fit.biphone_llr / size),
            _within(LEAD_BOUNDS, self.lead / size),
            self.passes,
            min(self.fit.sounds, MOST_PHONES),
            _within(TALK_LEAD_BOUNDS, self.beside_talk),
        )

    @property
    def score(self) -> float:
        """The weighted sum of its features."""
        return sum(
            weight * feature
            for weight, feature in zip(WEIGHTS, self.features, strict=True)
        )


def _within(bounds: tuple[float, float], value: float) -> float:
    return min(max(value, bounds[0]), bounds[1])


def best_candidate(
    words: Sequence[Words], first: str, scores: PhraseScores, scorer: PhraseScorer
) -> Candidate | None:
    """Return the likeliest phrase by words and sounds, of those that either proposes; None for none.

    Args:
        words: the texts of the second pass, the likeliest first.
        first: the text of the first pass.
        scores: the phrase scores of the utterance.
        scorer: made them.
    """
    best = max((one.logs for one in words), default=0.0)
    behind = {first: -FIRST_PASS_ONLY_PENALTY} | {
        one.text: one.logs - best for one in words
    }
    top = scorer.means(words[0].text) if words else None
    least = -(UNNAMED_PENALTY if top is None else OTHER_NAMED_PENALTY)
    fits = [*scorer.fits(scores, behind), *scores.fits]

    def by_words(fit: Fit) -> float:
        return max(behind.get(fit.phrase, least), least)

    if not fits:
        return None
    likeliest = max(fits, key=lambda fit: by_words(fit) + fit.llr)
    meant = scorer.means(likeliest.phrase)
    passes = (scorer.means(first) == meant) + (top == meant)
    talk = scorer.others(
        scores, [text for text in behind if scorer.means(text) is None]
    )
    talked = max((behind[one.phrase] + one.llr for one in talk), default=-math.inf)
    beside_talk = by_words(likeliest) + likeliest.llr - talked
    leads = _leads(meant, fits, scorer)
    best_after = likeliest._replace(biphone_llr=leads.biphone_llr)
    return Candidate(best_after, passes, leads.biphone_lead, beside_talk)


class _Leads(NamedTuple):
    """The best ratio of a meaning in any wording, and its leads over any other meaning."""

    biphone_llr: float
    lead: float
    biphone_lead: float


def _leads(meant: object, fits: Iterable[Fit], scorer: PhraseScorer) -> _Leads:
    by = {True: (-math.inf, -math.inf), False: (-math.inf, -math.inf)}
    for fit in fits:
        same = scorer.means(fit.phrase) == meant
        llr, biphone_llr = by[same]
        by[same] = max(llr, fit.llr), max(biphone_llr, fit.biphone_llr)
    (llr, biphone_llr), (other, other_after) = by[True], by[False]
    return _Leads(biphone_llr, llr - other, biphone_llr - other_after)


def accepted_phrase(
    likeliest: Candidate | None, thresholds: Thresholds = THRESHOLDS
) -> str | None:
    """Return the phrase of a candidate that scores high enough; None for any other."""
    if likeliest is None or likeliest.score < thresholds.accept:
        return None
    return (
        likeliest.fit.phrase if long_enough(likeliest.fit, likeliest.passes) else None
    )


def accepted_early(
    scores: PhraseScores, scorer: PhraseScorer, thresholds: Thresholds = THRESHOLDS
) -> str | None:
    """Return the phrase that scores so high that one pass is enough; None where there is none.

    Args:
        scores: the phrase scores of the utterance.
        scorer: made them.
        thresholds: how high that is.
    """
    best = best_by_sounds(scores, scorer)
    return None if best is None or best.score < thresholds.early else best.fit.phrase


def may_be_accepted_early(
    own: NoiseNetScores, scorer: PhraseScorer, thresholds: Thresholds = THRESHOLDS
) -> bool:
    """Tell whether any phrase can be `accepted_early`, if all unknown features are at their best.

    This is a bound, so no phrase is lost by it. It dismisses most talk by one network
    alone.
    """
    counts, fits = scorer.noise_net_fits(own)
    best = (
        WEIGHTS.lead * LEAD_BOUNDS[1]
        + WEIGHTS.passes
        + WEIGHTS.length * np.minimum(counts, MOST_PHONES)
    )
    return bool(
        np.any(WEIGHTS.noise_net_llr * fits / (counts + 3) + best >= thresholds.early)
    )


def best_by_sounds(scores: PhraseScores, scorer: PhraseScorer) -> Candidate | None:
    """Return the phrase that fits the sounds best, as a candidate that the first pass named.

    None where it has few phones, or another meaning fits nearly as well.

    Args:
        scores: the phrase scores of the utterance.
        scorer: made them.
    """
    if not scores.fits:
        return None
    best = scores.fits[0]
    leads = _leads(scorer.means(best.phrase), scores.fits, scorer)
    if leads.lead < CLEAR_MARGIN or best.sounds < FEWEST_PHONES:
        return None
    return Candidate(
        best._replace(biphone_llr=leads.biphone_llr), 1, leads.biphone_lead
    )


def sounds_agree(
    phrase: str,
    scores: PhraseScores,
    scorer: PhraseScorer,
    thresholds: Thresholds = THRESHOLDS,
) -> bool:
    """Tell whether the sounds alone accept the phrase that the words are: no second pass is needed.

    Args:
        phrase: the recognised text.
        scores: the phrase scores of the utterance.
        scorer: made them.
        thresholds: how high a phrase has to score.
    """
    fits = accepted_early(scores, scorer, thresholds)
    return fits is not None and scorer.means(fits) == scorer.means(phrase)


def worth_second_pass(
    first: str,
    scores: PhraseScores,
    scorer: PhraseScorer,
    thresholds: Thresholds = THRESHOLDS,
) -> bool:
    """Tell whether a second pass could lift any phrase above the threshold.

    Args:
        first: the text of the first pass.
        scores: the phrase scores of the utterance.
        scorer: made them.
        thresholds: how high a phrase has to score.
    """
    meant, own = scorer.means(first), scorer.fit(scores, first)
    fits = scores.fits if own is None else [own, *scores.fits]
    best = (
        Candidate(fit, 1 + (scorer.means(fit.phrase) == meant), math.inf, math.inf)
        for fit in fits
    )
    return any(accepted_phrase(one, thresholds) is not None for one in best)


def doubt(
    phrase: str, scores: PhraseScores, scorer: PhraseScorer, check: str | None = None
) -> str | None:
    """Return a phrase of the same command with another value that may have been spoken; None for none.

    It is the one that the second pass named, or one that scores nearly as well.

    Args:
        phrase: the accepted phrase.
        scores: the phrase scores of the utterance.
        scorer: made them.
        check: the text of the second pass.
    """
    meant = scorer.means(phrase)
    others = {
        one.phrase: one
        for one in scores.fits
        if _is_other_value(scorer.means(one.phrase), meant)
    }
    if check is not None and _is_other_value(scorer.means(check), meant):
        return check
    own = [_by_sounds(one) for one in scores.fits if scorer.means(one.phrase) == meant]
    best = max(others.values(), key=_by_sounds, default=None)
    return (
        best.phrase
        if best is not None and own and max(own) - _by_sounds(best) < DOUBT_MARGIN
        else None
    )


def _is_other_value(meaning: object, meant: object) -> bool:
    return type(meaning) is type(meant) and meaning != meant


def _by_sounds(fit: Fit) -> float:
    return fit.llr + fit.biphone_llr


def long_enough(fit: Fit, passes: int) -> bool:
    """Tell whether a phrase has enough phones to be accepted after so many passes."""
    return fit.sounds >= FEWEST_PHONES or passes > 1


def lacks_leading_silence(scores: PhraseScores) -> bool:
    """Tell whether an utterance begins without silence: it was cut out of talk."""
    return scores.began < LEADING_SILENCE_S


def may_go_on(phrase: str, scores: PhraseScores, scorer: PhraseScorer) -> bool:
    """Tell whether more may follow a phrase: it, or a likely wording of the same, is a prefix of another."""
    meant = scorer.means(phrase)
    return phrase in scorer.beginnings or any(
        fit.phrase in scorer.beginnings
        and scorer.means(fit.phrase) == meant
        and fit.llr > scores.fits[0].llr - NEAR_MARGIN
        for fit in scores.fits
    )
