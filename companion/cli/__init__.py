"""The commands: arguments in, rooms called, lines out. Nothing is decided here.

Each module holds one command, or a few that belong together; `common` what they share.
"""

from __future__ import annotations

import gc
import importlib
import io
import os
import sys
import traceback
from collections.abc import Iterator, MutableMapping
from typing import NamedTuple, NoReturn

import click
from click.shell_completion import CompletionItem

from companion import __version__
from companion.cli.help import CAUTIONS, ExampleFirst

OK, BUG, USAGE, CONFIG, DEVICE, DATABASE = range(6)
"""Exit codes."""


class _Place(NamedTuple):
    """A command's module here, and its line in the list of commands."""

    module: str
    summary: str


COMMANDS = {
    "amend": _Place("amend", "Correct what was logged on a trip"),
    "backup": _Place("backup", "Put logbook, recordings and config into one ZIP file"),
    "check": _Place("check", "Try every part before the boat leaves"),
    "export": _Place("export", "Write a trip as CSV, GPX, GeoJSON or NMEA 0183"),
    "heard": _Place("heard", "Tell what was heard right or wrong, and hear it again"),
    "lakebed": _Place(
        "lakebed", "Draw the bottom of a lake, and tell what is known of it"
    ),
    "learn": _Place("learn", "Add soundings and marks of others to the map"),
    "listen": _Place("talk", "Show what is understood, from the microphone or a clip"),
    "logbook": _Place("logbook", "List the trips, and what was logged on one"),
    "phrases": _Place("talk", "Print what can be said to the companion"),
    "plan": _Place("plan", "Find where to lie, which rod to take and where to cast"),
    "reach": _Place("reach", "Print how deep the lure of each rod gets"),
    "replay": _Place("replaying", "Run a recorded day again"),
    "report": _Place("report", "Make a page of one trip"),
    "restore": _Place(
        "backup", "Bring a backup back, or what is whole of a damaged logbook"
    ),
    "run": _Place("run", "Run live in the boat"),
    "season": _Place("report", "Make a page of many trips"),
    "send": _Place("export", "Send waypoints to a plotter on the boat's network"),
    "settings": _Place("settings", "Check a config, or print an example"),
    "taught": _Place("taught", "Print what touches have taught of each rod"),
}
"""Every command by its name; its function is the module's NAME_command."""


class _Imported(MutableMapping[str, click.Command]):
    """The commands, each imported when it is asked for: help and completion do not wait for the physics."""

    def __getitem__(self, name: str) -> click.Command:
        # All that is imported stays: to look through it for garbage is a tenth of the
        # time it takes.
        gc.disable()
        try:
            module = importlib.import_module(f"companion.cli.{COMMANDS[name].module}")
        finally:
            gc.freeze()
            gc.enable()
        found = getattr(module, f"{name}_command")
        assert isinstance(found, click.Command)
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)

    def __contains__(self, name: object) -> bool:
        return name in COMMANDS

    def __setitem__(self, name: str, _command: click.Command) -> NoReturn:
        raise TypeError(f"{name}: a command is added to COMMANDS")

    def __delitem__(self, name: str) -> NoReturn:
        raise TypeError(f"{name}: a command is removed from COMMANDS")


class _Commands(ExampleFirst, click.Group):
    """The commands together, listed without importing them, with help that begins with an example too."""

    def format_commands(
        self, _ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        """Write the name and the summary of each command."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, place.summary) for name, place in COMMANDS.items()]
            )

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[CompletionItem]:
        """Return the commands and options that begin so."""
        found = [
            CompletionItem(name, help=place.summary)
            for name, place in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)


@click.group(
    cls=_Commands,
    commands=_Imported(),
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=CAUTIONS,
)
@click.version_option(__version__, prog_name="companion")
def commands() -> None:
    """Example: companion replay replay_logs/DAY

    Tells an angler, out loud and in time, how the lure on the rod in hand matches the
    bottom, and keeps the logbook. Each command has its own --help, which starts with an
    example.

    Exit codes: 0 done, 1 a bug, 2 wrong usage, 3 the config, 4 a device or the speech
    model, 5 the logbook, 6 not everything could be checked.
    """


def main() -> None:
    """Run the command line, and end with the exit code that says how it went."""
    if isinstance(
        sys.stdout, io.TextIOWrapper
    ):  # a terminal may lack letters of a name
        sys.stdout.reconfigure(errors="replace")
    sys.exit(_run())


CODES = {
    "companion.config.ConfigError": CONFIG,
    "companion.page.server.PageError": DEVICE,
    "companion.pictures.png.PictureError": DEVICE,
    "companion.record.backup.BackupError": DATABASE,
    "companion.record.hold.HeldError": DEVICE,
    "companion.record.tables.LogbookError": DATABASE,
    "companion.replay.DayError": USAGE,
    "companion.report.printing.PrintingError": DEVICE,
    "companion.voice.clips.ClipError": DEVICE,
    "companion.voice.microphone.MicrophoneError": DEVICE,
    "companion.voice.model.ModelError": DEVICE,
    "companion.voice.speaker.SpeakerError": DEVICE,
    "builtins.OSError": DEVICE,
}
"""Exit codes of errors by name, as what raises them may not have been imported."""


def _code(error: Exception) -> int:
    """Return the exit code of an error, by its nearest kind that has one; without one it is a bug."""
    names = (f"{kind.__module__}.{kind.__qualname__}" for kind in type(error).__mro__)
    return next((CODES[name] for name in names if name in CODES), BUG)


def _run() -> int:
    try:
        code = commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        return _complain("stopped", USAGE)
    except click.ClickException as error:
        error.show()
        return USAGE
    except BrokenPipeError:  # whoever read our lines has had enough of them
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        code = _code(error)
        if code == BUG:
            traceback.print_exc()
            return _complain("a bug; the lines above say where", code)
        return _complain(_told(error), code)
    return code if isinstance(code, int) else OK


def _told(error: Exception) -> str:
    """Return what went wrong; of a file, its name and what the system says of it, without a number."""
    if isinstance(error, OSError) and error.filename is not None and error.strerror:
        return f"{error.filename}: {error.strerror.lower()}"
    return str(error)


def _complain(text: object, code: int) -> int:
    click.echo(f"companion: {text}", err=True)
    return code
