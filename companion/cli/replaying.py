"""`companion replay`: a recorded day through the companion."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click
from tqdm import tqdm

from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    warn,
)
from companion.clock import ReplayPace
from companion.config import Settings
from companion.events import AnyEvent, TripEnded
from companion.record import timeline
from companion.record.logbook import Logbook
from companion.replay import (
    KeepInTrip,
    RecordedDay,
    begin_in,
    find_day,
    look_ready,
    port_chunks,
    replay,
)
from companion.sensing import Chunk
from companion.sensing.sources import FileSource
from companion.trip.assembly import RECORDING_WIRE
from companion.trip.keep import Known
from companion.voice.model import data_folder
from companion.voice.speaker import Speaker, manner_of

if TYPE_CHECKING:
    from companion.cli.showing import Showing


@command("replay")
@click.argument("day", type=click.Path(path_type=Path))
@click.option(
    "--json", "as_json", is_flag=True, help="Print events as JSON, one a line."
)
@click.option(
    "--speak",
    is_flag=True,
    help="Speak what the companion says (in real time unless --pace).",
)
@click.option(
    "--pace",
    type=click.FloatRange(min=0.01),
    help="So many times real time; else flat out.",
)
@config_option
@logbook_option
@click.option(
    "--port", help="Read the sentences from this serial port instead of the day's file."
)
@click.option(
    "--baud", default=38400, show_default=True, help="The speed of that port."
)
@click.option(
    "--page",
    "on_page",
    is_flag=True,
    help="Show it on the page, and go on until Ctrl-C.",
)
def replay_command(
    day: Path,
    *,
    as_json: bool,
    speak: bool,
    pace: float | None,
    config_path: Path | None,
    logbook_path: Path | None,
    port: str | None,
    baud: int,
    on_page: bool,
) -> None:
    """Example: companion replay replay_logs/DAY

    Runs a recorded day through the companion and prints what happened, was heard and
    was said. DAY is the folder of a recorded day (sonar.nmea, clips/, companion.toml)
    or any file of NMEA 0183 sentences.

    The day goes into a logbook of its own, which is made anew each time:
    the folder `replays` among your data, or --logbook.

    With --page the day can be followed in a browser. What is tapped there goes into
    this replay's logbook as if it had been said.
    """
    recorded = find_day(day)
    settings = settings_in_force(config_path or recorded.config)
    look_ready(recorded, settings)
    book = logbook_path or data_folder() / "replays" / f"{recorded.name}.db"
    held = ReplayPace(pace or 1.0) if pace or speak else None
    with ExitStack() as stack:
        speaker = stack.enter_context(_speaker(settings, aloud=speak))
        shown = look = None
        if on_page:
            shown = stack.enter_context(_page(settings, speaker))
            look = shown.look
        emit = _told(settings, speaker, shown, as_json=as_json)
        logbook = stack.enter_context(Logbook(book))
        trip, lakes = begin_in(logbook, recorded)
        chunks = port_chunks(port, baud) if port else _file_with_bar(recorded)
        with trip:
            known = Known(logbook.beliefs(), lakes.areas())
            replay(
                recorded,
                settings,
                chunks,
                emit,
                trip,
                held,
                known,
                KeepInTrip(trip, lakes, recorded.recording),
                look,
            )
        if not as_json:
            click.echo(f"logbook: {book}")
        if shown is not None:
            shown.stay()


def _page(settings: Settings, speaker: Speaker) -> Showing:
    from companion.cli.showing import Showing  # noqa: PLC0415  (a web server: a fifth of all there is to load)

    return Showing(settings, speaker.say)


def _speaker(settings: Settings, *, aloud: bool) -> Speaker:
    voice = settings.voice
    return Speaker(voice.speaker, aloud=aloud, manner=manner_of(voice), trouble=warn)


def _told(
    settings: Settings, speaker: Speaker, shown: Showing | None, *, as_json: bool
) -> Callable[[AnyEvent], None]:
    """Return what prints each event, above the progress bar, speaks what is said, and shows it."""

    def tell(event: AnyEvent) -> None:
        line = timeline.printed(event, settings.units, as_json=as_json)
        tqdm.write(line, file=sys.stdout)
        speaker.speak_event(event)
        if isinstance(event, TripEnded) and not event.sentences:
            warn("no sentence in it could be read; expected a recording of NMEA 0183")
        if shown is not None:
            shown.event(event)

    return tell


def _file_with_bar(day: RecordedDay) -> Iterator[Chunk]:
    """Yield a recording's chunks, with a progress bar on a terminal."""
    size = day.recording.stat().st_size
    with tqdm(
        total=size, unit="B", unit_scale=True, desc=day.name, disable=None, leave=False
    ) as bar:
        for chunk in FileSource(RECORDING_WIRE, day.recording).chunks():
            yield chunk
            bar.update(len(chunk.data))
