"""`companion export`: a trip for other programs; `companion send`: waypoints to a plotter's wire."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import click

from companion.cli.common import (
    command,
    json_option,
    logbook_option,
    told,
    users_logbook,
)
from companion.config import users_unit
from companion.lakebed.waypoints import waypoints_in
from companion.record import export
from companion.record.logbook import Logbook
from companion.sensing.sending import (
    SENT_SENTENCES,
    Destination,
    destination_in,
    send,
    send_to_signalk,
    waypoint_sentences,
)
from companion.sensing.sources import token_in
from companion.units import LengthUnit, Units


@command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--trip", type=int, help="This trip instead of the last one.")
@click.option(
    "--format",
    "forms",
    type=click.Choice(get_args(export.Format)),
    multiple=True,
    help="One of them; else all.",
)
@click.option(
    "--only",
    "parts",
    type=click.Choice(export.PARTS),
    multiple=True,
    help="Only things of this kind; may be given several times.",
)
@click.option(
    "--units",
    type=click.Choice(["feet", "metres"]),
    help="Of lengths.  [default: as configured]",
)
@logbook_option
@json_option
def export_command(
    folder: Path,
    *,
    trip: int | None,
    forms: tuple[export.Format, ...],
    parts: tuple[str, ...],
    units: LengthUnit | None,
    logbook_path: Path | None,
    as_json: bool,
) -> None:
    """Example: companion export ~/trips --format gpx --only mark --only fish

    Writes a trip for other programs into FOLDER: events, soundings (thinned to one
    every five metres), marks and track as CSV; track and everything logged as GPX; all
    of it as GeoJSON; marks as waypoints of NMEA 0183. What was exported can be learned
    back with companion learn.
    """
    path = users_logbook(logbook_path)
    if not path.is_file():
        raise click.UsageError(f"{path}: there is no such logbook")
    in_units = Units(units or users_unit())
    with Logbook(path) as book:
        trips = book.trips()
        chosen = [t for t in trips if trip is None or t.id == trip][-1:]
        if not chosen:
            raise click.UsageError(
                f"{path}: there is no trip {trip if trip is not None else 'in it'}"
            )
        read = export.read_trip(book, chosen[0])
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for form in forms or get_args(export.Format):
        for end, text in export.files(
            read, form, in_units, parts or export.PARTS
        ).items():
            target = folder / f"trip-{chosen[0].id}-{end}"
            target.write_text(text, encoding="utf-8")
            written.append(str(target))
    told("\n".join(written), {"trip": chosen[0].id, "files": written}, as_json=as_json)


def _destination(
    _ctx: click.Context, _param: click.Parameter, value: str
) -> Destination:
    try:
        return destination_in(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


@command("send")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--to",
    "wire",
    required=True,
    callback=_destination,
    metavar="WIRE",
    help="tcp:HOST:PORT, udp:HOST:PORT, signalk:HOST:PORT, or a serial port such as /dev/ttyUSB0@4800.",
)
@click.option(
    "--token-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Holds what is shown to a Signal K server that asks for a token.",
)
@json_option
def send_command(
    file: Path, *, wire: Destination, token_file: Path | None, as_json: bool
) -> None:
    """Example: companion send waypoints.nmea --to udp:192.0.2.7:10110

    Sends the waypoints and routes in FILE (WPL and RTE of NMEA 0183, as export, lakebed
    and plan write them) to a plotter, or the waypoints to a Signal K server, once.
    Nothing else in the file is sent, and the companion never sends by itself. Not for
    navigation: they are places to fish at, and no route was checked for depth or
    dangers.
    """
    data = file.read_bytes()
    sentences = waypoint_sentences(data)
    places = waypoints_in(data)
    if not sentences:
        raise click.UsageError(
            f"{file}: no waypoint in it; expected {' or '.join(SENT_SENTENCES)} sentences"
        )
    token = None if token_file is None else token_in(token_file)
    try:
        if wire.kind == "signalk":
            count, what = len(places), "waypoints"
            send_to_signalk(places, wire, token)
        else:
            count, what = len(sentences), "sentences"
            send(sentences, wire)
    except OSError as error:
        reason = str(getattr(error, "strerror", None) or error).lower()
        if error.errno is not None:  # a refusal says why
            reason += "; is it on, and its address right?"
        raise OSError(f"{wire.host}: {reason}") from error
    told(f"{count} {what} sent to {wire.host}", {"sent": count}, as_json=as_json)
