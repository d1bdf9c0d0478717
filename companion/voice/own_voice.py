"""A voice of one's own: thresholds that lie lower for who speaks, learned from phrases read aloud.

How well a phrase has to fit was chosen with many voices. One person, with this
microphone and in this boat, may score lower throughout. So it is tried how many of the
phrases read aloud are understood with lower thresholds. The least shift with which the
most are is learned, and only where it helps phrases that it was not learned from: each
is judged with what all the others teach (leave-one-out cross-validation). No shift goes
below `LOWEST_SHIFT`, and a phrase taken for another one weighs twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Literal, NamedTuple

import msgspec

from companion.voice.judging import LOWEST_SHIFT
from companion.voice.model import data_folder
from companion.voice.recogniser import Recogniser
from companion.voice.sound import Samples

OWN_VOICE_FILE = "own-voice.json"
"""The file among the user's data that keeps what was learned."""
SHIFTS = (0.0, LOWEST_SHIFT / 3.0, 2.0 * LOWEST_SHIFT / 3.0, LOWEST_SHIFT)
"""The shifts that are tried; the first is that of everybody."""
FEWEST_READ = 10
"""Of fewer phrases nothing is learned."""
WORTH = {"right": 1, "none": 0, "wrong": -2}
"""The worth of a phrase understood, missed, or taken for another."""

Outcome = Literal["right", "none", "wrong"]


class OwnVoice(msgspec.Struct, frozen=True, kw_only=True):
    """The thresholds learned for a voice.

    Attributes:
        utc: when, ISO 8601.
        microphone: the device it was learned with, and is good for.
        shift: how much higher the thresholds lie than everybody's; never above 0.
        read: the number of phrases read aloud.
        understood: how many of them were understood before.
        then: how many are, each judged with what the others teach.
    """

    utc: str
    microphone: str
    shift: Annotated[float, msgspec.Meta(ge=LOWEST_SHIFT, le=0.0)]
    read: int
    understood: int
    then: int


class VoiceLesson(NamedTuple):
    """The outcome of learning: the shift, and of how many phrases what was understood before and then."""

    shift: float
    read: int
    understood: int
    then: int

    @property
    def is_gain(self) -> bool:
        """Return whether there is something to keep."""
        return self.shift < 0.0


class OwnVoiceError(ValueError):
    """The file of a voice cannot be read; the message names it and says what to do."""


def outcomes(
    recogniser: Recogniser, phrase: str | None, samples: Samples
) -> tuple[Outcome, ...]:
    """Return what becomes of a phrase with each of the `SHIFTS`; None is talk, which is right left alone.

    Where the first and the last give the same, those between are not tried: lower
    thresholds only take more.
    """
    everybodys, *between, lowest = (recogniser.for_voice(shift) for shift in SHIFTS)
    first, last = (
        _outcome(everybodys, phrase, samples),
        _outcome(lowest, phrase, samples),
    )
    if first == last:
        return (first,) * len(SHIFTS)
    return (first, *(_outcome(one, phrase, samples) for one in between), last)


def learned(read: Sequence[Sequence[Outcome]]) -> VoiceLesson:
    """Return what phrases read aloud teach; no shift where it would not help phrases it was not learned from.

    Args:
        read: of each phrase, what becomes of it with each of the `SHIFTS`.
    """
    before = _understood([one[0] for one in read])
    if len(read) < FEWEST_READ:
        return VoiceLesson(0.0, len(read), before, before)
    others = (_best([*read[:n], *read[n + 1 :]]) for n in range(len(read)))
    then = [one[best] for one, best in zip(read, others, strict=True)]
    if _worth(then) <= _worth([one[0] for one in read]):
        return VoiceLesson(0.0, len(read), before, before)
    return VoiceLesson(SHIFTS[_best(read)], len(read), before, _understood(then))


def keep(voice: OwnVoice, folder: Path | None = None) -> None:
    """Keep what was learned among the user's data; the file is whole or not there."""
    path = _path(folder)
    part = path.with_suffix(".part")
    path.parent.mkdir(parents=True, exist_ok=True)
    part.write_bytes(msgspec.json.format(msgspec.json.encode(voice), indent=1))
    part.replace(path)


def forget(folder: Path | None = None) -> bool:
    """Forget what was learned; return whether there was anything."""
    path = _path(folder)
    there = path.is_file()
    path.unlink(missing_ok=True)
    return there


def kept(folder: Path | None = None) -> OwnVoice | None:
    """Return what was learned; None where nothing was.

    Raises:
        OwnVoiceError: the file is there and does not hold it.
    """
    path = _path(folder)
    try:
        return msgspec.json.decode(path.read_bytes(), type=OwnVoice)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise OwnVoiceError(
            f"{path}: what was learned of your voice cannot be read ({error}); "
            "read the phrases again: companion listen --test"
        ) from error


def shift_for(microphone: str, folder: Path | None = None) -> float:
    """Return how much higher the thresholds lie with this microphone; 0 where nothing was learned with it.

    Raises:
        OwnVoiceError: the file is there and does not hold it.
    """
    voice = kept(folder)
    return 0.0 if voice is None or voice.microphone != microphone else voice.shift


def shift_in_force(microphone: str, tell: Callable[[str], None]) -> float:
    """Return how much higher the thresholds lie with this microphone; a file that is no good is told of."""
    try:
        return shift_for(microphone)
    except OwnVoiceError as error:
        tell(str(error))
        return 0.0


def _path(folder: Path | None) -> Path:
    return (folder or data_folder()) / OWN_VOICE_FILE


def _outcome(recogniser: Recogniser, phrase: str | None, samples: Samples) -> Outcome:
    meant = None if phrase is None else _meaning(recogniser, phrase)
    found = _meaning(recogniser, recogniser.hear(samples).text)
    if found == meant:
        return "right"
    return "none" if found is None else "wrong"


def _meaning(recogniser: Recogniser, text: str) -> object:
    scorer = recogniser.phrase_scorer
    if scorer is not None:
        return scorer.means(text)
    return text if text in recogniser.phrases else None


def _best(read: Sequence[Sequence[Outcome]]) -> int:
    """Return the number of the shift that is worth most; of equals the one nearest to everybody's."""
    return max(range(len(SHIFTS)), key=lambda n: (_worth([one[n] for one in read]), -n))


def _worth(several: Sequence[Outcome]) -> int:
    return sum(WORTH[one] for one in several)


def _understood(several: Sequence[Outcome]) -> int:
    return sum(one == "right" for one in several)
