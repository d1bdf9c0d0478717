import json

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from companion.lakebed import exchange as ex
from companion.lakebed.relief import Contour
from companion.lakebed.waypoints import marks_from_gpx, marks_to_gpx
from companion.sensing.localplane import LocalPlane

lats, lons = (
    st.floats(-89, 89).map(lambda v: round(v, 7)),
    st.floats(-179, 179).map(lambda v: round(v, 7)),
)
depths = st.floats(0.1, 300).map(lambda v: round(v, 2))
utcs = st.sampled_from([None, "2031-05-02T06:07:08.250Z"])
notes = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]),
    max_size=20,
).map(str.strip)
radii = st.none() | st.floats(0.1, 90.0).map(lambda v: round(v, 1))
soundings = st.lists(st.builds(ex.DepthPoint, lats, lons, depths, utcs), max_size=5)
kinds = st.sampled_from(["tree top", "rock pile", "spot", "ledge"])
marks = st.lists(
    st.builds(ex.MarkPoint, lats, lons, kinds, st.none() | depths, notes, utcs, radii),
    max_size=5,
)


@given(soundings)
def test_soundings_survive_csv_and_geojson(points):
    assert ex.soundings_from_csv(ex.soundings_to_csv(points)) == ex.Imported(points)
    assert ex.soundings_from_geojson(ex.soundings_to_geojson(points)) == ex.Imported(
        points
    )


GUARDED = ex.MarkPoint(47.2, -126.4, "spot", None, "'@ the point", None, None)


@given(marks)
@example([GUARDED, GUARDED._replace(note="''-5"), GUARDED._replace(note="=1+1")])
def test_marks_survive_csv_and_geojson(points):
    assert ex.marks_from_csv(ex.marks_to_csv(points)) == ex.Imported(points)
    assert ex.marks_from_geojson(ex.marks_to_geojson(points)) == ex.Imported(points)


@pytest.mark.parametrize(
    ("header", "row", "depth"),
    [
        ("lat,lon,depth_ft", "1,2,10", 3.048),
        ("y,x,z", "1,2,-2.5", 2.5),
        (" Latitude , Longitude ,Depth", "1,2,4", 4.0),
        ("\ufeffLon,Lat,Elevation,extra", "2,1,-7,k", 7.0),
        ("lat,lon,depth,depth", "1,2,4,9", 4.0),
        ("lat,lon,Depth (ft),depth", "1,2,10,9", 3.048),
        ("lat,lon,water depth,Depth (ft)", "1,2,4,10", 4.0),
    ],
)
def test_columns_are_known_by_their_names(header, row, depth):
    (point,) = ex.soundings_from_csv(f"{header}\n{row}\n").items
    assert point == ex.DepthPoint(1.0, 2.0, pytest.approx(depth))


def test_an_elevation_that_stands_for_none_is_no_depth():
    read = ex.soundings_from_csv("lat,lon,elevation\n1,2,-9999\n1,2,-3\n")
    assert [one.depth for one in read.items] == [3.0]
    assert read.problems == ["line 2: depth -9999: stands for none; row left out"]


@pytest.mark.parametrize(
    ("lat", "lon", "place"),
    [
        ("45 07.5 N", "93 12.75 W", (45.125, -93.2125)),
        ("N45°07.5'", "W093°12.75'", (45.125, -93.2125)),
        ('45° 7\' 30""', "-93:12:45", (45.125, -93.2125)),
        ("33.5 s", "151.25° E", (-33.5, 151.25)),
        ("-0 30", "+2", (-0.5, 2.0)),
    ],
)
def test_degrees_may_come_with_minutes_and_seconds(lat, lon, place):
    text = f'lat,lon,depth\n"{lat}","{lon}",3\n'
    (point,) = ex.soundings_from_csv(text).items
    assert (point.lat, point.lon) == pytest.approx(place, abs=1e-12)
    (mark,) = ex.marks_from_csv(f'lat,lon,kind\n"{lat}","{lon}",rock\n').items
    assert (mark.lat, mark.lon) == pytest.approx(place, abs=1e-12)


@pytest.mark.parametrize(
    ("lat", "problem"),
    [
        ("45 60.0 N", "latitude 45 60.0 N: expected minutes below 60"),
        ("N 45 S", "latitude 'N 45 S': expected a number"),
        ("45 1 2 3", "latitude '45 1 2 3': expected a number"),
        ("4507.5 N", "position 4507.5, 2: expected latitude within 90"),
    ],
)
def test_what_is_no_angle_is_told(lat, problem):
    (found,) = ex.soundings_from_csv(f"lat,lon,depth\n{lat},2,3\n").problems
    assert found.startswith(f"line 2: {problem}")


def test_numbers_may_have_a_decimal_comma_where_semicolons_part_them():
    text = "Lat;Lon;Depth (m);remark\n45,125;-93,25;3,5;a,b\n"
    assert ex.soundings_from_csv(text).items == [ex.DepthPoint(45.125, -93.25, 3.5)]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("1,2,abc", "line 3: depth 'abc': expected a number"),
        (
            "1,2,42949672.92",
            "line 3: depth 42949672.92: expected more than 0 and at most 12000",
        ),
        ("1,2,-0.4", "line 3: depth -0.4: expected more than 0"),
        ("91,2,3", "line 3: position 91, 2: expected latitude within 90"),
        ("1", "line 3: longitude None: expected a number"),
        ("nan,2,3", "line 3: latitude 'nan': expected a number"),
    ],
)
def test_a_bad_row_is_named_and_the_rest_kept(row, problem):
    read = ex.soundings_from_csv(f"lat,lon,depth\n1,2,3\n{row}\n4,5,6\n")
    assert len(read.items) == 2
    assert len(read.problems) == 1
    assert read.problems[0].startswith(problem)


def test_a_file_of_another_sort_gets_one_clear_line():
    for read, text, says in (
        (
            ex.soundings_from_csv,
            "a,b\n1,2\n",
            "line 1: no latitude: expected a column named lat or latitude or y",
        ),
        (ex.soundings_from_csv, "", "line 1: no latitude"),
        (ex.marks_from_csv, "lat,lon\n1,2\n", "line 1: no kind"),
        (ex.soundings_from_geojson, "{}", "not GeoJSON"),
        (ex.soundings_from_geojson, "[", "not GeoJSON"),
        (marks_from_gpx, "<kml/>", "not GPX"),
        (marks_from_gpx, "no", "not GPX"),
    ):
        got = read(text)
        assert got.items == []
        assert len(got.problems) == 1
        assert got.problems[0].startswith(says)


def test_odd_features_are_named_or_passed_over():
    line = {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": [[1, 2], [3, 4]]},
    }
    bad = {"type": "Feature", "geometry": None}
    dry = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [1, 2]},
        "properties": {},
    }
    read = ex.soundings_from_geojson(json.dumps({"features": [line, bad, dry]}))
    assert read.items == []
    assert [p.split(":")[0] for p in read.problems] == ["feature 2", "feature 3"]


def test_an_unknown_kind_is_named_in_csv_and_a_spot_in_gpx():
    read = ex.marks_from_csv("lat,lon,kind\n1,2,treasure\n")
    assert read.problems[0].startswith("line 2: kind 'treasure': expected tree top")
    gpx = '<gpx version="1.1"><wpt lat="1" lon="2"><name>Old bridge</name></wpt></gpx>'
    assert marks_from_gpx(gpx).items == [
        ex.MarkPoint(1.0, 2.0, "spot", None, "Old bridge")
    ]
    (stump,) = marks_from_gpx(gpx.replace("Old bridge", "STUMP 12 m")).items
    assert stump == ex.MarkPoint(1.0, 2.0, "stump", 12.0, "STUMP 12 m")


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("2031-05-02T06:07:08Z", "2031-05-02T06:07:08.000Z"),
        ("2031-05-02 06:07:08.25", "2031-05-02T06:07:08.250Z"),
        ("2031-05-02T08:07:08+02:00", "2031-05-02T06:07:08.000Z"),
        ("last Saturday", None),
        ("", None),
    ],
)
def test_an_instant_is_the_same_in_every_form_and_none_is_made_up(said, kept):
    """And whatever came in can go out as GPX, which knows no other form of time."""
    (mark,) = ex.marks_from_csv(f"lat,lon,kind,utc\n1,2,ledge,{said}\n").items
    assert mark.utc == kept
    assert marks_from_gpx(marks_to_gpx([mark], "metres")).items == [mark]
    (sounding,) = ex.soundings_from_csv(f"lat,lon,depth,time\n1,2,3,{said}\n").items
    assert sounding.utc == kept


def test_a_place_known_to_no_distance_is_named():
    read = ex.marks_from_csv("lat,lon,kind,radius_m\n1,2,ledge,0\n1,2,ledge,wide\n")
    assert [line.split("; ")[0] for line in read.problems] == [
        "line 2: radius 0: expected more than 0 m",
        "line 3: radius 'wide': expected a number",
    ]


def test_strays_far_from_the_lake_are_set_apart():
    rng = np.random.default_rng(0)
    lake = [
        ex.DepthPoint(50 + a, 5 + b, 3.0) for a, b in rng.uniform(0, 0.002, (200, 2))
    ]
    far = [ex.DepthPoint(50.1, 5.1, 3.0)] * 6
    assert ex.without_strays([*far, *lake]) == (lake, far)
    assert ex.without_strays(lake[:5]) == (lake[:5], [])


def test_contours_go_out_as_longitude_latitude():
    plane = LocalPlane(10.0, 20.0)
    text = ex.contours_to_geojson(
        [Contour(5.0, [np.array([[0.0, 0.0], [100.0, 0.0]])])], plane
    )
    (feature,) = json.loads(text)["features"]
    assert feature["properties"] == {"depth": 5.0}
    first, second = feature["geometry"]["coordinates"][0]
    assert first == [20.0, 10.0]
    assert second[0] > 20.0009
    assert second[1] == 10.0


@pytest.mark.parametrize(
    ("header", "depth"),
    [
        ("Lat (DD),Long (DD),Depth (Proc)", 10.0),
        ("LATITUDE,LONGITUDE,Water Depth [ft]", 3.048),
        ("lat;lng;depth (feet)", 3.048),
        ("lat\tlon\tSounding (m)", 10.0),
        ("lat|lon|depth_feet", 3.048),
        ("lat,lon,Depth in feet", 3.048),
        ("Latitude,Longitude,DepthFeet", 3.048),
        ("lat,lon,depth_fathoms", 18.288),
        ("lat,lon,depth_m,depth_ft", 10.0),
        ("lat,lon,WaterDepth (m)", 10.0),
        ("# of somebody's\n\nsep=;\nlat;lon;depth_m", 10.0),
    ],
)
def test_columns_are_known_by_synonym_and_unit(header, depth):
    part = next(c for c in ";\t|," if c in header)
    (point,) = ex.soundings_from_csv(f"{header}\n{part.join(('1', '2', '10'))}\n").items
    assert point[:3] == pytest.approx((1.0, 2.0, depth))


@pytest.mark.parametrize(
    ("column", "taken"),
    [("Z (ft)", False), ("elevation_feet", False), ("z", True), ("Elevation", True)],
)
def test_a_height_counts_in_the_unit_of_its_heading_and_one_without_is_told(
    column, taken
):
    read = ex.soundings_from_csv(f"lat,lon,{column}\n1,2,-10\n", unit_m=0.3048)
    assert read.items[0].depth == pytest.approx(3.048)
    assert read.unit_taken is taken


def test_a_property_of_a_feature_has_its_unit_in_its_name():
    point = '{"type": "Point", "coordinates": [2, 1]}'
    feature = (
        f'{{"type": "Feature", "properties": {{"Depth_ft": 10}}, "geometry": {point}}}'
    )
    read = ex.soundings_from_geojson(
        f'{{"type": "FeatureCollection", "features": [{feature}]}}'
    )
    assert read == ex.Imported([ex.DepthPoint(1.0, 2.0, pytest.approx(3.048))])


@pytest.mark.parametrize(
    ("header", "row", "mark"),
    [
        (
            "lat;lon;kind;top_m;note",
            "1,5;2,5;Tree Top;3,5;old one",
            ex.MarkPoint(1.5, 2.5, "tree top", 3.5, "old one"),
        ),
        ("lat\tlon\tkind", "1\t2\tledge", ex.MarkPoint(1.0, 2.0, "ledge")),
        ('"lat","lon","kind"', '"1","2","rock"', ex.MarkPoint(1.0, 2.0, "rock")),
        (
            "lat,lon,kind,Top (ft),radius_ft",
            "1,2,ledge,10,20",
            ex.MarkPoint(1.0, 2.0, "ledge", 3.048, radius=6.096),
        ),
        (
            "Name,Latitude,Longitude",
            "by the oak,1,2",
            ex.MarkPoint(1.0, 2.0, "spot", note="by the oak"),
        ),
        (
            "Name,Latitude,Longitude,top_m",
            "Big Rockpile 3,1,2,4.5",
            ex.MarkPoint(1.0, 2.0, "rock pile", 4.5, note="Big Rockpile 3"),
        ),
    ],
)
def test_tables_of_marks_are_known_however_they_are_parted(header, row, mark):
    text = f"{header}\n{row}\n"
    assert ex.is_table_of_marks(text)
    (read,) = ex.marks_from_csv(text).items
    assert read._replace(top=None, radius=None) == mark._replace(top=None, radius=None)
    assert (read.top, read.radius) == pytest.approx((mark.top, mark.radius))


def test_a_table_of_depths_with_names_is_none_of_marks():
    assert not ex.is_table_of_marks("name,lat,lon,Depth (ft)\na,1,2,3\n")


def test_a_row_is_told_by_its_line_below_what_stands_above_the_header():
    read = ex.soundings_from_csv("# one\n\nlat,lon,depth\n1,2,3\n1,2,x\n")
    assert read.problems[0].startswith("line 5: depth 'x'")


@pytest.mark.parametrize(
    "date", ["2026-10-03", "10/03/2026", "03.10.2026", "2026/10/03"]
)
def test_a_date_and_a_time_in_two_columns_are_one_instant(date):
    (point,) = ex.soundings_from_csv(
        f"lat,lon,depth,date,time\n1,2,3,{date},14:20:05\n"
    ).items
    assert point.utc.startswith("2026-10-03T14:20:05")
