"""What the commands share: their options and the settings in force."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
import msgspec

from companion import config
from companion.cli.help import command
from companion.config import ConfigError, Settings
from companion.dive.kept import keep_on
from companion.record.shelf import TableShelf
from companion.toml_reader import Problem
from companion.voice.model import data_folder

__all__ = [
    "command",
    "config_option",
    "json_option",
    "logbook_option",
    "settings_in_force",
    "told",
    "users_logbook",
    "warn",
    "warn_of",
]

_MOST_PROBLEMS = 5

config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
    help="Another config file.",
)
"""`--config FILE`, as most commands have it; hand its value to `settings_in_force`."""


json_option = click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
"""`--json`, for a command that prints one thing; hand what it is to `told`."""


def told(text: str, data: object, *, as_json: bool) -> None:
    """Print a text, or what it stands for as one line of JSON."""
    if as_json:
        text = msgspec.json.encode(data).decode()
    click.echo(text)


logbook_option = click.option(
    "--logbook",
    "logbook_path",
    type=click.Path(path_type=Path),
    help="Another logbook file.",
)
"""`--logbook FILE`; hand its value to `users_logbook` where the boat's own is meant without it."""


def users_logbook(path: Path | None) -> Path:
    """Return the logbook named, or the boat's own among the user's data."""
    return path or data_folder() / "logbook.db"


def tables_folder() -> Path:
    """Return the folder of the tables computed for the user's rods."""
    return data_folder() / "tables"


def warn(text: str) -> None:
    """Tell the person at the terminal something that ends nothing."""
    click.echo(f"companion: {text}", err=True)


def warn_of(name: str, problems: Sequence[str]) -> None:
    """Warn of the first problems of a file, and of how many more there are."""
    for line in problems[:_MOST_PROBLEMS]:
        warn(line)
    if len(problems) > _MOST_PROBLEMS:
        warn(f"{name}: and {len(problems) - _MOST_PROBLEMS} more lines like these")


def settings_in_force(path: Path | None) -> Settings:
    """Return the settings in a file; without one those of the user, else the example's.

    From then on the tables computed for its rods are kept among the user's data.
    """
    keep_on(TableShelf(tables_folder()))
    users = config.users_file()
    if path is None and users.is_file():
        path = users
    if path is not None:
        settings = config.load(path)
        if not settings.rods:
            reason, hint = "no rod is rigged", "give at least one under [[rods]]"
            raise ConfigError([Problem(str(path), 1, "rods", reason, hint)])
        return settings
    click.echo(
        f"no config ({users}): rods and lines are those of the example", err=True
    )
    return config.parse(config.example_text(), "the example config")
