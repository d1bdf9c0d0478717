"""What is to be read, as it comes with the program: tutorial, guides, reference, results, decisions.

The reference is written by `python -m companion.docs` from the code it describes.
"""

from importlib.resources import files

PAGES = (
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


def page(name: str) -> str:
    """Return the Markdown text of a page of `PAGES`.

    Raises:
        FileNotFoundError: there is no such page.
    """
    return files("companion.docs").joinpath(f"{name}.md").read_text(encoding="utf-8")
