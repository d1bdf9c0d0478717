"""What goes out to others comes back the same: the commands as they are typed, on an invented lake."""

from __future__ import annotations

import json
import socket
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import gpxpy
import pynmea2
import pytest
from click.testing import CliRunner

from companion.cli import commands
from companion.events import Fix, Logged
from companion.lakebed.bed import Bed
from companion.record.lakes import Lakes
from companion.record.logbook import Logbook
from companion.sensing.localplane import LocalPlane

PLANE = LocalPlane(-47.2, -126.4)  # in open ocean: invented water
START = datetime(2026, 10, 3, 14, 15, tzinfo=UTC)
MARKED = [("tree top", 4.572, ""), ("spot", 3.0, "old pier"), ("ledge", None, "")]


def utc(t: float) -> str:
    return (
        (START + timedelta(seconds=t))
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    """A trip with three marks, a fish and a cast, fifty metres apart."""
    path = tmp_path / "logbook.db"
    with Logbook(path) as book, book.begin_trip("a day") as trip:
        for n in range(300):
            fix = Fix(*PLANE.to_latlon(float(n), 0.0), 3.0)
            trip.reading(
                float(n), START + timedelta(seconds=n), fix, 5.0 + n / 100, speed=1.0
            )
        for n, (kind, depth, note) in enumerate(MARKED):
            place = Fix(*PLANE.to_latlon(50.0 * n, 0.0), 3.0)
            told = {
                "what": "mark",
                "detail": note or kind,
                "size": depth,
                "boat": place,
            }
            trip.record(Logged(t=50.0 * n, utc=utc(50.0 * n), number=n + 1, **told))
        fish = {"what": "fish", "size": 1.93, "rod": "rod 2", "lure_depth": 3.6}
        place = Fix(*PLANE.to_latlon(200.0, 0.0), 8.0)
        trip.record(Logged(t=200.0, utc=utc(200), number=4, lure_at=place, **fish))
        trip.record(
            Logged(t=220.0, utc=utc(220), number=5, what="cast", size=45.0, boat=place)
        )
    return path


def run(*words: object) -> str:
    done = CliRunner().invoke(commands, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def marks_in(logbook: Path) -> list[tuple[str, float | None, str]]:
    with Logbook(logbook) as book:
        (area,) = Bed(Lakes(book).areas()).areas
        return [
            (m.kind, None if m.top is None else round(m.top, 3), m.note)
            for m in area.marks
        ]


@pytest.mark.parametrize("unit", ["feet", "metres"])
@pytest.mark.parametrize(
    ("form", "end"),
    [
        ("csv", "marks.csv"),
        ("gpx", "trip.gpx"),
        ("geojson", "trip.geojson"),
        ("nmea", "waypoints.nmea"),
    ],
)
def test_what_is_exported_is_learned_back_unchanged(logbook, tmp_path, form, end, unit):
    run(
        "export",
        tmp_path / "out",
        "--format",
        form,
        "--units",
        unit,
        "--logbook",
        logbook,
    )
    other = tmp_path / "other.db"
    run("learn", tmp_path / "out" / f"trip-1-{end}", "--logbook", other)
    assert marks_in(other) == [
        (kind, None if depth is None else pytest.approx(depth, abs=0.003), note)
        for kind, depth, note in MARKED
    ]


@pytest.mark.parametrize("end", ["csv", "gpx", "geojson", "nmea"])
def test_a_lakes_marks_learned_back_into_it_are_the_same_marks(logbook, tmp_path, end):
    run("export", tmp_path, "--format", "csv", "--logbook", logbook)
    run("learn", tmp_path / "trip-1-marks.csv", "--logbook", logbook)
    before = marks_in(logbook)
    run("lakebed", "--marks", tmp_path / f"out.{end}", "--logbook", logbook)
    run("learn", tmp_path / f"out.{end}", "--logbook", logbook)
    assert marks_in(logbook) == before


def test_gpx_has_the_standards_own_fields(logbook, tmp_path):
    """GPX 1.1: name, sym and type tell what it is; ele, a height above the sea, is left alone."""
    run("export", tmp_path, "--format", "gpx", "--units", "feet", "--logbook", logbook)
    points = gpxpy.parse((tmp_path / "trip-1-trip.gpx").read_text()).waypoints
    assert [(p.name, p.symbol, p.type, p.elevation) for p in points] == [
        ("tree top", "tree top", "tree top", None),
        ("old pier", "spot", "spot", None),
        ("ledge", "ledge", "ledge", None),
        ("fish", "fish", "fish", None),
        ("cast", "cast", "cast", None),
    ]
    assert [p.description for p in points] == [
        "top 15 ft below the surface, place within 9.84 ft",
        "top 9.84 ft below the surface, place within 9.84 ft",
        "place within 9.84 ft",
        "rod rod 2, lure at 11.8 ft, weight 4 lb 4 oz",
        "length 49 yd",
    ]


def test_kinds_are_chosen(logbook, tmp_path):
    run("export", tmp_path, "--only", "fish", "--only", "mark", "--logbook", logbook)
    gpx = gpxpy.parse((tmp_path / "trip-1-trip.gpx").read_text())
    assert gpx.tracks == []
    assert sorted(point.type for point in gpx.waypoints) == [
        "fish",
        "ledge",
        "spot",
        "tree top",
    ]
    assert sorted(path.name for path in tmp_path.glob("trip-1-*")) == [
        "trip-1-events.csv",
        "trip-1-marks.csv",
        "trip-1-trip.geojson",
        "trip-1-trip.gpx",
        "trip-1-waypoints.nmea",
    ]
    result = CliRunner().invoke(
        commands, ["learn", str(tmp_path / "trip-1-events.csv")]
    )
    assert result.exit_code
    assert "the events of a trip; its soundings and marks are in" in result.output
    events = (tmp_path / "trip-1-events.csv").read_text().splitlines()
    assert len(events) == 1 + 4
    assert '"what": "track"' not in (tmp_path / "trip-1-trip.geojson").read_text()


def test_waypoints_are_sent_only_when_asked_and_nothing_else_with_them(
    logbook, tmp_path
):
    """The sentences are read by pynmea2, which knows WPL (C)."""
    run("export", tmp_path, "--format", "nmea", "--logbook", logbook)
    file = tmp_path / "trip-1-waypoints.nmea"
    with file.open("a") as lines:
        lines.write(
            "$GPRMC,141500,A,4500.000,N,09300.000,W,0.5,090.0,031026,,,A*57\r\n$IIWPL,bad*00\r\n"
        )
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plotter:
        plotter.bind(("127.0.0.1", 0))
        plotter.settimeout(600)
        run("send", file, "--to", f"udp:127.0.0.1:{plotter.getsockname()[1]}")
        told = [
            pynmea2.parse(plotter.recv(200).decode().strip(), check=True)
            for _ in MARKED
        ]
    assert [one.sentence_type for one in told] == ["WPL"] * 3
    assert [one.waypoint_id for one in told] == [
        "tree top 15 ft",
        "old pier 9.84 ft",
        "ledge",
    ]
    assert (told[0].lat, told[0].lat_dir, told[0].lon, told[0].lon_dir) == (
        "4712.0000",
        "S",
        "12624.0000",
        "W",
    )


def test_a_plotter_on_tcp_gets_all_of_it(logbook, tmp_path):
    run("export", tmp_path, "--format", "nmea", "--logbook", logbook)
    file = tmp_path / "trip-1-waypoints.nmea"
    got = []

    def take(server: socket.socket) -> None:
        connection, _ = server.accept()
        with connection, connection.makefile("rb") as lines:
            got.append(lines.read())

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=take, args=(server,))
        thread.start()
        run("send", file, "--to", f"tcp:127.0.0.1:{server.getsockname()[1]}")
        thread.join()
    assert got == [file.read_bytes()]


class Resources(BaseHTTPRequestHandler):
    """A Signal K server's waypoints, as its resources API takes them; it wants a token."""

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        allowed = self.headers["Authorization"] == "Bearer abc"
        if allowed:
            self.server.got.append((self.path, body))
        self.send_response(201 if allowed else 401)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


def test_waypoints_to_a_signal_k_server(logbook, tmp_path):
    """POST /signalk/v2/api/resources/waypoints with a GeoJSON feature (its OpenAPI page, S)."""
    run(
        "export",
        tmp_path,
        "--format",
        "nmea",
        "--units",
        "metres",
        "--logbook",
        logbook,
    )
    file, token = tmp_path / "trip-1-waypoints.nmea", tmp_path / "token"
    token.write_text("abc\n")
    with HTTPServer(("127.0.0.1", 0), Resources) as server:
        server.got = []
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        to = f"signalk:127.0.0.1:{server.server_port}"
        refused = CliRunner().invoke(commands, ["send", str(file), "--to", to])
        told = run("send", file, "--to", to, "--token-file", token)
        server.shutdown()
        thread.join()
    assert "it asks for a token" in str(refused.exception)
    assert told == "3 waypoints sent to 127.0.0.1\n"
    assert {path for path, _ in server.got} == {"/signalk/v2/api/resources/waypoints"}
    assert [body["name"] for _, body in server.got] == [
        "tree top 4.57 m",
        "old pier 3 m",
        "ledge",
    ]
    lon, lat = server.got[0][1]["feature"]["geometry"]["coordinates"]
    assert (lat, lon) == pytest.approx((PLANE.lat, PLANE.lon), abs=2e-6)


@pytest.mark.parametrize(
    ("to", "says"),
    [
        (
            "plotter",
            "is no wire; expected tcp:HOST:PORT, udp:HOST:PORT, signalk:HOST:PORT or a serial port",
        ),
        ("tcp:127.0.0.1:99999", "is no wire"),
        ("/dev/no-such-port", "could not open port"),
    ],
)
def test_a_wire_that_is_none_is_told_in_one_line(logbook, tmp_path, to, says):
    run("export", tmp_path, "--format", "nmea", "--logbook", logbook)
    done = CliRunner().invoke(
        commands, ["send", str(tmp_path / "trip-1-waypoints.nmea"), "--to", to]
    )
    assert done.exit_code != 0
    assert says in (done.output + str(done.exception))


def test_nothing_to_send_is_told(tmp_path):
    (tmp_path / "day.nmea").write_text("$SDDPT,5.0,0.3*5A\r\n")
    done = CliRunner().invoke(
        commands, ["send", str(tmp_path / "day.nmea"), "--to", "udp:127.0.0.1:9"]
    )
    assert "no waypoint in it; expected WPL or RTE sentences" in done.output
