"""What the commands share: help that begins with an example, the cautions, and the settings in force."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec

from companion import config
from companion.config import ConfigError, Settings
from companion.voice.model import data_folder

CAUTIONS = """\b
Not for navigation: depths and marks are for fishing and may be wrong.
Keep a look-out, wear the life jacket, clip on the engine cut-off lanyard.
Fuse at the battery; wiring by local rules and a competent person.
Obey the local fishing rules."""


class ExampleFirst(click.Command):
    """A command whose help begins with the example that its docstring begins with."""

    def _parts(self) -> tuple[str, str]:
        example, _, rest = inspect.cleandoc(self.help or "").partition("\n\n")
        return example, rest

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the example, then the usage."""
        formatter.write(f"{self._parts()[0]}\n\n")
        super().format_usage(ctx, formatter)

    def format_help_text(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the help without the example."""
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(self._parts()[1])

    def get_short_help_str(self, limit: int = 60) -> str:
        """Return the first sentence after the example."""
        del limit
        return " ".join(self._parts()[1].split()).split(". ")[0].rstrip(".")


def command(name: str) -> Callable[[Callable[..., Any]], click.Command]:
    """Return a decorator that makes a function a command with its example first and the cautions last."""
    return click.command(name, cls=ExampleFirst, epilog=CAUTIONS)


config_option = click.option(
    "--config", "config_path", type=click.Path(path_type=Path), help="Another config file."
)
"""`--config FILE`, as most commands have it; hand its value to `settings_in_force`."""


json_option = click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
"""`--json`, for a command that prints one thing; hand what it is to `told`."""


def told(text: str, data: object, *, as_json: bool) -> None:
    """Print a text, or what it stands for as one line of JSON."""
    click.echo(msgspec.json.encode(data).decode() if as_json else text)


logbook_option = click.option(
    "--logbook", "logbook_path", type=click.Path(path_type=Path), help="Another logbook file."
)
"""`--logbook FILE`; hand its value to `users_logbook` where the boat's own is meant without it."""


def users_logbook(path: Path | None) -> Path:
    """Return the logbook named, or the boat's own among the user's data."""
    return path or data_folder() / "logbook.db"


def warn(text: str) -> None:
    """Tell the person at the terminal something that ends nothing."""
    click.echo(f"companion: {text}", err=True)


def settings_in_force(path: Path | None) -> Settings:
    """Return the settings in a file; without one those of the user, else the example's."""
    users = config.users_file()
    if path is None and users.is_file():
        path = users
    if path is not None:
        settings = config.load(path)
        if not settings.rods:
            reason, hint = "no rod is rigged", "give at least one under [[rods]]"
            raise ConfigError([config.Problem(str(path), 1, "rods", reason, hint)])
        return settings
    click.echo(f"no config ({users}): rods and lines are those of the example", err=True)
    return config.parse(config.example_text(), "the example config")
