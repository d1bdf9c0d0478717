"""Files of others into the lake: NMEA logs, soundings as CSV, GeoJSON, XYZ or GeoTIFF, shores and marks.

A file is known by the digest of its bytes, whatever it is called. A recording is taken
in piece by piece, each piece's soundings and how many they are by now in one commit;
after an interruption it goes through the same gates from its beginning, and only what
is not in the lake yet is added.
"""

from __future__ import annotations

import codecs
import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from statistics import median
from types import MappingProxyType
from typing import NamedTuple, Protocol

from companion.lakebed import exchange, projected, waypoints
from companion.lakebed.bed import Bed
from companion.lakebed.exchange import DepthPoint, Imported, MarkPoint, ToDegrees
from companion.lakebed.marks import FIX_RADIUS_M
from companion.lakebed.share import Share
from companion.lakebed.water_level import LevelHint
from companion.record.lakes import Lakes, LearnedFile
from companion.sensing import BoatOffsets, Chunk, Sensing
from companion.sensing.believed_boat import BelievedBoat
from companion.sensing.sources import FILE_CHUNK, FileSource, file_settings

SOUNDINGS_PER_COMMIT = 5_000
"""Soundings between two commits."""
_TRACK_POINTS, _TRACK_STEP_S = (
    20,
    5.0,
)  # from which, and how soon one after the other, points are a track
_MOST_AT_A_TIME = (
    20  # points of a track; more of one time were given that of the survey
)


class _Save(Protocol):
    """Write how far a file has been learned: soundings and marks, and whether that is all."""

    def __call__(self, soundings: int, marks: int, *, done: bool) -> None: ...


Progress = Callable[[int], object]
"""Told how many more bytes are done."""


class Conditions(NamedTuple):
    """The facts a file does not tell about itself.

    `level` is how far the water stood above the lake's zero, m; `transducer` how far
    the transducer hung below the surface, m (None: as the recording says); `degrees`
    turns the eastings and northings of a chart into degrees; `shoreline` says that the
    lines of GeoJSON are the water's edge; `unit_m` is the unit of depths that
    name none, m (None: metres, as long as nobody says).
    """

    level: float = 0.0
    transducer: float | None = None
    degrees: ToDegrees | None = None
    shoreline: bool = False
    unit_m: float | None = None


class LearningOutcome(NamedTuple):
    """The outcome of learning a file.

    `soundings` and `marks` are in the lake; `dropped` counts what is not, by reason;
    `problems` has a line for each thing that could not be read; `known_as` is the name
    it was learned under before; `hint` says by how much it disagrees with what was
    known; `metres_assumed` that its depths name no unit, and neither did anybody.
    """

    name: str
    soundings: int = 0
    marks: int = 0
    dropped: Mapping[str, int] = MappingProxyType({})
    problems: Sequence[str] = ()
    known_as: str | None = None
    hint: LevelHint | None = None
    metres_assumed: bool = False

    @property
    def reasons(self) -> str:
        """Return what was dropped and why, for people."""
        return ", ".join(
            f"{count} {reason}" for reason, count in sorted(self.dropped.items())
        )

    @property
    def useless(self) -> bool:
        """Return whether nothing of it could be used."""
        return not (self.soundings or self.marks or self.known_as)


def learn(
    path: Path, lakes: Lakes, bed: Bed, conditions: Conditions, progress: Progress
) -> LearningOutcome:
    """Take a file into the lake, unless it is there already.

    Raises:
        OSError: the file cannot be read.
        LogbookError: the lake cannot be written.
    """
    digest = digest_of(path)
    before = lakes.taken(digest, path)
    if before is not None and before.done:
        progress(path.stat().st_size)
        return LearningOutcome(path.name, known_as=before.name)
    apart, already = True, 0
    if before is not None:
        apart, already = before.apart, before.soundings
    share = lakes.share_of(digest, bed)
    bed.begin_trip(conditions.level, already=already, share=share)

    def save(soundings: int, marks: int, *, done: bool) -> None:
        taken = LearnedFile(digest, path.name, soundings, marks, done, apart)
        lakes.save(bed, taken, share)

    outcome = _take(path, bed, share, conditions, save, progress)
    if not outcome.useless:
        save(outcome.soundings, outcome.marks, done=True)
    return outcome


def put_onto(bed: Bed, path: Path, conditions: Conditions) -> LearningOutcome:
    """Put the soundings and marks of a file onto a bed, and keep them nowhere.

    Raises:
        OSError: the file cannot be read.
    """

    def save(soundings: int, marks: int, *, done: bool) -> None:
        del soundings, marks, done

    bed.begin_trip(conditions.level)
    return _take(path, bed, Share(), conditions, save, lambda _size: None)


def _take(
    path: Path,
    bed: Bed,
    share: Share,
    conditions: Conditions,
    save: _Save,
    progress: Progress,
) -> LearningOutcome:
    read = _reader(path)
    if read is None:
        outcome, marks = _recording(path, bed, conditions, save, progress)
    else:
        outcome, marks = _points(path, bed, read, conditions, progress)
    _mark_all(bed, share, marks)
    return outcome


def _recording(
    path: Path, bed: Bed, conditions: Conditions, save: _Save, progress: Progress
) -> tuple[LearningOutcome, Sequence[MarkPoint]]:
    offsets = BoatOffsets(transducer=conditions.transducer)
    sensing = Sensing({path.name: file_settings(path)}, offsets, raises=False)
    boat = BelievedBoat(sensing)
    due = bed.kept + SOUNDINGS_PER_COMMIT
    marks: Imported[MarkPoint] = Imported()
    for chunk in _by_lines(FileSource(path.name, path).chunks()):
        for t, reading in sensing.feed(chunk):
            bed.accept_reading(t, reading, boat.accept_reading(t, reading))
        found = waypoints.marks_from_nmea(chunk.data)
        marks.items += found.items[: exchange.MOST_POINTS - len(marks.items)]
        marks.problems += found.problems
        progress(len(chunk.data))
        if bed.kept >= due:
            due = bed.kept + SOUNDINGS_PER_COMMIT
            save(bed.kept, 0, done=False)
    for t, reading in sensing.finish():
        bed.accept_reading(t, reading, boat.accept_reading(t, reading))
    bed.finish(boat.finish())
    problems = [f"{path}: {line}" for line in marks.problems]
    if not (bed.kept or bed.dropped or marks.items):
        problems.append(
            f"{path}: no depth with a position and no waypoint in it; {_EXPECTED}"
        )
    hint = bed.level_hint()
    outcome = LearningOutcome(
        path.name, bed.kept, len(marks.items), bed.dropped, problems, hint=hint
    )
    return outcome, marks.items


def _by_lines(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    """Yield the chunks cut at the ends of lines."""
    rest, last = b"", None
    for chunk in chunks:
        end = chunk.data.rfind(b"\n") + 1
        if end or len(rest) >= FILE_CHUNK:
            yield chunk._replace(data=rest + chunk.data[:end])
            rest = b""
        rest, last = rest + chunk.data[end:], chunk
    if last is not None:
        yield last._replace(data=rest)


def _mark_all(bed: Bed, share: Share, marks: Sequence[MarkPoint]) -> None:
    """Mark what a file marks; what was not marked before comes from it."""
    for mark in marks:
        area = bed.open_area(mark.lat, mark.lon)
        before = 0
        if area is not None:
            before = len(area.marks)
        made = bed.mark(
            mark.kind,
            mark.lat,
            mark.lon,
            depth=mark.top,
            note=mark.note,
            utc=mark.utc,
            known_within=FIX_RADIUS_M if mark.radius is None else mark.radius,
        )
        area = bed.area_of(mark.lat, mark.lon)
        if area is not None and len(area.marks) > before:
            share.add_mark(area, made)


def _points(
    path: Path, bed: Bed, read: _Read, conditions: Conditions, progress: Progress
) -> tuple[LearningOutcome, Sequence[MarkPoint]]:
    """Take in a chart: all of it or, when that is interrupted, nothing."""
    most = MOST_CHART_BYTES.get(path.suffix.lower(), MOST_CHART_BYTES[".csv"])
    if path.stat().st_size > most:
        problem = (
            f"{path}: more than {most // 1_000_000} MB; split it, or give it as .csv"
        )
        return LearningOutcome(path.name, problems=[problem]), ()
    try:
        soundings, marks = read(path.read_bytes(), conditions)
    except UnicodeDecodeError:
        problem = f"{path}: not text; {_EXPECTED}"
        return LearningOutcome(path.name, problems=[problem]), ()
    kept, strays = exchange.without_strays(soundings.items)
    times = _track_times(kept)
    for i, point in enumerate(kept):
        if times is None:
            bed.add(point.lat, point.lon, point.depth)
        else:
            bed.add_in_passing(times[i], point.lat, point.lon, point.depth)
    bed.finish()
    progress(path.stat().st_size)
    dropped = bed.dropped + Counter({"far from all the others": len(strays)})
    problems = [f"{path}: {line}" for line in (*soundings.problems, *marks.problems)]
    if not (problems or soundings.items or marks.items):
        problems = [f"{path}: {_NOTHING_IN.get(path.suffix.lower(), _NOTHING)}"]
    outcome = LearningOutcome(
        path.name,
        bed.kept,
        len(marks.items),
        dropped,
        problems,
        hint=bed.level_hint(),
        metres_assumed=bool(soundings.items)
        and soundings.unit_taken
        and conditions.unit_m is None,
    )
    return outcome, marks.items


def _track_times(points: Sequence[DepthPoint]) -> list[float] | None:
    """Return the times of soundings taken one after the other on one way, s; None where they were not."""
    if len(points) < _TRACK_POINTS or any(point.utc is None for point in points):
        return None
    times = [
        datetime.fromisoformat(point.utc).timestamp()
        for point in points
        if point.utc is not None
    ]
    steps = [b - a for a, b in pairwise(times)]
    if min(steps) < 0.0 or median(steps) > _TRACK_STEP_S:
        return None
    if len(set(times)) * _MOST_AT_A_TIME < len(times):
        return None
    return times


_Read = Callable[[bytes, Conditions], tuple[Imported[DepthPoint], Imported[MarkPoint]]]
MOST_CHART_BYTES = {
    ".csv": 64_000_000,
    ".xyz": 64_000_000,
    ".tif": 64_000_000,
    ".tiff": 64_000_000,
    ".geojson": 12_000_000,
    ".json": 12_000_000,
    ".gpx": 12_000_000,
}
"""Charts larger than this are not read, by the ending of their name."""
_ENCODING = re.compile(rb"""<\?xml[^>]*?encoding=["']([\w.-]+)["']""")
_NOTHING = "no soundings and no marks in it"
_NOTHING_IN = {
    ".gpx": "no waypoints in it; its tracks and routes tell no depth and no mark"
}
_EXPECTED = "expected NMEA 0183 sentences, or a .csv, .geojson, .xyz, .tif or .gpx file"


def _text(data: bytes) -> str:
    """Return a file's text; spreadsheets write UTF-16, with a mark at its beginning."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16")
    return data.decode("utf-8-sig")


def _xml(data: bytes) -> str:
    """Return the text of XML in the encoding it names, else as `_text` does."""
    told = _ENCODING.match(data)
    try:
        return data.decode(told[1].decode() if told else "")
    except LookupError:
        return _text(data)


def _table(data: bytes) -> str:
    """Return a table's text; older spreadsheets write the code page of western Windows."""
    try:
        return _text(data)
    except UnicodeDecodeError:
        return data.decode("cp1252")


def _from_csv(
    data: bytes, told: Conditions
) -> tuple[Imported[DepthPoint], Imported[MarkPoint]]:
    text, unit_m = _table(data), told.unit_m or 1.0
    if exchange.is_events_of_trip(text):
        problem = "the events of a trip; its soundings and marks are in files beside it"
        return Imported(problems=[problem]), Imported()
    if exchange.is_table_of_marks(text):
        return Imported(), exchange.marks_from_csv(text, unit_m)
    return exchange.soundings_from_csv(text, told.degrees, unit_m), Imported()


def _from_geojson(
    data: bytes, told: Conditions
) -> tuple[Imported[DepthPoint], Imported[MarkPoint]]:
    text = _text(data)
    if told.shoreline:
        return exchange.shoreline_from_geojson(text), Imported()
    if exchange.is_own_trip(text):
        return exchange.soundings_from_geojson(text), exchange.marks_from_geojson(text)
    if '"kind"' in text:
        return Imported(), exchange.marks_from_geojson(text)
    read = exchange.soundings_from_geojson(text, told.transducer or 0.0)
    contours = exchange.contours_from_geojson(text, told.unit_m or 1.0)
    read.items += contours.items
    read.problems = read.problems or contours.problems
    read.unit_taken = contours.unit_taken
    if (
        not (read.items or read.problems)
        and exchange.shoreline_from_geojson(text).items
    ):
        read.problems.append(
            "only lines in it that tell no depth; expected a property depth_m or depth_ft, "
            "or if they are the water's edge: --shoreline"
        )
    return read, Imported()


def _from_gpx(
    data: bytes, _: Conditions
) -> tuple[Imported[DepthPoint], Imported[MarkPoint]]:
    return Imported(), waypoints.marks_from_gpx(_xml(data))


def _from_xyz(
    data: bytes, told: Conditions
) -> tuple[Imported[DepthPoint], Imported[MarkPoint]]:
    return projected.soundings_from_xyz(
        _table(data), told.degrees, told.unit_m or 1.0
    ), Imported()


def _from_geotiff(
    data: bytes, told: Conditions
) -> tuple[Imported[DepthPoint], Imported[MarkPoint]]:
    return projected.soundings_from_geotiff(
        data, told.degrees, told.unit_m or 1.0
    ), Imported()


_POINTS: dict[str, _Read] = {
    ".csv": _from_csv,
    ".geojson": _from_geojson,
    ".json": _from_geojson,
    ".gpx": _from_gpx,
    ".xyz": _from_xyz,
    ".tif": _from_geotiff,
    ".tiff": _from_geotiff,
}


def _reader(path: Path) -> _Read | None:
    """Return what reads a file of points; None for a recording."""
    suffix = path.suffix.lower()
    if suffix in (".txt", ".tsv"):
        with path.open("rb") as file:
            first = file.readline(1000).replace(b"\0", b"")  # half of UTF-16
        header = first.decode("utf-8", "replace").lower()
        told = "depth" in header or "kind" in header
        if not told or not ("lat" in header or "northing" in header):
            return None
        return _from_csv
    return _POINTS.get(suffix)


def digest_of(path: Path) -> str:
    """Return what a file is known by: the SHA-256 of its bytes, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
