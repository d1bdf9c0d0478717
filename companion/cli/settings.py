"""`companion settings`: the configuration, checked or begun."""

from __future__ import annotations

from pathlib import Path

import click

from companion import config
from companion.cli.common import command, settings_in_force


@command("settings")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--example", is_flag=True, help="Print a complete example to begin from.")
def settings_command(file: Path | None, *, example: bool) -> None:
    """Example: companion settings --example > companion.toml

    Checks a config FILE and prints each rod with what it carries, or prints an example config.
    Without FILE it checks the one in force.
    """
    if example:
        click.echo(config.example_text(), nl=False)
        return
    settings = settings_in_force(file)
    for rod in settings.rods:
        click.echo(
            f"{rod.name}: {rod.lure.name} on {rod.line.name}, cast {rod.cast:.0f} m, {rod.speed:.2f} m/s"
        )
        if rod.line.guessed:
            click.echo(f"    {rod.line.guessed}")
