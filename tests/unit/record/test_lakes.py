"""The lakebed in the logbook, over days and waters."""

import sqlite3

import msgspec
import numpy as np
import pytest

from companion.lakebed.bed import Bed
from companion.lakebed.waters import AREA_REACH
from companion.record import beforehand
from companion.record.lakes import SAVE_EVERY, Lakes, LearnedFile
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError
from companion.sensing.localplane import LocalPlane, moved

LAT, LON = -47.2, -126.4  # in open ocean: invented water


def survey(bed, depth, lat=LAT, lon=LON, north=(0.0, 60.0)):
    plane = LocalPlane(lat, lon)
    for y in np.arange(*north, 6.0):
        for x in np.arange(0.0, 60.0, 1.5):
            bed.add(*plane.to_latlon(float(x), float(y)), depth)


def depth_at(bed, lat=LAT, lon=LON, north=20.0):
    bed.open_area(lat, lon)
    return bed.bottom(*LocalPlane(lat, lon).to_latlon(30.0, north))[0]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.db"


def test_a_lake_grows_over_days(path):
    for day, depth in ((0, 4.0), (1, 6.0), (2, 8.0)):
        with Logbook(path) as book:
            lakes = Lakes(book)
            bed = Bed(lakes.areas())
            survey(bed, depth, north=(200.0 * day, 200.0 * day + 60.0))
            bed.mark(
                "ledge",
                LAT,
                LON,
                depth=depth,
                note=f"day {day}",
                utc="2026-10-03T14:15:00.250Z",
            )
            lakes.save(bed)
    with Logbook(path) as book:
        bed = Bed(Lakes(book).areas())
        assert [
            depth_at(bed, north=20.0 + 200.0 * day) for day in range(3)
        ] == pytest.approx([4.0, 6.0, 8.0], abs=0.1)
        marks = list(bed.areas[0].marks)
        assert [(mark.number, mark.note, mark.top) for mark in marks] == [
            (1, "day 0", 4.0),
            (2, "day 1", 6.0),
            (3, "day 2", 8.0),
        ]
        assert book.tables.faults() == []


def test_what_is_read_back_answers_the_same(path):
    with Logbook(path) as book:
        bed = Bed()
        survey(bed, 5.0)
        Lakes(book).save(bed)
        again = Bed(Lakes(book).areas())
        again.open_area(LAT, LON)
        line = (*LocalPlane(LAT, LON).to_latlon(5.0, 5.0), 45.0, 40.0)
        assert again.along(*line).depth.tolist() == bed.along(*line).depth.tolist()
        assert again.along(*line).sigma.tolist() == bed.along(*line).sigma.tolist()


def test_only_changed_tiles_are_written(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        survey(bed, 5.0)
        assert lakes.save(bed) >= 4
        assert lakes.save(bed) == 0
        bed.add(LAT, LON, 5.0)
        assert lakes.save(bed) == 1


def test_two_waters_are_read_apart_and_only_when_asked(path):
    far = moved(LAT, LON, 20.0, 4.0 * AREA_REACH)
    with Logbook(path) as book:
        bed = Bed()
        survey(bed, 4.0)
        survey(bed, 12.0, *far)
        Lakes(book).save(bed)
    with Logbook(path) as book:
        bed = Bed(Lakes(book).areas())
        assert [area.loaded for area in bed.areas] == [False, False]
        assert depth_at(bed, *far) == pytest.approx(12.0)
        assert [area.loaded for area in bed.areas] == [False, True]
        assert depth_at(bed) == pytest.approx(4.0)


def test_a_level_told_late_is_saved_right(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        survey(bed, 5.5)
        lakes.save(bed)
        bed.water_level(0.5)
        lakes.save(bed)
        assert depth_at(Bed(lakes.areas())) == pytest.approx(5.0)


def test_a_mark_taken_back_is_gone(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        mark = bed.mark("tree top", LAT, LON)
        lakes.save(bed)
        bed.unmark(mark)
        lakes.save(bed)
        assert list(Bed(lakes.areas()).areas[0].marks) == []


def test_a_refused_save_is_made_up_for(path, monkeypatch):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        survey(bed, 5.0)
        bed.mark("ledge", LAT, LON)

        def full(*_):
            raise sqlite3.OperationalError("disk I/O error")

        with monkeypatch.context() as broken:
            broken.setattr("companion.record.lakes._write", full)
            with pytest.raises(LogbookError):
                lakes.save(bed)
        assert Lakes(book).areas() == []
        assert lakes.save(bed) >= 4
        again = Bed(Lakes(book).areas())
        assert depth_at(again) == pytest.approx(5.0)
        assert len(again.areas[0].marks) == 1


def test_a_damaged_tile_is_left_out_and_told(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        survey(bed, 5.0, north=(0.0, 200.0))
        tiles = lakes.save(bed)
        with book.tables.transaction() as tables:
            tables.execute(
                "UPDATE lake_tiles SET cells = x'0102' WHERE east = 0 AND north = 0"
            )
        reader = Lakes(book)
        again = Bed(reader.areas())
        assert depth_at(again, north=150.0) == pytest.approx(5.0)
        assert len(again.areas[0].surface.take_changed()) == 0
        (problem,) = reader.problems
        assert "tile 0,0" in problem
        assert tiles > 4


def test_saving_now_and_then_and_clearing(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        for t in range(0, 200, 10):
            bed.add(LAT, LON, 5.0)
            if lakes.is_due(float(t)):
                lakes.save(bed)
        assert SAVE_EVERY == 60.0
        count = next(iter(bed.areas)).surface.at(*bed.areas[0].place(LAT, LON))
        assert np.isfinite(count.depth)
        assert bed.areas[0].surface.take_changed()  # since t = 180
        lakes.clear()
        assert lakes.areas() == []
        assert lakes.learned() == []


def test_files_learned_are_remembered(path):
    with Logbook(path) as book:
        lakes, bed = Lakes(book), Bed()
        survey(bed, 5.0)
        lakes.save(bed, LearnedFile("ab", "day.nmea", 100, 0, False))
        lakes.save(bed, LearnedFile("cd", "marks.gpx", 0, 3, True))
        lakes.save(bed, LearnedFile("ab", "day.nmea", 400, 0, True))
        assert sorted(lakes.learned()) == [
            ("ab", "day.nmea", 400, 0, True, False),
            ("cd", "marks.gpx", 0, 3, True, False),
        ]


def test_marks_of_an_older_recording_are_as_well_known_as_they_were(tmp_path, path):
    """Their radii were one standard deviation; they hold nine places of ten now."""
    with Logbook(path) as book:
        bed = Bed()
        survey(bed, 5.0)
        bed.mark("ledge", LAT, LON, known_within=3.0)
        Lakes(book).save(bed)
        found = []
        Bed(Lakes(book).areas(found.append)).open_area(LAT, LON)
    (now,) = found
    older = msgspec.structs.replace(now, nine_in_ten=False)
    for folder, kept, radius in (("now", now, 3.0), ("older", older, 6.4)):
        beforehand.keep_area(tmp_path / folder, kept)
        before = beforehand.Beforehand(lakes=((kept.number, kept.lat, kept.lon),))
        (area,) = beforehand.areas_before(tmp_path / folder, before)
        assert [mark.radius for mark in area.marks] == pytest.approx([radius], abs=0.05)
