"""`companion report` and `companion season`: the day afterwards."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from companion.cli.choosing import Chosen, choose, entry_name, recording
from companion.cli.common import command, settings_in_force, warn
from companion.config import users_unit
from companion.events import AnyEvent, Heard
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.record.own_clips import ClipTruth, OwnClipError, OwnClips
from companion.replay import KeepInTrip, begin_in, find_day, look_ready, replay
from companion.report.clips import embedded
from companion.report.day import Day, read_day
from companion.report.figures import figures
from companion.report.findings import findings
from companion.report.page import page
from companion.report.photos import photos_of
from companion.report.printing import to_pdf
from companion.report.rods import rod_stories
from companion.report.season import Outing, season_figures, season_page
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE
from companion.trip.keep import Known
from companion.units import LengthUnit, Units
from companion.voice.model import data_folder

_units = click.option(
    "--units",
    type=click.Choice(["feet", "metres"]),
    help="What depths are written in.  [default: as configured]",
)
_zone = click.option(
    "--timezone",
    help="Such as America/Chicago, or UTC.  [default: that of the place]",
    metavar="NAME",
)
_logbook = click.option(
    "--logbook",
    "logbook_path",
    type=click.Path(path_type=Path),
    help="The logbook file.",
)
_json = click.option(
    "--json", "as_json", is_flag=True, help="Print the figures as JSON."
)
_output = click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="The HTML file to write."
)


@command("report")
@click.argument("trip", required=False)
@_logbook
@_output
@click.option(
    "--pdf", is_flag=True, help="Print it into a PDF beside the HTML too, by Chromium."
)
@click.option(
    "--clips",
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder of the utterances' sound.",
)
@click.option(
    "--photos",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Where the fish's photos lie; they are found by their time.  [default: the trip's folder]",
)
@click.option(
    "--without-places",
    is_flag=True,
    help="A copy to show around: no map and no place in it.",
)
@_zone
@_units
@_json
def report_command(
    trip: str | None,
    *,
    logbook_path: Path | None,
    output: Path | None,
    pdf: bool,
    clips: Path | None,
    photos: Path | None,
    without_places: bool,
    timezone: str | None,
    units: LengthUnit | None,
    as_json: bool,
) -> None:
    """Example: companion report replay_logs/DAY

    Makes one HTML file of a trip, to keep and to show: map, depth, rods, what brought
    bites, what was heard. TRIP is a trip's number, a recorded day that has been
    replayed, or a logbook file; without it, the last trip of the logbook written last.
    """
    chosen, in_units = choose(trip, logbook_path), Units(units or users_unit())
    with Logbook(chosen.logbook) as book:
        folder = chosen.folder or recording(entry_name(book, chosen.trip))
        day = read_day(
            book, chosen.trip, zone=_zone_of(timezone), invented=_invented(folder)
        )
        found = findings(
            day,
            rod_stories(day, book),
            in_units,
            _sounds(day, clips, folder),
            Lakes(book).areas(),
        )
    if as_json:
        click.echo(json.dumps(figures(found), ensure_ascii=False))
    if as_json and output is None and not pdf:
        return
    found = replace(
        found,
        photos=photos_of(day, found.catches, photos or folder),
        places=not without_places,
    )
    if not without_places:
        found = replace(
            found, truths=_truths(), telling=f"companion heard {_same_trip(chosen)}"
        )
    output = output or Path(f"{day.entry.name}.html")
    output.write_text(page(found), encoding="utf-8")
    if not as_json:
        click.echo(f"report: {output}")
    if pdf:
        to_pdf(output, output.with_suffix(".pdf"))
        if not as_json:
            click.echo(f"report: {output.with_suffix('.pdf')}")


@command("season")
@click.argument("logbooks", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--rerun",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Replay this recorded day with today's model first; may be given many times.",
)
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where their logbooks go.",
)
@click.option("--jobs", type=click.IntRange(min=1), help="How many to replay at once.")
@_output
@_zone
@_units
@_json
def season_command(
    logbooks: tuple[Path, ...],
    *,
    rerun: tuple[Path, ...],
    into: Path | None,
    jobs: int | None,
    output: Path | None,
    timezone: str | None,
    units: LengthUnit | None,
    as_json: bool,
) -> None:
    """Example: companion season ~/.local/share/companion/replays/*.db

    Makes one HTML file of many trips: each rod's reach over time, bites by depth and
    structure, a table of the trips. LOGBOOKS are logbook files; with --rerun the
    recorded days are replayed first, side by side, each by itself: it begins from what
    its recording says was known then, else from the config. What one of them teaches is
    not carried to the next.
    """
    books = [*logbooks, *_rerun(rerun, into or data_folder() / "replays", jobs)]
    if not books:
        raise click.UsageError(
            "name at least one logbook, or a recorded day with --rerun"
        )
    zone, in_units = _zone_of(timezone), Units(units or users_unit())
    folders = {find_day(day).name: day for day in rerun}
    found = (
        one
        for path in dict.fromkeys(books)
        for one in _outings(path, folders, zone, in_units)
    )
    outings = _each_once(list(found))
    if as_json:
        click.echo(json.dumps(season_figures(outings), ensure_ascii=False))
    if as_json and output is None:
        return
    output = output or Path("season.html")
    output.write_text(season_page(outings, in_units), encoding="utf-8")
    if not as_json:
        click.echo(f"season: {output}")


def _truths() -> dict[str, ClipTruth]:
    try:
        return OwnClips().truths()
    except OwnClipError as error:
        warn(str(error))
        return {}


def _same_trip(chosen: Chosen) -> str:
    """Return the words that name a trip to another command: its recorded day, or its number and logbook."""
    if chosen.folder is not None:
        return _quoted(chosen.folder)
    return f"{chosen.trip} --logbook {_quoted(chosen.logbook)}"


def _quoted(path: Path) -> str:
    whole = path.resolve()
    if whole.is_relative_to(Path.home()):
        return f"~/{shlex.quote(str(whole.relative_to(Path.home())))}"
    return shlex.quote(str(whole))


def _sounds(day: Day, clips: Path | None, folder: Path | None) -> dict[str, str]:
    """Return the sound of what was heard, as far as it is there and there is room for it."""
    first = [thing.original.clip for thing in day.things if thing.original.clip]
    names = [
        event.clip for event in day.events if isinstance(event, Heard) and event.clip
    ]
    return embedded(clips or _clips_of(day, folder), list(dict.fromkeys(names)), first)


def _clips_of(day: Day, folder: Path | None) -> Path | None:
    """Return the folder with the sound of a day: beside its recording, or in that of a live trip."""
    if folder is not None and (folder / "clips").is_dir():
        return folder / "clips"
    clip = next(
        (event.clip for event in day.events if isinstance(event, Heard) and event.clip),
        None,
    )
    if clip is None:
        return None
    found = sorted((data_folder() / "recordings").glob(f"*/*/clips/{clip}"))
    if not found:
        return None
    return found[0].parent


def _invented(folder: Path | None) -> str | None:
    """Return why nothing in a recording is real, when it says so itself."""
    if folder is None or not (folder / "truth.json").is_file():
        return None
    said = json.loads((folder / "truth.json").read_text(encoding="utf-8")).get(
        "invented"
    )
    if not said:
        return None
    return str(said)


def _zone_of(name: str | None) -> tzinfo | None:
    if name is None:
        return None
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise click.UsageError(
            f"{name}: no such time zone; such as America/Chicago"
        ) from error


# -- a season -----------------------------------------------------------------------------------------


def _outings(
    path: Path, folders: Mapping[str, Path], zone: tzinfo | None, units: Units
) -> Iterable[Outing]:
    if not path.is_file():
        raise click.UsageError(f"{path}: there is no such logbook")
    with Logbook(path) as book:
        areas = Lakes(book).areas()
        for entry in book.trips():
            folder = folders.get(entry.name) or recording(entry.recording or "")
            day = read_day(book, entry.id, zone=zone, invented=_invented(folder))
            found = findings(day, rod_stories(day, book), units, areas=areas)
            yield Outing(found, path.name)


def _each_once(outings: Sequence[Outing]) -> list[Outing]:
    """Return the trips in order of time; of a recording that is in several logbooks only the last."""
    kept: dict[tuple[object, ...], Outing] = {}
    for place, one in enumerate(outings):
        entry = one.found.day.entry
        key = (entry.recording, entry.began) if entry.recording else (place,)
        if key in kept:
            warn(
                f"{entry.recording} is in {kept[key].logbook} and in {one.logbook}: counted once, from there"
            )
        kept[key] = one
    return sorted(kept.values(), key=lambda one: one.found.day.entry.began or "")


def _rerun(days: Sequence[Path], into: Path, jobs: int | None) -> list[Path]:
    """Replay recorded days, each in a process of its own, into logbooks of their own; return those."""
    if not days:
        return []
    days = list({day.resolve(): day for day in days}.values())
    named = Counter(find_day(day).name for day in days)
    twice = [name for name, times in named.items() if times > 1]
    if twice:
        raise click.UsageError(
            f"--rerun: two recorded days are called {twice[0]}; rename one of the folders"
        )
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        made = list(pool.map(_replay_one, days, [into] * len(days)))
    for path in made:
        warn(f"replayed anew: {path}")
    return made


def _replay_one(folder: Path, into: Path) -> Path:
    recorded = find_day(folder)
    settings = settings_in_force(recorded.config)
    look_ready(recorded, settings)
    path = into / f"{recorded.name}.db"
    with Logbook(path) as book:
        trip, lakes = begin_in(book, recorded)
        with trip:
            chunks = FileSource(RECORDING_WIRE, recorded.recording).chunks()
            known = Known(book.beliefs())
            keep = KeepInTrip(trip, lakes, recorded.recording)
            replay(recorded, settings, chunks, _silent, trip, known=known, keep=keep)
    return path


def _silent(_event: AnyEvent) -> None:
    """Tell nobody: the logbook has it."""
