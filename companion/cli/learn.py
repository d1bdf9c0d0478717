"""`companion learn`: other people's recordings, soundings and marks into the lake."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
import msgspec
from tqdm import tqdm

from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    told,
    users_logbook,
    warn,
    warn_of,
)
from companion.lakebed.bed import Bed
from companion.lakebed.exchange import ToDegrees
from companion.lakebed.projected import to_degrees
from companion.lakebed.water_level import LevelHint
from companion.record.hold import hold
from companion.record.lakes import Lakes, LearnedFile, is_of_trip
from companion.record.learning import Conditions, LearningOutcome, digest_of, learn
from companion.record.logbook import Logbook
from companion.tackle.quantities import Quantity
from companion.units import FATHOM, FOOT, NINE_IN_TEN_SIGMAS, LengthUnit, Units

_UNITS = {"metres": 1.0, "feet": FOOT, "fathoms": FATHOM}


@command("learn")
@click.argument(
    "files",
    nargs=-1,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)
@click.option(
    "--level",
    help='How the water stood against the map\'s, such as "<2 ft|0.6 m>" or "<-2 ft|-0.6 m>".',
)
@click.option(
    "--transducer",
    help='How deep the transducer hung, such as "<1 ft|0.3 m>", where a file does not say.',
)
@click.option(
    "--zone",
    help='The zone of eastings and northings, such as "UTM 17N" or EPSG:32617.',
)
@click.option(
    "--depths",
    type=click.Choice(list(_UNITS)),
    help="The unit of depths in a table, grid, .xyz or contours that name none.  [default: metres]",
)
@click.option(
    "--shoreline",
    is_flag=True,
    help="Take the lines of .geojson files for the water's edge: depth 0.",
)
@click.option(
    "--learned", is_flag=True, help="List the files learned so far, and the trips."
)
@click.option(
    "--forget",
    "to_forget",
    multiple=True,
    metavar="FILE|TRIP",
    help="Take out of the lake what came from this file or trip, before FILES are learned.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print what became of each file as JSON."
)
@logbook_option
@config_option
def learn_command(
    files: tuple[Path, ...],
    *,
    level: str | None,
    transducer: str | None,
    zone: str | None,
    depths: str | None,
    shoreline: bool,
    learned: bool,
    to_forget: tuple[str, ...],
    as_json: bool,
    logbook_path: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion learn their_day.nmea survey.csv marks.gpx

    Adds recordings of others to the lake: NMEA 0183 logs with depth and position or
    with waypoints, soundings as .csv, .xyz, .geojson or GeoTIFF, depth contours as
    .geojson, marks as .csv, .geojson or .gpx waypoints. False echoes are dropped and counted. A file that was
    learned before is passed over, whatever its name. When it is interrupted, run it
    again: it goes on.

    What was learned wrongly, in the wrong unit for instance, is taken out again by
    --forget, and nothing else with it: give the file or the name that --learned lists,
    and the file once more to learn it anew. A trip with a wrong offset is taken out the
    same way, by its name or day; what was marked on it stays. Stop a running companion first.
    """
    if not (files or to_forget or learned):
        raise click.UsageError("expected FILES, or --learned")
    unit = settings_in_force(config_path).units
    conditions = Conditions(
        _length(level, -30.0) or 0.0,
        _length(transducer, 0.0),
        _degrees(zone),
        shoreline,
        None if depths is None else _UNITS[depths],
    )
    path = users_logbook(logbook_path)
    if to_forget:
        with hold(path.parent), Logbook(path) as logbook:
            for name in to_forget:
                _forget(name, Lakes(logbook), as_json=as_json)
    with Logbook(path) as logbook:
        lakes = Lakes(logbook)
        outcomes = _learn(files, lakes, conditions, unit, as_json=as_json)
        if learned:
            for file in lakes.learned():
                told(f"{_name(file)}: {_amount(file)}", file._asdict(), as_json=as_json)
    if any(outcome.useless for outcome in outcomes):
        raise click.ClickException(
            "nothing could be learned from some of the files; see above"
        )


def _learn(
    files: Sequence[Path],
    lakes: Lakes,
    conditions: Conditions,
    unit: LengthUnit,
    *,
    as_json: bool,
) -> list[LearningOutcome]:
    """Learn files one after the other, and tell what became of each."""
    outcomes = []
    bed = Bed(lakes.areas())
    size = sum(path.stat().st_size for path in files)
    with tqdm(total=size, unit="B", unit_scale=True, disable=None, leave=False) as bar:
        for path in files:
            bar.set_description(path.name)
            outcome = learn(path, lakes, bed, conditions, bar.update)
            outcomes.append(outcome)
            with bar.external_write_mode():
                _tell(outcome, unit, as_json=as_json)
    for problem in lakes.problems:
        warn(problem)
    return outcomes


def _name(file: LearnedFile) -> str:
    """Return what a file or trip is called: a trip's name says that it is one."""
    if is_of_trip(file.digest):
        return file.digest
    return file.name


def _forget(name: str, lakes: Lakes, *, as_json: bool) -> None:
    """Take a file or trip out of the lakes, named by itself or by what it was called."""
    found = _meant(name, lakes.learned())
    if not found:
        raise click.UsageError(
            f"nothing was learned from {name}; see: companion learn --learned"
        )
    if len(found) > 1:
        raise click.UsageError(
            f"{len(found)} were learned as {name}; give the file itself, or all of a trip's name"
        )
    (file,) = found
    if not file.apart:
        raise click.UsageError(
            f"{_name(file)}: what came from it is not known apart from the rest; "
            "restore a backup from before it"
        )
    lakes.forget(Bed(lakes.areas()), file)
    told(
        f"{_name(file)}: forgotten, {_amount(file)}",
        {"forgotten": _name(file), "soundings": file.soundings, "marks": file.marks},
        as_json=as_json,
    )


def _meant(name: str, files: Sequence[LearnedFile]) -> list[LearnedFile]:
    """Return what may be meant: a file as it is, or what is called so, or else the trips of that day."""
    path, digest = Path(name), None
    if path.is_file():
        digest = digest_of(path)
    for is_meant in (
        lambda file: file.digest == digest,
        lambda file: path.name in (file.name, file.digest),
        lambda file: is_of_trip(file.digest) and file.name.startswith(name),
    ):
        found = [file for file in files if is_meant(file)]
        if found:
            return found
    return []


def _length(text: str | None, low: float) -> float | None:
    if text is None:
        return None
    try:
        return Quantity("length", low, 30.0).read(text)
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _degrees(zone: str | None) -> ToDegrees | None:
    if zone is None:
        return None
    try:
        return to_degrees(zone)
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _tell(outcome: LearningOutcome, unit: LengthUnit, *, as_json: bool) -> None:
    if as_json:
        click.echo(
            msgspec.json.encode(
                outcome._asdict() | {"dropped": dict(outcome.dropped)}
            ).decode()
        )
        return
    click.echo(f"{outcome.name}: {_summary(outcome)}")
    if outcome.metres_assumed:
        click.echo("  its depths name no unit: taken for metres; see --depths")
    warn_of(outcome.name, outcome.problems)
    if outcome.hint is not None:
        click.echo(f"  {_level(outcome.hint, unit)}")


def _level(hint: LevelHint, unit: LengthUnit) -> str:
    """Return by how much the water seems to have stood otherwise, nine times in ten."""
    way = {True: "deeper", False: "shoaler"}[hint.higher > 0.0]
    off, doubt = map(
        Units(unit).depth, (abs(hint.higher), NINE_IN_TEN_SIGMAS * hint.sigma)
    )
    return (
        f"it is {off} {way} than the map, give or take {doubt}, by {hint.cells} places; "
        "the water may have stood otherwise: see --level"
    )


def _summary(outcome: LearningOutcome) -> str:
    if outcome.known_as is not None:
        return f"learned before, as {outcome.known_as}"
    learned = _amount(outcome)
    if not outcome.dropped:
        return learned
    return f"{learned}; dropped: {outcome.reasons}"


def _amount(of: LearningOutcome | LearnedFile) -> str:
    parts = []
    if of.soundings or not of.marks:
        parts.append(_count(of.soundings, "sounding"))
    if of.marks:
        parts.append(_count(of.marks, "mark"))
    return " and ".join(parts)


def _count(number: int, of: str) -> str:
    if number == 1:
        return f"1 {of}"
    return f"{number} {of}s"
