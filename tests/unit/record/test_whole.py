"""A file is whole after a cut of power only if its content reaches the disk before its name does."""

import os
import re
import stat
from pathlib import Path

import pytest

from companion.record.whole import write_whole


def test_content_then_name_then_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def synced(file: int) -> None:
        kind = (
            "folder"
            if stat.S_ISDIR(os.fstat(file).st_mode)
            else f"{os.fstat(file).st_size} bytes"
        )
        done.append(kind)
        fsync(file)

    def named(path: Path, target: Path) -> Path:
        done.append("name")
        return replace(path, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", named)
    write_whole(tmp_path / "a file", b"12345")
    assert done == ["5 bytes", "name", "folder"]
    assert [path.name for path in tmp_path.iterdir()] == ["a file"]
    assert (tmp_path / "a file").read_bytes() == b"12345"


def test_a_disk_that_refuses_keeps_what_was_there_and_no_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_file: int) -> None:
        raise OSError(28, "No space left on device")

    path = tmp_path / "a file"
    path.write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", refused)
    with pytest.raises(OSError, match=re.escape("No space")):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["a file"]
