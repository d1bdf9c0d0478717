"""`companion phrases` and `companion listen`: what can be said, and what is heard."""

from __future__ import annotations

from pathlib import Path

import click

from companion.cli.common import command, config_option, settings_in_force
from companion.replay import chosen_model
from companion.voice.clips import read_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.microphone import microphone_frames, utterances
from companion.voice.recogniser import Recogniser


@command("phrases")
@config_option
@click.option("--every", is_flag=True, help="Every phrase that counts, one a line.")
def phrases_command(config_path: Path | None, *, every: bool) -> None:
    """Example: companion phrases

    Prints what can be said to the companion with the rods in the config, and what it does.
    """
    grammar = Grammar(aboard(settings_in_force(config_path)))
    if every:
        click.echo("\n".join(grammar.phrases))
        return
    for wordings, does in grammar.help():
        click.echo(f"{does}\n    {wordings}")


@command("listen")
@click.argument("clips", nargs=-1, type=click.Path(path_type=Path))
@config_option
def listen_command(clips: tuple[Path, ...], config_path: Path | None) -> None:
    """Example: companion listen

    Listens at the microphone, or to CLIPS (FLAC or WAV files), and prints what was heard and which
    command it is. Nothing is carried out. Ctrl-C ends it.
    """
    settings = settings_in_force(config_path)
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
