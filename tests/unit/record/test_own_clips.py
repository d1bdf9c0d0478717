"""The owner's own set: what is told of is kept with its sound, and stays when the trip's sound goes."""

from pathlib import Path

import pytest

from companion.record.backup import back_up
from companion.record.logbook import Logbook
from companion.record.own_clips import ClipTruth, OwnClipError, OwnClips

RIGHT = ClipTruth(said="log bite", text="log bite", command="bite")
TALK = ClipTruth(said=None, text="[unk]", command=None)


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    path = tmp_path / "trip" / "20261003T141500.250Z.flac"
    path.parent.mkdir()
    path.write_bytes(b"sound")
    return path


def test_a_clip_stays_when_the_sound_of_its_trip_is_deleted(
    tmp_path: Path, sound: Path
):
    own = OwnClips(tmp_path / "own")
    assert own.clips() == []
    own.add(sound, RIGHT)
    sound.unlink()
    own.add(sound, TALK)
    (clip,) = own.clips()
    assert (clip.path.read_bytes(), clip.truth) == (b"sound", TALK)
    assert own.truths() == {sound.name: TALK}
    assert own.remove(sound.name)
    assert not own.remove(sound.name)
    assert list((tmp_path / "own").iterdir()) == []


def test_without_its_sound_nothing_can_be_told(tmp_path: Path, sound: Path):
    sound.unlink()
    with pytest.raises(
        OwnClipError, match="its sound was not kept; see keep_talk and sound_days"
    ):
        OwnClips(tmp_path / "own").add(sound, RIGHT)


def test_a_truth_that_cannot_be_read_is_named(tmp_path: Path, sound: Path):
    own = OwnClips(tmp_path / "own")
    own.add(sound, RIGHT)
    (tmp_path / "own" / sound.with_suffix(".json").name).write_text("{")
    with pytest.raises(OwnClipError, match=r"250Z\.json: what was said is not told"):
        own.truths()


def test_a_backup_has_none_of_it(tmp_path: Path, sound: Path):
    (tmp_path / "data").mkdir()
    with Logbook(tmp_path / "data" / "logbook.db"):
        pass
    OwnClips(tmp_path / "data" / "own-clips").add(sound, RIGHT)
    entries = back_up(tmp_path / "data", tmp_path / "backup.zip")
    assert [entry.name for entry in entries if "own" in entry.name] == []


def test_an_export_is_a_copy(tmp_path: Path, sound: Path):
    own = OwnClips(tmp_path / "own")
    own.add(sound, RIGHT)
    assert own.export(tmp_path / "out" / "here") == 1
    assert OwnClips(tmp_path / "out" / "here").truths() == own.truths()
