"""`companion amend`: what was logged on a trip, corrected afterwards."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import get_args

import click
import msgspec

from companion.casting.afterwards import Aftersight, lure_on
from companion.casting.deck import relined
from companion.casting.ground import Mapped
from companion.casting.pose import Current
from companion.cli.choosing import Chosen, choose, entry_name, recording
from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    warn,
)
from companion.clock import wall_clock
from companion.config import Settings, load, users_unit
from companion.events import (
    AnyEvent,
    Fix,
    Heard,
    Logged,
    LoggedWhat,
    RodTaken,
    TripBegan,
)
from companion.lakebed.bed import Bed
from companion.record.amendments import Amendment, Corrected
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.record.recording import CONFIG_FILE, RecordingShelf
from companion.report.words import size_words
from companion.tackle import Rod
from companion.tackle.quantities import Quantity
from companion.trip.entries import bottom_at
from companion.units import Units, rounded
from companion.voice.clips import clip_began
from companion.voice.model import data_folder


@command("amend")
@click.argument("number", type=click.IntRange(min=1))
@click.option(
    "--trip",
    help="As for `companion report`: a number, a replayed day or a logbook file.",
)
@logbook_option
@click.option(
    "--what", type=click.Choice(get_args(LoggedWhat)), help="What it was instead."
)
@click.option("--rod", help="The rod it was on: its number or its name.")
@click.option(
    "--size",
    help='A fish\'s weight ("<3 lb 2 oz|1.4 kg>") or the depth of a mark ("<15 ft|4.6 m>").',
)
@click.option(
    "--take-back/--restore",
    "taken_back",
    default=None,
    help="It did not happen; or it did after all.",
)
@click.option("--note", help="Something to add.")
@config_option
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print the thing as logged and as it stands, as JSON.",
)
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
    config_path: Path | None,
    as_json: bool,
) -> None:
    """Example: companion amend 8 --what fish --size "3 lb 2 oz"

    Corrects what was logged under NUMBER on a trip. What was logged stays; the
    correction is kept beside it, and reports show both. With --rod the place of
    the lure is worked out again for that rod, by the config the trip was made with; a
    bite and the fish it became go onto it together.
    """
    chosen = choose(trip, logbook_path)
    with Logbook(chosen.logbook) as book:
        every = book.corrections.corrected(chosen.trip)
        things = {thing.event.number: thing for thing in every}
        if number not in things:
            raise click.UsageError(
                f"trip {chosen.trip} has nothing logged under {number}"
            )
        kind = what or things[number].event.what
        amendment = Amendment(
            number=number,
            what=what,
            size=_size(size, kind),
            taken_back=taken_back,
            note=note,
            utc=wall_clock().strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
        catch = [number]
        if rod is not None:
            catch = _catch_of(things[number].event, every)
            struck = things[catch[0]].original
            amendment = _on_rod(amendment, rod, struck, book, chosen, config_path)
        if amendment.is_empty:
            raise click.UsageError(
                "say what to correct: --what, --rod, --size, --take-back or --note"
            )
        for one in catch:
            with_it = amendment if one == number else amendment.rod_alone(one)
            book.corrections.add(chosen.trip, with_it)
        every = book.corrections.corrected(chosen.trip)
        thing = next(one for one in every if one.event.number == number)
    if as_json:
        click.echo(msgspec.json.encode(thing).decode())
        return
    click.echo(f"{chosen.logbook}, trip {chosen.trip}, #{number}")
    _tell(thing, Units(users_unit(config_path)))
    for other in catch:
        if other != number:
            click.echo(f"  #{other} is the same catch: on {amendment.rod} too")


def _tell(thing: Corrected, units: Units) -> None:
    """Print a thing as it was logged, as it now stands, and what was noted of it."""
    click.echo(f"  logged: {_in_words(thing.original, units)}")
    now = _in_words(thing.event, units)
    if not thing.stands:
        now += ", taken back"
    click.echo(f"  now:    {now}")
    for note in thing.notes:
        click.echo(f"  note:   {note}")


def _catch_of(thing: Logged, every: Sequence[Corrected]) -> list[int]:
    """Return the numbers of what stands of a thing's catch, its bite first; without a catch, its own."""
    first = thing.catch or thing.number
    return [
        one.event.number
        for one in every
        if one.event.number == thing.number
        or (one.stands and first in (one.event.number, one.event.catch))
    ]


def _on_rod(
    amendment: Amendment,
    said: str,
    thing: Logged,
    book: Logbook,
    chosen: Chosen,
    config_path: Path | None,
) -> Amendment:
    """Return a correction to another rod, with where its lure was when the thing was logged."""
    name, lure, line = _rod_aboard(book.events(chosen.trip), said)
    amendment = msgspec.structs.replace(amendment, rod=name, lure=lure, line=line)
    if thing.lure_depth is None or name == thing.rod:
        return amendment  # it was not at the lure; or it is as it was logged, and so is its place
    settings = _settings_of(chosen, entry_name(book, chosen.trip), config_path)
    rigged = _rigged(settings.rods, name, lure, line)
    if rigged is None:
        warn(
            f"where the lure was is not known: the config has no {name} with {lure} on {line}; see --config"
        )
        return amendment
    bed = Bed(
        Lakes(book).areas(),
        half_beam=settings.boat.half_beam,
        level=settings.water.level,
    )
    if thing.boat is not None:
        bed.open_area(thing.boat.lat, thing.boat.lon)
    trip = _aftersight(book, chosen.trip, settings)
    where = lure_on(
        rigged, thing, trip, book.beliefs(before=chosen.trip + 1), Mapped(bed)
    )
    bottom = bottom_at(bed, where.at)
    depth = where.depth_above(bottom)
    if thing.what == "touch" and thing.detail != "wood":
        depth = where.depth_touching(bottom)
    return msgspec.structs.replace(
        amendment,
        lure_depth=rounded(depth, 3),
        lure_at=where.at,
        lure_bottom=bottom,
    )


def _settings_of(chosen: Chosen, name: str, config_path: Path | None) -> Settings:
    """Return the settings given, or those a trip was recorded with, or else those in force."""
    folders = (
        chosen.folder,
        recording(name),
        RecordingShelf(data_folder() / "recordings").folder_of(name),
    )
    kept = (folder / CONFIG_FILE for folder in folders if folder is not None)
    found = next((path for path in kept if path.is_file()), None)
    if config_path or found is None:
        return settings_in_force(config_path)
    return load(found)


def _rigged(rods: Sequence[Rod], name: str, lure: str, line: str) -> Rod | None:
    """Return the rod as it was rigged then: with its line, or one of the same material rigged on the trip."""
    rod = next((rod for rod in rods if (rod.name, rod.lure.name) == (name, lure)), None)
    if rod is None or rod.line_name == line:
        return rod
    pounds = re.match(r"\d+(?= lb)", line)
    if pounds is None:
        return None
    rerigged = relined(rod, int(pounds[0]))
    if rerigged.line_name != line:
        return None
    return rerigged


def _aftersight(book: Logbook, trip: int, settings: Settings) -> Aftersight:
    fixes = [
        (reading.t, reading.fix)
        for reading in book.readings(trip)
        if reading.fix is not None
    ]

    def boat(t: float) -> Fix | None:
        after = bisect_right(fixes, t, key=lambda one: one[0])
        if after == 0:
            return None
        return fixes[after - 1][1]

    events = list(_as_they_stand(book, trip))
    current = Current(settings.water.current, settings.water.current_towards)
    return Aftersight(events, _began, boat, settings.voice.reaction, current)


def _as_they_stand(book: Logbook, trip: int) -> Iterator[AnyEvent]:
    """Yield a trip's events, what was logged as it is corrected, and not what was taken back."""
    now = {thing.original.number: thing for thing in book.corrections.corrected(trip)}
    for event in book.events(trip):
        if not isinstance(event, Logged):
            yield event
        elif now[event.number].stands:
            yield now[event.number].event


def _began(thing: Logged | Heard) -> float:
    """Return when the words for it began, logic s: its clip is named by that; without one, when it was."""
    if thing.clip is None or thing.utc is None:
        return thing.t
    clip = clip_began(thing.clip)
    if clip is None:
        return thing.t
    since = datetime.fromisoformat(thing.utc) - clip
    began = thing.t - since.total_seconds()
    if isinstance(thing, Heard) and thing.spoke:
        began += thing.spoke[0]
    return began


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
    name = rod
    if rod.isdecimal():
        name = f"rod {rod}"
    if name not in aboard:
        raise click.UsageError(
            f'no rod "{rod}" on that trip; there were: {", ".join(aboard)}'
        )
    return name, *aboard[name]


def _size(text: str | None, kind: LoggedWhat) -> float | None:
    """Return a size in kg (a fish) or m (a mark, a cast), from words such as "3 lb 2 oz" or "15 ft"."""
    if text is None:
        return None
    if kind not in ("fish", "mark", "cast"):
        raise click.UsageError(
            f"--size {text}: a {kind} has none; it is of a fish, a mark or a cast"
        )
    quantity = Quantity("mass" if kind == "fish" else "length", 0.0, 1000.0)
    try:
        return round(quantity.read(text), 3)
    except ValueError as error:
        raise click.UsageError(f"--size {text}: {error}") from error


def _in_words(thing: Logged, units: Units) -> str:
    size = size_words(thing, units)
    parts = [thing.what, thing.detail, size, thing.rod, thing.line]
    if thing.lure_depth is not None:
        parts.append(f"lure {units.depth(thing.lure_depth)} deep")
    return ", ".join(part for part in parts if part)
