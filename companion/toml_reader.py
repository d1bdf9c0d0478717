"""A TOML text read into a struct; every mistake in it is named with file, line, key and reason.

The structs are the schema: their field names are the keys, their types say what a value
must be, and a number with a unit is written as text, such as "0.33 mm"
(`companion.tackle.quantities`). All of a text's mistakes are told at once, each with
the nearest known name where one looks meant.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import types
from collections.abc import Mapping, Sequence
from typing import (
    Annotated,
    Any,
    Literal,
    NamedTuple,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import msgspec

from companion.tackle.quantities import Quantity

S = TypeVar("S", bound=msgspec.Struct)
Place = tuple[str | int, ...]
"""Where a value stands in the text: table names, keys and places in a list."""

MOST_CHARACTERS = 200_000
"""Characters of the longest text that is read."""
DEEPEST_KEY = 8
"""Tables within tables beyond this are not followed: none of ours go so deep."""


class Problem(NamedTuple):
    """One mistake: the file and line it is on, the key, what is wrong, and what to do about it."""

    file: str
    line: int
    key: str
    reason: str
    hint: str = ""

    def __str__(self) -> str:
        """Return ``file:line: key: reason; hint``."""
        told = f"{self.file}:{self.line}: {self.key}: {self.reason}"
        if not self.hint:
            return told
        return f"{told}; {self.hint}"


_QUOTES = (
    'text, and a number with its unit, stand in straight quotes, like cast = "45 yd"'
)
_HINTS = {
    "invalid value": _QUOTES,
    "expected newline": _QUOTES,
    "unterminated": _QUOTES,
    "illegal character": _QUOTES,
    "expected '='": 'a line is a key, "=" and a value, like units = "feet"',
    "cannot overwrite": "that key stands there twice",
    "cannot declare": "that table stands there twice; one of several is in [[ ]], like [[rods]]",
}
"""What to do about a mistake of TOML, by how Python tells it."""


def _hint_for(reason: str) -> str:
    return next((hint for told, hint in _HINTS.items() if told in reason), "")


def nearest_known(word: str, known: Mapping[str, Any] | Sequence[str]) -> str:
    """Return a hint naming the known word nearest to ``word``, or all of them when none is near."""
    near = difflib.get_close_matches(word, list(known), n=1)
    if near:
        return f'did you mean "{near[0]}"?'
    return "known: " + ", ".join(sorted(known))


class _MistakeError(ValueError):
    """A value that cannot be what it should be; told with its place by the reader."""

    def __init__(self, reason: str, hint: str = "") -> None:
        super().__init__(reason)
        self.reason, self.hint = reason, hint


class TomlReader:
    """Turns a TOML text into a struct, collecting what is wrong with it."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self._text = text
        self._lines: dict[Place, int] = {}

    def read(self, schema: type[S]) -> S | None:
        """Return the text as ``schema``, or None when there are problems."""
        if len(self._text) > MOST_CHARACTERS:
            self.problems.append(
                Problem(
                    self.name, 1, "file", f"is longer than {MOST_CHARACTERS} characters"
                )
            )
            return None
        try:
            table = tomllib.loads(self._text)
        except RecursionError:
            self.problems.append(
                Problem(self.name, 1, "file", "has lists or tables nested too deep")
            )
            return None
        except ValueError as error:  # not TOML, or a number with thousands of digits
            line = re.search(r"at line (\d+)", str(error))
            number = self._text.count("\n") + 1
            if line:
                number = int(line[1])
            reason = re.sub(r" \(at .*\)", "", str(error))
            reason = f"is not TOML: {reason[:1].lower()}{reason[1:]}"
            self.problems.append(
                Problem(self.name, number, "file", reason, _hint_for(reason))
            )
            return None
        self._lines = _line_numbers(self._text)
        struct = self._value(schema, table, ())
        if self.problems or not isinstance(struct, schema):
            return None
        return struct

    def note_problem(self, place: Place, reason: str, hint: str = "") -> None:
        """Note a problem with the value at ``place``."""
        near = next(
            (place[:n] for n in range(len(place), -1, -1) if place[:n] in self._lines),
            (),
        )
        key = "".join(
            f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place
        ).lstrip(".")
        self.problems.append(
            Problem(self.name, self._lines.get(near, 1), key or "file", reason, hint)
        )

    def _struct(self, schema: type[S], table: object, place: Place) -> S | None:
        if not isinstance(table, dict):
            raise _MistakeError("expected a table of keys and values")
        hints = get_type_hints(schema, include_extras=True)
        fields = {field.encode_name: field for field in msgspec.structs.fields(schema)}
        before = len(self.problems)
        for key in (key for key in table if key not in fields):
            self.note_problem(
                (*place, key), "no such key here", nearest_known(key, fields)
            )
        for name in (
            name
            for name, field in fields.items()
            if field.required and name not in table
        ):
            self.note_problem(place, f'the key "{name}" is missing')
        values = {
            field.name: self._value(hints[field.name], table[name], (*place, name))
            for name, field in fields.items()
            if name in table
        }
        if len(self.problems) > before:
            return None
        return schema(**values)

    def _value(self, kind: object, value: object, place: Place) -> object:
        """Return ``value`` as ``kind``; when it cannot be, note why and return None."""
        try:
            return self._converted(kind, value, place)
        except _MistakeError as mistake:
            self.note_problem(place, mistake.reason, mistake.hint)
        except ValueError as error:
            self.note_problem(place, str(error))
        return None

    def _converted(self, kind: object, value: object, place: Place) -> object:
        origin = get_origin(kind)
        if origin in (Union, types.UnionType):
            (kind,) = (part for part in get_args(kind) if part is not type(None))
            return self._converted(kind, value, place)
        if origin is Annotated:
            quantity: Quantity = get_args(kind)[1]
            return quantity.read(value)
        if origin is Literal:
            return _chosen(get_args(kind), value)
        if origin is tuple:
            return self._list(get_args(kind)[0], value, place)
        if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
            return self._struct(kind, value, place)
        return _plain(kind, value)

    def _list(self, kind: object, value: object, place: Place) -> tuple[object, ...]:
        if not isinstance(value, list):
            raise _MistakeError(
                f"expected a list; write each one under [[{place[-1]}]]"
            )
        return tuple(
            self._value(kind, item, (*place, number))
            for number, item in enumerate(value)
        )


def _chosen(choices: tuple[str, ...], value: object) -> object:
    if value not in choices:
        raise _MistakeError(
            f"{value!r} is not one of the choices", nearest_known(str(value), choices)
        )
    return value


def _plain(kind: object, value: object) -> object:
    words: dict[object, str] = {
        str: "text in quotes",
        int: "a whole number",
        float: "a number",
        bool: "true or false",
    }
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if type(value) is not kind:
        raise _MistakeError(f"expected {words[kind]}, not {value!r}")
    return value


_QUOTED = re.compile(r'"(?:\\.|[^"\\])*"|\'[^\']*\'')
_COMMENT = re.compile(r"#.*")
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?")
_KEY = re.compile(
    r"\s*((?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"|'[^']*'))*)\s*="
)


def _line_numbers(text: str) -> dict[Place, int]:
    """Return the line each table and key of a valid TOML text starts on.

    What stands inside an inline table or a list is not found by itself: its outer key
    is.
    """
    found: dict[Place, int] = {(): 1}
    table: Place = ()
    counts: dict[Place, int] = {}
    open_brackets, in_block = 0, ""
    for number, line in enumerate(text.splitlines(), 1):
        if not in_block and not open_brackets:
            if header := _HEADER.fullmatch(line):
                table = _place(header[2], counts, listed=header[1] == "[[")
                found.setdefault(table, number)
                continue
            if key := _KEY.match(line):
                found.setdefault((*table, *_parts(key[1]))[:DEEPEST_KEY], number)
        for mark in ('"""', "'''"):
            if in_block in ("", mark) and line.count(mark) % 2:
                in_block = "" if in_block else mark
        bare = _COMMENT.sub("", _QUOTED.sub("", line))
        if not in_block:
            open_brackets += sum(bare.count(mark) for mark in "[{") - sum(
                bare.count(mark) for mark in "]}"
            )
    return found


def _place(header: str, counts: dict[Place, int], *, listed: bool) -> Place:
    """Return the place a table header opens; ``counts`` remembers how many of each list there are."""
    place: Place = ()
    parts = _parts(header)[:DEEPEST_KEY]
    for last, part in ((n == len(parts) - 1, part) for n, part in enumerate(parts)):
        place = (*place, part)
        if last and listed:
            counts[place] = counts.get(place, 0) + 1
        if place in counts:
            place = (*place, counts[place] - 1)
    return place


def _parts(dotted: str) -> list[str]:
    return [
        part.strip().strip("\"'")
        for part in re.findall(r"\"[^\"]*\"|'[^']*'|[^.\s]+", dotted)
    ]
