"""`companion plan` as it is typed, over an invented lake in a file and in a logbook."""

import json

import gpxpy
import numpy as np
import pynmea2
import pytest
from click.testing import CliRunner

from companion.cli import commands
from companion.config import example_text
from companion.lakebed.bed import Bed
from companion.lakebed.exchange import soundings_from_csv, soundings_to_geojson
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.sensing.localplane import LocalPlane

PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water


def soundings(side=110.0):
    """Latitude, longitude and depth on lines 6 m apart over a shelf, a ledge and a flat."""
    for north in np.arange(0.0, side, 6.0):
        for east in np.arange(0.0, side, 2.0):
            depth = 3.6 + 3.5 / (1.0 + np.exp(-(east - 55.0) / 1.5)) + 0.005 * north
            yield *PLANE.to_latlon(float(east), float(north)), round(float(depth), 2)


@pytest.fixture(scope="module")
def csv(tmp_path_factory):
    path = tmp_path_factory.mktemp("lake") / "lake.csv"
    rows = [f"{lat:.7f},{lon:.7f},{depth}" for lat, lon, depth in soundings()]
    path.write_text("\n".join(["lat,lon,depth_m", *rows]))
    return path


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    path = tmp_path_factory.mktemp("lake") / "logbook.db"
    with Logbook(path) as logbook:
        bed = Bed()
        for lat, lon, depth in soundings():
            bed.add(lat, lon, depth)
        bed.mark("ledge", *PLANE.to_latlon(54.0, 50.0), depth=4.5, note="home ledge")
        bed.mark("high spot", *PLANE.to_latlon(30.0, 60.0))
        Lakes(logbook).save(bed)
    return path


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))

    def typed(*arguments):
        result = CliRunner().invoke(commands, ["plan", *map(str, arguments)])
        assert result.exception is None or isinstance(result.exception, SystemExit), (
            result.exception
        )
        return result

    return typed


def test_along_an_edge_from_a_file(run, csv, tmp_path):
    result = run(
        "--soundings",
        csv,
        "--edge",
        "14 ft",
        "--svg",
        tmp_path / "a.svg",
        "--png",
        tmp_path / "a.png",
    )
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[1].startswith("A  rod")
    assert "Estimates for fishing; not for navigation." in lines
    assert (tmp_path / "a.svg").read_text().startswith("<svg")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_where_to_lie_goes_to_a_plotter(run, csv, tmp_path):
    """WPL and RTE as pynmea2 reads them, GPX as gpxpy does (C); without the option nothing is written."""
    asked = ("--soundings", csv, "--edge", "14 ft")
    for name in ("plan.nmea", "plan.gpx"):
        assert run(*asked, "--waypoints", tmp_path / name).exit_code == 0
    places = [
        (one["lat"], one["lon"]) for one in json.loads(run(*asked, "--json").stdout)
    ]
    told = [
        pynmea2.parse(line, check=True)
        for line in (tmp_path / "plan.nmea").read_text().splitlines()
    ]
    names = [f"be here {letter} edge" for letter in "ABC"]
    assert [one.waypoint_id for one in told[:3]] == names
    assert [
        int(one.lat[:2]) + float(one.lat[2:]) / 60 for one in told[:3]
    ] == pytest.approx([-lat for lat, _ in places], abs=2e-6)
    assert [name for one in told[3:] for name in one.waypoint_list] == names
    (route,) = gpxpy.parse((tmp_path / "plan.gpx").read_text()).routes
    assert [(p.name, p.latitude, p.longitude) for p in route.points] == [
        (name, pytest.approx(lat, abs=1e-6), pytest.approx(lon, abs=1e-6))
        for name, (lat, lon) in zip(names, places, strict=True)
    ]
    assert (
        "expected a name that ends in .nmea or .gpx"
        in run(*asked, "--waypoints", "plan.txt").output
    )


def test_a_mark_in_the_logbook_as_json(run, book):
    result = run("--logbook", book, "--mark", "home ledge", "--json")
    found = json.loads(result.stdout)
    assert len(found) == 3
    lip = 55.0 - 1.5 * np.log(3.5 / 0.9 - 1.0)
    for one in found:
        east, _ = PLANE.to_xy(one["lat"], one["lon"])
        middle = 0.5 * (one["begins"] + one["ends"])
        at = east + middle * np.sin(np.radians(one["bearing"]))
        assert abs(at - lip) < 7.0
        assert one["metres"] > 2.0
        assert one["target"] == "home ledge"
    by_number = json.loads(run("--logbook", book, "--mark", "1", "--json").stdout)
    assert by_number == found


def test_a_place_and_a_boat_that_stays(run, book):
    at, boat = (
        ",".join(f"{v:.6f}" for v in PLANE.to_latlon(*xy))
        for xy in ((45.0, 60.0), (45.0, 85.0))
    )
    found = json.loads(
        run("--logbook", book, "--at", at, "--from", boat, "--json").stdout
    )
    assert found
    for one in found:
        east, north = PLANE.to_xy(one["lat"], one["lon"])
        assert (east, north) == pytest.approx((45.0, 85.0), abs=0.3)
    assert abs(found[0]["bearing"] - 180.0) <= 30.0


def test_deeper_water_is_planned_for_when_the_level_is_up(run, csv):
    low, high = (
        json.loads(
            run(
                "--soundings",
                csv,
                "--level",
                level,
                "--between",
                "4 m",
                "5 m",
                "--json",
            ).stdout
        )
        for level in ("-0.5 m", "0.5 m")
    )
    # The same piece of bottom lies deeper: what is 4.5 m deep is found a metre up the
    # ledge.
    assert low[0]["depth"] == pytest.approx(4.5, abs=0.6)
    assert high[0]["depth"] == pytest.approx(4.5, abs=0.6)
    assert low != high


def test_of_two_depths_either_may_come_first(run, csv):
    way, back = (
        run("--soundings", csv, "--between", *depths, "--json").stdout
        for depths in (("4 m", "5 m"), ("5 m", "4 m"))
    )
    assert way == back
    assert json.loads(way)


def test_any_file_that_can_be_learned_can_be_planned_on(run, csv, tmp_path):
    wanted = run("--soundings", csv, "--between", "4 m", "5 m", "--json").stdout
    text = csv.read_text()
    semicolons = text.replace(",", ";").replace("depth_m", "depth_m;Höhe")
    (tmp_path / "west.csv").write_bytes(semicolons.encode("cp1252"))
    points = soundings_to_geojson(soundings_from_csv(text).items)
    (tmp_path / "points.geojson").write_text(points)
    for name in ("west.csv", "points.geojson"):
        found = run("--soundings", tmp_path / name, "--between", "4 m", "5 m", "--json")
        best = json.loads(found.stdout)[0]
        for figure in ("lat", "lon", "bearing", "depth"):
            assert best[figure] == pytest.approx(json.loads(wanted)[0][figure])


def test_what_cannot_be_planned_on_is_told(run, tmp_path):
    (tmp_path / "odd.csv").write_text("lat,lon,depth\n1,2,x\n1,2,3\n")
    told = run("--soundings", tmp_path / "odd.csv", "--edge", "9 ft").stderr
    assert "line 2: depth 'x'" in told
    assert "its depths name no unit: taken for metres" in told


def test_nothing_gets_there(run, csv):
    result = run("--soundings", csv, "--between", "8 m", "9 m")
    assert "no rod gets there" in result.stdout


def test_an_nmea_recording(run, tmp_path):
    """Depth and place once a second on lines over the same bottom."""

    def checked(body):
        return f"${body}*{np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8)):02X}"

    lines = []
    for k, (lat, lon, depth) in enumerate(soundings(60.0)):
        ns, ew = ("S" if lat < 0 else "N"), ("W" if lon < 0 else "E")
        place = ",".join(
            f"{int(abs(degrees)):0{wide}d}{abs(degrees) % 1 * 60:08.5f},{side}"
            for degrees, wide, side in ((lat, 2, ns), (lon, 3, ew))
        )
        clock = f"{10 + k // 3600:02d}{k // 60 % 60:02d}{k % 60:02d}.00"
        lines += [
            checked(f"SDDPT,{depth},0.0"),
            checked(f"GPRMC,{clock},A,{place},4.0,090.0,031026,,,A"),
        ]
    path = tmp_path / "day.nmea"
    path.write_text("\r\n".join(lines) + "\r\n")
    result = run("--soundings", path, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)[0]["metres"] > 2.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--edge", "9"), "expected a length with its unit"),
        (("--at", "here"), "expected latitude,longitude"),
        (("--at", "10.0,10.0"), "nothing is mapped near"),
        (
            ("--mark", "nessie"),
            'there is no mark "nessie"; marks here: 1 home ledge, 2 high spot',
        ),
        (("--edge", "90 ft"), "nowhere"),
        (("--depth-band", "9 ft", "9 ft"), "expected the shallower depth first"),
        (("--soundings", "nowhere.csv"), "no such file"),
    ],
)
def test_mistakes_in_one_line(run, book, arguments, words):
    result = run("--logbook", book, *arguments)
    assert result.exit_code == 2
    assert words in result.stderr


def test_no_lake_at_all(run, tmp_path):
    assert "no such logbook" in run().stderr
    with Logbook(tmp_path / "empty.db"):
        pass
    assert "nothing is mapped yet" in run("--logbook", tmp_path / "empty.db").stderr


def test_of_a_lure_thrown_off_widely_it_is_told_how_long_a_hit_loses_the_bottom(
    run, csv, tmp_path
):
    text = example_text().replace("[[lures]]\n", '[[lures]]\ndeflection = "wide"\n')
    (tmp_path / "wide.toml").write_text(text)
    plain = run("--soundings", csv, "--edge", "14 ft")
    wide = run(
        "--soundings", csv, "--edge", "14 ft", "--config", tmp_path / "wide.toml"
    )
    assert "after a hit" not in plain.output
    assert "after a hit its lure is off the bottom for about" in wide.output
