"""`python -m companion.simulate FOLDER --seed N`: make an invented day."""

from __future__ import annotations

from pathlib import Path

import click

from companion.simulate.day import make_day
from companion.simulate.speech import NoSynthesizerError


@click.command(
    help="""Example: python -m companion.simulate replay_logs/my_day --seed 7

    Make an invented day on an invented lake: recording, spoken commands, truth. The same seed makes the
    same day. Needs the speech synthesizers espeak-ng and flite."""
)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--seed", default=1, show_default=True, help="Which day: any whole number from 0."
)
def main(folder: Path, seed: int) -> None:
    """Make a day and say what is in it."""
    day = make_day(seed)
    try:
        day.write(folder)
    except (NoSynthesizerError, OSError) as error:
        raise click.ClickException(str(error)) from error
    click.echo(
        f"{folder}: {day.recording.sentences} sentences, {len(day.utterances)} utterances, "
        f"{len(day.truth['casts'])} casts; all of it invented"
    )


if __name__ == "__main__":
    main()
