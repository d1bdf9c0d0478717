"""Files of others: taken in once, whatever they are called, and gone on with after an interruption."""

import json
import math

import numpy as np
import pytest

from companion.lakebed import exchange
from companion.lakebed.bed import Bed
from companion.lakebed.exchange import DepthPoint, MarkPoint
from companion.lakebed.projected import to_degrees
from companion.lakebed.relief import Contour
from companion.lakebed.waypoints import marks_to_gpx, marks_to_nmea
from companion.record import learning
from companion.record.lakes import Lakes, LearnedFile, of_trip
from companion.record.learning import Conditions, digest_of, learn
from companion.record.logbook import Logbook
from companion.sensing.localplane import LocalPlane
from companion.units import FATHOM, FOOT

PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water


def sentence(body):
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n"


def degrees(value, width, letters):
    whole = int(abs(value))
    return f"{whole:0{width}d}{60 * (abs(value) - whole):08.5f},{letters[value < 0]}"


def day(count=400, depth=5.0, fix_every=1):
    """A recorded hour of a boat at 1 m/s on lines 6 m apart: a depth each second, a fix every so many."""
    lines = []
    for i in range(count):
        line, along = divmod(i, 60)
        lat, lon = PLANE.to_latlon(
            float(along if line % 2 == 0 else 59 - along), 6.0 * line
        )
        clock = f"{10 + i // 3600:02d}{i // 60 % 60:02d}{i % 60:02d}"
        lines.append(sentence(f"SDDPT,{depth + 0.5 * math.sin(i / 40):.2f},0.0"))
        where = f"{degrees(lat, 2, 'NS')},{degrees(lon, 3, 'EW')}"
        if i % fix_every == 0:
            lines.append(sentence(f"GPRMC,{clock},A,{where},1.9,090.0,031026,,"))
    return "".join(lines).encode()


@pytest.fixture
def lakes(tmp_path):
    with Logbook(tmp_path / "lake.db") as book:
        yield Lakes(book)


@pytest.fixture
def take(lakes, tmp_path):
    """Write a file and learn it into the lake; give the outcome and how many bytes were said to be done."""

    def taken(name, content, **conditions):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        done = []
        outcome = learn(
            path, lakes, Bed(lakes.areas()), Conditions(**conditions), done.append
        )
        assert outcome.useless or sum(done) == path.stat().st_size
        return outcome

    return taken


def cells(lakes):
    return Bed(lakes.areas()).areas[0].surface.sounded()


def test_a_recording_with_a_fix_every_ten_seconds_is_learned_but_for_its_turns(
    take, lakes
):
    outcome = take("slow.nmea", day(fix_every=10))
    assert outcome.soundings >= 0.7 * 400
    assert set(outcome.dropped) == {"no position"}
    slow = cells(lakes)
    take("day.nmea", day())
    assert len(cells(lakes)) > len(slow)


def test_a_recording_is_learned_once_whatever_its_name(take, lakes):
    first = take("day.nmea", day())
    assert first.soundings >= 395
    assert first.soundings + sum(first.dropped.values()) == 400
    before = cells(lakes)
    again = take("copy_of_it.log", day())
    assert again.known_as == "day.nmea"
    assert np.array_equal(cells(lakes), before)
    assert take("other.nmea", day(depth=5.1)).known_as is None


@pytest.mark.parametrize(
    ("column", "unit_m", "depth", "assumed"),
    [
        ("Depth (Proc)", None, 6.0, True),
        ("depth", FOOT, 6.0 * FOOT, False),
        ("Depth (ft)", None, 6.0 * FOOT, False),
        ("Depth (ft)", FATHOM, 6.0 * FOOT, False),
        ("Depth (m)", FOOT, 6.0, False),
        ("depth_m", None, 6.0, False),
    ],
)
def test_depths_of_no_unit_are_metres_unless_said_and_that_is_told(
    take, lakes, column, unit_m, depth, assumed
):
    outcome = take("table.csv", f"lat,lon,{column}\n-47.2,-126.4,6.0\n", unit_m=unit_m)
    assert outcome.metres_assumed is assumed
    assert cells(lakes)[0, 2] == pytest.approx(depth)


def test_an_interrupted_recording_goes_on_and_ends_the_same(
    take, lakes, tmp_path, monkeypatch
):
    monkeypatch.setattr(learning, "SOUNDINGS_PER_COMMIT", 100)
    monkeypatch.setattr("companion.sensing.sources.FILE_CHUNK", 1000)
    path, done = tmp_path / "day.nmea", []
    path.write_bytes(day())

    def stop(size):
        done.append(size)
        if sum(done) > 20_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        learn(path, lakes, Bed(lakes.areas()), Conditions(), stop)
    (half,) = lakes.learned()
    assert not half.done
    assert 100 <= half.soundings < 350
    assert cells(lakes)[:, 3].sum() == half.soundings
    whole = take("day.nmea", day())
    (learned,) = lakes.learned()
    assert learned == (half.digest, "day.nmea", whole.soundings, 0, True, True)
    resumed = cells(lakes)
    with Logbook(tmp_path / "straight.db") as book:
        straight = Lakes(book)
        learn(path, straight, Bed(), Conditions(), lambda _: None)
        expected = cells(straight)
    assert cells_sorted(resumed) == pytest.approx(cells_sorted(expected), abs=1e-5)


def cells_sorted(rows):
    return rows[np.lexsort(rows.T[:2])]


def test_level_and_transducer_are_taken_off_and_added(take, lakes):
    take("day.nmea", day(), level=1.0, transducer=0.3)
    assert cells(lakes)[:, 2].mean() == pytest.approx(5.0 + 0.3 - 1.0, abs=0.2)


def test_what_disagrees_with_the_map_is_told(take):
    take("day.nmea", day())
    hint = take("high_water.nmea", day(depth=5.9)).hint
    assert hint.higher == pytest.approx(0.9, abs=0.1)


def chart(depth=4.0):
    places = [PLANE.to_latlon(10.0 * x, 10.0 * y) for x in range(6) for y in range(6)]
    return [DepthPoint(lat, lon, depth) for lat, lon in places]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("chart.csv", exchange.soundings_to_csv(chart())),
        ("chart.geojson", exchange.soundings_to_geojson(chart())),
    ],
)
def test_charts_are_learned_without_gates(take, lakes, name, text):
    outcome = take(name, text)
    assert (outcome.soundings, outcome.marks, outcome.problems) == (36, 0, [])
    assert cells(lakes)[:, 2] == pytest.approx(np.full(36, 4.0))


MARKS = [
    MarkPoint(PLANE.lat, PLANE.lon, "tree top", 3.0, "the tall one"),
    MarkPoint(*PLANE.to_latlon(30.0, 0.0), "ledge"),
]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("marks.csv", exchange.marks_to_csv(MARKS)),
        ("marks.geojson", exchange.marks_to_geojson(MARKS)),
        ("marks.gpx", marks_to_gpx(MARKS, "metres")),
        ("marks.nmea", marks_to_nmea(MARKS, "feet")),
    ],
)
def test_marks_are_learned_on_the_water_of_their_day(take, lakes, name, text):
    outcome = take(name, text, level=0.5)
    assert (outcome.soundings, outcome.marks) == (0, 2)
    marks = list(Bed(lakes.areas()).areas[0].marks)
    assert [(mark.kind, mark.top) for mark in marks] == [
        ("tree top", pytest.approx(2.5, abs=0.002)),
        ("ledge", None),
    ]


def test_marks_in_another_file_are_the_same_marks(take, lakes):
    """The lake's own marks out and in again, in every form, and somebody's without a time."""
    given = [
        MarkPoint(
            *PLANE.to_latlon(0.0, 0.0),
            "tree top",
            4.5678,
            "old",
            "2031-05-02T06:07:08.250Z",
            8.1,
        ),
        MarkPoint(*PLANE.to_latlon(30.0, 0.0), "ledge"),
        MarkPoint(*PLANE.to_latlon(33.0, 0.0), "ledge"),
    ]
    take("marks.csv", exchange.marks_to_csv(given))
    take("marks.geojson", exchange.marks_to_geojson(given))
    take("marks.gpx", marks_to_gpx(given, "metres"))
    take("marks.nmea", marks_to_nmea(given, "metres"))
    marks = list(Bed(lakes.areas()).areas[0].marks)
    assert [(mark.kind, mark.radius) for mark in marks] == [
        ("tree top", 8.1),
        ("ledge", 4.3),
        ("ledge", 4.3),
    ]


def test_a_far_stray_is_left_out_and_counted(take):
    points = [*chart(), DepthPoint(*PLANE.to_latlon(9000.0, 0.0), 4.0)]
    outcome = take("chart.csv", exchange.soundings_to_csv(points))
    assert (outcome.soundings, dict(outcome.dropped)) == (
        36,
        {"far from all the others": 1},
    )


@pytest.mark.parametrize("name", ["chart.csv", "chart.txt"])
def test_a_spreadsheets_utf_16_is_read(take, name):
    text = exchange.soundings_to_csv(chart())
    assert take(name, text.encode("utf-16")).soundings == 36


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("notes.nmea", b"bring worms\r\n", "expected NMEA 0183 sentences"),
        ("empty.log", b"", "expected NMEA 0183 sentences"),
        ("other.csv", b"a,b\n1,2\n", "expected a column named"),
        ("picture.gpx", b"\xff\xd8\x00\x01", "not text"),
        ("broken.geojson", b"{", "expected a FeatureCollection"),
        ("track.gpx", b"<gpx><trk/></gpx>", "no waypoints in it"),
    ],
)
def test_what_is_of_no_use_is_told_and_not_remembered(take, lakes, name, content, says):
    outcome = take(name, content)
    assert outcome.useless
    assert any(says in line and name in line for line in outcome.problems)
    assert lakes.learned() == []


def test_a_recording_without_positions_says_what_it_lacks(take):
    only_depths = "".join(sentence("SDDPT,5.0,0.0") for _ in range(20))
    outcome = take("depths.nmea", only_depths)
    assert dict(outcome.dropped) == {"no position": 20}


def test_a_recording_whose_checksums_were_left_off_is_learned(take):
    bare = "".join(f"{line.split('*')[0]}\r\n" for line in day().decode().splitlines())
    assert take("bare.nmea", bare).soundings >= 395


def test_an_outcome_can_be_written_as_json(take):
    outcome = take("day.nmea", day())
    assert json.dumps(dict(outcome.dropped)) is not None


def test_a_live_trips_own_recording_is_in_the_lake_already(tmp_path):
    folder = tmp_path / "2026-10-03 141500"
    folder.mkdir()
    recording = folder / "sonar.nmea"
    recording.write_bytes(b"$SDDPT,5.0,0.0*52\r\n")
    with Logbook(tmp_path / "logbook.db") as book:
        lakes = Lakes(book)
        assert lakes.taken(digest_of(recording), recording) is None
        lakes.save(
            Bed(), LearnedFile(of_trip(folder.name), folder.name, 7, 0, done=True)
        )
        outcome = learn(
            recording, lakes, Bed(lakes.areas()), Conditions(), lambda _size: None
        )
    assert outcome.known_as == folder.name


def test_soundings_of_a_track_pass_the_gate_and_those_of_a_chart_do_not(take, lakes):
    def rows(timed):
        for i in range(200):
            lat, lon = PLANE.to_latlon(float(i), 0.0)
            clock = f"10/03/2026,14:{i // 60:02d}:{i % 60:02d}" if timed else ","
            yield f"{clock},{lat:.7f},{lon:.7f},{28.0 if i in (90, 91) else 5.0}"

    header = "date,time,Lat (DD),Lng,Depth (Proc)"
    track = take("track.csv", "\n".join((header, *rows(timed=True))))
    assert (track.soundings, sum(track.dropped.values())) == (198, 2)
    assert cells(lakes)[:, 2].max() == pytest.approx(5.0)
    chart = take("chart.csv", "\n".join((header, *rows(timed=False))))
    assert (chart.soundings, dict(chart.dropped)) == (200, {})


def test_a_survey_whose_rows_all_have_one_time_is_no_track(take):
    rows = [
        f"{lat:.7f},{lon:.7f},{3.0 + 0.2 * i},2031-05-02T06:07:08Z"
        for i in range(100)
        for lat, lon in [PLANE.to_latlon(9.0 * i, 0.0)]
    ]
    survey = take("survey.csv", "\n".join(("lat,lon,depth_m,time", *rows)))
    assert (survey.soundings, dict(survey.dropped)) == (100, {})


def test_files_in_western_code_pages_are_read(take, lakes):
    table = "lat;lon;kind;note\n-47,2;-126,4;stump;Wurzel, größer\n"
    assert take("marks.csv", table.encode("cp1252")).marks == 1
    card = marks_to_gpx([MarkPoint(-47.2, -126.4, "spot", note="Bäume")], "feet")
    declared = card.replace("UTF-8", "ISO-8859-1")
    assert take("marks.gpx", declared.encode("latin-1")).marks == 1
    (area,) = Bed(lakes.areas()).areas
    assert {mark.note for mark in area.marks} == {"Wurzel, größer", "Bäume"}


def test_a_text_file_with_named_columns_is_read_as_points(take):
    lines = ["Northing;Easting;Lat (DD);Long (DD);Depth (ft)", "1;2;-47.2;-126.4;10"]
    assert take("survey.txt", "\n".join(lines)).soundings == 1
    assert take("day.txt", day(60)).soundings >= 55


def test_a_shoreline_and_a_grid_in_its_zone_are_learned(take, lakes):
    line = {"type": "LineString", "coordinates": [[-81.0, 0.0], [-81.0, 0.0009]]}
    shore = json.dumps({"features": [{"geometry": line}]}).encode()
    assert "--shoreline" in take("shore.geojson", shore).problems[0]
    assert take("shore.geojson", shore, shoreline=True).soundings == 20
    grid = b"500030 10 -4.0\n500030 20 -4.5\n"
    assert take("grid.xyz", grid, degrees=to_degrees("UTM 17N")).soundings == 2
    assert sorted(cells(lakes)[:, 2])[-3:] == pytest.approx([0.0, 4.0, 4.5], abs=1e-6)


def hump(east, north):
    return 9.0 - 5.0 * np.exp(-(east**2 + north**2) / 40.0**2)


@pytest.mark.parametrize(("name", "unit"), [("depth_m", 1.0), ("Depth (ft)", FOOT)])
def test_the_lines_of_a_chart_of_depths_are_learned(take, lakes, name, unit):
    """Circles around a hump, 1 m of depth apart: the bottom is known on them and between."""
    around = np.linspace(0.0, 2.0 * math.pi, 25)
    features = []
    for depth in (4.5, 5.5, 6.5, 7.5, 8.5):
        radius = 40.0 * math.sqrt(-math.log((9.0 - depth) / 5.0))
        lat, lon = PLANE.to_latlon(radius * np.cos(around), radius * np.sin(around))
        line = np.stack([lon, lat], axis=1).tolist()
        geometry = {"type": "LineString", "coordinates": line}
        told = {name: depth / unit}
        features.append({"type": "Feature", "properties": told, "geometry": geometry})
    shore = {"type": "LineString", "coordinates": line}
    features.append(
        {"type": "Feature", "properties": {"name": "road"}, "geometry": shore}
    )
    outcome = take("contours.geojson", json.dumps({"features": features}))
    assert not outcome.problems
    assert not outcome.metres_assumed
    assert outcome.soundings == len(cells(lakes)) > 100
    (area,) = Bed(lakes.areas()).areas
    for radius in np.arange(14.0, 60.0, 4.0):
        lat, lon = PLANE.to_latlon(0.0, radius)
        (found,) = area.surface.at(*np.array([area.place(lat, lon)]).T).depth
        assert found == pytest.approx(hump(0.0, radius), abs=0.35)


def test_contours_of_no_unit_are_metres_unless_said_and_our_own_are_learned_back(
    take, lakes
):
    line = np.array([[0.0, 0.0], [30.0, 0.0]])
    text = exchange.contours_to_geojson([Contour(6.0, [line])], PLANE)
    assert take("ours.geojson", text).metres_assumed
    assert cells(lakes)[:, 2] == pytest.approx(6.0)
    told = take("feet.geojson", text + " ", unit_m=FOOT)
    assert not told.metres_assumed
    assert cells(lakes)[:, 2].min() == pytest.approx((6.0 + 6.0 * FOOT) / 2.0)


@pytest.mark.parametrize("depth", ["deep", -3.0, None])
def test_a_contour_of_no_depth_is_told(take, depth):
    line = {"type": "LineString", "coordinates": [[-81.0, 0.0], [-81.0, 0.0009]]}
    feature = {"geometry": line, "properties": {"depth": depth}}
    outcome = take("contours.geojson", json.dumps({"features": [feature]}))
    assert outcome.useless
    assert "feature 1" in outcome.problems[0]


def forget(lakes, name):
    (file,) = [file for file in lakes.learned() if file.name == name]
    assert file.apart
    lakes.forget(Bed(lakes.areas()), file)


def as_if_never_learned(tmp_path, lakes, *contents):
    """Assert that the lakes are what they are in a logbook that only learned these."""
    with Logbook(tmp_path / "other.db") as book:
        other = Lakes(book)
        for i, content in enumerate(contents):
            path = tmp_path / f"other {i}.nmea"
            path.write_bytes(content)
            learn(path, other, Bed(other.areas()), Conditions(), lambda _size: None)
        wanted, found = in_order(other), in_order(lakes)
    np.testing.assert_allclose(found, wanted, atol=0.002)


def in_order(lakes):
    sounded = cells(lakes)
    return sounded[np.lexsort(np.round(sounded[:, :2]).T)]


def test_what_is_forgotten_leaves_the_lake_as_if_it_had_never_been_learned(
    take, lakes, tmp_path
):
    take("day.nmea", day())
    rows = exchange.soundings_to_csv(
        [p._replace(depth=3.3 * p.depth) for p in chart() for _ in range(3)]
    )
    wrong = take("feet.csv", rows, unit_m=1.0)
    assert wrong.soundings == 108
    take("later.nmea", day(200, depth=6.0))
    forget(lakes, "feet.csv")
    assert [file.name for file in lakes.learned()] == ["day.nmea", "later.nmea"]
    as_if_never_learned(tmp_path, lakes, day(), day(200, depth=6.0))
    assert take("feet.csv", rows, unit_m=FOOT).soundings == 108


def test_a_recording_learned_in_two_goes_is_forgotten_whole(
    take, lakes, tmp_path, monkeypatch
):
    take("first.nmea", day(200, depth=6.0))
    monkeypatch.setattr(learning, "SOUNDINGS_PER_COMMIT", 50)
    path, done = tmp_path / "day.nmea", []
    path.write_bytes(day())

    def interrupt(size):
        done.append(size)
        if len(lakes.learned()) > 1:
            raise KeyboardInterrupt

    monkeypatch.setattr(learning, "FILE_CHUNK", 500)
    monkeypatch.setattr("companion.sensing.sources.FILE_CHUNK", 500)
    with pytest.raises(KeyboardInterrupt):
        learn(path, lakes, Bed(lakes.areas()), Conditions(), interrupt)
    assert not lakes.learned()[1].done
    take("day.nmea", day())
    forget(lakes, "day.nmea")
    as_if_never_learned(tmp_path, lakes, day(200, depth=6.0))


def test_the_marks_of_a_file_go_with_it_and_those_that_were_there_stay(take, lakes):
    tree, stump = (
        MarkPoint(-47.2, -126.4, "tree top", note="mine"),
        MarkPoint(-47.2, -126.399, "stump"),
    )
    take("mine.csv", exchange.marks_to_csv([tree]))
    assert take("theirs.csv", exchange.marks_to_csv([tree, stump])).marks == 2
    forget(lakes, "theirs.csv")
    (area,) = Bed(lakes.areas()).areas
    assert [mark.note for mark in area.marks] == ["mine"]
    forget(lakes, "mine.csv")
    assert Bed(lakes.areas()).areas == []


def test_a_cell_whose_count_has_stopped_is_emptied_rather_than_guessed(take, lakes):
    point = DepthPoint(-47.2, -126.4, 5.0)
    take("mine.csv", exchange.soundings_to_csv([point] * 300))
    take("theirs.csv", exchange.soundings_to_csv([point._replace(depth=16.0)] * 10))
    forget(lakes, "theirs.csv")
    assert Bed(lakes.areas()).areas == []
