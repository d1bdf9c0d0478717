import io
import json

import numpy as np
import pytest
import tifffile

from companion.lakebed import exchange as ex
from companion.lakebed.projected import (
    soundings_from_geotiff,
    soundings_from_xyz,
    to_degrees,
)

AREA, POINT = 1, 2


def geotiff(
    heights,
    *,
    code=32617,
    raster=AREA,
    origin=(500000.0, 4000000.0),
    step=2.0,
    **options,
):
    """A GeoTIFF as others write them: GDAL's tags, place of the north-western corner, zone."""
    keys = (1, 1, 0, 2, 1025, 0, 1, raster, 3072 if code > 20000 else 2048, 0, 1, code)
    tags = [
        (33550, "d", 3, (step, step, 0.0), True),
        (33922, "d", 6, (0.0, 0.0, 0.0, *origin, 0.0), True),
        (34735, "H", len(keys), keys, True),
        (42113, "s", 0, "-9999", True),
    ]
    file = io.BytesIO()
    tifffile.imwrite(file, np.asarray(heights, "f4"), extratags=tags, **options)
    return file.getvalue()


@pytest.mark.parametrize(
    "zone", ["UTM 17N", "utm zone 17n", "EPSG:32617", "WGS84 / UTM 17N"]
)
def test_a_zone_is_known_by_its_usual_names(zone):
    lat, lon = to_degrees(zone)(np.array([500000.0]), np.array([0.0]))
    # On the central meridian of zone 17, 81 degrees west, at the equator: false easting
    # 500 km.
    assert (lat[0], lon[0]) == pytest.approx((0.0, -81.0), abs=1e-9)


@pytest.mark.parametrize("zone", ["UTM 99N", "Atlantis", "EPSG:1"])
def test_an_unknown_zone_is_said_to_be_none(zone):
    with pytest.raises(ValueError, match='expected one such as "UTM 17N"'):
        to_degrees(zone)


def test_columns_of_eastings_and_northings_are_read_in_their_zone():
    text = "Northing,Easting,Depth (ft)\n0.0,500000.0,10\n"
    (point,) = ex.soundings_from_csv(text, to_degrees("UTM 17N")).items
    assert point[:3] == pytest.approx((0.0, -81.0, 3.048), abs=1e-6)
    assert "say their zone" in ex.soundings_from_csv(text).problems[0]


def test_a_place_outside_its_zone_is_named():
    read = ex.soundings_from_csv("e,n,depth\n9e99,0,3\n", to_degrees("UTM 17N"))
    assert (read.items, len(read.problems)) == ([], 1)


def test_xyz_lines_are_degrees_or_of_a_zone_and_heights_or_depths():
    assert (
        ex.DepthPoint(45.0, -80.0, 3.5)
        in soundings_from_xyz("# invented\n-80 45 -3.5\n-80 46 -2\n").items
    )
    assert soundings_from_xyz("-80,45,3.5\n").items == [ex.DepthPoint(45.0, -80.0, 3.5)]
    (point,) = soundings_from_xyz("500000 0 4.0", to_degrees("UTM 17N")).items
    assert point[:2] == pytest.approx((0.0, -81.0), abs=1e-9)


def test_depths_without_a_unit_count_in_the_one_that_is_told():
    for read in (
        soundings_from_xyz("-80 45 -10\n", unit_m=0.3048),
        soundings_from_geotiff(geotiff([[-10.0]]), unit_m=0.3048),
    ):
        assert read.items[0].depth == pytest.approx(3.048)
        assert read.unit_taken


@pytest.mark.parametrize("unknown", ["nan", "-9999", "-32768.0"])
def test_what_a_grid_has_where_nothing_is_known_is_no_depth_and_no_elevation(unknown):
    empty = f"-80 44 {unknown}\n" * 3
    for heights in ("-80 45 -3.5\n-80 46 -2\n", "-80 45 3.5\n-80 46 2\n"):
        read = soundings_from_xyz(empty + heights, unit_m=0.5)
        assert [one.depth for one in read.items] == [1.75, 1.0]
        assert read.problems == []


def test_what_is_no_line_of_xyz_is_named():
    read = soundings_from_xyz("500000 4000000 4\nwater\n-80 45 2\n")
    assert read.items == [ex.DepthPoint(45.0, -80.0, 2.0)]
    assert read.problems[0] == "line 2: expected three numbers, x y z; left out"
    assert "say it, such as --zone" in read.problems[1]


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}])
def test_a_geotiff_lies_where_its_tags_say(options):
    read = soundings_from_geotiff(geotiff([[-1.0, -9999.0], [-3.0, 0.5]], **options))
    assert [round(p.depth, 3) for p in read.items] == [1.0, 3.0]
    lat, lon = to_degrees("UTM 17N")(
        np.array([500001.0] * 2), np.array([3999999.0, 3999997.0])
    )
    assert [p[:2] for p in read.items] == [
        pytest.approx(place, abs=1e-9) for place in zip(lat, lon, strict=True)
    ]
    assert read.problems == ["1 heights are not below the surface; left out"]


def test_a_geotiff_in_degrees_whose_values_stand_for_points():
    data = geotiff(
        [[2.0, 3.0]], code=4326, raster=POINT, origin=(-80.0, 45.0), step=0.001
    )
    found = [p[:3] for p in soundings_from_geotiff(data).items]
    assert found == [
        pytest.approx((45.0, -80.0, 2.0)),
        pytest.approx((45.0, -79.999, 3.0)),
    ]


@pytest.mark.parametrize(
    "data", [b"", b"II*\0 and then nothing", geotiff([[1.0]])[:90]]
)
def test_a_file_that_is_no_geotiff_gets_one_clear_line(data):
    read = soundings_from_geotiff(data)
    assert (read.items, len(read.problems)) == ([], 1)
    assert "not a GeoTIFF" in read.problems[0]


def shore(kind, coordinates):
    return json.dumps(
        {"features": [{"geometry": {"type": kind, "coordinates": coordinates}}]}
    )


@pytest.mark.parametrize(
    ("kind", "wrapped"),
    [("LineString", 0), ("MultiLineString", 1), ("Polygon", 1), ("MultiPolygon", 2)],
)
def test_a_shoreline_is_depth_nought_all_along(kind, wrapped):
    line = [[-80.0, 45.0], [-80.0, 45.0009], [-80.001, 45.0009]]  # 100 m, then 79 m
    for _ in range(wrapped):
        line = [line]
    points = ex.shoreline_from_geojson(shore(kind, line)).items
    assert len(points) == 21 + 16
    assert {p.depth for p in points} == {0.0}


def test_a_shoreline_of_points_or_of_nonsense_is_none():
    assert ex.shoreline_from_geojson(shore("Point", [-80, 45])).items == []
    assert len(ex.shoreline_from_geojson(shore("LineString", [1, 2])).problems) == 1


def bathymetry(**told):
    point = {
        "geometry": {"type": "Point", "coordinates": [-80, 45]},
        "properties": {"depth": 4.0},
    }
    return json.dumps({"features": [point], **told})


SOUNDER = {"sensors": [{"type": "GNSS"}, {"type": "Sounder", "draft": 0.7}]}
BELOW_TRANSDUCER = {"trustedNode": {"verticalReferenceOfDepth": "Transducer"}}


@pytest.mark.parametrize(
    ("told", "depth"),
    [
        ({}, 4.0),
        ({"properties": {**BELOW_TRANSDUCER, "platform": SOUNDER}}, 4.7),
        (
            {
                "properties": {
                    **BELOW_TRANSDUCER,
                    "platform": {**SOUNDER, "correctors": {"draftApplied": True}},
                }
            },
            4.0,
        ),
        (
            {
                "properties": {
                    "trustedNode": {"verticalReferenceOfDepth": "Waterline"},
                    "platform": SOUNDER,
                }
            },
            4.0,
        ),
        ({"properties": BELOW_TRANSDUCER}, 4.3),
        ({"crs": {"vertical": "Transducer"}}, 4.3),
        ({"properties": 7}, 4.0),
    ],
)
def test_crowd_sourced_depths_are_put_below_the_surface(told, depth):
    (point,) = ex.soundings_from_geojson(bathymetry(**told), transducer=0.3).items
    assert point.depth == pytest.approx(depth)
