"""What is to be read, as it comes with the program: tutorial, guides, reference, results, decisions.

The reference, and the pictures, are made by `python -m companion.docs` from the code
they show.
"""

from importlib.resources import files

PAGE_NAMES = (
    "index",
    "tutorial",
    "aboard",
    "how-to",
    "reference",
    "physics",
    "results",
    "promises",
    "glossary",
    "changes",
)
"""The pages by name, in the order in which they are best read."""


def picture(name: str) -> str | None:
    """Return a picture of the pages as SVG; None when there is none of that name."""
    there = {
        one.name: one for one in files("companion.docs").joinpath("pictures").iterdir()
    }
    if name not in there:
        return None
    return there[name].read_text(encoding="utf-8")


def title(name: str) -> str:
    """Return the title of a page of `PAGE_NAMES`: its first heading."""
    return page(name).partition("\n")[0].removeprefix("# ")


def page(name: str) -> str:
    """Return the Markdown text of a page of `PAGE_NAMES`.

    Raises:
        FileNotFoundError: there is no such page.
    """
    return files("companion.docs").joinpath(f"{name}.md").read_text(encoding="utf-8")
