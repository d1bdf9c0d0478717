"""`companion run`: live in the boat."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable
from functools import cache
from pathlib import Path

import click

from companion import config
from companion.cli.common import (
    command,
    config_option,
    settings_in_force,
    tables_folder,
    warn,
)
from companion.cli.late_page import LatePage
from companion.clock import LiveClock
from companion.config import Settings
from companion.events import AnyEvent, Said
from companion.live.devices import Parts
from companion.live.live import Live, Places
from companion.live.wires import sources_of
from companion.record import timeline
from companion.record.hold import hold
from companion.record.meanwhile import usable_logbook
from companion.record.recording import RecordingLimits
from companion.replay import chosen_model
from companion.voice.button import ButtonError, push_to_talk
from companion.voice.echo_gate import EchoGate
from companion.voice.grammar import Grammar, aboard
from companion.voice.listening import Listener
from companion.voice.microphone import microphone_frames
from companion.voice.model import ModelError, data_folder
from companion.voice.own_voice import shift_in_force
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.speaker import Speaker, SpeakerError, manner_of

NO_DEVICE = "none"
"""The name of a device that is not aboard."""
PAIRED_DEVICES_FILE = "paired-devices"
"""The file among the data that remembers which devices may use the page's buttons, by hash."""


@command("run")
@click.option(
    "--dry-run", is_flag=True, help="Everything but the speaker and the logbook."
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print events as JSON, one a line."
)
@click.option(
    "--data",
    type=click.Path(path_type=Path),
    help="Another folder for logbook and recordings.",
)
@config_option
def run_command(
    *, dry_run: bool, as_json: bool, data: Path | None, config_path: Path | None
) -> None:
    """Example: companion run

    Runs live: reads the sources in the config, listens, speaks, keeps the logbook and
    records the trip. Ctrl-C or SIGTERM ends the trip in order. A trip that was cut off
    less than half an hour ago goes on.

    What is not there (a wire, the microphone, the speech model) is said, and the rest
    runs without it.
    """
    os.umask(
        0o077
    )  # who was aboard, what was said and where the fish are is the owner's matter
    settings = settings_in_force(config_path)
    folder = data or data_folder()
    told: list[str] = []
    with contextlib.ExitStack() as open_parts:
        open_parts.enter_context(hold(folder))
        logbook = None
        if not dry_run:
            logbook = usable_logbook(folder / "logbook.db", told.append)
        places = Places(logbook, folder / "recordings", tables_folder())
        parts = _parts(settings, open_parts, dry_run=dry_run)
        page = open_parts.enter_context(
            LatePage(settings, _aloud(parts), folder / PAIRED_DEVICES_FILE)
        )
        live = Live(
            settings,
            _text_in_force(config_path),
            _shown(parts, page),
            places,
            _printer(settings, as_json=as_json),
            look=page.look,
            limits=RecordingLimits(
                int(settings.recordings.most), int(settings.recordings.keep_free)
            ),
        )
        page.tapped = live.tapped
        for text in told:
            live.announce(text)
        for which in (signal.SIGTERM, signal.SIGINT):
            signal.signal(which, lambda _signal, _frame: live.stop())
        live.run()


def _aloud(parts: Parts) -> Callable[[str], None]:
    """Return what speaks a line that must not be recorded."""
    return lambda text: parts.tell(Said(t=0.0, text=text, about="answer"))


def _text_in_force(path: Path | None) -> str:
    """Return the text of the settings in force, to be kept with the recording."""
    path = path or config.users_file()
    if not path.is_file():
        return config.example_text()
    return path.read_text(encoding="utf-8")


def _parts(settings: Settings, stack: contextlib.ExitStack, *, dry_run: bool) -> Parts:
    """Return the devices of this boat, as far as they can be had; what cannot is named."""
    missing: list[str] = []
    recogniser = _recogniser(settings, missing)
    speaker = None
    if not dry_run:
        speaker = _speaker(settings, stack, missing)
    held = _button(settings, missing)
    parts = Parts(sources=tuple(sources_of(settings, LiveClock())), missing=missing)
    if speaker is not None:
        parts = parts._replace(tell=speaker.speak_event)
    if recogniser is None:
        return parts
    return with_ears(parts, settings, recogniser, speaker, held)


def with_ears(
    parts: Parts,
    settings: Settings,
    load: Callable[[], Recogniser],
    speaker: Speaker | None = None,
    held: Callable[[float], bool] | None = None,
) -> Parts:
    """Return the devices with a microphone, and what listens at it and is deaf to the speaker.

    `load` returns the recogniser; it is called when that is first needed.
    """

    def listener(complain: Callable[[str], None]) -> Listener:
        if speaker is None:
            return Listener(load(), None, held, complain)
        gate = EchoGate(lambda: speaker.speaking, speaker.hush, lambda: speaker.line)
        return Listener(load(), gate, held, complain, speaker.yield_floor)

    return parts._replace(
        frames=lambda: microphone_frames(settings.voice.microphone),
        hear=lambda path: load().hear_clip(path),
        listener=listener,
    )


def _recogniser(
    settings: Settings, missing: list[str]
) -> Callable[[], Recogniser] | None:
    """Return what loads the recogniser, once; None without a microphone or a speech model."""
    if settings.voice.microphone == NO_DEVICE:
        return None
    try:
        model = chosen_model(settings)
        shift = shift_in_force(settings.voice.microphone, warn)
        return cache(lambda: for_grammar(model, Grammar(aboard(settings)), shift))
    except ModelError as error:
        warn(str(error))
        missing.append("speech model")
        return None


def _speaker(
    settings: Settings, stack: contextlib.ExitStack, missing: list[str]
) -> Speaker | None:
    if settings.voice.speaker == NO_DEVICE:
        return None
    try:
        voice = settings.voice
        return stack.enter_context(
            Speaker(voice.speaker, manner=manner_of(voice), trouble=warn)
        )
    except SpeakerError as error:
        warn(str(error))
        missing.append("speaker")
        return None


def _button(settings: Settings, missing: list[str]) -> Callable[[float], bool] | None:
    if settings.voice.button is None:
        return None
    try:
        return push_to_talk(settings.voice.button)
    except ButtonError as error:
        warn(str(error))
        missing.append("button")
        return None


def _shown(parts: Parts, page: LatePage) -> Parts:
    """Return the devices with the page among them, which is told of an event as soon as the speaker."""

    def tell(event: AnyEvent) -> None:
        page.event(event)
        parts.tell(event)

    return parts._replace(tell=tell, begin_rest=page.begin)


def _printer(settings: Settings, *, as_json: bool) -> Callable[[AnyEvent], None]:
    """Return what prints each event; when nobody reads any more the trip goes on."""

    def tell(event: AnyEvent) -> None:
        line = timeline.printed(event, settings.units, as_json=as_json)
        with contextlib.suppress(BrokenPipeError):
            click.echo(line)

    return tell
