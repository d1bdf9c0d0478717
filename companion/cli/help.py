"""Help that begins with an example and ends with the cautions, without importing what a command needs."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterable
from typing import Any

import click

CAUTIONS = """\b
Not for navigation: depths and marks are for fishing and may be wrong.
Keep a look-out, wear the life jacket, clip on the engine cut-off lanyard.
Fuse at the battery; wiring by local rules and a competent person.
Obey the local fishing rules."""


_EITHER = re.compile(r"<([^<>|]*)\|([^<>|]*)>")


def in_users_unit(text: str, unit: str = "") -> str:
    """Return a help text whose every `<in feet|in metres>` is told in one unit, or in the user's."""
    if not _EITHER.search(text):
        return text
    if not unit:
        from companion import config  # noqa: PLC0415 -- a list of commands does not wait for it

        unit = config.users_unit()
    return _EITHER.sub(r"\1" if unit == "feet" else r"\2", text)


class _InUsersUnit(click.HelpFormatter):
    """Help in which lengths have the unit that the user has configured."""

    def write_text(self, text: str) -> None:
        """Write a paragraph."""
        super().write_text(in_users_unit(text))

    def write_dl(
        self, rows: Iterable[tuple[str, str]], *args: int, **kwargs: int
    ) -> None:
        """Write options with what they do."""
        super().write_dl(
            [(name, in_users_unit(told)) for name, told in rows], *args, **kwargs
        )


class _Context(click.Context):
    """A command's context, whose help is in the user's unit."""

    formatter_class = _InUsersUnit


class ExampleFirst(click.Command):
    """A command whose help begins with the example that its docstring begins with."""

    context_class = _Context

    def _parts(self) -> tuple[str, str]:
        example, _, rest = inspect.cleandoc(self.help or "").partition("\n\n")
        return example, rest

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the example, then the usage."""
        formatter.write(f"{in_users_unit(self._parts()[0])}\n\n")
        super().format_usage(ctx, formatter)

    def format_help_text(
        self, _ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        """Write the help without the example."""
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(self._parts()[1])

    def get_short_help_str(self, limit: int = 60) -> str:
        """Return the first sentence after the example."""
        del limit
        return " ".join(self._parts()[1].split()).split(". ")[0].rstrip(".")


def command(name: str) -> Callable[[Callable[..., Any]], click.Command]:
    """Return a decorator that makes a function a command with its example first and the cautions last."""
    return click.command(name, cls=ExampleFirst, epilog=CAUTIONS)
