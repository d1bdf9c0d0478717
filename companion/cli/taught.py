"""`companion taught`: what touches have taught about each rod, and how to forget it."""

from __future__ import annotations

from collections.abc import Mapping
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
from companion.dive.calibration import Calibration
from companion.record.logbook import Logbook
from companion.tackle import Rod, calibrations, rig_name, what_was_learned


@command("taught")
@click.option(
    "--forget",
    "rods",
    type=int,
    multiple=True,
    help="Forget what was learned with this rod.",
)
@click.option("--forget-all", is_flag=True, help="Forget everything that was learned.")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print every belief with its evidence as JSON.",
)
@logbook_option
@config_option
def taught_command(
    *,
    rods: tuple[int, ...],
    forget_all: bool,
    as_json: bool,
    logbook_path: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion taught --forget 2

    Prints how deep each rod gets, how deep it was thought to get before the first
    touch, and how many touches and casts without one have taught it. What is forgotten
    stays in the logbook's history.
    """
    settings = settings_in_force(config_path)
    known = {rod.number: rod for rod in settings.rods}
    if strangers := [number for number in rods if number not in known]:
        raise click.UsageError(
            f"there is no rod {strangers[0]}; rods: {', '.join(map(str, known))}"
        )
    path = users_logbook(logbook_path)
    if not path.is_file():
        raise click.UsageError(
            f"{path}: there is no such logbook; give one with --logbook"
        )
    with Logbook(path) as logbook:
        learned = calibrations(settings.rods, logbook.beliefs())
        forgotten = tuple(known[n] for n in rods)
        if forget_all:
            forgotten = settings.rods
        _forget(logbook, learned, forgotten)
    if as_json:
        beliefs = {lure: calibration.belief() for lure, calibration in learned.items()}
        click.echo(msgspec.json.encode(beliefs).decode())
    else:
        click.echo(what_was_learned(settings.rods, learned, settings.units), nl=False)


def _forget(
    logbook: Logbook, learned: Mapping[str, Calibration], rods: tuple[Rod, ...]
) -> None:
    for rod in rods:
        learned[rod.lure.name].forget(rig_name(rod))
    for lure in {rod.lure.name for rod in rods}:
        belief = learned[lure].belief()
        logbook.keep_calibration("lure", lure, belief if belief.evidence else None)
