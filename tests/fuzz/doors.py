"""Any file at any door: what `python tests/fuzz/fuzz_doors.py gpx -max_total_time=600` tries (atheris, x86).

The doors are where files of others come in: settings (toml), charts (csv, geojson,
gpx), logs (nmea), clips (flac), backups (zip) and logbooks (db). Each has one kind of
error; whatever else is raised is a fault. What is tried is `one`, which the test in CI
tries too, with files that hypothesis makes up by their grammar. The fuzzer begins with
a sound file of each kind. Where random bytes would stop at a checksum, every second
file gets the right ones (`with_right_checksums`).
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import numpy as np
import soundfile

from companion import config
from companion.lakebed.bed import Bed
from companion.record.backup import BackupError, restore
from companion.record.lakes import Lakes
from companion.record.learning import Conditions, learn
from companion.record.logbook import Logbook
from companion.record.salvage import salvage
from companion.record.tables import LogbookError
from companion.voice.clips import ClipError, read_clip


@functools.cache
def empty_logbook() -> bytes:
    """Return a logbook with nothing in it, made once: its tables take longer to make than a file to read."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "logbook.db"
        Logbook(path).close()
        return path.read_bytes()


def settings(path: Path) -> None:
    with contextlib.suppress(config.ConfigError):
        config.load(path)


def chart(path: Path) -> None:
    """What cannot be read is a line of the outcome; nothing is raised."""
    lake = path.with_name("lake.db")
    lake.write_bytes(empty_logbook())
    with Logbook(lake) as book:
        lakes = Lakes(book)
        outcome = learn(path, lakes, Bed(lakes.areas()), Conditions(), lambda _: None)
    assert outcome.problems or outcome.dropped or not outcome.useless
    assert all(len(line) < 1000 for line in outcome.problems)


def clip(path: Path) -> None:
    with contextlib.suppress(ClipError):
        read_clip(path)


def backup(path: Path) -> None:
    into = path.with_name("restored")
    with contextlib.suppress(BackupError):
        restore(path, into, path.with_name("config.toml"))
    assert {p.name for p in path.parent.iterdir()} <= {
        path.name,
        "restored",
        "config.toml",
    }


def logbook(path: Path) -> None:
    copy = path.with_name("copy.db")
    copy.write_bytes(path.read_bytes())
    with contextlib.suppress(BackupError, LogbookError):
        salvage(copy, path.with_name("salvaged.db"))
    with contextlib.suppress(LogbookError), Logbook(path) as book:
        for trip in book.trips():
            list(book.readings(trip.id))
            book.events(trip.id)
            book.corrections.corrected(trip.id)
        book.beliefs()
        book.tables.faults()
        for area in Lakes(book).areas():
            area.surface.sounded()


DOORS: dict[str, Callable[[Path], None]] = {
    "toml": settings,
    "csv": chart,
    "geojson": chart,
    "gpx": chart,
    "nmea": chart,
    "flac": clip,
    "zip": backup,
    "db": logbook,
}


def one(door: str, data: bytes) -> None:
    """Bring a file to a door; raise when anything but that door's own kind of error comes out."""
    with tempfile.TemporaryDirectory(prefix="door-") as folder:
        path = Path(folder) / f"file.{door}"
        path.write_bytes(data)
        DOORS[door](path)


@functools.cache
def seed_logbook() -> bytes:
    """Return a small logbook with a trip in it, in one file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "logbook.db"
        from companion.events import Logged

        with Logbook(path) as book, book.begin_trip("2026-11-29 100000") as trip:
            trip.record(Logged(t=1.0, number=1, what="bite"))
            trip.reading(2.0, None, None, 5.0)
        db = sqlite3.connect(path)
        db.execute("PRAGMA journal_mode = delete")
        db.close()
        return path.read_bytes()


def zipped(files: dict[str, bytes], contents: object = None) -> bytes:
    """Return a backup that holds files, with its list of them, or with another list."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
        listed = [
            {"name": n, "size": len(d), "sha256": sha256(d).hexdigest()}
            for n, d in files.items()
        ]
        archive.writestr(
            "contents.json", json.dumps(listed if contents is None else contents)
        )
    return file.getvalue()


def flac(samples: int) -> bytes:
    """Return a clip of quiet."""
    file = io.BytesIO()
    soundfile.write(file, np.zeros(samples, np.int16), 16_000, format="FLAC")
    return file.getvalue()


LINES = (
    b"\\s:sonar,c:1791036900000*3D\\$SDDPT,5.00,0.0*62\r\n"
    b"\\s:gps,c:1791036900100*47\\$GPGLL,4500.000,N,09300.000,W,120000.00,A*1E\r\n"
)
FEATURE = (
    b'{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": {"type": "Point", '
    b'"coordinates": [-93.0, 45.0]}, "properties": {"depth": 5.2, "utc": "2026-11-29T10:00:00Z", "kind": '
    b'"tree top", "top_m": 3.0, "radius_m": 2.0, "note": "leans"}}, {"type": "Feature", "geometry": {"type": '
    b'"LineString", "coordinates": [[-93.0, 45.0, 5.0], [-93.001, 45.0, 6.0]]}, "properties": {"depth": 3}}]}'
)
TRACK = (
    b'<?xml version="1.0"?><gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
    b'<wpt lat="45.0" lon="-93.0"><time>2026-11-29T10:00:00Z</time><name>one</name><type>tree top</type>'
    b'<desc>3 m</desc></wpt><trk><trkseg><trkpt lat="45.0" lon="-93.0"><ele>-5.2</ele>'
    b"<time>2026-11-29T10:00:00Z</time></trkpt></trkseg></trk></gpx>"
)
SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "toml": lambda: [config.example_text().encode()],
    "csv": lambda: [
        b"lat,lon,depth_ft,utc\n45.0,-93.0,17.1,2026-11-29T10:00:00Z\n45.1,-93.0,nan,\n",
        b"lat;lon;kind;top_m;radius_m;note\n45,0;-93,0;tree top;3,0;2;leans\n",
        b"easting,northing,depth\n500000,4983000,5.2\n500010,4983000,5.4\n",
    ],
    "geojson": lambda: [FEATURE],
    "gpx": lambda: [TRACK],
    "nmea": lambda: [LINES],
    "flac": lambda: [flac(3000)],
    "zip": lambda: [
        zipped({"companion.toml": b"x", "recordings/2026-11-29/a/sonar.nmea": LINES})
    ],
    "db": lambda: [seed_logbook()],
}
NAMES = (
    "logbook.db", "companion.toml", "recordings/2026-11-29/a/sonar.nmea", "recordings/../../x", "/etc/x",
    "..", "recordings", "recordings//x", "recordings/2026-11-29/a/1791036900000.flac", "companion.toml/x",
)  # fmt: skip


def with_right_checksums(door: str, data: bytes) -> bytes:
    """Return a file as one who knows the format would forge it, from bytes that choose its parts."""
    if door == "nmea":
        from wire_bytes import by_grammar

        return by_grammar(data)
    files = {}
    for piece in data.split(b"\xff"):
        content = seed_logbook() + piece[1:] if piece[1:2] == b"\x00" else piece[1:]
        files[NAMES[len(piece) and piece[0] % len(NAMES)]] = content
    return zipped(files)


def forged(door: str, data: bytes) -> None:
    """Bring bytes to a door, every second time with right checksums where the door asks for them."""
    if door in ("nmea", "zip") and data[:1] and data[0] % 2:
        data = with_right_checksums(door, data[1:])
    one(door, data)
