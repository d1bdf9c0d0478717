"""The pages to read (`companion.docs`) as the page serves them on the water, without any network."""

from __future__ import annotations

import re
from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from markdown_it import MarkdownIt

from companion import docs

_TITLES = {
    "index": "All pages",
    "tutorial": "Tutorial",
    "how-to": "How to",
    "reference": "Reference",
    "physics": "Physics",
    "results": "Results",
}
_INSIDE = re.compile(r'href="([a-z-]+)\.md(#[^"]*)?"')
_OUTSIDE = re.compile(r'<a href="(?!/|#|https?:)[^"]*">(.*?)</a>', re.DOTALL)
_HEADING = re.compile(r"<h([2-4])>(.*?)</h\1>", re.DOTALL)


@cache
def reading(name: str) -> str | None:
    """Return a page to read as HTML; None when there is none of that name.

    Links between the pages stay; what lies elsewhere in the source is named without a link.
    """
    if name not in docs.PAGES:
        return None
    body = MarkdownIt("commonmark", {"html": False}).enable("table").render(docs.page(name))
    body = _INSIDE.sub(r'href="/read/\1\2"', body)
    body = _OUTSIDE.sub(r"\1", body)
    body = _HEADING.sub(_anchored, body)
    template = files("companion.page").joinpath("reading.html").read_text(encoding="utf-8")
    return Template(template).substitute(title=escape(_TITLES[name]), pages=_pages(name), body=body)


def _pages(here: str) -> str:
    return " ".join(
        f'<a href="/read/{name}"' + (' aria-current="page"' if name == here else "") + f">{_TITLES[name]}</a>"
        for name in docs.PAGES
    )


def _anchored(heading: re.Match[str]) -> str:
    """Return a heading with the anchor that links in the source go by."""
    words = re.sub(r"<[^>]*>", "", heading[2]).lower()
    anchor = re.sub(r"[^\w\- ]", "", words).strip().replace(" ", "-")
    return f'<h{heading[1]} id="{anchor}">{heading[2]}</h{heading[1]}>'
