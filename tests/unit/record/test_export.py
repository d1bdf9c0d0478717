"""What is exported is read back by others: gpxpy for GPX, RFC 7946 by hand for GeoJSON, csv for CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import gpxpy
import pytest

from companion.events import Fix, Logged, Match, Undone
from companion.lakebed.exchange import (
    MarkPoint,
    marks_from_csv,
    marks_to_csv,
    soundings_from_csv,
)
from companion.record.amendments import Amendment
from companion.record.export import SOUNDING_SPACING_M, Exported, files, read_trip
from companion.record.logbook import Logbook
from companion.units import Units

START = datetime(2026, 10, 3, 14, 15, tzinfo=UTC)


def utc(t: float) -> str:
    return (
        (START + timedelta(seconds=t))
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


@pytest.fixture
def trip(tmp_path: Path) -> Exported:
    """Ten minutes; the GPS is away in the middle for two, the depth is away for a while."""
    with Logbook(tmp_path / "logbook.db") as book:
        with book.begin_trip("a <trip> & its name") as writing:
            for n in range(600):
                t = float(n)
                fix = None if 200 <= n < 320 else Fix(35.0 + n * 9e-6, -84.0, 3.0)
                depth = None if 400 <= n < 450 else 5.0 + n / 100
                writing.reading(t, START + timedelta(seconds=t), fix, depth, speed=1.0)
                if n % 50 == 10:
                    writing.record(
                        Logged(
                            t=t,
                            utc=utc(t),
                            number=n // 50 + 1,
                            what="mark" if n % 100 == 10 else "bite",
                            detail="tree top"
                            if n == 10
                            else 'old <pier>, "high"'
                            if n == 110
                            else None,
                            size=4.5 if n == 10 else None,
                            boat=fix,
                            lure_at=None
                            if fix is None
                            else Fix(fix.lat, fix.lon + 1e-4, 8.0),
                            rod="rod 1",
                            lure_depth=4.25,
                        )
                    )
            writing.record(Undone(t=599.0, number=2, what="mark"))
            writing.record(
                Match(t=600.0, rod="rod 1", state="clear", by=1.0, depth=6.0, reach=5.0)
            )
        (entry,) = book.trips()
        return read_trip(book, entry)


def test_gpx_as_gpxpy_reads_it(trip: Exported):
    read = gpxpy.parse(files(trip, "gpx", Units("metres"))["trip.gpx"])
    assert read.version == "1.1"
    assert read.name == "a <trip> & its name"
    (track,) = read.tracks
    assert [len(segment.points) for segment in track.segments] == [200, 280]
    times = [point.time for segment in track.segments for point in segment.points]
    assert times[0] == START
    assert times == sorted(times)
    assert track.length_2d() == pytest.approx((199 + 279) * 9e-6 * 111_195, rel=0.01)
    assert (
        len(read.waypoints) == 12 - 1 - 3
    )  # one undone, three while no place was known
    assert read.waypoints[0].name == "tree top"
    assert read.waypoints[0].longitude == pytest.approx(-83.9999)


def position(value: object) -> None:
    """RFC 7946, 3.1.1: longitude and latitude as numbers, in that order."""
    assert isinstance(value, list)
    assert 2 <= len(value) <= 3
    assert all(isinstance(x, int | float) and math.isfinite(x) for x in value)
    assert -180 <= value[0] <= 180
    assert -90 <= value[1] <= 90


def geometry(value: object) -> None:
    """RFC 7946, 3.1: the kinds we write; null for something that has no place (3.2)."""
    if value is None:
        return
    assert isinstance(value, dict)
    assert set(value) == {"type", "coordinates"}
    if value["type"] == "Point":
        position(value["coordinates"])
    else:
        assert value["type"] == "MultiLineString"
        for line in value["coordinates"]:
            assert len(line) >= 2
            for point in line:
                position(point)


def test_geojson_by_rfc_7946(trip: Exported):
    text = files(trip, "geojson", Units("metres"))["trip.geojson"]
    read = json.loads(
        text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON")
    )
    assert read["type"] == "FeatureCollection"
    assert "crs" not in read  # RFC 7946, 4
    for feature in read["features"]:
        assert set(feature) == {"type", "geometry", "properties"}
        assert feature["type"] == "Feature"
        geometry(feature["geometry"])
        assert isinstance(feature["properties"], dict)
    kinds = [feature["properties"]["what"] for feature in read["features"]]
    assert kinds.count("track") == 1
    assert kinds.count("mark") == 6
    assert kinds.count("bite") == 5
    assert sum(f["geometry"] is None for f in read["features"]) == 3


def test_csv_as_others_and_we_read_it(trip: Exported):
    texts = files(trip, "csv", Units("metres"))
    events = list(csv.DictReader(io.StringIO(texts["events.csv"])))
    assert len(events) == len(trip.events)
    assert [
        e["number"] for e in events if e["event"] == "logged" and e["undone"] == "1"
    ] == ["2"]
    assert events[0]["lure_lon"] == "-83.9999"
    assert events[2]["detail"] == 'old <pier>, "high"'
    assert len(list(csv.DictReader(io.StringIO(texts["track.csv"])))) == 480
    named = "t_s,utc,lat,lon,depth_m,heading_deg,speed_m_s,water_temperature_c"
    assert texts["track.csv"].splitlines()[0] == named
    assert set(events[0]) > {"bottom_m", "lure_depth_m", "size_kg_or_m", "by_m", "t_s"}
    marks = marks_from_csv(texts["marks.csv"])
    assert marks.problems == []
    assert (marks.items[0].kind, marks.items[0].top) == ("tree top", 4.5)
    assert len(marks.items) == 4
    soundings = soundings_from_csv(texts["soundings.csv"])
    assert soundings.problems == []
    assert all(
        abs(b.lat - a.lat) * 111_195 >= SOUNDING_SPACING_M * 0.99
        for a, b in zip(soundings.items, soundings.items[1:], strict=False)
    )
    assert 60 < len(soundings.items) < 100


def test_a_mark_called_out_off_the_bow_lies_there_and_not_under_the_boat(
    tmp_path: Path,
):
    boat, there = Fix(35.0, -84.0, 3.0), Fix(35.0002, -84.0001, 6.2)
    with Logbook(tmp_path / "logbook.db") as book:
        with book.begin_trip("a day") as writing:
            told = {
                "what": "mark",
                "detail": "tree top",
                "size": 4.5,
                "boat": boat,
                "at": there,
            }
            writing.record(Logged(t=1.0, utc=utc(1.0), number=1, **told))
        one = read_trip(book, book.trips()[0])
    (mark,) = marks_from_csv(files(one, "csv", Units("metres"))["marks.csv"]).items
    assert (mark.lat, mark.lon, mark.radius) == (there.lat, there.lon, there.radius)
    (waypoint,) = gpxpy.parse(files(one, "gpx", Units("metres"))["trip.gpx"]).waypoints
    assert (waypoint.latitude, waypoint.longitude) == (there.lat, there.lon)
    (feature,) = json.loads(files(one, "geojson", Units("metres"))["trip.geojson"])[
        "features"
    ]
    assert feature["geometry"]["coordinates"] == [there.lon, there.lat]
    (row,) = csv.DictReader(
        io.StringIO(files(one, "csv", Units("metres"))["events.csv"])
    )
    assert (row["lat"], row["mark_lat"], row["mark_radius_m"]) == (
        "35.0",
        "35.0002",
        "6.2",
    )


def test_a_trip_with_nothing_in_it(tmp_path: Path):
    with Logbook(tmp_path / "logbook.db") as book:
        book.begin_trip("empty").close()
        empty = read_trip(book, book.trips()[0])
    assert json.loads(files(empty, "geojson", Units("metres"))["trip.geojson"]) == {
        "type": "FeatureCollection",
        "creator": "companion",
        "features": [],
    }
    assert gpxpy.parse(files(empty, "gpx", Units("metres"))["trip.gpx"]).waypoints == []
    assert [
        len(text.splitlines()) for text in files(empty, "csv", Units("metres")).values()
    ] == [1, 1, 1, 1]


def test_a_correction_is_exported_as_it_stands_now(tmp_path: Path):
    with Logbook(tmp_path / "corrected.db") as book:
        with book.begin_trip("a day") as writing:
            for number in (1, 2):
                writing.record(
                    Logged(
                        t=float(number),
                        utc=utc(number),
                        number=number,
                        what="bite",
                        rod="rod 1",
                    )
                )
        (entry,) = book.trips()
        book.corrections.add(entry.id, Amendment(number=1, what="fish", rod="rod 2"))
        book.corrections.add(entry.id, Amendment(number=2, taken_back=True))
        exported = read_trip(book, entry)
    (kept,) = exported.logged()
    assert (kept.number, kept.what, kept.rod) == (1, "fish", "rod 2")


def test_a_mark_off_the_bow_lies_where_it_was_marked_not_where_the_boat_was(
    tmp_path: Path,
):
    boat, place = Fix(35.0, -84.0, 3.0), Fix(35.0002, -83.9997, 6.0)
    mark = Logged(
        t=1.0, utc=utc(1), number=1, what="mark", detail="tree top", boat=boat, at=place
    )
    with Logbook(tmp_path / "marked.db") as book:
        with book.begin_trip("a day") as writing:
            writing.record(mark)
        exported = read_trip(book, book.trips()[0])
    (feature,) = json.loads(
        files(exported, "geojson", Units("metres"))["trip.geojson"]
    )["features"]
    assert feature["geometry"]["coordinates"] == [place.lon, place.lat]
    assert feature["properties"]["radius"] == place.radius
    (waypoint,) = gpxpy.parse(
        files(exported, "gpx", Units("metres"))["trip.gpx"]
    ).waypoints
    assert (waypoint.latitude, waypoint.longitude) == (place.lat, place.lon)
    texts = files(exported, "csv", Units("metres"))
    (row,) = csv.DictReader(io.StringIO(texts["events.csv"]))
    assert (row["lat"], row["mark_lat"], row["mark_lon"]) == (
        "35.0",
        "35.0002",
        "-83.9997",
    )
    assert [(one.lat, one.lon) for one in marks_from_csv(texts["marks.csv"]).items] == [
        (place.lat, place.lon)
    ]


@pytest.mark.parametrize(
    "note", ["=1+1", "@sum", "+1 rock", "-ledge", "plain", "'quoted", "-4.5"]
)
def test_no_cell_is_a_formula_and_notes_come_back(note: str):
    (read,) = marks_from_csv(
        marks_to_csv([MarkPoint(35.0, -84.0, "ledge", note=note)])
    ).items
    assert read.note == note
    row = list(
        csv.reader(
            io.StringIO(marks_to_csv([MarkPoint(35.0, -84.0, "ledge", note=note)]))
        )
    )[1]
    assert [cell for cell in row if cell.startswith(("=", "+", "-", "@"))] in (
        ["-84.0000000"],
        ["-84.0000000", "-4.5"],
    )


def test_no_cell_of_the_events_is_a_formula(tmp_path: Path):
    with Logbook(tmp_path / "logbook.db") as book:
        with book.begin_trip("trip") as writing:
            writing.record(
                Logged(
                    t=1.0,
                    number=1,
                    what="mark",
                    detail="=cmd()",
                    rod="@rod",
                    boat=Fix(-3.5, -84.0),
                )
            )
        text = files(read_trip(book, book.trips()[0]), "csv", Units("metres"))[
            "events.csv"
        ]
    (row,) = csv.DictReader(io.StringIO(text))
    assert (row["detail"], row["rod"]) == ("'=cmd()", "'@rod")
    assert [value for value in row.values() if value.startswith("-")] == [
        "-3.5",
        "-84.0",
    ]
