from __future__ import annotations

import struct

import pytest

from companion.pictures import png as module
from companion.pictures.png import PictureError, png

DRAWING = '<svg xmlns="http://www.w3.org/2000/svg" width="120" height="50">{}</svg>'
WORD = '<text x="5" y="30" font-family="sans-serif" font-size="20">ledge</text>'


def size(data: bytes) -> tuple[int, int]:
    """Width and height in the IHDR chunk (PNG specification, section 11.2.1)."""
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def test_a_drawing_becomes_a_png_of_its_size_times_the_zoom() -> None:
    data = png(DRAWING.format(WORD), zoom=3.0)
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    assert size(data) == (360, 150)


def test_words_leave_ink() -> None:
    assert png(DRAWING.format(WORD)) != png(DRAWING.format(""))


def test_the_same_drawing_gives_the_same_bytes() -> None:
    assert png(DRAWING.format(WORD)) == png(DRAWING.format(WORD))


def test_what_is_no_svg_is_told_in_one_line() -> None:
    with pytest.raises(PictureError, match="ask for SVG"):
        png("<svg")


def test_a_machine_without_fonts_is_told_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "FONT_FAMILIES", ("A Family That Nobody Has",))
    module._font.cache_clear()
    try:
        with pytest.raises(PictureError, match="fonts-dejavu-core"):
            png(DRAWING.format(WORD))
    finally:
        module._font.cache_clear()
