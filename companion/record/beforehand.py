"""What a trip began from, kept in its folder: without it a replay would foretell other things.

`known.json` holds what was believed of the lures, which lakes were known and what was
learned of the voice; `lake-N.msgpack` is a lake as it was when the boat first came to
it on that trip, for it grows with the trip's own soundings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import msgspec

from companion.dive.evidence import Belief
from companion.lakebed.marks import Mark, Marks
from companion.lakebed.surface import Surface
from companion.lakebed.waters import Area
from companion.record.lakes import KeptArea
from companion.record.whole import write_whole
from companion.units import NINE_IN_TEN_RADIUS_SIGMAS

KNOWN_FILE = "known.json"


class Beforehand(msgspec.Struct, frozen=True):
    """The state of knowledge when a trip began.

    Attributes:
        beliefs: of each lure, by its name.
        lakes: the number, latitude and longitude of each lake that was known.
        voice: how much higher than everybody's the thresholds of who speaks lay.
    """

    beliefs: dict[str, Belief] = {}
    lakes: tuple[tuple[int, float, float], ...] = ()
    voice: float = 0.0


def keep(
    folder: Path,
    beliefs: Mapping[str, Belief],
    areas: Iterable[Area],
    voice: float = 0.0,
) -> None:
    """Write down what a trip begins from: beliefs, waters, and the thresholds of who speaks.

    The folder of the trip is made when it is not there.

    Raises:
        OSError: the disk refuses.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lakes = tuple((area.number, area.plane.lat, area.plane.lon) for area in areas)
    write_whole(
        folder / KNOWN_FILE,
        msgspec.json.encode(Beforehand(dict(beliefs), lakes, voice)),
    )


def keep_area(folder: Path, kept: KeptArea) -> None:
    """Write down a lake as the trip finds it; a disk that refuses keeps nothing, and no half of it."""
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(_file(folder, kept.number), msgspec.msgpack.encode(kept))


def read(folder: Path) -> Beforehand | None:
    """Return what a recorded trip began from; None where that was not written down."""
    try:
        return msgspec.json.decode((folder / KNOWN_FILE).read_bytes(), type=Beforehand)
    except (OSError, msgspec.MsgspecError):
        return None


def areas_before(
    folder: Path, before: Beforehand, now: Sequence[Area] = ()
) -> list[Area]:
    """Return the lakes as a trip found them.

    One that the trip never came to is as it is `now`; without that it is left out, and
    so are those that the trip itself began.
    """
    known = {area.number: area for area in now}
    found = []
    for number, lat, lon in before.lakes:
        if _file(folder, number).is_file():
            found.append(_area(folder, number, lat, lon))
        elif number in known:
            found.append(known[number])
    return found


def _area(folder: Path, number: int, lat: float, lon: float) -> Area:
    def load() -> tuple[Surface, Marks]:
        kept = msgspec.msgpack.decode(_file(folder, number).read_bytes(), type=KeptArea)
        return Surface.restore(kept.state, kept.tiles), Marks(_marks_of(kept))

    return Area(number, lat, lon, load)


def _marks_of(kept: KeptArea) -> list[Mark]:
    if kept.nine_in_ten:
        return kept.marks
    return [
        replace(mark, radius=NINE_IN_TEN_RADIUS_SIGMAS * mark.radius)
        for mark in kept.marks
    ]


def _file(folder: Path, number: int) -> Path:
    return folder / f"lake-{number}.msgpack"
