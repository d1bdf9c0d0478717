"""`companion replay`: a recorded day through the companion."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from typing import Self

import click
from tqdm import tqdm

from companion.cli.common import command, config_option, logbook_option, settings_in_force, warn
from companion.clock import Pace
from companion.config import Settings
from companion.engine import Engine, Known, Utterance
from companion.events import AnyEvent, to_json
from companion.page import Page
from companion.record import timeline
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.replay import SOURCE, Day, KeepInTrip, find_day, port_chunks, replay
from companion.sensing import Chunk
from companion.sensing.sources import FileSource
from companion.voice.model import data_folder
from companion.voice.speaker import Speaker, manner_of


@command("replay")
@click.argument("day", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print events as JSON, one a line.")
@click.option("--speak", is_flag=True, help="Speak what the companion says (in real time unless --pace).")
@click.option("--pace", type=click.FloatRange(min=0.01), help="So many times real time; else flat out.")
@config_option
@logbook_option
@click.option("--port", help="Read the sentences from this serial port instead of the day's file.")
@click.option("--baud", default=38400, show_default=True, help="The speed of that port.")
@click.option("--page", "on_page", is_flag=True, help="Show it on the page, and go on until Ctrl-C.")
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

    Runs a recorded day through the companion and prints what happened, was heard and was said. DAY is
    the folder of a recorded day (sonar.nmea, clips/, companion.toml) or any file of NMEA 0183 sentences.

    The day goes into a logbook of its own, which is made anew each time:
    the folder `replays` among your data, or --logbook.

    With --page the day can be followed in a browser. What is tapped there goes into this replay's
    logbook as if it had been said.
    """
    recorded = find_day(day)
    settings = settings_in_force(config_path or recorded.config)
    book = logbook_path or data_folder() / "replays" / f"{recorded.name}.db"
    held = Pace(pace or 1.0) if pace or speak else None
    with ExitStack() as stack:
        voice = settings.voice
        speaker = stack.enter_context(
            Speaker(voice.speaker, aloud=speak, manner=manner_of(voice), trouble=warn)
        )
        tells = [_printer(settings, as_json=as_json), speaker.tell]
        shown = _PageShown(settings, speaker) if on_page else None
        if shown is not None:
            tells.append(stack.enter_context(shown).event)
        logbook = stack.enter_context(Logbook(book))
        trip = logbook.begin_trip(recorded.name, recording=recorded.name, replace=True)
        lakes = Lakes(logbook)
        if all(entry.recording == recorded.name for entry in logbook.trips()):
            lakes.clear()
        chunks = port_chunks(port, baud) if port else _file_with_bar(recorded)
        with trip:
            known = Known(logbook.beliefs(), lakes.areas())
            keep = KeepInTrip(trip, lakes, recorded.recording)
            replay(recorded, settings, chunks, _to_all(tells), trip, held, known, keep, shown)
        if not as_json:
            click.echo(f"logbook: {book}")
        if shown is not None:
            shown.stay()


Tell = Callable[[AnyEvent], None]


def _printer(settings: Settings, *, as_json: bool) -> Tell:
    """Return what prints each event, above the progress bar."""

    def tell(event: AnyEvent) -> None:
        line = to_json(event).decode() if as_json else timeline.line(event, settings.units)
        tqdm.write(line, file=sys.stdout)

    return tell


def _to_all(tells: Sequence[Tell]) -> Tell:
    def tell(event: AnyEvent) -> None:
        for one in tells:
            one(event)

    return tell


class _PageShown:
    """A replay on the page: glances go out, taps come in as words said now."""

    def __init__(self, settings: Settings, speaker: Speaker) -> None:
        self._taps: SimpleQueue[str] = SimpleQueue()
        self._over = False
        self._speaker = speaker
        self._page = Page(settings.page, settings.units, self._tapped, self._announce, warn)
        self.event = self._page.event

    def __enter__(self) -> Self:
        self._page.__enter__()
        click.echo(f"page: {self._page.url}", err=True)
        return self

    def __exit__(self, *what: object) -> None:
        self._page.__exit__(None, None, None)

    def __call__(self, engine: Engine) -> None:
        """Hand the taps in, and a glance out when one is wanted."""
        while not self._taps.empty():
            words = self._taps.get()
            engine.utterance(Utterance(engine.now, engine.now, partial(str, words)))
        if self._page.wants():
            self._page.show(engine.glance(engine.now))

    def stay(self) -> None:
        """Keep the page up until Ctrl-C."""
        self._over = True
        click.echo("the day is over; the page stays until Ctrl-C", err=True)
        with suppress(KeyboardInterrupt):
            self._page.wait()

    def _tapped(self, words: str) -> bool:
        if not self._over:
            self._taps.put(words)
        return not self._over

    def _announce(self, code: str) -> None:
        click.echo(f"page: the pairing code is {code}", err=True)
        self._speaker.say(f"code {' '.join(code)}")


def _file_with_bar(day: Day) -> Iterator[Chunk]:
    """Yield a recording's chunks, with a progress bar on a terminal."""
    size = day.recording.stat().st_size
    with tqdm(total=size, unit="B", unit_scale=True, desc=day.name, disable=None, leave=False) as bar:
        for chunk in FileSource(SOURCE, day.recording).chunks():
            yield chunk
            bar.update(len(chunk.data))
