"""The commands: arguments in, rooms called, lines out. Nothing is decided here."""

from __future__ import annotations

import inspect
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import msgspec
from tqdm import tqdm

from companion import __version__, config
from companion.clock import Pace
from companion.config import ConfigError, Settings
from companion.events import AnyEvent, Said, to_json
from companion.pictures import reach as pictures
from companion.record import timeline
from companion.record.logbook import Logbook, LogbookError
from companion.replay import SOURCE, Day, DayError, chosen_model, find_day, port_chunks, replay
from companion.sensing import Chunk
from companion.sensing.sources import FileSource
from companion.tackle import calibrations, change_from, reaches
from companion.units import LengthUnit
from companion.voice.clips import ClipError, read_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.microphone import MicrophoneError, microphone_frames, utterances
from companion.voice.model import ModelError, data_folder
from companion.voice.recogniser import Recogniser
from companion.voice.speaker import Speaker, SpeakerError

CAUTIONS = """\b
Not for navigation: depths and marks are for fishing and may be wrong.
Keep a look-out, wear the life jacket, clip on the engine cut-off lanyard.
Fuse at the battery; wiring by local rules and a competent person.
Obey the local fishing rules."""

OK, BUG, USAGE, CONFIG, DEVICE, DATABASE = range(6)
"""Exit codes."""


class _ExampleFirst(click.Command):
    """A command whose help begins with the example that its docstring begins with."""

    def _parts(self) -> tuple[str, str]:
        example, _, rest = inspect.cleandoc(self.help or "").partition("\n\n")
        return example, rest

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the example, then the usage."""
        formatter.write(f"{self._parts()[0]}\n\n")
        super().format_usage(ctx, formatter)

    def format_help_text(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the help without the example."""
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(self._parts()[1])

    def get_short_help_str(self, limit: int = 60) -> str:
        """Return the first sentence after the example."""
        del limit
        return " ".join(self._parts()[1].split()).split(". ")[0].rstrip(".")


class _Commands(_ExampleFirst, click.Group):
    """The commands together; each is made one that begins with its example."""

    command_class = _ExampleFirst


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=CAUTIONS,
)
@click.version_option(__version__, prog_name="companion")
def commands() -> None:
    """Example: companion replay replay_logs/DAY

    Tells an angler, out loud and in time, how the lure on the rod in hand matches the bottom, and keeps
    the logbook. Each command has its own --help, which starts with an example.

    Exit codes: 0 done, 1 a bug, 2 wrong usage, 3 the config, 4 a device or the speech model,
    5 the logbook.
    """


@commands.command("replay", epilog=CAUTIONS)
@click.argument("day", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print events as JSON, one a line.")
@click.option("--speak", is_flag=True, help="Speak what the companion says (in real time unless --pace).")
@click.option("--pace", type=click.FloatRange(min=0.01), help="So many times real time; else flat out.")
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Another config file.")
@click.option("--logbook", "logbook_path", type=click.Path(path_type=Path), help="Another logbook file.")
@click.option("--port", help="Read the sentences from this serial port instead of the day's file.")
@click.option("--baud", default=38400, show_default=True, help="The speed of that port.")
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
) -> None:
    """Example: companion replay replay_logs/DAY

    Runs a recorded day through the companion and prints what happened, was heard and was said. DAY is
    the folder of a recorded day (sonar.nmea, clips/, companion.toml) or any file of NMEA 0183 sentences.

    The day goes into a logbook of its own, which is made anew each time:
    the folder `replays` among your data, or --logbook.
    """
    recorded = find_day(day)
    settings = _settings(config_path or recorded.config)
    book = logbook_path or data_folder() / "replays" / f"{recorded.name}.db"
    held = Pace(pace or 1.0) if pace or speak else None
    with _told(settings, as_json=as_json, speak=speak) as emit, Logbook(book) as logbook:
        trip = logbook.begin_trip(recorded.name, recording=recorded.name, replace=True)
        chunks = port_chunks(port, baud) if port else _file_with_bar(recorded)
        with trip:
            replay(recorded, settings, chunks, emit, trip, held)
    if not as_json:
        click.echo(f"logbook: {book}")


@commands.command("logbook", epilog=CAUTIONS)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--trip", type=int, help="This trip instead of the last one.")
@click.option("--all", "everything", is_flag=True, help="Every event, not only what was logged.")
@click.option("--json", "as_json", is_flag=True, help="Print events as JSON, one a line.")
@click.option("--units", type=click.Choice(["feet", "metres"]), default="feet", show_default=True)
def logbook_command(
    file: Path, *, trip: int | None, everything: bool, as_json: bool, units: LengthUnit
) -> None:
    """Example: companion logbook ~/.local/share/companion/replays/DAY.db

    Lists the trips in a logbook, and what was logged on the last one or on --trip.
    """
    if not file.is_file():
        raise click.UsageError(f"{file}: there is no such logbook")
    with Logbook(file) as logbook:
        trips = logbook.trips()
        chosen = trip if trip is not None else (trips[-1].id if trips else None)
        if chosen not in {entry.id for entry in trips}:
            raise click.UsageError(f"{file}: there is no trip {chosen}")
        if not as_json:
            for entry in trips:
                click.echo(
                    f"trip {entry.id}  {entry.began or 'no date'}  {entry.name}: {entry.logged} logged"
                )
        for event, undone in _entries(logbook, chosen, everything=everything):
            mark = "   [taken back]" if undone else ""
            click.echo(to_json(event).decode() if as_json else timeline.line(event, units) + mark)


@commands.command("phrases", epilog=CAUTIONS)
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Another config file.")
@click.option("--every", is_flag=True, help="Every phrase that counts, one a line.")
def phrases_command(config_path: Path | None, *, every: bool) -> None:
    """Example: companion phrases

    Prints what can be said to the companion with the rods in the config, and what it does.
    """
    grammar = Grammar(aboard(_settings(config_path)))
    if every:
        click.echo("\n".join(grammar.phrases))
        return
    for wordings, does in grammar.help():
        click.echo(f"{does}\n    {wordings}")


@commands.command("reach", epilog=CAUTIONS)
@click.option(
    "--line", help='What if every rod had this line: material and diameter, such as "nylon 0.33 mm".'
)
@click.option("--cast", help='What if the cast were this long, such as "35 yd".')
@click.option("--speed", help='What if it were reeled at this speed, such as "1 m/s".')
@click.option("--temperature", help='What if the water were this warm, such as "12 C".')
@click.option("--svg", "svg_path", type=click.Path(path_type=Path), help="Draw the paths into this file.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Another config file.")
def reach_command(
    *,
    line: str | None,
    cast: str | None,
    speed: str | None,
    temperature: str | None,
    svg_path: Path | None,
    as_json: bool,
    config_path: Path | None,
) -> None:
    """Example: companion reach --cast "35 yd" --svg reach.svg

    Prints how deep the lure of every rod gets and along which path, with the band that holds the truth
    in nine cases of ten as far as the descriptions tell.
    """
    settings = _settings(config_path)
    try:
        change = change_from(line=line, cast=cast, speed=speed, temperature=temperature)
        found = reaches(settings.rods, calibrations(settings.rods), change)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        click.echo(msgspec.json.encode(found).decode())
    else:
        click.echo(pictures.table(found, settings.units))
        click.echo(pictures.plot(found, settings.units))
    if svg_path is not None:
        svg_path.write_text(pictures.svg(found, settings.units), encoding="utf-8")


@commands.command("listen", epilog=CAUTIONS)
@click.argument("clips", nargs=-1, type=click.Path(path_type=Path))
@click.option("--config", "config_path", type=click.Path(path_type=Path), help="Another config file.")
def listen_command(clips: tuple[Path, ...], config_path: Path | None) -> None:
    """Example: companion listen

    Listens at the microphone, or to CLIPS (FLAC or WAV files), and prints what was heard and which
    command it is. Nothing is carried out. Ctrl-C ends it.
    """
    settings = _settings(config_path)
    grammar = Grammar(aboard(settings))
    recogniser = Recogniser(chosen_model(settings), grammar.phrases)
    spoken = (
        ((str(clip), read_clip(clip)) for clip in clips)
        if clips
        else (
            (f"{heard.began:7.1f} s", heard.samples)
            for heard in utterances(microphone_frames(settings.voice.microphone))
        )
    )
    for where, samples in spoken:
        text = recogniser.hear(samples).text
        command = grammar.parse(text)
        click.echo(f"{where}  {text or '(no words)'}  -> {command.name if command else 'no command'}")


@commands.command("settings", epilog=CAUTIONS)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--example", is_flag=True, help="Print a complete example to begin from.")
def settings_command(file: Path | None, *, example: bool) -> None:
    """Example: companion settings --example > companion.toml

    Checks a config FILE and prints each rod with what it carries, or prints an example config.
    Without FILE it checks the one in force.
    """
    if example:
        click.echo(config.example_text(), nl=False)
        return
    settings = _settings(file)
    for rod in settings.rods:
        click.echo(
            f"{rod.name}: {rod.lure.name} on {rod.line.name}, cast {rod.cast:.0f} m, {rod.speed:.2f} m/s"
        )
        if rod.line.guessed:
            click.echo(f"    {rod.line.guessed}")


def main() -> None:
    """Run the command line, and end with the exit code that says how it went."""
    sys.exit(_run())


_CODES: tuple[tuple[type[Exception], int], ...] = (
    (DayError, USAGE),
    (ConfigError, CONFIG),
    (ModelError, DEVICE),
    (ClipError, DEVICE),
    (MicrophoneError, DEVICE),
    (SpeakerError, DEVICE),
    (LogbookError, DATABASE),
    (OSError, DEVICE),
)


def _run() -> int:
    try:
        commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        return _complain("stopped", USAGE)
    except click.ClickException as error:
        error.show()
        return USAGE
    except BrokenPipeError:  # whoever read our lines has had enough of them
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        code = next((code for kind, code in _CODES if isinstance(error, kind)), BUG)
        if code == BUG:
            traceback.print_exc()
        return _complain(error if code != BUG else "a bug; the lines above say where", code)
    return OK


def _warn(text: str) -> None:
    click.echo(f"companion: {text}", err=True)


def _complain(text: object, code: int) -> int:
    click.echo(f"companion: {text}", err=True)
    return code


def _settings(path: Path | None) -> Settings:
    """Return the settings in a file; without one those of the user, else the example's."""
    users = config.users_file()
    if path is None and users.is_file():
        path = users
    if path is not None:
        settings = config.load(path)
        if not settings.rods:
            reason, hint = "no rod is rigged", "give at least one under [[rods]]"
            raise ConfigError([config.Problem(str(path), 1, "rods", reason, hint)])
        return settings
    click.echo(f"no config ({users}): rods and lines are those of the example", err=True)
    return config.parse(config.example_text(), "the example config")


@contextmanager
def _told(settings: Settings, *, as_json: bool, speak: bool) -> Iterator[Callable[[AnyEvent], None]]:
    """Give what prints each event, above the progress bar, and speaks what is said."""
    with Speaker(settings.voice.speaker, aloud=speak, trouble=_warn) as speaker:

        def tell(event: AnyEvent) -> None:
            line = to_json(event).decode() if as_json else timeline.line(event, settings.units)
            tqdm.write(line, file=sys.stdout)
            if isinstance(event, Said):
                speaker.say(event.text)

        yield tell


def _file_with_bar(day: Day) -> Iterator[Chunk]:
    """Yield a recording's chunks, with a progress bar on a terminal."""
    size = day.recording.stat().st_size
    with tqdm(total=size, unit="B", unit_scale=True, desc=day.name, disable=None, leave=False) as bar:
        for chunk in FileSource(SOURCE, day.recording).chunks():
            yield chunk
            bar.update(len(chunk.data))


def _entries(logbook: Logbook, trip: int, *, everything: bool) -> Iterator[tuple[AnyEvent, bool]]:
    if everything:
        yield from ((event, False) for event in logbook.events(trip))
    else:
        yield from ((entry.event, entry.undone) for entry in logbook.logged(trip))
