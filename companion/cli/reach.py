"""`companion reach`: how deep every rod gets."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    users_logbook,
)
from companion.dive.evidence import Belief
from companion.pictures import reach as pictures
from companion.pictures.png import png
from companion.record.logbook import Logbook
from companion.tackle import calibrations, change_from, reaches


@command("reach")
@click.option(
    "--line",
    help='What if every rod had this main line: material and diameter, such as "nylon 0.33 mm".',
)
@click.option(
    "--leader",
    help='What if every rod had this leader, such as "fluorocarbon 0.3 mm of <6 ft|1.8 m>", or "none".',
)
@click.option("--cast", help='What if the cast were this long, such as "<35 yd|32 m>".')
@click.option(
    "--speed", help='What if it were reeled at this speed, such as "<3.3 ft/s|1 m/s>".'
)
@click.option(
    "--temperature", help='What if the water were this warm, such as "<54 F|12 C>".'
)
@click.option(
    "--svg",
    "svg_path",
    type=click.Path(path_type=Path),
    help="Draw the paths into this file.",
)
@click.option(
    "--png", "png_path", type=click.Path(path_type=Path), help="The same as a PNG."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@logbook_option
@config_option
def reach_command(
    *,
    line: str | None,
    leader: str | None,
    cast: str | None,
    speed: str | None,
    temperature: str | None,
    svg_path: Path | None,
    png_path: Path | None,
    as_json: bool,
    logbook_path: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion reach --cast "<35 yd|32 m>" --svg reach.svg

    Prints how deep the lure of every rod gets and along which path, with the band that
    holds the truth in nine cases of ten, as far as the descriptions and the touches in
    the logbook tell.
    """
    settings = settings_in_force(config_path)
    try:
        change = change_from(
            line=line, leader=leader, cast=cast, speed=speed, temperature=temperature
        )
        found = reaches(
            settings.rods, calibrations(settings.rods, _beliefs(logbook_path)), change
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        click.echo(msgspec.json.encode(found).decode())
    else:
        click.echo(pictures.table(found, settings.units))
        click.echo(pictures.plot(found, settings.units))
    if svg_path is not None:
        svg_path.write_text(pictures.svg(found, settings.units), encoding="utf-8")
    if png_path is not None:
        png_path.write_bytes(png(pictures.svg(found, settings.units)))


def _beliefs(path: Path | None) -> dict[str, Belief]:
    """Return what a logbook holds of the lures; nothing where the boat has no logbook yet."""
    book = users_logbook(path)
    if not book.is_file():
        if path is not None:
            raise click.UsageError(f"{path}: there is no such logbook")
        return {}
    with Logbook(book) as logbook:
        return logbook.beliefs()
