"""`companion phrases` and `companion listen`: what can be said, and what is heard."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import click
import msgspec

from companion.cli.common import (
    command,
    config_option,
    json_option,
    settings_in_force,
    told,
    warn,
)
from companion.clock import wall_clock
from companion.config import Settings
from companion.replay import chosen_model
from companion.voice.clips import clip_facts, clip_name, read_clip, write_clip
from companion.voice.endpointing import UTTERANCE_LIMIT_S
from companion.voice.grammar import Grammar, aboard
from companion.voice.heard import NO_PHRASE, NO_WORDS
from companion.voice.listening import Listened, Listener, listened
from companion.voice.microphone import microphone_frames
from companion.voice.model import data_folder
from companion.voice.own_voice import (
    OwnVoice,
    VoiceLesson,
    forget,
    keep,
    learned,
    outcomes,
    shift_in_force,
)
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import SAMPLE_RATE_HZ, Samples, frames_of, level
from companion.voice.suppressor import can_suppress

TEST_COMMANDS = 20
"""How many commands the guided test asks for: two of each of ten kinds."""


class Judged(msgspec.Struct, frozen=True, kw_only=True):
    """An utterance as `companion listen --json` prints it; times in s, levels in dB of full scale.

    `asked` is what the guided test asked for. `decision` is the command's name, or
    None; `reason` says why there is none, or what ended the listening. `fit` is a
    phrase that words and sounds together spoke for, against the first words. `amid_talk`:
    people had just been talking, so a phrase had to fit better.
    """

    where: str
    text: str
    decision: str | None
    reason: str
    alternatives: tuple[str, ...] = ()
    check: str | None = None
    fit: str | None = None
    seconds: float
    level: float
    noise: float
    asked: str | None = None
    amid_talk: bool = False


class TestDone(msgspec.Struct, frozen=True, kw_only=True):
    """A guided test: when (UTC), with which microphone, what was asked, and how much was understood.

    `shift` is how much higher the thresholds lie that were learned from it, and `then`
    how much is understood with it, each phrase judged with what the others teach.
    """

    __test__ = False

    utc: str
    microphone: str
    asked: int
    understood: int
    wrong: int
    shift: float
    then: int
    utterances: tuple[Judged, ...]


@command("phrases")
@config_option
@click.option("--every", is_flag=True, help="Every phrase that counts, one a line.")
@json_option
def phrases_command(config_path: Path | None, *, every: bool, as_json: bool) -> None:
    """Example: companion phrases

    Prints what can be said to the companion with the rods in the config, and what it
    does.
    """
    grammar = Grammar(aboard(settings_in_force(config_path)))
    if every:
        told("\n".join(grammar.phrases), grammar.phrases, as_json=as_json)
        return
    lines = [f"{does}\n    {wordings}" for wordings, does in grammar.help()]
    if grammar.wake:
        lines.insert(0, f'begin each with "{grammar.wake}"')
    data = [
        {"does": does, "wordings": wordings.split("; ")}
        for wordings, does in grammar.help()
    ]
    told("\n".join(lines), {"wake": grammar.wake, "phrases": data}, as_json=as_json)


@command("listen")
@click.argument("clips", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--json", "as_json", is_flag=True, help="Print what was heard as JSON, one a line."
)
@click.option(
    "--test",
    is_flag=True,
    help="Ask for twenty commands, and learn your voice from them.",
)
@click.option(
    "--forget", "forgets", is_flag=True, help="Forget what was learned of your voice."
)
@config_option
def listen_command(
    clips: tuple[Path, ...],
    config_path: Path | None,
    *,
    as_json: bool,
    test: bool,
    forgets: bool,
) -> None:
    """Example: companion listen

    Listens at the microphone, or to CLIPS (FLAC or WAV files of any length), and prints
    what was heard, which command it is and why, how loud it was, and how loud the
    noise. Nothing is carried out. Ctrl-C ends it.

    With --test it asks for twenty commands and stores how many it understood on this
    boat with this microphone, in the folder voice-tests among your data. Where it
    helps, it learns how much less well your phrases fit than most people's, for this
    microphone; --forget undoes that. Nothing leaves this computer.
    """
    if forgets:
        click.echo("forgotten" if forget() else "nothing was learned of your voice")
        return
    settings = settings_in_force(config_path)
    grammar = Grammar(aboard(settings))
    shift = 0.0 if test else shift_in_force(settings.voice.microphone, warn)
    recogniser = for_grammar(chosen_model(settings), grammar, shift)
    if not can_suppress():
        click.echo(
            "noise is not taken down: libspeexdsp1 is not installed (hardware/install.sh)",
            err=True,
        )
    listener = Listener(recogniser, complain=lambda text: click.echo(text, err=True))
    heard = _from_clips(clips, listener)
    if not clips:
        heard = _from_microphone(settings, listener, as_json=as_json)
    if test:
        _guided(heard, grammar, recogniser, settings.voice.microphone)
        return
    for where, spoken in heard:
        judged = _judged(where, spoken, grammar)
        told(_line(judged), judged, as_json=as_json)


def _from_clips(
    clips: tuple[Path, ...], listener: Listener
) -> Iterator[tuple[str, Listened]]:
    """Yield what is heard in each file.

    A clip is one utterance, and is heard as a replay hears it; what is longer is a
    recording, and is listened to as the boat would.
    """
    for clip in clips:
        samples = read_clip(clip)
        if len(samples) > UTTERANCE_LIMIT_S * SAMPLE_RATE_HZ:
            for spoken in listened(frames_of(samples), listener):
                yield f"{clip} {spoken.began:.1f} s", spoken
            listener.restart()
            continue
        amid_talk = clip_facts(clip).amid_talk
        hearing = listener.recogniser.hear(samples, amid_talk=amid_talk)
        loudest = max((level(frame) for frame in frames_of(samples)), default=0.0)
        quietest = min((level(frame) for frame in frames_of(samples)), default=0.0)
        yield (
            str(clip),
            Listened(0.0, hearing.seconds, samples, hearing, loudest, quietest),
        )


def _from_microphone(
    settings: Settings, listener: Listener, *, as_json: bool
) -> Iterator[tuple[str, Listened]]:
    frames: Iterator[Samples] = microphone_frames(settings.voice.microphone)
    if sys.stderr.isatty() and not as_json:
        frames = _with_meter(frames, listener)
    for spoken in listened(frames, listener):
        yield f"{spoken.began:.1f} s", spoken


def _with_meter(frames: Iterator[Samples], listener: Listener) -> Iterator[Samples]:
    """Pass frames on, and show the level, the noise and the words so far on the terminal's last line."""
    for count, frame in enumerate(frames):
        if count % 5 == 0:
            now = f"\r{_decibels(level(frame)):6.1f} dB, noise {_decibels(listener.noise):6.1f} dB"
            click.echo(f"{now}  {listener.partial:40.40}\r", nl=False, err=True)
        yield frame


def _judged(
    where: str, spoken: Listened, grammar: Grammar, asked: str | None = None
) -> Judged:
    hearing = spoken.hearing
    decision = meant = None
    reason = hearing.refused or (NO_PHRASE if hearing.text else NO_WORDS)
    if not hearing.refused:
        meant = grammar.parse(hearing.text)
    ends = {
        "phrase": "a whole phrase",
        "pause": "a pause",
        "time": "too long",
        "sound": "quiet",
    }
    if meant is not None:
        decision, reason = meant.name, ends[hearing.ended]
    return Judged(
        where=where,
        text=hearing.text,
        decision=decision,
        reason=reason,
        alternatives=hearing.alternatives,
        check=hearing.check,
        fit=hearing.fit,
        seconds=round(hearing.seconds, 2),
        level=round(_decibels(spoken.level), 1),
        noise=round(_decibels(spoken.noise), 1),
        asked=asked,
        amid_talk=hearing.amid_talk,
    )


def _line(judged: Judged) -> str:
    sound = f"{judged.level:.0f} dB over {judged.noise:.0f} dB"
    other = "; amid talk" if judged.amid_talk else ""
    if judged.alternatives:
        other += f"; or: {', '.join(judged.alternatives)}"
    decision = judged.decision or "no command"
    return f"{judged.where}  {judged.text or '(no words)'}  -> {decision} ({judged.reason}; {sound}{other})"


def _decibels(sound: float) -> float:
    """Return a level of 32768 in dB of full scale."""
    return 20.0 * math.log10(max(sound, 1.0) / 32768.0)


def _guided(
    heard: Iterator[tuple[str, Listened]],
    grammar: Grammar,
    recogniser: Recogniser,
    microphone: str,
) -> None:
    """Ask for commands one after the other, tell how many were understood, and keep that with the sound."""
    now = wall_clock()
    folder = data_folder() / "voice-tests" / now.strftime("%Y%m%dT%H%M%SZ")
    folder.mkdir(parents=True, exist_ok=True)
    results, read = [], []
    for asked in asked_for(grammar):
        click.echo(f'say: "{asked}"')
        where, spoken = next(heard, (None, None))
        if where is None or spoken is None:
            break
        write_clip(folder / clip_name(wall_clock()), spoken.samples)
        results.append(_judged(where, spoken, grammar, asked))
        read.append((asked, spoken.samples))
        click.echo(f"  {_line(results[-1])}")
    click.echo("learning your voice ...")
    lesson = learned([outcomes(recogniser, *one) for one in read])
    right = sum(_is_right(judged, grammar) for judged in results)
    done = TestDone(
        utc=now.astimezone(UTC).isoformat(timespec="seconds"),
        microphone=microphone,
        asked=len(results),
        understood=right,
        wrong=sum(judged.decision is not None for judged in results) - right,
        shift=lesson.shift,
        then=lesson.then,
        utterances=tuple(results),
    )
    (folder / "result.json").write_bytes(
        msgspec.json.format(msgspec.json.encode(done), indent=1)
    )
    click.echo(
        f"understood {right} of {done.asked}, {done.wrong} taken for another; kept in {folder}"
    )
    click.echo(kept_lesson(lesson, microphone))


def kept_lesson(lesson: VoiceLesson, microphone: str) -> str:
    """Keep what was learned of a voice, if it helps; return the line that tells of it."""
    if not lesson.is_gain:
        return "nothing learned of your voice: it would not be understood better"
    utc = wall_clock().astimezone(UTC).isoformat(timespec="seconds")
    keep(OwnVoice(utc=utc, microphone=microphone, **lesson._asdict()))
    return (
        f"your voice is learned: {lesson.then} of {lesson.read} instead of {lesson.understood}, "
        "each by what the others taught; companion listen --forget undoes it"
    )


def _is_right(judged: Judged, grammar: Grammar) -> bool:
    return judged.decision is not None and grammar.parse(judged.text) == grammar.parse(
        judged.asked or ""
    )


def asked_for(grammar: Grammar) -> list[str]:
    """Return the commands that the guided test asks for: short and long, with numbers and without."""
    wanted = (
        "bite",
        "touch",
        "cast",
        "rod",
        "line",
        "fish",
        "mark",
        "how deep",
        "reeled in",
        "undo",
    )
    by_name: dict[str, list[str]] = {}
    for phrase, name in grammar.meanings.items():
        by_name.setdefault(name, []).append(phrase)
    known = [by_name[name] for name in wanted if name in by_name]
    return [phrases[len(phrases) * third // 3] for third in (1, 2) for phrases in known]
