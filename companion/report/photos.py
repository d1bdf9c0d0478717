"""Photos of the fish, found by when they were taken, made small and without anything hidden in them."""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from companion.report.casts import Catch
from companion.report.day import Day

try:
    from PIL import Image, ImageOps
except ImportError:  # the extra `report` is not installed: a report has no photos then
    Image = None  # type: ignore[assignment]

PHOTO_BEFORE_CATCH, PHOTO_AFTER_CATCH = timedelta(minutes=1), timedelta(minutes=15)
"""A photo is of a catch when it was taken between so long before and after it was told of."""
WIDEST_PX, JPEG_QUALITY = 480, 70
_ENDINGS = (".jpg", ".jpeg", ".png", ".webp")
_EXIF, _TAKEN, _OFFSET = 0x8769, 0x9003, 0x9011
"""Tags of the camera's directory, the time of taking, and its offset from UTC (Exif 2.31; M)."""


def photos_of(
    day: Day, catches: Sequence[Catch], folder: Path | None
) -> dict[int, str]:
    """Return a photo for each catch that has one, as a data URI, by the number of the catch's first entry.

    The pictures are written anew, so that no place or camera is told in what a photo
    carries along.
    """
    if folder is None or Image is None or not folder.is_dir():
        return {}
    files = sorted(
        path for path in folder.rglob("*") if path.suffix.lower() in _ENDINGS
    )
    taken = [(at, path) for path in files if (at := _taken(path, day.zone)) is not None]
    found: dict[int, str] = {}
    for catch in catches:
        told = day.clock(catch.things[-1].t)
        near = sorted(
            (abs(at - told), path)
            for at, path in taken
            if told and -PHOTO_BEFORE_CATCH <= at - told <= PHOTO_AFTER_CATCH
        )
        for _, path in near:
            taken = [one for one in taken if one[1] != path]
            if (small := _small(path)) is not None:
                found[catch.first.number] = small
                break
    return found


def _taken(path: Path, zone: tzinfo) -> datetime | None:
    """Return when a photo was taken, as the camera wrote it, else by its file; None for no picture."""
    try:
        with Image.open(path) as image:
            camera = image.getexif().get_ifd(_EXIF)
    except _no_pictures():
        return None
    try:
        at = datetime.strptime(str(camera[_TAKEN]), "%Y:%m:%d %H:%M:%S")
        offset = camera.get(_OFFSET)
        if not offset:
            return at.replace(tzinfo=zone)
        return datetime.fromisoformat(f"{at.isoformat()}{offset}")
    except (KeyError, ValueError):
        return datetime.fromtimestamp(path.stat().st_mtime, UTC)


def _no_pictures() -> tuple[type[Exception], ...]:
    """Return what Pillow raises at a file that is cut off, damaged, too large, or no picture."""
    return OSError, SyntaxError, ValueError, Image.DecompressionBombError


def _small(path: Path) -> str | None:
    """Return a photo made small, as a data URI; None where it cannot be read to its end."""
    written = io.BytesIO()
    try:
        with Image.open(path) as image:
            image.thumbnail((WIDEST_PX, WIDEST_PX))  # a JPEG is read no finer than that
            upright = ImageOps.exif_transpose(image).convert("RGB")
            upright.save(written, "JPEG", quality=JPEG_QUALITY)
    except _no_pictures():
        return None
    return f"data:image/jpeg;base64,{b64encode(written.getvalue()).decode()}"
