"""The commands: arguments in, rooms called, lines out. Nothing is decided here.

Each module holds one command, or a few that belong together; `common` what they share.
"""

from __future__ import annotations

import os
import sys
import traceback

import click

from companion import __version__
from companion.cli.amend import amend_command
from companion.cli.backup import backup_command, export_command, restore_command
from companion.cli.check import check_command
from companion.cli.common import CAUTIONS, ExampleFirst
from companion.cli.lakebed import lakebed_command
from companion.cli.learn import learn_command
from companion.cli.logbook import logbook_command
from companion.cli.plan import plan_command
from companion.cli.reach import reach_command
from companion.cli.replaying import replay_command
from companion.cli.report import report_command, season_command
from companion.cli.run import run_command
from companion.cli.settings import settings_command
from companion.cli.talk import listen_command, phrases_command
from companion.cli.taught import taught_command
from companion.config import ConfigError
from companion.page import PageError
from companion.pictures.png import PictureError
from companion.record.backup import BackupError
from companion.record.hold import HeldError
from companion.record.logbook import LogbookError
from companion.replay import DayError
from companion.report.document import PlotlyMissingError
from companion.report.printing import PrintingError
from companion.voice.clips import ClipError
from companion.voice.microphone import MicrophoneError
from companion.voice.model import ModelError
from companion.voice.speaker import SpeakerError

OK, BUG, USAGE, CONFIG, DEVICE, DATABASE = range(6)
"""Exit codes."""


class _Commands(ExampleFirst, click.Group):
    """The commands together, with help that begins with an example too."""


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
    5 the logbook, 6 not everything could be checked.
    """


for _one in (
    run_command,
    check_command,
    backup_command,
    restore_command,
    export_command,
    replay_command,
    logbook_command,
    reach_command,
    plan_command,
    report_command,
    amend_command,
    season_command,
    taught_command,
    learn_command,
    lakebed_command,
    phrases_command,
    listen_command,
    settings_command,
):
    commands.add_command(_one)


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
    (PageError, DEVICE),
    (PlotlyMissingError, USAGE),
    (PrintingError, DEVICE),
    (LogbookError, DATABASE),
    (PictureError, DEVICE),
    (BackupError, DATABASE),
    (HeldError, DEVICE),
    (OSError, DEVICE),
)


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
        code = next((code for kind, code in _CODES if isinstance(error, kind)), BUG)
        if code == BUG:
            traceback.print_exc()
        return _complain(_told(error) if code != BUG else "a bug; the lines above say where", code)
    return code if isinstance(code, int) else OK


def _told(error: Exception) -> str:
    """Return what went wrong; of a file, its name and what the system says of it, without a number."""
    named = isinstance(error, OSError) and error.filename is not None and error.strerror
    return f"{error.filename}: {error.strerror.lower()}" if named else str(error)  # type: ignore[attr-defined]


def _complain(text: object, code: int) -> int:
    click.echo(f"companion: {text}", err=True)
    return code
