"""`companion settings`: the configuration, checked or begun."""

from __future__ import annotations

from pathlib import Path

import click

from companion import config
from companion.cli.common import command, json_option, settings_in_force, told
from companion.config import ConfigError
from companion.tackle import LureSpec
from companion.toml_reader import Problem
from companion.units import Units


@command("settings")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--example", is_flag=True, help="Print a complete example to begin from.")
@json_option
def settings_command(file: Path | None, *, example: bool, as_json: bool) -> None:
    """Example: companion settings --example > companion.toml

    Checks a config FILE and prints each rod with what it carries, or prints an example
    config. Without FILE it checks the one in force.
    """
    if example:
        click.echo(config.example_text(), nl=False)
        return
    settings = settings_in_force(file)
    for rod in settings.rods:
        _check_lure(rod.lure, file or config.users_file())
    lines, units = [], Units(settings.units)
    for rod in settings.rods:
        cast, reeled = units.distance(rod.cast), units.speed(rod.speed)
        lines.append(
            f"{rod.name}: {rod.lure.name} on {rod.line_name}, cast {cast}, reeled at {reeled}"
        )
        if rod.line_doubt:
            lines.append(f"    {rod.line_doubt}")
    told("\n".join(lines), settings, as_json=as_json)


def _check_lure(lure: LureSpec, file: Path) -> None:
    """Check that there is a lure that goes as a config states.

    Raises:
        ConfigError: there is none.
    """
    try:
        lure.physics()
    except ValueError as error:
        line = _line_naming(lure.name, file.read_text(encoding="utf-8"))
        raise ConfigError([Problem(str(file), line, "lures", str(error))]) from None


def _line_naming(lure: str, text: str) -> int:
    """Return the number of the first line that has a lure's name in it, 1 where none has."""
    lines = enumerate(text.splitlines(), start=1)
    return next((number for number, line in lines if f'"{lure}"' in line), 1)
