"""`companion backup` and `companion restore`: what a boat has kept, taken elsewhere."""

from __future__ import annotations

from pathlib import Path

import click
from tqdm import tqdm

from companion import config
from companion.cli.common import (
    command,
    config_option,
    json_option,
    told,
    warn,
)
from companion.record.backup import back_up, default_name, restore, verified
from companion.record.hold import hold
from companion.record.salvage import Lost, Salvaged, salvage
from companion.voice.model import data_folder

data_option = click.option(
    "--data",
    type=click.Path(path_type=Path),
    help="Another folder of logbook and recordings.",
)


@command("backup")
@click.argument("to", type=click.Path(path_type=Path), default=Path())
@click.option("--no-audio", is_flag=True, help="Leave the utterances out.")
@click.option("--verify", is_flag=True, help="Only read the backup TO through.")
@data_option
@config_option
@json_option
def backup_command(
    to: Path,
    *,
    no_audio: bool,
    verify: bool,
    data: Path | None,
    config_path: Path | None,
    as_json: bool,
) -> None:
    """Example: companion backup /media/stick

    Writes logbook, recordings and config into one ZIP file, in the folder TO or under
    that name, and reads it through. The companion may be running.
    """
    if verify:
        count_of = len(verified(to))
        told(
            f"{to}: whole, {count_of} files",
            {"backup": str(to), "files": count_of},
            as_json=as_json,
        )
        return
    target, folder = _target(to), data or data_folder()
    with tqdm(unit=" files", disable=None, leave=False) as bar:

        def count(_name: str) -> None:
            bar.update()

        entries = back_up(
            folder,
            target,
            config_path or config.users_file(),
            audio=not no_audio,
            tell=count,
        )
    size = sum(entry.size for entry in entries)
    told(
        f"{target}: {len(entries)} files, {size / 1e6:.1f} MB, read through and whole",
        {"backup": str(target), "files": len(entries), "bytes": size},
        as_json=as_json,
    )
    if folder.stat().st_dev == target.stat().st_dev:
        warn("it lies on the same disk as the logbook; copy it to a stick or elsewhere")


def _target(to: Path) -> Path:
    """Return the file of a backup: one in a folder that is there, or the ZIP file that was named."""
    if to.is_dir():
        return to / default_name()
    if to.suffix.lower() != ".zip":
        raise click.UsageError(
            f"{to}: there is no such folder; is the stick plugged in? A file's name ends in .zip"
        )
    return to


@command("restore")
@click.argument("backup", type=click.Path(path_type=Path))
@click.option(
    "--salvage",
    "from_damaged",
    is_flag=True,
    help="BACKUP is a damaged logbook: take what can be read.",
)
@data_option
@config_option
@json_option
def restore_command(
    backup: Path,
    *,
    from_damaged: bool,
    data: Path | None,
    config_path: Path | None,
    as_json: bool,
) -> None:
    """Example: companion restore companion-20261003T200000Z.zip

    Reads a backup through and puts it back. The logbook that is there is kept under
    another name; recordings are added, none is replaced; a config is put back only
    where there is none. Stop a running companion first. With --salvage it takes what
    can still be read out of a damaged logbook (trips, lakes, marks, lessons and
    corrections) into the boat's own, and tells what could not be.
    """
    if not backup.is_file():
        raise click.UsageError(f"{backup}: there is no such file")
    folder = data or data_folder()
    with hold(folder):
        if from_damaged:
            found = salvage(backup, folder / "logbook.db")
            told(_salvaged(found), found._asdict(), as_json=as_json)
            return
        done = restore(backup, folder, config_path or config.users_file())
    own = config_path or config.users_file()
    lines = [f"restored into {folder}: logbook, {done.recordings} files of recordings"]
    data_told = {
        "folder": str(folder),
        "recordings": done.recordings,
        "former": None,
        "config": None,
        "left_out": done.left_out,
    }
    if done.former is not None:
        lines.append(f"the logbook that was there is now {done.former}")
        data_told["former"] = str(done.former)
    if done.config:
        lines.append(f"config: {own}")
        data_told["config"] = str(own)
    if done.left_out:
        lines.append(f"left out, as they are damaged: {', '.join(done.left_out)}")
    told("\n".join(lines), data_told, as_json=as_json)


def _salvaged(found: Salvaged) -> str:
    """Return what was taken out of a damaged logbook and what was not, in two lines."""
    taken = ", ".join(
        f"{count} {_WORDS[table]}" for table, count in found.taken.items()
    )
    lost = ", ".join(
        f"{_how_many(lost)} {_WORDS[table]}" for table, lost in found.lost.items()
    )
    return f"taken: {taken}\nnot taken, as they cannot be read: {lost or 'none'}"


def _how_many(lost: Lost) -> str:
    """At most so many, for a number that was once used may have been free again."""
    if not lost.more:
        return f"up to {lost.rows}"
    if lost.rows:
        return f"up to {lost.rows}, perhaps more"
    return "perhaps some"


_WORDS = {
    "trips": "trips", "events": "events", "readings": "readings", "calibrations": "lessons",
    "amendments": "corrections", "lakes": "lakes", "lake_tiles": "pieces of their maps",
    "lake_marks": "marks", "lake_learned": "files learned",
}  # fmt: skip
"""A logbook's tables, to people."""
