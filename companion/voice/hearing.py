"""The utterances of a recorded day: found, timed by their names, and recognised ahead of need."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from companion.voice.clips import (
    WORDS_SUFFIX,
    clip_began,
    clip_facts,
    read_words,
)
from companion.voice.grammar import Grammar
from companion.voice.heard import Hearing
from companion.voice.recogniser import for_grammar

DECODED_AHEAD = 2
"""How many utterances are decoded at once: vosk holds no lock meanwhile, and a small board has few cores."""


class Clip(NamedTuple):
    """An utterance on disk: the UTC of its first sample, and of when it had been decided.

    `words` is what was heard, where that was kept instead of the sound; `path` is then
    where that would be.
    """

    path: Path
    began: datetime
    decided: datetime
    words: Hearing | None = None


def clips_in(folder: Path) -> list[Clip]:
    """Return a folder's utterances in the order they were spoken; files that are no clips are passed over.

    Raises:
        ClipError: a file is named as a clip but holds no sound.
    """
    found = []
    for path in sorted(folder.iterdir()):
        began = clip_began(path.name)
        if began is not None and path.suffix in (".flac", ".wav"):
            facts = clip_facts(path)
            decided = began + timedelta(seconds=facts.seconds + facts.late)
            found.append(Clip(path, began, decided))
        elif began is not None and path.suffix == WORDS_SUFFIX:
            kept = read_words(path)
            decided = began + timedelta(milliseconds=kept.decided)
            found.append(Clip(path.with_suffix(".flac"), began, decided, kept.hearing))
    return sorted(found, key=lambda clip: clip.decided)


def hear_ahead(
    model: Callable[[], Path],
    grammar: Grammar,
    clips: Sequence[Clip],
    shift: float = 0.0,
) -> list[Callable[[], Hearing]]:
    """Return for each clip a function that gives what is heard in it, waiting until it is made out.

    Args:
        model: finds the folder of the speech model; called only if there is sound to
            be heard.
        grammar: the phrases.
        clips: the utterances.
        shift: how much higher the thresholds of who speaks lay.

    Raises:
        ModelError: the model cannot be loaded, or does not know a word of the grammar.
    """
    recogniser = None
    if any(clip.words is None for clip in clips):
        recogniser = for_grammar(model(), grammar, shift)
    pool = ThreadPoolExecutor(
        min(DECODED_AHEAD, os.cpu_count() or 1), thread_name_prefix="hearing"
    )

    def made_out(clip: Clip) -> Callable[[], Hearing]:
        words = clip.words
        if words is not None:
            return lambda: words
        assert recogniser is not None, "there is sound to be heard"
        return pool.submit(lambda: recogniser.hear_clip(clip.path)).result

    heard = [made_out(clip) for clip in clips]
    pool.shutdown(wait=False)
    return heard
