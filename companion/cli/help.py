"""Help that begins with an example and ends with the cautions, without importing what a command needs."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import click

CAUTIONS = """\b
Not for navigation: depths and marks are for fishing and may be wrong.
Keep a look-out, wear the life jacket, clip on the engine cut-off lanyard.
Fuse at the battery; wiring by local rules and a competent person.
Obey the local fishing rules."""


class ExampleFirst(click.Command):
    """A command whose help begins with the example that its docstring begins with."""

    def _parts(self) -> tuple[str, str]:
        example, _, rest = inspect.cleandoc(self.help or "").partition("\n\n")
        return example, rest

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the example, then the usage."""
        formatter.write(f"{self._parts()[0]}\n\n")
        super().format_usage(ctx, formatter)

    def format_help_text(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
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
