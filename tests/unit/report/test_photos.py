"""A photo stands on the card of the fish it was taken of, small, and without its place."""

from __future__ import annotations

import io
import re
import warnings
from base64 import b64decode
from dataclasses import replace

import pytest

from companion.report.page import page
from companion.report.photos import WIDEST_PX, photos_of

Image = pytest.importorskip(
    "PIL.Image", reason="pillow, the report's extra, is not installed"
)


def photo(path, taken, offset=None, *, size=(1600, 1200), turned=1):
    """A picture that carries when and where it was taken, and how it was turned."""
    image = Image.effect_noise(size, 50).convert("RGB")
    exif = Image.Exif()
    exif[0x0112] = turned
    camera = exif.get_ifd(0x8769)
    camera[0x9003] = taken
    if offset:
        camera[0x9011] = offset
    exif.get_ifd(0x8825)[1] = "N"
    image.save(path, exif=exif)


@pytest.fixture
def caught(script, found):
    script.cast(
        10.0, bite=True
    )  # the bite is at 14:00:22 UTC, which is 06:00:22 out there
    script.log(60.0, "fish", size=1.4)
    script.log(400.0, "bite")
    return found(script)


def test_the_photo_taken_after_the_fish_is_its(caught, tmp_path):
    photo(tmp_path / "a.jpg", "2026:10:03 06:02:10")
    photo(tmp_path / "b.jpg", "2026:10:03 14:03:00", "+00:00")
    photo(tmp_path / "long after.jpg", "2026:10:03 09:00:00")
    (tmp_path / "no picture.jpg").write_text("words")
    photos = photos_of(caught.day, caught.catches, tmp_path)
    assert set(photos) == {caught.catches[0].first.number}
    text = page(replace(caught, photos=photos))
    (shown,) = re.findall(r'<img src="data:image/jpeg;base64,([^"]+)"', text)
    image = Image.open(io.BytesIO(b64decode(shown)))
    assert max(image.size) == WIDEST_PX
    assert dict(image.getexif()) == {}


def test_of_photos_that_cannot_be_read_the_next_is_taken(caught, tmp_path, monkeypatch):
    """One was cut off on its way from the phone, one is larger than anything that is opened."""
    photo(tmp_path / "cut off.jpg", "2026:10:03 06:01:01")
    whole = (tmp_path / "cut off.jpg").read_bytes()
    (tmp_path / "cut off.jpg").write_bytes(whole[: len(whole) // 2])
    photo(tmp_path / "vast.png", "2026:10:03 06:01:02", size=(1610, 1200))
    photo(tmp_path / "good.jpg", "2026:10:03 06:02:10", size=(300, 200))
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1600 * 1200 // 2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        (shown,) = photos_of(caught.day, caught.catches, tmp_path).values()
    image = Image.open(io.BytesIO(b64decode(shown.partition(",")[2])))
    assert image.size == (300, 200)


def test_a_photo_taken_with_the_phone_upright_stands_upright(caught, tmp_path):
    photo(tmp_path / "a.jpg", "2026:10:03 06:02:10", turned=6)
    (shown,) = photos_of(caught.day, caught.catches, tmp_path).values()
    image = Image.open(io.BytesIO(b64decode(shown.partition(",")[2])))
    assert image.size == (360, 480)


def test_without_a_folder_or_a_photo_there_is_none(caught, tmp_path):
    assert photos_of(caught.day, caught.catches, None) == {}
    assert photos_of(caught.day, caught.catches, tmp_path) == {}
