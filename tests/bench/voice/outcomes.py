"""What became of each clip, kept as lines of JSON so that two runs can be compared clip by clip."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec


class Outcome(msgspec.Struct, frozen=True, tag="said"):
    """Of one utterance.

    Attributes:
        row: the row of the table that it belongs to.
        clip: its number in that row.
        words: what was said.
        right: it was taken for the command that it was, and nothing else was taken.
        wrong: another command was taken.
        destructive: that command takes something away.
        delay: from the words' end to the decision, s of sound.
        late, cost: processor time for that decision, and for all of the sound, s.
        heard: what was taken, or made out.
    """

    row: str
    clip: int
    words: str
    right: bool
    wrong: bool
    destructive: bool
    delay: float | None
    late: float | None
    cost: float | None
    heard: tuple[str, ...]


class Overheard(msgspec.Struct, frozen=True, tag="overheard"):
    """Of a file of sound in which nothing is a command: what was taken for one, its length and its cost.

    Attributes:
        row, clip: as of an outcome.
        hours: its length.
        share: of a core, while it was listened to.
        false: the commands that were heard in it.
        count: the number of utterances that were made out.
        latest: the longest processor time that a frame of it took, s.
    """

    row: str
    clip: int
    hours: float
    share: float
    false: tuple[str, ...]
    count: int
    latest: float


Kept = Outcome | Overheard


def read_outcomes(path: Path) -> Iterator[Kept]:
    """Yield what was kept in a file."""
    decoder = msgspec.json.Decoder(Kept)
    return map(decoder.decode, path.read_bytes().splitlines())
