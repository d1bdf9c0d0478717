"""`companion heard`: what was heard on a trip, told right or wrong, and heard again by today's program."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import click
import msgspec

from companion.cli.choosing import Chosen, choose, entry_name, recording
from companion.cli.common import (
    command,
    config_option,
    logbook_option,
    settings_in_force,
    warn,
)
from companion.cli.common import told as tell
from companion.cli.talk import kept_lesson
from companion.config import Settings
from companion.events import Heard
from companion.record.logbook import Logbook
from companion.record.own_clips import ClipTruth, OwnClip, OwnClipError, OwnClips
from companion.record.recording import CLIPS_FOLDER
from companion.replay import chosen_model
from companion.voice.clips import read_clip
from companion.voice.commands import Command, GoOn
from companion.voice.grammar import Grammar, aboard
from companion.voice.model import data_folder
from companion.voice.own_voice import learned, outcomes, shift_in_force
from companion.voice.recogniser import for_grammar


@command("heard")
@click.argument("trip", required=False)
@logbook_option
@click.option(
    "--right",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="It was what it was taken for.",
)
@click.option(
    "--meant",
    type=(int, str),
    multiple=True,
    metavar="NUMBER PHRASE",
    help="It was another phrase: which.",
)
@click.option("--talk", type=int, multiple=True, metavar="NUMBER", help="It was talk.")
@click.option(
    "--untell",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="Take back what was told of it.",
)
@click.option(
    "--again",
    is_flag=True,
    help="Hear all that was told of again, and count what is understood.",
)
@click.option(
    "--learn", is_flag=True, help="Learn your voice from all that was told of."
)
@click.option(
    "--export",
    "into",
    type=click.Path(path_type=Path, file_okay=False),
    help="Copy them there.",
)
@config_option
@click.option(
    "--json", "as_json", is_flag=True, help="Print it as JSON, one thing a line."
)
def heard_command(
    trip: str | None,
    *,
    logbook_path: Path | None,
    right: tuple[int, ...],
    meant: tuple[tuple[int, str], ...],
    talk: tuple[int, ...],
    untell: tuple[int, ...],
    again: bool,
    learn: bool,
    into: Path | None,
    config_path: Path | None,
    as_json: bool,
) -> None:
    """Example: companion heard 3 --right 4 --meant 7 "mark a stump" --talk 9

    Lists what was heard on a trip, with its numbers, or tells what of it was right.
    TRIP is as for `companion report`. What is told of is kept with its sound among your
    data, in the folder own-clips, and never leaves this computer but by --export. With
    --again today's program hears all of it once more; with --learn it learns your voice
    from it, as `companion listen --test` does from phrases read aloud.
    """
    own = OwnClips()
    try:
        if into is not None:
            click.echo(f"{own.export(into)} clips copied to {into}")
        elif again:
            _hear_again(own, settings_in_force(config_path), as_json=as_json)
        elif learn:
            click.echo(_learn(own, settings_in_force(config_path)))
        else:
            told = _Told(right, meant, talk, untell)
            _of_trip(
                choose(trip, logbook_path), told, own, config_path, as_json=as_json
            )
    except OwnClipError as error:
        raise click.UsageError(str(error)) from error


# --- telling -------------------------------------------------------------------------------------------


class _Told(NamedTuple):
    """The truths told, by the numbers of utterances."""

    right: Sequence[int]
    meant: Sequence[tuple[int, str]]
    talk: Sequence[int]
    untell: Sequence[int]


class HeardThing(msgspec.Struct, frozen=True, kw_only=True):
    """An utterance as `companion heard --json` prints it; `told` is what is true of it, if that was told."""

    number: int
    t: float
    utc: str | None
    text: str
    command: str | None
    clip: str | None
    told: ClipTruth | None = None


def _of_trip(
    chosen: Chosen,
    told: _Told,
    own: OwnClips,
    config_path: Path | None,
    *,
    as_json: bool,
) -> None:
    with Logbook(chosen.logbook) as book:
        events = [
            event for event in book.events(chosen.trip) if isinstance(event, Heard)
        ]
        folder = chosen.folder or recording(entry_name(book, chosen.trip))
    by_number = dict(enumerate(events, 1))
    numbers = [
        *told.right,
        *(number for number, _ in told.meant),
        *told.talk,
        *told.untell,
    ]
    if strangers := [number for number in numbers if number not in by_number]:
        raise click.UsageError(
            f"trip {chosen.trip} has nothing heard under {strangers[0]}"
        )
    for number, truth in _truths(told, by_number, config_path):
        own.add(_sound(by_number[number], folder), truth)
    for number in told.untell:
        own.remove(by_number[number].clip or "")
    known = own.truths()
    for number, event in by_number.items():
        if numbers and number not in numbers:
            continue
        thing = HeardThing(
            number=number,
            t=event.t,
            utc=event.utc,
            text=event.text,
            command=event.command,
            clip=event.clip,
            told=known.get(event.clip or ""),
        )
        tell(_line(thing), thing, as_json=as_json)


def _truths(
    told: _Told, heard: dict[int, Heard], config_path: Path | None
) -> Iterator[tuple[int, ClipTruth]]:
    """Yield what is told of each utterance, by its number."""
    for number in told.right:
        event = heard[number]
        if event.command is None:
            raise click.UsageError(
                f"{number} was not taken for a command: say --talk or --meant"
            )
        yield number, ClipTruth(said=event.text, text=event.text, command=event.command)
    if told.meant:
        grammar = Grammar(aboard(settings_in_force(config_path)))
        for number, phrase in told.meant:
            if grammar.parse(phrase) is None:
                raise click.UsageError(
                    f'"{phrase}" is no phrase; see companion phrases --every'
                )
            event = heard[number]
            yield (
                number,
                ClipTruth(
                    said=" ".join(phrase.lower().split()),
                    text=event.text,
                    command=event.command,
                ),
            )
    for number in told.talk:
        yield (
            number,
            ClipTruth(
                said=None, text=heard[number].text, command=heard[number].command
            ),
        )


def _sound(event: Heard, folder: Path | None) -> Path:
    """Return the file of an utterance's sound: beside the recording named, or in that of a live trip."""
    if event.clip is None:
        raise OwnClipError(f'"{event.text}": it has no sound')
    if folder is not None:
        beside = folder / CLIPS_FOLDER / event.clip
        if beside.is_file():
            return beside
    found = sorted(
        (data_folder() / "recordings").glob(f"*/*/{CLIPS_FOLDER}/{event.clip}")
    )
    return next(iter(found), Path(event.clip))


def _line(thing: HeardThing) -> str:
    taken = f"taken for {thing.command}" if thing.command else "not taken"
    time = f"+{thing.t:.0f} s" if thing.utc is None else thing.utc[11:19]
    return f"{thing.number:4}  {time}  {thing.text or '(no words)'}  -> {taken}{_told_words(thing)}"


def _told_words(thing: HeardThing) -> str:
    truth = thing.told
    if truth is None:
        return ""
    if truth.said is None:
        return "; told: talk"
    if truth.said == truth.text:
        return "; told: right"
    return f'; told: it was "{truth.said}"'


# --- hearing again -------------------------------------------------------------------------------------


class HeardAgain(msgspec.Struct, frozen=True, kw_only=True):
    """A clip heard again, as `companion heard --again --json` prints it."""

    clip: str
    said: str | None
    text: str
    outcome: str
    then: str


def _hear_again(own: OwnClips, settings: Settings, *, as_json: bool) -> None:
    """Hear every clip of the set with today's program, and count what is understood now and was then."""
    clips = own.clips()
    if not clips:
        raise OwnClipError(
            "nothing has been told right or wrong yet; see companion heard --help"
        )
    grammar = Grammar(aboard(settings))
    shift = shift_in_force(settings.voice.microphone, warn)
    recogniser = for_grammar(chosen_model(settings), grammar, shift)
    found = [
        _compared(clip, recogniser.hear_clip(clip.path).text, grammar)
        for clip in clips
        if clip.truth.said is None or grammar.parse(clip.truth.said) is not None
    ]
    for one in found:
        if as_json or one.outcome != "right":
            tell(_difference(one), one, as_json=as_json)
    if not as_json:
        for line in _counted(found, len(clips) - len(found)):
            click.echo(line)


def _learn(own: OwnClips, settings: Settings) -> str:
    """Learn a voice from the set; return the line that tells of it."""
    grammar = Grammar(aboard(settings))
    recogniser = for_grammar(chosen_model(settings), grammar)
    lesson = learned(
        [
            outcomes(recogniser, clip.truth.said, read_clip(clip.path))
            for clip in own.clips()
            if clip.truth.said is None or grammar.parse(clip.truth.said) is not None
        ]
    )
    return kept_lesson(lesson, settings.voice.microphone)


def _compared(clip: OwnClip, text: str, grammar: Grammar) -> HeardAgain:
    truth = clip.truth
    now, then = text, truth.text
    if truth.command is None:
        then = ""
        if text == truth.text:  # the trip found it out of place, and would again
            now = ""
    return HeardAgain(
        clip=clip.path.name,
        said=truth.said,
        text=text,
        outcome=_outcome(truth.said, now, grammar),
        then=_outcome(truth.said, then, grammar),
    )


def _outcome(said: str | None, text: str, grammar: Grammar) -> str:
    """Return whether an utterance is understood: "right", "missed" or "wrong"; talk is right if not taken."""
    meant = grammar.parse(said or "")
    found = _taken(grammar.parse(text), meant)
    if found == meant:
        return "right"
    if found is None:
        return "missed"
    return "wrong"


def _taken(found: Command | None, meant: Command | None) -> Command | None:
    """Return the command found; the rest of another one, by itself, is none."""
    if isinstance(found, GoOn) and not isinstance(meant, GoOn):
        return None
    return found


def _difference(one: HeardAgain) -> str:
    said = "talk"
    if one.said is not None:
        said = f'"{one.said}"'
    return f'{one.clip}  {said}, heard as "{one.text or "(no words)"}": {one.outcome} (then {one.then})'


def _counted(found: Sequence[HeardAgain], left_out: int) -> Iterator[str]:
    """Yield how many commands are understood, and how much talk is taken for one, now and then."""
    commands = [one for one in found if one.said is not None]
    talk = [one for one in found if one.said is None]
    for what, some in (
        ("of commands understood", commands),
        ("of talk left alone", talk),
    ):
        now, then = (
            sum(getattr(one, when) == "right" for one in some)
            for when in ("outcome", "then")
        )
        wrong, before = (
            sum(getattr(one, when) == "wrong" for one in some)
            for when in ("outcome", "then")
        )
        yield f"{what}: {now} of {len(some)}, {wrong} taken wrongly (on the trip {then}, {before})"
    if left_out:
        yield f"{left_out} left out: no phrase of this boat"
