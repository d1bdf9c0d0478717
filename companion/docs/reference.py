"""The reference, made from the code it describes: commands, configuration keys, spoken phrases, events."""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Iterator
from typing import (
    Annotated,
    Literal,
    NamedTuple,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import click
import msgspec

from companion import config, events
from companion.cli import commands
from companion.cli.help import CAUTIONS, in_users_unit
from companion.pictures.drawing import wrapped
from companion.tackle.quantities import Kind, Quantity
from companion.trip.state import GOES_ON_WITHIN_S
from companion.voice import grammar

HEAD_OF_PAGE = """# Reference

Made from the program by `python -m companion.docs`; what is not in here is not in the program.
[All pages](index.md).

**Not for navigation.** Depths and marks are for fishing and may be wrong.

[Commands](#commands) · [Configuration](#configuration) · [What can be said](#what-can-be-said) ·
[A recorded day](#a-recorded-day) · [Events](#events)
"""

RECORDED_DAY = r"""## A recorded day

A folder with three things in it:

- `sonar.nmea`: lines of NMEA 0183, each with a TAG block that holds the time in milliseconds since 1970
  (`\s:sonar,c:1764061200123*hh\$SDDPT,...*hh`);
- `clips/`: one FLAC file for each utterance, 16 kHz mono, named by the UTC of its first sample
  (`20261003T141500.250Z.flac`);
- `companion.toml`: the configuration of that day.

A plain file of NMEA 0183 without TAG blocks is replayed by the times in its sentences; one without any time,
by the pace of its bytes. A replay goes into a logbook of its own, made anew each time, under
`~/.local/share/companion/replays/`.
"""

SI_UNITS = {
    "length": "m",
    "speed": "m/s",
    "strength": "N",
    "mass": "kg",
    "temperature": "C",
    "rate": "/s",
    "time": "s",
    "size": "bytes",
}
"""What a number of each kind is in once it has been read."""

MOST_LISTED_WORDS = 7
"""Words of a slot that are still all listed."""

_PLAIN: dict[object, str] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    types.NoneType: "null",
}


def reference() -> str:
    """Return the whole page, Markdown."""
    parts = (
        HEAD_OF_PAGE,
        *_commands(),
        *_configuration(),
        *_phrases(),
        RECORDED_DAY,
        *_events(),
    )
    return "\n".join(part.rstrip() + "\n" for part in parts)


def _row(*cells: str) -> str:
    return (
        "| "
        + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells)
        + " |\n"
    )


def _table(*rows: tuple[str, ...]) -> str:
    """Return a table, the first row its head; "" where there is no other."""
    head, *body = rows
    if not body:
        return ""
    return (
        _row(*head)
        + "|"
        + "---|" * len(head)
        + "\n"
        + "".join(_row(*row) for row in body)
    )


# --- commands ----------------------------------------------------------------------------------------


def _commands() -> Iterator[str]:
    exits = re.search(r"Exit codes: (.*?)\.", " ".join((commands.help or "").split()))
    assert exits is not None
    yield f"## Commands\n\n`companion --version` tells the version. Exit codes: {exits[1]}.\n"
    for name, command in sorted(commands.commands.items()):
        yield _command(name, command)
    yield "Every command's `--help` ends with:\n\n" + "".join(
        f"> {line}\n" for line in CAUTIONS.splitlines() if line != "\b"
    )


def _command(name: str, command: click.Command) -> str:
    example, _, rest = inspect.cleandoc(
        in_users_unit(command.help or "", "feet")
    ).partition("\n\n")
    usage = " ".join([name, *command.collect_usage_pieces(click.Context(command))])
    options = [
        (
            "`" + ", ".join(option.opts + option.secondary_opts) + f"{_taken(option)}`",
            in_users_unit(option.help or "", "feet"),
            _default(option),
        )
        for option in command.params
        if isinstance(option, click.Option)
    ]
    table = _table(("option", "what it does", "otherwise"), *options)
    return (
        f"### companion {name}\n\n`{example.removeprefix('Example: ')}`\n\n{rest}\n\n"
        f"Usage: `companion {usage}`\n\n{table}"
    )


def _taken(option: click.Option) -> str:
    if option.is_flag:
        return ""
    return " " + option.make_metavar(click.Context(click.Command("")))


def _default(option: click.Option) -> str:
    if not option.show_default or option.default is None:
        return ""
    return str(option.default)


# --- configuration -----------------------------------------------------------------------------------


class _Place(NamedTuple):
    """A table of keys: its place in the file, and its keys."""

    header: str
    schema: type[msgspec.Struct]


def _configuration() -> Iterator[str]:
    kinds = "".join(f"- {_units(kind)}\n" for kind in get_args(Kind))
    yield (
        "## Configuration\n\nOne TOML file, `~/.config/companion/companion.toml` or what `--config` names; "
        "`companion settings --example` prints one to begin from. "
        "A number with a unit is written as text:\n\n"
        f"{kinds}\nRanges and defaults below are in metres, seconds and so on, as they are kept.\n"
    )
    headers: dict[type[msgspec.Struct], list[str]] = {}
    for place in _tables(_Place("", config._File)):
        headers.setdefault(place.schema, []).append(place.header)
    for schema, its in headers.items():
        yield _keys(schema, its)


def _units(kind: Kind) -> str:
    try:
        Quantity(kind).read("")
    except ValueError as error:
        return str(error).removeprefix("expected ")
    raise AssertionError(kind)


def _tables(place: _Place) -> Iterator[_Place]:
    """Yield a table and those within it, in the order of their keys."""
    yield place
    for name, hint in get_type_hints(place.schema, include_extras=True).items():
        inner, many = _inner(hint)
        if inner is not None:
            path = f"{place.header.strip('[]')}.{name}".lstrip(".")
            header = f"[{path}]"
            if many:
                header = f"[{header}]"
            yield from _tables(_Place(header, inner))


def _inner(hint: object) -> tuple[type[msgspec.Struct] | None, bool]:
    """Return the struct a key holds, if it holds one, and whether it holds a list of them."""
    if get_origin(hint) is tuple:
        return _inner(get_args(hint)[0])[0], True
    if get_origin(hint) in (Union, types.UnionType):
        return _inner(next(part for part in get_args(hint) if part is not type(None)))
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return hint, False
    return None, False


def _keys(schema: type[msgspec.Struct], headers: list[str]) -> str:
    summary, told = _docstring(schema)
    hints = get_type_hints(schema, include_extras=True)
    rows = [
        (
            f"`{field.encode_name}`",
            _kind(hints[field.name]),
            told.get(field.name, ""),
            _unless(field, hints[field.name]),
        )
        for field in msgspec.structs.fields(schema)
        if _inner(hints[field.name])[0] is None
    ]
    title = ", ".join(f"`{header}`" for header in headers)
    if headers == [""]:
        title, summary = "At the top of the file", ""
    body = _table(("key", "a", "meaning", "if left out"), *rows)
    return f"### {title}\n\n{summary}\n\n{body}"


def _docstring(schema: type) -> tuple[str, dict[str, str]]:
    """Return what a struct's docstring says of it, and of each of its attributes."""
    text = inspect.cleandoc(schema.__doc__ or "")
    summary, _, listed = text.partition("\n\nAttributes:\n")
    told = re.findall(r"^    (\w+): (.*(?:\n        .*)*)", listed, re.MULTILINE)
    return summary, {name: _sentence(words) for name, words in told}


def _kind(hint: object) -> str:
    """Return in words what a value has to be."""
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(part for part in get_args(hint) if part is not type(None))
    if get_origin(hint) is Annotated:
        quantity: Quantity = get_args(hint)[1]
        return f"{quantity.kind}, {_range(quantity)}".rstrip(", ")
    if get_origin(hint) is Literal:
        return ", ".join(f"`{choice}`" for choice in get_args(hint))
    return _PLAIN[hint]


def _range(quantity: Quantity) -> str:
    if float("inf") in (-quantity.low, quantity.high):
        return ""
    small = quantity.kind == "length" and quantity.high < 0.01
    factor, unit = 1.0, SI_UNITS[quantity.kind]
    if small:
        factor, unit = 1e3, "mm"
    return f"{factor * quantity.low:g} to {factor * quantity.high:g} {unit}"


def _unless(field: msgspec.structs.FieldInfo, hint: object) -> str:
    """Return what holds when a key is left out."""
    if field.required:
        return "**needed**"
    if field.default is None:
        return "not set"
    if get_origin(hint) is not Annotated:
        default = str(field.default)
        if isinstance(field.default, bool):
            default = default.lower()
        return f"`{default}`"
    kind: Kind = get_args(hint)[1].kind
    if kind == "size":
        return f"{field.default / 1e9:g} GB"
    return f"{field.default:g} {SI_UNITS[kind]}"


# --- phrases -----------------------------------------------------------------------------------------


def _phrases() -> Iterator[str]:
    rows = [
        (
            "; ".join(f"“{wording}”" for wording in form.wordings),
            form.does,
            wrapped("“", form.said_back, "”") or "the answer",
        )
        for form in grammar.FORMS
    ]
    yield (
        "## What can be said\n\nAn utterance counts only if the whole of it is one of these. "
        "`companion phrases` prints "
        "them with your rods and lines. What completes the command just before it counts too, begun within "
        f"{GOES_ON_WITHIN_S:g} s of when that was understood: a depth, a weight, an hour, "
        "a distance, or “and a half”.\n\n"
        + _table(("phrase", "meaning", "said back"), *rows)
    )
    aboard = grammar.aboard(config.parse(config.example_text()))
    slots = [
        (f"`{{{name}}}`", _words(list(words)))
        for name, words in grammar._slots(aboard).items()
    ]
    yield "With the rods and units of the example:\n\n" + _table(
        ("in a phrase", "stands for"), *slots
    )


def _words(words: list[str]) -> str:
    """Return all the words of a slot, or its first and last when they are many."""
    if len(words) <= MOST_LISTED_WORDS:
        return ", ".join(f"“{word}”" for word in words)
    return f"“{words[0]}” to “{words[-1]}”"


# --- events ------------------------------------------------------------------------------------------


def _events() -> Iterator[str]:
    yield (
        "## Events\n\n`--json` prints one JSON object a line, in the order things happened. "
        + _paragraph(events.Event)
        + " Metres, metres a second, degrees clockwise from true north, kilograms, seconds; "
        "null is not known.\n"
    )
    for kind in get_args(events.AnyEvent):
        hints = get_type_hints(kind)
        fields = [
            name
            for name in kind.__struct_fields__
            if name not in events.Event.__struct_fields__
        ]
        rows = [(f"`{name}`", _json(hints[name])) for name in fields]
        yield f"### `{kind.__struct_config__.tag}`\n\n{_paragraph(kind)}\n\n{_table(('field', 'a'), *rows)}"


def _paragraph(schema: type) -> str:
    return re.sub(
        r"\bNone\b", "null", " ".join(inspect.cleandoc(schema.__doc__ or "").split())
    )


def _sentence(text: str) -> str:
    """Return a text on one line, without what only tells a programmer how a missing value is kept."""
    return re.sub(r",? or None(?=[. ])", "", " ".join(text.split()))


def _json(hint: object) -> str:
    """Return in words what a field of an event holds."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return " or ".join(_json(part) for part in parts)
    if origin is Literal:
        return ", ".join(f"`{choice}`" for choice in parts)
    if origin is dict:
        return f"object of names to {_json(parts[1])}"
    if origin in (tuple, list):
        return f"list of {_json(parts[0])}"
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return "object with " + ", ".join(
            f"`{name}`" for name in hint.__struct_fields__
        )
    return _PLAIN[hint]
