"""`companion logbook`: what is written in a logbook."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from companion.cli.common import command
from companion.config import users_unit
from companion.events import AnyEvent
from companion.record import timeline
from companion.record.logbook import Logbook
from companion.units import LengthUnit


@command("logbook")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--trip", type=int, help="This trip instead of the last one.")
@click.option(
    "--all", "everything", is_flag=True, help="Every event, not only what was logged."
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print events as JSON, one a line."
)
@click.option(
    "--units",
    type=click.Choice(["feet", "metres"]),
    help="Of lengths.  [default: as configured]",
)
def logbook_command(
    file: Path,
    *,
    trip: int | None,
    everything: bool,
    as_json: bool,
    units: LengthUnit | None,
) -> None:
    """Example: companion logbook ~/.local/share/companion/replays/DAY.db

    Lists the trips in a logbook, and what was logged on the last one or on --trip.
    """
    if not file.is_file():
        raise click.UsageError(f"{file}: there is no such logbook")
    with Logbook(file) as logbook:
        trips = logbook.trips()
        chosen = trip
        if trip is None and trips:
            chosen = trips[-1].id
        if chosen not in {entry.id for entry in trips}:
            raise click.UsageError(f"{file}: there is no trip {chosen}")
        unit = units or users_unit()
        if not as_json:
            for entry in trips:
                click.echo(
                    f"trip {entry.id}  {entry.began or 'no date'}  {entry.name}: {entry.logged} logged"
                )
        for event, mark in _entries(
            logbook, chosen, everything=everything, as_logged=as_json
        ):
            line = timeline.printed(event, unit, as_json=as_json)
            if not as_json:
                line += mark
            click.echo(line)


def _entries(
    logbook: Logbook, trip: int, *, everything: bool, as_logged: bool
) -> Iterator[tuple[AnyEvent, str]]:
    """Yield what to print, each with what became of it: as it was logged, or as it stands corrected."""
    if everything:
        yield from ((event, "") for event in logbook.events(trip))
        return
    for thing in logbook.corrections.corrected(trip):
        marks = ["corrected"] * bool(thing.amendments) + ["taken back"] * (
            not thing.stands
        )
        mark = ""
        if marks:
            mark = f"   [{', '.join(marks)}]"
        yield (thing.original if as_logged else thing.event), mark
