"""The owner's own set of utterances: clips of trips of which somebody has told what was truly said.

A clip that is told of is copied into a folder of its own among the user's data, with
what was said beside it as JSON, so that it stays when the sound of its trip is deleted.
Nothing of it leaves this computer unless it is exported, and it is in no backup.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import NamedTuple

import msgspec

from companion.record.whole import write_whole
from companion.voice.model import data_folder


class ClipTruth(msgspec.Struct, frozen=True, kw_only=True):
    """The truth about a clip, as somebody told it.

    Attributes:
        said: the phrase that was said; None for talk, of which nothing was meant for
            the companion.
        text: what had been made out on the trip.
        command: the name of the command it was taken for then; None where it was not
            taken.
    """

    said: str | None
    text: str
    command: str | None


class OwnClip(NamedTuple):
    """A clip of the set: its sound's file and the truth about it."""

    path: Path
    truth: ClipTruth


class OwnClipError(ValueError):
    """A clip cannot be told of, or its truth cannot be read; the message names the file."""


class OwnClips:
    """The set in a folder; without one, that among the user's data."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder or data_folder() / "own-clips"

    def add(self, sound: Path, truth: ClipTruth) -> None:
        """Take a clip into the set, or tell anew what is true of it.

        Raises:
            OwnClipError: its sound is not there.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        kept = self.folder / sound.name
        if not kept.is_file():
            if not sound.is_file():
                raise OwnClipError(
                    f"{sound.name}: its sound was not kept; see keep_talk and sound_days"
                )
            write_whole(kept, sound.read_bytes())
        told = msgspec.json.format(msgspec.json.encode(truth), indent=1)
        write_whole(kept.with_suffix(".json"), told)

    def remove(self, name: str) -> bool:
        """Drop a clip and what was told of it; return whether it was there."""
        kept = self.folder / Path(name).name
        there = kept.is_file()
        kept.with_suffix(".json").unlink(missing_ok=True)
        kept.unlink(missing_ok=True)
        return there

    def clips(self) -> list[OwnClip]:
        """Return the clips in the order they were spoken.

        Raises:
            OwnClipError: what was told of one cannot be read.
        """
        sounds = sorted(self.folder.glob("*.flac"))
        return [OwnClip(sound, _truth(sound.with_suffix(".json"))) for sound in sounds]

    def truths(self) -> dict[str, ClipTruth]:
        """Return what is true of each clip, by its file's name.

        Raises:
            OwnClipError: what was told of one cannot be read.
        """
        return {clip.path.name: clip.truth for clip in self.clips()}

    def export(self, folder: Path) -> int:
        """Copy the set into another folder; return how many clips that are.

        Raises:
            OwnClipError: what was told of one cannot be read.
        """
        folder.mkdir(parents=True, exist_ok=True)
        for clip in self.clips():
            for path in (clip.path, clip.path.with_suffix(".json")):
                shutil.copyfile(path, folder / path.name)
        return len(self.clips())


def _truth(path: Path) -> ClipTruth:
    try:
        return msgspec.json.decode(path.read_bytes(), type=ClipTruth)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise OwnClipError(
            f"{path}: what was said is not told in it ({error}); remove it with its sound"
        ) from error
