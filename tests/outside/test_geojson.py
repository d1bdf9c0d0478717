"""What goes out as GeoJSON, read and judged by another's reader: geojson 3, which knows its geometries.

There are no polygons in it, so there is no ring to close or to wind; should one come,
the first test fails.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import geojson
import numpy as np
import pytest

from companion.events import Fix, Logged, from_json
from companion.lakebed import exchange
from companion.lakebed.bed import Bed
from companion.lakebed.relief import contours, relief
from companion.record.export import files, read_trip
from companion.record.logbook import Logbook
from companion.sensing.localplane import LocalPlane
from companion.units import Units

DAY = Path(__file__).parents[2] / "replay_logs" / "invented_saturday"
START = datetime(2026, 10, 3, 14, 15, tzinfo=UTC)
LAT, LON = -47.2, -126.4  # in open ocean: invented water
PLANE = LocalPlane(LAT, LON)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The demo day's events, and a way that is interrupted twice, once after a single fix."""
    with Logbook(tmp_path_factory.mktemp("day") / "day.db") as book:
        with book.begin_trip("day") as trip:
            for line in (DAY / "expected.jsonl").read_text().splitlines():
                trip.record(from_json(line))
            for n in range(300):
                known = n < 100 or n == 150 or n >= 200
                fix = Fix(*PLANE.to_latlon(1.5 * n, 0.8 * n), 3.0) if known else None
                trip.reading(float(n), START + timedelta(seconds=n), fix, 5.0 + n / 100)
        return files(read_trip(book, book.trips()[0]), "geojson", Units())[
            "trip.geojson"
        ]


@pytest.fixture(scope="module")
def bed() -> Bed:
    made = Bed()
    for east in np.arange(0.0, 80.0, 2.0):
        for north in np.arange(0.0, 60.0, 2.0):
            made.add(
                *PLANE.to_latlon(float(east), float(north)),
                4.0 + east / 20.0 + north / 60.0,
            )
    return made


def lake(bed: Bed) -> str:
    area = bed.areas[0]
    grid = relief(area.surface, 2.0)
    return exchange.contours_to_geojson(contours(grid, 0.5), area.plane)


def soundings(bed: Bed) -> str:
    area = bed.areas[0]
    cells = area.surface.sounded().tolist()
    points = [
        exchange.DepthPoint(*area.plane.to_latlon(x, y), z, "2026-10-03T14:15:00Z")
        for x, y, z, _ in cells
    ]
    return exchange.soundings_to_geojson(points)


def marks(_bed: Bed) -> str:
    kept = [
        exchange.MarkPoint(
            LAT, LON, "tree top", 3.5, 'the "old" one', "2026-10-03T14:15:00Z", 5.0
        ),
        exchange.MarkPoint(LAT + 1e-4, LON, "ledge"),
    ]
    return exchange.marks_to_geojson(kept)


def read(text: str) -> geojson.FeatureCollection:
    """Read it as the other does, who takes neither NaN nor Infinity when he writes it again."""
    found = geojson.loads(text)
    assert type(found) is geojson.FeatureCollection
    assert geojson.loads(geojson.dumps(found, allow_nan=False)) == found
    return found


def judged(text: str) -> list[geojson.Feature]:
    """Read it and hold it against RFC 7946; return its features."""
    found = read(text)
    assert found.is_valid, found.errors()
    plain = json.loads(text)  # the other fills in what is missing
    assert "crs" not in plain, "RFC 7946, 4: WGS 84, and no other"
    assert all(
        {"type", "geometry", "properties"} <= set(one) for one in plain["features"]
    ), "RFC 7946, 3.2"
    for feature in found["features"]:
        assert type(feature) is geojson.Feature
        assert feature.is_valid, feature.errors()
        shape = feature["geometry"]
        assert shape is None or type(shape) in (geojson.Point, geojson.MultiLineString)
        for lon, lat in () if shape is None else geojson.utils.coords(shape):
            assert (lon, lat) == (
                pytest.approx(LON, abs=0.02),
                pytest.approx(LAT, abs=0.02),
            ), "RFC 7946, 3.1.1"
    return found["features"]


@pytest.mark.parametrize("made", [lake, soundings, marks])
def test_a_lake_for_others_is_valid(made, bed: Bed):
    assert len(judged(made(bed))) >= 2


def test_a_trip_for_others_is_valid_and_whole(day: str):
    features = judged(day)
    kinds = [one["properties"]["what"] for one in features]
    assert kinds.count("track") == 1
    assert kinds.count("sounding") > 50
    logged = [
        from_json(line) for line in (DAY / "expected.jsonl").read_text().splitlines()
    ]
    undone = {
        event.number for event in logged if event.__struct_config__.tag == "undone"
    }
    stands = {
        e.number: e for e in logged if isinstance(e, Logged) and e.number not in undone
    }
    told = {
        one["properties"]["number"]: one
        for one in features
        if "number" in one["properties"]
    }
    assert set(told) == set(stands)
    for number, event in stands.items():
        place, shape = event.place, told[number]["geometry"]
        assert (place is None) == (shape is None)
        if place is not None:
            assert shape["coordinates"] == pytest.approx(
                [place.lon, place.lat], abs=1e-6
            )


def test_the_way_is_in_pieces_where_no_place_was_known(day: str):
    (track,) = (one for one in judged(day) if one["properties"]["what"] == "track")
    pieces = track["geometry"]["coordinates"]
    assert [len(piece) for piece in pieces] == [100, 100], (
        "a piece of one fix is no line (RFC 7946, 3.1.4)"
    )
    east, north = PLANE.to_latlon(1.5 * 299, 0.8 * 299)[::-1]
    assert pieces[-1][-1] == pytest.approx([east, north], abs=1e-6)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda f: f["geometry"].update(
            coordinates=[f["geometry"]["coordinates"][0][:1]]
        ),
        lambda f: f.update(geometry={"type": "Point", "coordinates": [LON]}),
        lambda f: f.update(geometry={"type": "Point", "coordinates": [[LON, LAT]]}),
        lambda f: f.update(geometry={"type": "Point", "coordinates": [LAT, LON]}),
        lambda f: f.update(
            geometry={"type": "Polygon", "coordinates": [[[LON, LAT]] * 4]}
        ),
        lambda f: f.update(
            geometry={"type": "Point", "coordinates": [LON, float("nan")]}
        ),
        lambda f: f.pop("properties"),
    ],
    ids=[
        "line of one",
        "half a place",
        "nested",
        "lat first",
        "an area",
        "not a number",
        "no properties",
    ],
)
def test_what_is_spoiled_is_found(spoil, day: str):
    """The judging itself can fail."""
    whole = json.loads(day)
    spoil(whole["features"][0])
    with pytest.raises((AssertionError, ValueError)):
        judged(json.dumps(whole))
