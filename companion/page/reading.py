"""The pages to read (`companion.docs`) as the page serves them on the water, without any network."""

from __future__ import annotations

import re
from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from markdown_it import MarkdownIt

from companion import docs

_INSIDE = re.compile(r'href="([a-z-]+)\.md(#[^"]*)?"')
_OUTSIDE = re.compile(r'<a href="(?!/|#|https?:)[^"]*">(.*?)</a>', re.DOTALL)
_HEADING = re.compile(r"<h([2-4])>(.*?)</h\1>", re.DOTALL)


@cache
def reading(name: str) -> str | None:
    """Return a page to read as HTML; None when there is none of that name.

    Links between the pages stay; what lies elsewhere in the source is named without a
    link.
    """
    if name not in docs.PAGE_NAMES:
        return None
    body = (
        MarkdownIt("commonmark", {"html": False})
        .enable("table")
        .render(docs.page(name))
    )
    body = body.replace('<img src="pictures/', '<img src="/read/pictures/')
    body = _INSIDE.sub(r'href="/read/\1\2"', body)
    body = _OUTSIDE.sub(r"\1", body)
    body = _HEADING.sub(_anchored, body)
    template = (
        files("companion.page").joinpath("reading.html").read_text(encoding="utf-8")
    )
    return Template(template).substitute(
        title=escape(docs.title(name)), pages=_pages(name), body=body
    )


def _pages(here: str) -> str:
    marked = {here: ' aria-current="page"'}
    return " ".join(
        f'<a href="/read/{name}"{marked.get(name, "")}>{escape(_short(name))}</a>'
        for name in docs.PAGE_NAMES
    )


def _short(name: str) -> str:
    """Return what a page is called in the list of them: its title up to a colon."""
    if name == docs.PAGE_NAMES[0]:
        return "All pages"
    return docs.title(name).partition(":")[0]


def _anchored(heading: re.Match[str]) -> str:
    """Return a heading with the anchor that links in the source go by."""
    words = re.sub(r"<[^>]*>", "", heading[2]).lower()
    anchor = re.sub(r"[^\w\- ]", "", words).strip().replace(" ", "-")
    return f'<h{heading[1]} id="{anchor}">{heading[2]}</h{heading[1]}>'
