"""Utterances as files: FLAC or WAV in, 16 kHz mono FLAC out, named by the UTC of the first sample."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import msgspec
import numpy as np

from companion.voice.heard import Hearing
from companion.voice.sound import SAMPLE_RATE_HZ, Samples

if TYPE_CHECKING:
    from soundfile import SoundFile

MOST_SAMPLES = 30 * 60 * SAMPLE_RATE_HZ
"""The longest sound that is read, all channels together: a small file can hold days of silence."""
WORDS_SUFFIX = ".json"
"""The ending of the file that has what was heard in an utterance whose sound is not kept."""
CLIP_NAME_FORMAT = "%Y%m%dT%H%M%S"
_LATE, _AMID_TALK = "decided after ms: ", "amid talk"
"""What a file's comment tells; the second after the first, and a semicolon."""


class ClipError(ValueError):
    """A clip cannot be read; the message names the file and says why."""


def read_clip(path: Path) -> Samples:
    """Return a clip's sound at `SAMPLE_RATE_HZ`, its channels averaged.

    Raises:
        ClipError: the file is not there, or holds no sound that can be read.
    """
    with _opened(path) as file:
        if file.frames * file.channels > MOST_SAMPLES:
            raise ClipError(f"{path}: longer than half an hour; cut it")
        sound = file.read(dtype="float32", always_2d=True)
    return resampled(sound.mean(axis=1), int(file.samplerate))


@contextmanager
def _opened(path: Path) -> Iterator[SoundFile]:
    import soundfile  # noqa: PLC0415  (a trip begins without it)

    try:
        with soundfile.SoundFile(path) as file:
            yield file
    except (OSError, soundfile.SoundFileError) as error:
        raise ClipError(f"{path}: cannot be read as FLAC or WAV ({error})") from error


def resampled(
    sound: np.ndarray[tuple[int], np.dtype[np.float32]], rate: int
) -> Samples:
    """Return sound (full scale 1.0, at `rate` samples a second) as 16-bit samples at `SAMPLE_RATE_HZ`.

    What lies beyond full scale is clipped; what is no number is silence.
    """
    sound = np.nan_to_num(sound)
    if rate != SAMPLE_RATE_HZ:
        from scipy.signal import resample_poly  # noqa: PLC0415  (80 MB that a boat's own clips do not need)

        common = gcd(SAMPLE_RATE_HZ, rate)
        sound = resample_poly(sound, SAMPLE_RATE_HZ // common, rate // common)
    whole: Samples = np.clip(np.rint(sound * 32768.0), -32768, 32767).astype(np.int16)
    return whole


def write_clip(
    path: Path, samples: Samples, late_ms: int = 0, *, amid_talk: bool = False
) -> None:
    """Write an utterance as 16-bit FLAC; the file is whole or not there, also after a power cut.

    Args:
        path: where.
        samples: the sound.
        late_ms: how long after its last sample it was decided, ms.
        amid_talk: people had just been talking. Both are kept in the file's comment.
    """
    import soundfile  # noqa: PLC0415  (a trip begins without it)

    part = path.with_suffix(".part")
    with soundfile.SoundFile(
        part, "w", SAMPLE_RATE_HZ, 1, format="FLAC", subtype="PCM_16"
    ) as file:
        told = [f"{_LATE}{late_ms}"] if late_ms else []
        told += [_AMID_TALK] if amid_talk else []
        if told:
            file.comment = "; ".join(told)
        file.write(samples)
    with part.open("rb") as written:
        os.fsync(written.fileno())
    part.replace(path)


class KeptWords(msgspec.Struct, frozen=True):
    """The words kept of talk: what was heard, and how long after its first sample that was decided, ms."""

    decided: Annotated[int, msgspec.Meta(ge=0, le=3_600_000)]
    hearing: Hearing


def write_words(path: Path, decided: int, hearing: Hearing) -> None:
    """Write what was heard in an utterance whose sound is not kept; the file is whole or not there.

    Args:
        path: where its clip would be.
        decided: how long after its first sample it was decided, ms.
        hearing: what was heard.
    """
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        file.write(msgspec.json.encode(KeptWords(decided, hearing)))
        file.flush()
        os.fsync(file.fileno())
    part.replace(path.with_suffix(WORDS_SUFFIX))


def read_words(path: Path) -> KeptWords:
    """Return what was kept of talk.

    Raises:
        ClipError: the file does not hold that.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=KeptWords)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ClipError(f"{path}: no words that were heard ({error})") from error


class ClipFacts(NamedTuple):
    """The facts that a clip's file tells without its sound.

    Attributes:
        seconds: how long it is.
        late: how long after its end it was decided, s.
        amid_talk: people had just been talking.
    """

    seconds: float
    late: float
    amid_talk: bool


def clip_facts(path: Path) -> ClipFacts:
    """Return what a clip's file tells; comments that are not ours tell nothing.

    Raises:
        ClipError: it holds no sound that can be read.
    """
    with _opened(path) as file:
        told = file.comment.split("; ")
        late = [one.removeprefix(_LATE) for one in told if one.startswith(_LATE)]
        ms = int(late[0]) if late and late[0].isdigit() else 0
        seconds = file.frames / file.samplerate
        return ClipFacts(seconds, ms / 1000.0, _AMID_TALK in told)


def clip_name(began: datetime) -> str:
    """Return the file name of a clip from the instant of its first sample.

    >>> clip_name(datetime(2026, 10, 3, 14, 15, 0, 250000, UTC))
    '20261003T141500.250Z.flac'
    """
    utc = began.astimezone(UTC)
    return f"{utc.strftime(CLIP_NAME_FORMAT)}.{utc.microsecond // 1000:03d}Z.flac"


def clip_began(name: str) -> datetime | None:
    """Return the UTC instant of a clip's first sample from its file name; None for another name.

    >>> clip_began("20261003T141500.250Z.flac").isoformat()
    '2026-10-03T14:15:00.250000+00:00'
    """
    try:
        return datetime.strptime(
            Path(name).name.split("Z.")[0], f"{CLIP_NAME_FORMAT}.%f"
        ).replace(tzinfo=UTC)
    except ValueError:
        return None
