"""Backup and restore of everything a boat has kept, each file checked on the way out and on the way in.

A backup is one ZIP file: `logbook.db` as it stood at one instant, `companion.toml`,
`recordings/` and `contents.json`, which lists every other file with its size and
SHA-256.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import msgspec

from companion.clock import wall_clock
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError

BACKUP_LOGBOOK, BACKUP_RECORDINGS, BACKUP_CONFIG, BACKUP_CONTENTS = (
    "logbook.db",
    "recordings",
    "companion.toml",
    "contents.json",
)
MOST_CONTENTS = 32_000_000
"""Bytes of the longest list of contents that is read: a third of a million files."""
MOST_SQUEEZED = 200
"""How many times smaller than itself a file can be in a backup; zeros in a bomb are a thousand times."""
_PIECE = 1 << 20

# What zipfile raises for a file that is none, or that was changed somewhere.
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, msgspec.MsgspecError,
    OSError, EOFError, KeyError, ValueError, NotImplementedError, RuntimeError,
)  # fmt: skip


class BackupError(Exception):
    """A backup cannot be made or used; the message says which file and why."""


class Entry(msgspec.Struct, frozen=True):
    """A file in a backup: its name there, its size, bytes, and its SHA-256."""

    name: str
    size: int
    sha256: str


class Restored(NamedTuple):
    """The result of a restore: files of recordings added, where the former logbook is, whether a config came.

    `left_out` has the names of recorded files that were damaged in the backup.
    """

    recordings: int
    former: Path | None
    config: bool
    left_out: tuple[str, ...] = ()


Progress = Callable[[str], None]


def back_up(
    data: Path,
    to: Path,
    config: Path | None = None,
    *,
    audio: bool = True,
    tell: Progress = lambda _: None,
) -> list[Entry]:
    """Write everything in a data folder into the ZIP file `to`, whole or not at all; the trip may be running.

    Args:
        data: the folder with the logbook and the recordings.
        to: the backup.
        config: the configuration to put into it.
        audio: whether utterances go in too.
        tell: told each file's name.

    Raises:
        BackupError: there is nothing to back up, the logbook is damaged, or what was
            written cannot be read again.
        OSError: a disk refuses.
    """
    if not any((data / kept).exists() for kept in (BACKUP_LOGBOOK, BACKUP_RECORDINGS)):
        raise BackupError(f"{data}: no logbook and no recordings there to back up")
    entries: list[Entry] = []
    part = to.with_name(to.name + ".part")
    to.parent.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(dir=to.parent, prefix=".backup-") as scratch:
            part.touch(mode=0o600)
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
                for path, name in _wanted(data, config, Path(scratch), audio=audio):
                    tell(name)
                    entries.append(_add(archive, path, name))
                archive.writestr(
                    BACKUP_CONTENTS, msgspec.json.format(msgspec.json.encode(entries))
                )
            _sync(part)
        verified(part)
        part.replace(to)
    finally:
        part.unlink(missing_ok=True)
    return entries


def _wanted(
    data: Path, config: Path | None, scratch: Path, *, audio: bool
) -> Iterator[tuple[Path, str]]:
    if (data / BACKUP_LOGBOOK).exists():
        copy = scratch / BACKUP_LOGBOOK
        snapshot(data / BACKUP_LOGBOOK, copy)
        yield copy, BACKUP_LOGBOOK
    if config is not None and config.is_file():
        yield config, BACKUP_CONFIG
    for path in sorted((data / BACKUP_RECORDINGS).rglob("*")):
        if (
            path.is_file()
            and path.suffix != ".part"
            and (audio or path.suffix != ".flac")
        ):
            yield (
                path,
                str(
                    PurePosixPath(
                        BACKUP_RECORDINGS,
                        *path.relative_to(data / BACKUP_RECORDINGS).parts,
                    )
                ),
            )


def snapshot(logbook: Path, to: Path) -> None:
    """Copy a logbook as it stands at one instant, also while it is written, and check the copy.

    Raises:
        BackupError: it is damaged.
    """
    try:
        with (
            closing(
                sqlite3.connect(f"{logbook.resolve().as_uri()}?mode=ro", uri=True)
            ) as source,
            closing(sqlite3.connect(to)) as copy,
        ):
            source.backup(copy)
            copy.execute(
                "PRAGMA journal_mode = delete"
            )  # one file, that needs no others beside it
            faults = [
                row[0]
                for row in copy.execute("PRAGMA integrity_check")
                if row[0] != "ok"
            ]
    except sqlite3.Error as error:
        raise BackupError(
            f"{logbook}: {error}; `companion check` says what to do"
        ) from error
    if faults:
        raise BackupError(
            f"{logbook}: it is damaged ({faults[0]}); `companion check` says what to do"
        )


def _add(archive: zipfile.ZipFile, path: Path, name: str) -> Entry:
    """Add a file; of one that grows meanwhile what it had when it was opened."""
    digest, left = hashlib.sha256(), path.stat().st_size
    size = left
    info = zipfile.ZipInfo.from_file(path, name, strict_timestamps=False)
    info.compress_type = (
        zipfile.ZIP_STORED if path.suffix == ".flac" else zipfile.ZIP_DEFLATED
    )
    with path.open("rb") as file, archive.open(info, "w", force_zip64=True) as into:
        while left and (data := file.read(min(_PIECE, left))):
            left -= len(data)
            digest.update(data)
            into.write(data)
    return Entry(name, size - left, digest.hexdigest())


def verified(backup: Path) -> list[Entry]:
    """Read a backup through and return its files.

    Raises:
        BackupError: it is no backup, or a file in it is missing, surplus or changed.
    """
    entries, damaged = _looked_through(backup)
    for name, why in damaged.items():
        raise BackupError(f"{backup}: {name} {why}; use another backup")
    return entries


def _looked_through(backup: Path) -> tuple[list[Entry], dict[str, str]]:
    """Return a backup's files, and of those that cannot be used what is wrong with each.

    Raises:
        BackupError: it is no backup, or its list of contents does not fit.
    """
    try:
        with zipfile.ZipFile(backup) as archive:
            if archive.getinfo(BACKUP_CONTENTS).file_size > MOST_CONTENTS:
                raise BackupError(
                    f"{backup}: its list of contents is too long; use another backup"
                )
            entries = msgspec.json.decode(
                archive.read(BACKUP_CONTENTS), type=list[Entry]
            )
            names = archive.namelist()
            listed = {entry.name for entry in entries} | {BACKUP_CONTENTS}
            if (
                len(names) != len(entries) + 1
                or listed != set(names)
                or _has_file_as_folder(listed)
            ):
                raise BackupError(
                    f"{backup}: its list of contents does not fit; use another backup"
                )
            wrong = {
                entry.name: why
                for entry in entries
                if (why := _wrong_with(archive, entry))
            }
    except _UNREADABLE as error:
        raise BackupError(
            f"{backup}: no backup, or a damaged one ({error}); use another"
        ) from error
    return entries, wrong


def _has_file_as_folder(names: set[str]) -> bool:
    """Return whether one of the files lies in another of them, which no disk can hold."""
    places = {PurePosixPath(name) for name in names}
    return any(parent in places for place in places for parent in place.parents)


def _wrong_with(archive: zipfile.ZipFile, entry: Entry) -> str | None:
    info = archive.getinfo(entry.name)
    if info.file_size != entry.size or info.file_size > MOST_SQUEEZED * max(
        info.compress_size, _PIECE
    ):
        return "is not of the size it should be"
    try:
        with archive.open(entry.name) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
    except _UNREADABLE as error:
        return f"cannot be read ({error})"
    if digest != entry.sha256:
        return "has changed"
    return None


def restore(
    backup: Path,
    data: Path,
    config: Path | None = None,
    *,
    tell: Progress = lambda _: None,
) -> Restored:
    """Put a backup back. The logbook that is there is kept under another name; recordings are only added.

    Recorded files that are damaged in the backup are left out.

    Args:
        backup: the ZIP file.
        data: the folder for logbook and recordings.
        config: where the configuration goes, unless there is one already.
        tell: told each file's name.

    Raises:
        BackupError: the logbook or the config in it is damaged, or it does not fit the
            disk; nothing has been changed then.
        OSError: a disk refuses.
    """
    entries, damaged = _looked_through(backup)
    for name, why in damaged.items():
        if not name.startswith(BACKUP_RECORDINGS):
            raise BackupError(f"{backup}: {name} {why}; use another backup")
    data.mkdir(parents=True, exist_ok=True)
    if sum(entry.size for entry in entries) > shutil.disk_usage(data).free:
        raise BackupError(f"{backup}: does not fit the disk; make room in {data}")
    former, put_config, added = None, False, 0
    with (
        tempfile.TemporaryDirectory(dir=data, prefix=".restore-") as scratch,
        zipfile.ZipFile(backup) as zipped,
    ):
        for entry in entries:
            if entry.name in damaged:
                continue
            place = _place_of(entry.name, data, config)
            if place is None or (place.exists() and entry.name != BACKUP_LOGBOOK):
                continue
            unpacked = Path(scratch) / "file"
            with zipped.open(entry.name) as source, unpacked.open("wb") as target:
                shutil.copyfileobj(source, target, _PIECE)
            _sync(unpacked)
            if entry.name == BACKUP_LOGBOOK:
                _check_logbook(unpacked, backup)
                former = set_aside(place, "before-restore")
            tell(entry.name)
            place.parent.mkdir(parents=True, exist_ok=True)
            unpacked.replace(place)
            put_config |= entry.name == BACKUP_CONFIG
            added += entry.name.startswith(BACKUP_RECORDINGS)
    return Restored(added, former, put_config, tuple(damaged))


def _place_of(name: str, data: Path, config: Path | None) -> Path | None:
    """Return where a file goes; None for a name that does not belong in a backup."""
    if name == BACKUP_CONFIG:
        return config
    parts = PurePosixPath(name).parts
    recorded = parts[:1] == (BACKUP_RECORDINGS,) and len(parts) > 1
    if name == BACKUP_LOGBOOK or (
        recorded and ".." not in parts and name.isprintable()
    ):
        return data.joinpath(*parts)
    return None


def _check_logbook(path: Path, backup: Path) -> None:
    try:
        with Logbook(path) as book:
            faults = book.tables.faults()
    except LogbookError as error:
        raise BackupError(
            f"{backup}: its logbook cannot be used: {error.what}"
        ) from error
    if faults:
        raise BackupError(f"{backup}: its logbook is damaged: {faults[0]}")
    for beside in ("-wal", "-shm"):
        path.with_name(path.name + beside).unlink(missing_ok=True)


def set_aside(logbook: Path, why: str) -> Path | None:
    """Rename a logbook, with the files that belong to it; return its new name, None when there is none.

    Raises:
        OSError: the disk refuses.
    """
    if not logbook.exists():
        return None
    n = 1
    while (
        to := logbook.with_name(f"{logbook.stem}-{why}-{n}{logbook.suffix}")
    ).exists():
        n += 1
    for end in ("-wal", "-shm", ""):
        beside = logbook.with_name(logbook.name + end)
        if beside.exists():
            beside.rename(to.with_name(to.name + end))
    return to


def default_name() -> str:
    """Return a name for a backup made now."""
    return f"companion-{wall_clock().astimezone(UTC):%Y%m%dT%H%M%SZ}.zip"


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
