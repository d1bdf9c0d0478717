"""A drawing in SVG made into a PNG, for programs and people that want pixels.

The rasteriser brings no fonts and leaves out, without a word, text in a font that it
does not find. So the font is chosen here, from those that Linux distributions carry,
and a machine without any is told so.
"""

from __future__ import annotations

from functools import cache

import resvg_py

FONT_FAMILIES = (
    "DejaVu Sans",
    "Noto Sans",
    "Liberation Sans",
    "PibotoLt",
    "FreeSans",
    "Nimbus Sans",
)
"""The families that stand for `sans-serif`, the best first."""

_PROBE = '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="40">{}</svg>'
_LETTER = '<text x="5" y="30" font-size="30" font-family="{}">m</text>'


class PictureError(Exception):
    """A picture cannot be made: what is wrong and what to do, in one line."""


def png(svg: str, *, zoom: float = 2.0) -> bytes:
    """Return an SVG drawing as PNG.

    Args:
        svg: the drawing; its text should ask for `sans-serif`, its size be in its width
            and height.
        zoom: pixels for each of the drawing's units.

    Raises:
        PictureError: the drawing is no SVG, or this machine has no font to write its
            words in.
    """
    try:
        return resvg_py.svg_to_bytes(
            svg_string=svg,
            zoom=zoom,
            background="#ffffff",
            sans_serif_family=_font(),
            font_family=_font(),
        )
    except ValueError as error:
        raise PictureError(
            f"the drawing cannot be made into a PNG ({error}); ask for SVG instead"
        ) from error


@cache
def _font() -> str:
    """Return the first family this machine has, found by whether a letter in it leaves ink."""
    blank = resvg_py.svg_to_bytes(svg_string=_PROBE.format(""))
    for family in FONT_FAMILIES:
        if (
            resvg_py.svg_to_bytes(svg_string=_PROBE.format(_LETTER.format(family)))
            != blank
        ):
            return family
    raise PictureError(
        "there is no font here to write a PNG's words in; ask for SVG, or: apt-get install fonts-dejavu-core"
    )
