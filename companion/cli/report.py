"""`companion report`, `companion season` and `companion amend`: the day afterwards."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, tzinfo
from pathlib import Path
from typing import NamedTuple, get_args
from zoneinfo import ZoneInfo

import click
import msgspec

from companion.cli.common import command, settings_in_force, warn
from companion.clock import wall_clock
from companion.config import load
from companion.engine import Known
from companion.events import AnyEvent, Heard, Logged, LoggedWhat, RodTaken, TripBegan
from companion.record.amendments import Amendment
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.replay import SOURCE, KeepInTrip, find_day, look_ready, replay
from companion.report.clips import embedded
from companion.report.day import Day, read_day
from companion.report.figures import figures
from companion.report.findings import findings
from companion.report.page import page
from companion.report.printing import to_pdf
from companion.report.rods import rod_stories
from companion.report.season import Outing, season_figures, season_page
from companion.report.words import Words
from companion.sensing.sources import FileSource
from companion.tackle.quantities import Quantity
from companion.units import LengthUnit
from companion.voice.model import data_folder

_units = click.option(
    "--units",
    type=click.Choice(["feet", "metres"]),
    default="feet",
    show_default=True,
    help="What depths are written in.",
)
_zone = click.option("--timezone", default="UTC", show_default=True, help="Such as America/Chicago.")
_logbook = click.option(
    "--logbook", "logbook_path", type=click.Path(path_type=Path), help="The logbook file."
)
_json = click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
_output = click.option("-o", "--output", type=click.Path(path_type=Path), help="The HTML file to write.")


class _Chosen(NamedTuple):
    """A trip in a logbook, and the folder of its recording when one is known."""

    logbook: Path
    trip: int
    folder: Path | None


@command("report")
@click.argument("trip", required=False)
@_logbook
@_output
@click.option("--pdf", is_flag=True, help="Print it into a PDF beside the HTML too, by Chromium.")
@click.option(
    "--clips", type=click.Path(path_type=Path, file_okay=False), help="The folder of the utterances' sound."
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
    timezone: str,
    units: LengthUnit,
    as_json: bool,
) -> None:
    """Example: companion report replay_logs/DAY

    Makes one HTML file of a trip, to keep and to show: map, depth, rods, what brought bites, what was
    heard. TRIP is a trip's number, a recorded day that has been replayed, or a logbook file; without it,
    the last trip of the logbook written last.
    """
    chosen = _choose(trip, logbook_path)
    with Logbook(chosen.logbook) as book:
        folder = chosen.folder or _recording(_entry_name(book, chosen.trip))
        day = read_day(book, chosen.trip, zone=_zone_of(timezone), invented=_invented(folder))
        found = findings(
            day, rod_stories(day, book), Words(units), _sounds(day, clips, folder), Lakes(book).areas()
        )
    if as_json:
        click.echo(json.dumps(figures(found), ensure_ascii=False))
    if as_json and output is None and not pdf:
        return
    output = output or Path(f"{day.entry.name}.html")
    output.write_text(page(found), encoding="utf-8")
    if not as_json:
        click.echo(f"report: {output}")
    if pdf:
        to_pdf(output, output.with_suffix(".pdf"))
        if not as_json:
            click.echo(f"report: {output.with_suffix('.pdf')}")


@command("amend")
@click.argument("number", type=click.IntRange(min=1))
@click.option("--trip", help="As for `companion report`: a number, a replayed day or a logbook file.")
@_logbook
@click.option("--what", type=click.Choice(get_args(LoggedWhat)), help="What it was instead.")
@click.option("--rod", help="The rod it was on: its number or its name.")
@click.option("--size", help='A fish\'s weight ("3 lb 2 oz") or the depth of a mark ("15 ft").')
@click.option("--take-back/--restore", "taken_back", default=None, help="It did not happen; or it did.")
@click.option("--note", help="Something to add.")
@click.option("--json", "as_json", is_flag=True, help="Print the thing as logged and as it stands, as JSON.")
def amend_command(
    number: int,
    *,
    trip: str | None,
    logbook_path: Path | None,
    what: LoggedWhat | None,
    rod: str | None,
    size: str | None,
    taken_back: bool | None,
    note: str | None,
    as_json: bool,
) -> None:
    """Example: companion amend 8 --what fish --size "3 lb 2 oz"

    Corrects what was logged under NUMBER on a trip. What was logged stays; the correction is kept beside
    it, and reports show both.
    """
    chosen = _choose(trip, logbook_path)
    with Logbook(chosen.logbook) as book:
        things = {thing.event.number: thing for thing in book.corrected(chosen.trip)}
        if number not in things:
            raise click.UsageError(f"trip {chosen.trip} has nothing logged under {number}")
        kind = what or things[number].event.what
        carried = (None, None, None) if rod is None else _rod_aboard(book.events(chosen.trip), rod)
        amendment = Amendment(
            number=number,
            what=what,
            rod=carried[0],
            lure=carried[1],
            line=carried[2],
            size=None if size is None else _size(size, kind),
            taken_back=taken_back,
            note=note,
            utc=wall_clock().strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
        if amendment.is_empty:
            raise click.UsageError("say what to correct: --what, --rod, --size, --take-back or --note")
        book.amend(chosen.trip, amendment)
        thing = next(one for one in book.corrected(chosen.trip) if one.event.number == number)
    if as_json:
        click.echo(msgspec.json.encode(thing).decode())
        return
    click.echo(f"{chosen.logbook}, trip {chosen.trip}, #{number}")
    click.echo(f"  logged: {_in_words(thing.original)}")
    click.echo(f"  now:    {_in_words(thing.event)}{'' if thing.stands else ', taken back'}")


@command("season")
@click.argument("logbooks", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--rerun",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Replay this recorded day with today's model first; may be given many times.",
)
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), help="Where their logbooks go.")
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
    timezone: str,
    units: LengthUnit,
    as_json: bool,
) -> None:
    """Example: companion season ~/.local/share/companion/replays/*.db

    Makes one HTML file of many trips: each rod's reach over time, bites by depth and structure, a table of
    the trips. LOGBOOKS are logbook files; with --rerun the recorded days are replayed first, side by side.
    """
    books = [*logbooks, *_rerun(rerun, into or data_folder() / "replays", jobs)]
    if not books:
        raise click.UsageError("name at least one logbook, or a recorded day with --rerun")
    zone, words = _zone_of(timezone), Words(units)
    folders = {find_day(day).name: day for day in rerun}
    found = (one for path in dict.fromkeys(books) for one in _outings(path, folders, zone, words))
    outings = _each_once(list(found))
    if as_json:
        click.echo(json.dumps(season_figures(outings), ensure_ascii=False))
    if as_json and output is None:
        return
    output = output or Path("season.html")
    output.write_text(season_page(outings, words), encoding="utf-8")
    if not as_json:
        click.echo(f"season: {output}")


# -- which trip ---------------------------------------------------------------------------------------


def _choose(trip: str | None, logbook: Path | None) -> _Chosen:
    """Return the trip that was meant."""
    folder = None
    if trip is not None and not trip.isdecimal():
        named = Path(trip)
        if named.is_file() and named.suffix == ".db":
            logbook = named
        else:
            folder = named if named.is_dir() else None
            logbook = logbook or data_folder() / "replays" / f"{named.resolve().name}.db"
            if not logbook.is_file():
                what = "no trip, no logbook and no replayed day"
                raise click.UsageError(f"{trip}: {what}; replay it first: companion replay {trip}")
    logbook = logbook or _last_written()
    if not logbook.is_file():
        raise click.UsageError(f"{logbook}: there is no such logbook")
    number = int(trip) if trip is not None and trip.isdecimal() else None
    with Logbook(logbook) as book:
        trips = [entry.id for entry in book.trips()]
    if not trips or (number is not None and number not in trips):
        raise click.UsageError(f"{logbook}: there is no trip {number or 'in it'}")
    return _Chosen(logbook, number or trips[-1], folder)


def _last_written() -> Path:
    """Return the logbook that was written last, of live trips or of replays."""
    books = [*data_folder().glob("*.db"), *(data_folder() / "replays").glob("*.db")]
    if not books:
        raise click.UsageError(
            "there is no logbook yet; replay a day first: companion replay replay_logs/DAY"
        )
    return max(books, key=lambda book: (_written(book), book.name))


def _written(book: Path) -> float:
    beside = book.with_name(f"{book.name}-wal")
    return max(path.stat().st_mtime for path in (book, beside) if path.is_file())


def _entry_name(book: Logbook, trip: int) -> str:
    return next(entry.recording or entry.name for entry in book.trips() if entry.id == trip)


def _recording(name: str) -> Path | None:
    """Return the folder of a recording, if it lies where recordings usually lie."""
    usual = (Path("replay_logs") / name, Path(name))
    return next((folder for folder in usual if (folder / "clips").is_dir()), None)


def _sounds(day: Day, clips: Path | None, folder: Path | None) -> dict[str, str]:
    """Return the sound of what was heard, as far as it is there and there is room for it."""
    first = [thing.original.clip for thing in day.things if thing.original.clip]
    names = [event.clip for event in day.events if isinstance(event, Heard) and event.clip]
    return embedded(clips or _clips_of(day, folder), list(dict.fromkeys(names)), first)


def _clips_of(day: Day, folder: Path | None) -> Path | None:
    """Return the folder with the sound of a day: beside its recording, or in that of a live trip."""
    if folder is not None and (folder / "clips").is_dir():
        return folder / "clips"
    clip = next((event.clip for event in day.events if isinstance(event, Heard) and event.clip), None)
    if clip is None:
        return None
    found = sorted((data_folder() / "recordings").glob(f"*/*/clips/{clip}"))
    return found[0].parent if found else None


def _invented(folder: Path | None) -> str | None:
    """Return why nothing in a recording is real, when it says so itself."""
    if folder is None or not (folder / "truth.json").is_file():
        return None
    said = json.loads((folder / "truth.json").read_text(encoding="utf-8")).get("invented")
    return str(said) if said else None


def _zone_of(name: str) -> tzinfo:
    try:
        return UTC if name == "UTC" else ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise click.UsageError(f"{name}: no such time zone; such as America/Chicago") from error


# -- amending -----------------------------------------------------------------------------------------


def _rod_aboard(events: Sequence[AnyEvent], rod: str) -> tuple[str, str, str]:
    """Return a rod of a trip by number or name, with the lure and line it last carried."""
    aboard: dict[str, tuple[str, str]] = {}
    for event in events:
        if isinstance(event, TripBegan):
            for name, carries in event.rods.items():
                lure, _, line = carries.partition(" on ")
                aboard[name] = (lure, line)
        elif isinstance(event, RodTaken):
            aboard[event.rod] = (event.lure, event.line)
    name = f"rod {rod}" if rod.isdecimal() else rod
    if name not in aboard:
        raise click.UsageError(f'no rod "{rod}" on that trip; there were: {", ".join(aboard)}')
    return name, *aboard[name]


def _size(text: str, kind: LoggedWhat) -> float:
    """Return a size in kg (a fish) or m (a mark, a cast), from words such as "3 lb 2 oz" or "15 ft"."""
    quantity = Quantity("mass" if kind == "fish" else "length", 0.0, 1000.0)
    try:
        parts = re.findall(r"[^A-Za-z]+[A-Za-z]+", text) or [text]
        return round(sum(quantity.read(part) for part in parts), 3)
    except ValueError as error:
        raise click.UsageError(f"--size {text}: {error}") from error


def _in_words(thing: Logged) -> str:
    parts = [thing.what, thing.detail, Words().size(thing), thing.rod, thing.line]
    return ", ".join(part for part in parts if part)


# -- a season -----------------------------------------------------------------------------------------


def _outings(path: Path, folders: Mapping[str, Path], zone: tzinfo, words: Words) -> Iterable[Outing]:
    if not path.is_file():
        raise click.UsageError(f"{path}: there is no such logbook")
    with Logbook(path) as book:
        areas = Lakes(book).areas()
        for entry in book.trips():
            folder = folders.get(entry.name) or _recording(entry.recording or "")
            day = read_day(book, entry.id, zone=zone, invented=_invented(folder))
            found = findings(day, rod_stories(day, book), words, areas=areas)
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
    for one in days:
        find_day(one)
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        made = list(pool.map(_replay_one, days, [into] * len(days)))
    for path in made:
        warn(f"replayed anew: {path}")
    return made


def _replay_one(folder: Path, into: Path) -> Path:
    recorded = find_day(folder)
    settings = load(recorded.config) if recorded.config else settings_in_force(None)
    look_ready(recorded, settings)
    path = into / f"{recorded.name}.db"
    with Logbook(path) as book, book.begin_trip(recorded.name, recording=recorded.name, replace=True) as trip:
        lakes = Lakes(book)
        if all(entry.recording == recorded.name for entry in book.trips()):
            lakes.clear()
        chunks, known = FileSource(SOURCE, recorded.recording).chunks(), Known(book.beliefs())
        keep = KeepInTrip(trip, lakes, recorded.recording)
        replay(recorded, settings, chunks, _silent, trip, known=known, keep=keep)
    return path


def _silent(_event: AnyEvent) -> None:
    """Tell nobody: the logbook has it."""
