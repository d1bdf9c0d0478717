"""`companion check`: every part tried before the boat leaves."""

from __future__ import annotations

import itertools
from pathlib import Path

import click
import msgspec

from companion import config
from companion.cli.common import command, config_option, settings_in_force, warn
from companion.clock import LiveClock
from companion.config import Settings
from companion.health.check import LISTEN_S, check
from companion.health.discovery import discover
from companion.health.findings import Finding, summary
from companion.voice.model import data_folder

FIND_LISTEN_S = 3.0
"""How long each source is listened to when looking for some, s: at 1 Hz, three of each sentence."""
FAILED, NOT_ALL_TRIED = 4, 6
"""Exit codes: something failed; nothing failed, but not everything could be tried."""


@command("check")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--find",
    is_flag=True,
    help="Look for sources that are not in the config, and print the lines for it.",
)
@click.option("--quiet", is_flag=True, help="Do not try the speaker.")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 60),
    default=LISTEN_S,
    show_default=True,
    help="Listen so long.",
)
@click.option(
    "--data",
    type=click.Path(path_type=Path),
    help="Another folder of logbook and recordings.",
)
@config_option
def check_command(
    *,
    as_json: bool,
    find: bool,
    quiet: bool,
    seconds: float,
    data: Path | None,
    config_path: Path | None,
) -> None:
    """Example: companion check

    Tries every part: sources and their rates, depth, position, microphone, speech
    model, recogniser, speaker, button, permissions, logbook, disk, clock, the board's
    heat and supply. Each part passes, warns, fails or is skipped; every problem comes
    with a fix. Stop a running companion first: it holds the ports.

    With --find it looks for sources instead: serial ports at the usual speeds, CAN
    interfaces, and servers of gpsd, Signal K and NMEA 0183 on this computer and the
    private networks it is in, at most 254 addresses each. It only listens. What has
    something to tell is printed as it stands in a config.

    Exit codes: 0 all tried and none failed, 3 the config, 4 something failed, 6 nothing
    failed but something was skipped: skipped is not passed.
    """
    settings = settings_in_force(config_path)
    if find:
        _find(settings, seconds, as_json=as_json)
        return
    tried = check(
        settings, data or data_folder(), LiveClock(), aloud=not quiet, seconds=seconds
    )
    findings: list[Finding] = []
    for finding in itertools.chain([_config(config_path, settings)], tried):
        findings.append(finding)
        if not as_json:
            click.echo(_line(finding))
    if as_json:
        click.echo(
            msgspec.json.encode(
                {"findings": findings, "summary": summary(findings)}
            ).decode()
        )
    else:
        click.echo(summary(findings))
    verdicts = {finding.verdict for finding in findings}
    if "fail" in verdicts:
        raise click.exceptions.Exit(FAILED)
    if "skipped" in verdicts:
        raise click.exceptions.Exit(NOT_ALL_TRIED)


def _find(settings: Settings, seconds: float, *, as_json: bool) -> None:
    """Print the lines for the config to standard output, and what is looked at beside them."""
    found = []
    for one in discover(
        settings.sources, LiveClock(), min(seconds, FIND_LISTEN_S), warn
    ):
        found.append(one)
        if not as_json:
            click.echo(f"{one.lines}\n")
    if as_json:
        click.echo(msgspec.json.encode(found).decode())
    if not found:
        warn(
            "nothing found that is not in the config; are sonar and GPS on, and does their output send?"
        )
        raise click.exceptions.Exit(FAILED)


def _config(path: Path | None, settings: Settings) -> Finding:
    path = path or config.users_file()
    if not path.is_file():
        how = f"mkdir -p {path.parent} && companion settings --example > {path}, then edit it"
        return Finding("config", "warn", "none; the example is used", how)
    return Finding("config", "pass", f"{path}, {len(settings.rods)} rods")


def _line(finding: Finding) -> str:
    line = f"{finding.verdict:<8}  {finding.part}: {finding.seen}"
    if finding.remedy:
        line += f"\n{'':10}-> {finding.remedy}"
    return line
