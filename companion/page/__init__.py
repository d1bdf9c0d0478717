"""The glance page: what the companion knows now, for a telephone on the console, from the boat itself."""

from companion.page.server import Page, PageError

__all__ = ["Page", "PageError"]
