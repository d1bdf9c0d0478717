"""`companion learn` and `companion lakebed` as they are typed, on the invented day and on recorded logs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from companion.cli import commands
from companion.lakebed import exchange
from companion.lakebed.bed import Bed
from companion.lakebed.share import Share
from companion.record.lakes import Lakes, LearnedFile, of_trip
from companion.record.logbook import Logbook
from companion.sensing.framing import checksum
from companion.sensing.localplane import LocalPlane
from companion.simulate.lake import Lake

ROOT = Path(__file__).parents[2]
SATURDAY = ROOT / "replay_logs" / "invented_saturday" / "sonar.nmea"
LOGS = ROOT.parent / "shared" / "data" / "logs"


@pytest.fixture
def companion(tmp_path, monkeypatch):
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path))

    def run(*arguments):
        return CliRunner().invoke(commands, list(map(str, arguments)))

    return run


@pytest.fixture
def learned(companion):
    result = companion("learn", SATURDAY)
    assert result.exit_code == 0, result.output
    return result.output


def test_the_invented_day_becomes_the_invented_lake(learned, tmp_path):
    """Its own truth is known: the depth of every cell, beside the bottom of the simulated lake there."""
    told = json.loads((SATURDAY.parent / "truth.json").read_text())["lake"]
    lake, plane = Lake(told["seed"]), LocalPlane(told["latitude"], told["longitude"])
    with Logbook(tmp_path / "companion" / "logbook.db") as book:
        (area,) = Lakes(book).areas()
        cells = area.surface.sounded()
        east, north = plane.to_xy(*area.plane.to_latlon(cells[:, 0], cells[:, 1]))
        surface = area.surface.at(cells[:, 0], cells[:, 1])
    off = surface.depth - lake.bottom(east, north)
    print(
        f"\n{learned}{len(off)} cells: off by {np.median(off):+.2f} m in the median, "
        f"RMS {np.sqrt(np.mean(off**2)):.2f} m"
    )
    sure = surface.sigma < 0.5
    assert np.sqrt(np.mean(off[sure] ** 2)) <= 0.4
    assert sure.mean() > 0.8
    assert "soundings" in learned


def test_a_file_learned_before_is_passed_over(companion, learned):
    again = companion("learn", "--json", SATURDAY)
    (line,) = [line for line in again.output.splitlines() if line.startswith("{")]
    assert json.loads(line)["known_as"] == "sonar.nmea"
    assert "learned before" not in learned


def _day(path, date, higher):
    """Write a recording of five minutes along one line, the water `higher(t)` m above its first day's."""
    rng, lines = np.random.default_rng(int(date)), []
    for t in range(300):
        time, minutes = f"14{t // 60:02d}{t % 60:02d}", 60.0 * 1.2 * t / 78_847.0
        place = f"4500.0000,N,090{minutes:07.4f},W"
        depth = 6.0 + 1.5 * np.sin(t / 25.0) + higher(t) + rng.normal(0.0, 0.08)
        for body in (
            f"GPRMC,{time},A,{place},2.3,270.0,{date},,",
            f"SDDPT,{depth:.2f},0.0",
        ):
            lines.append(f"${body}*{checksum(body.encode()):02X}\r\n")
    path.write_text("".join(lines))
    return path


def test_what_was_learned_wrongly_is_forgotten_and_learned_anew(companion, tmp_path):
    survey = tmp_path / "survey.csv"
    rows = [f"{-47.2 + i * 1e-4:.4f},-126.4,{20 + i % 3}" for i in range(30)]
    survey.write_text("\n".join(("lat,lon,depth", *rows)))
    assert companion("learn", survey).exit_code == 0
    assert "67 ft to 72 ft" in companion("lakebed").output
    assert companion("learn", "--learned").output.endswith("survey.csv: 30 soundings\n")
    anew = companion("learn", "--forget", survey, "--depths", "feet", survey)
    assert (
        "survey.csv: forgotten, 30 soundings\nsurvey.csv: 30 soundings\n" in anew.output
    )
    assert "21 ft to 22 ft" in companion("lakebed").output
    assert companion("learn", "--forget", "survey.csv").exit_code == 0
    assert "no lake is known yet" in companion("lakebed").output
    again = companion("learn", "--forget", "survey.csv")
    assert again.exit_code
    assert "nothing was learned from survey.csv" in again.output


def test_a_trip_is_forgotten_by_its_name_or_day(companion, tmp_path):
    names = ("2031-05-04 030201", "2031-05-04 130000", "2031-05-06 030201")
    with Logbook(tmp_path / "companion" / "logbook.db") as book:
        lakes = Lakes(book)
        for number, name in enumerate(names):
            bed, share = Bed(lakes.areas()), Share()
            bed.begin_trip(share=share)
            bed.add(-47.2 + number / 1e3, -126.4, 6.0)
            taken = LearnedFile(of_trip(name), name, 1, 0, done=True, apart=True)
            lakes.save(bed, taken, share)
    listed = companion("learn", "--learned").output
    assert all(f"trip {name}: 1 sounding\n" in listed for name in names)
    unclear = companion("learn", "--forget", "2031-05-04")
    assert unclear.exit_code
    assert "2 were learned as 2031-05-04" in unclear.output
    assert "trip 2031-05-06 030201: forgotten, 1 sounding" in (
        companion("learn", "--forget", "2031-05-06").output
    )
    companion("learn", "--forget", names[0])
    left = companion("learn", "--forget", f"trip {names[1]}", "--learned").output
    assert left.endswith(f"trip {names[1]}: forgotten, 1 sounding\n")
    assert "no lake is known yet" in companion("lakebed").output


def test_a_file_of_an_earlier_version_is_not_half_forgotten(companion, tmp_path):
    with Logbook(tmp_path / "companion" / "logbook.db") as book:
        Lakes(book).save(Bed(), LearnedFile("ab", "day.nmea", 7, 0, True))
    result = companion("learn", "--forget", "day.nmea")
    assert result.exit_code
    assert "not known apart from the rest" in result.output
    assert "day.nmea: 7 soundings" in companion("learn", "--learned").output


def test_another_water_level_is_told_with_its_doubt_and_taken_back(companion, tmp_path):
    first = _day(tmp_path / "first.nmea", "031026", lambda _: 0.0)
    higher = _day(tmp_path / "higher.nmea", "041026", lambda _: 0.6)
    seemed = _day(tmp_path / "seemed.nmea", "051026", lambda t: 0.6 * (t < 80))
    told = companion("learn", first, higher).output
    assert re.search(
        r"it is (1.9|2.0) ft deeper .* give or take 0\.\d ft, by 1\d\d places", told
    )
    seems = "water seems 2 feet higher than the map"
    after_all = "water may stand as on the map after all"
    for day, lines in ((higher, [seems]), (seemed, [seems, after_all])):
        book = ("--logbook", tmp_path / f"{day.stem}.db")
        companion("replay", first, *book)
        said = companion("replay", day, *book).output
        assert re.findall(r'said +"(water [^"]*)"', said) == lines


def test_pictures_of_all_kinds_are_drawn(companion, learned, tmp_path):
    paths = [tmp_path / f"lake.{kind}" for kind in ("png", "svg", "html")]
    result = companion("lakebed", *paths)
    assert result.exit_code == 0, result.output
    starts = [path.read_bytes()[:20] for path in paths]
    assert starts[0].startswith(b"\x89PNG")
    assert starts[1].startswith(b"<svg")
    assert starts[2].startswith(b"<!doctype html>")
    assert learned


def test_what_is_written_can_be_learned_elsewhere(companion, learned, tmp_path):
    """Out and in again, through every form: the same depths, the same marks."""
    own = tmp_path / "companion" / "logbook.db"
    with Logbook(own) as book:
        lakes = Lakes(book)
        bed = Bed(lakes.areas())
        plane = lakes.areas()[0].plane
        bed.mark("tree top", plane.lat, plane.lon, depth=3.0, note="invented")
        lakes.save(bed)
        cells = bed.areas[0].surface.sounded()
        lat, lon = plane.to_latlon(cells[:, 0], cells[:, 1])
    for points, marks in (
        ("s.csv", "m.gpx"),
        ("s.geojson", "m.csv"),
        ("s.csv", "m.geojson"),
    ):
        out = [tmp_path / points, tmp_path / marks]
        assert (
            companion("lakebed", "--soundings", out[0], "--marks", out[1]).exit_code
            == 0
        )
        other = tmp_path / f"{points}{marks}.db"
        assert companion("learn", *out, "--logbook", other).exit_code == 0
        with Logbook(other) as book:
            (area,) = Lakes(book).areas()
            again = area.surface.at(*area.plane.to_xy(lat, lon)).depth
            assert np.sqrt(np.mean((again - cells[:, 2]) ** 2)) < 0.15
            (mark,) = area.marks
            assert (mark.kind, mark.note) == ("tree top", "invented")
            assert mark.top == pytest.approx(3.0, abs=0.002), "a hundredth of a foot"
    assert learned


def test_contours_are_written_where_the_bottom_is_known(companion, learned, tmp_path):
    path = tmp_path / "contours.geojson"
    assert companion("lakebed", "--contours", path).exit_code == 0
    features = json.loads(path.read_text())["features"]
    assert {feature["geometry"]["type"] for feature in features} == {"MultiLineString"}
    depths = [feature["properties"]["depth"] for feature in features]
    assert len(depths) >= 5
    # None of a guess: the bottom between the soundings is hardly shallower or deeper
    # than they are.
    (lake,) = json.loads(companion("lakebed", "--json").stdout.splitlines()[-1])
    assert min(depths) > lake["shallowest"] - 0.6
    assert max(depths) < lake["deepest"] + 0.6
    assert exchange.soundings_from_geojson(path.read_text()).items == []
    assert learned


def test_what_is_known_is_told(companion, learned):
    (lake,) = json.loads(companion("lakebed", "--json").stdout.splitlines()[-1])
    assert lake["cells"] > 400
    assert 2.0 < lake["shallowest"] < lake["deepest"] < 10.0
    assert f"{lake['cells']} cells" in companion("lakebed").output
    assert learned


def test_a_picture_around_a_place_is_of_the_lake_there(companion, tmp_path):
    for name, lat, rows in (("large", 45.0, 90), ("small", 46.0, 30)):
        lines = [f"{lat + n * 2e-5:.6f},7.0,{5.0 + n / 100}" for n in range(rows)]
        table = tmp_path / f"{name}.csv"
        table.write_text("\n".join(["lat,lon,depth_m", *lines]))
        assert companion("learn", table).exit_code == 0
    picture = tmp_path / "lake.svg"
    drawn = companion("lakebed", picture, "--around", "46 00.02 N, 7 E")
    assert drawn.exit_code == 0, drawn.output
    assert "Lake 2, as sounded" in picture.read_text()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["lake.jpg"], "ends in .png, .svg, .html"),
        (["--lake", "9", "lake.svg"], "there is no lake 9; lakes: 1"),
        (["--around", "here", "lake.svg"], '"here": expected latitude,longitude'),
        (["--around", "10, 10", "lake.svg"], "nothing is known there"),
        (["--marks", "marks.txt"], "ends in .gpx or .csv or .geojson"),
    ],
)
def test_a_mistake_is_told_in_one_line(companion, learned, arguments, says):
    result = companion("lakebed", *arguments)
    assert result.exit_code == 2
    assert says in result.output
    assert learned


def test_without_a_lake_it_says_how_to_get_one(companion, tmp_path):
    assert "there is no such logbook" in companion("lakebed").output
    Logbook(tmp_path / "empty.db").close()
    result = companion("lakebed", "--logbook", tmp_path / "empty.db")
    assert "companion learn" in result.output
    assert (
        companion("lakebed", "x.svg", "--logbook", tmp_path / "empty.db").exit_code == 2
    )


def test_a_file_of_no_use_ends_with_wrong_usage_and_a_line(companion, tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("bring worms\n")
    result = companion("learn", path)
    assert (
        result.exit_code == 1
    )  # click's own; `companion.cli.main` makes it wrong usage
    assert "expected NMEA 0183 sentences" in result.output


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("harbour_survey_1.txt", 905, 911),
        ("ocean_false_bottom.nmea", 0, 10),
        ("river_nh.log", 340, 346),
        ("adriatic_two_gps.dat", 830, 849),
        ("ijssel.log", 146, 149),
        ("flat_lake.nmea", 2000, 2100),
        ("dock_blank_offset.nmea", 205, 220),
        ("shallow_moored.log", 138, 143),
    ],
)
def test_recorded_logs_of_others(companion, name, least, most):
    """The false bottom goes, the rest stays; the counts of depths are those of the data's index (S)."""
    path = LOGS / name
    if not path.exists():
        pytest.skip(f"open data not present: shared/data/logs/{name}")
    result = companion("learn", "--json", path)
    outcome = next(
        json.loads(line) for line in result.stdout.splitlines() if line.startswith("{")
    )
    print(
        f"\n{name}: {outcome['soundings']} soundings kept, dropped {outcome['dropped']}"
    )
    assert least <= outcome["soundings"] <= most
